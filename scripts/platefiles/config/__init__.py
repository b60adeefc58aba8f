"""Configuration: project, recipe, equipment and machine files, checked and loaded.

Input: YAML files.
Output: checked models, or one sentence for each problem with file, key and remedy.
Sources: YAML 1.2; JSON Schema for editors.
"""
