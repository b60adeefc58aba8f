"""What is in the field: catalogues of objects, and tables of sources as files."""
