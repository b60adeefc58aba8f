"""Settings: project, recipe, equipment and machine files, checked and loaded."""
