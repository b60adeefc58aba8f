"""Settings: groups of a recipe as frozen models, of which recipes and the jobs of steps are made.

Each group has a module, so that a new setting changes the code of the steps that use its group and
of no other. A step that uses a part of a group takes the model of that part.
"""
