"""Pictures as files, with where they lie on the sky and how they were made."""
