"""The field on the sky: star catalogues, archives, and the solution of a project's grid."""
