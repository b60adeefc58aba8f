"""A folder with a project, its recipe and its raw frames, to be changed."""

import textwrap
from pathlib import Path

import pytest

from platefiles.config.load import ConfigError, load_project

CONFIG = Path(__file__).resolve().parents[4] / "config"


RECIPE = """\
mapping:
  red: {ha: 1}
  green: {g: 1}
  blue: {g: 1}
integration:
  clip: sigma
  clip_low: 3
"""


PROJECT = """\
title: Quiet Field
raw: [../../frames]
recipe: mine
channels:
  ha: {filters: [Ha]}
  g:
    filters: [G]
"""


class Desk:
    """A folder with config files in it, that is the working directory."""

    def __init__(self, root):
        self.projects = root / "config" / "projects"
        self.projects.mkdir(parents=True)
        (root / "frames").mkdir()
        self.write("recipes/mine", RECIPE)

    def write(self, name, text):
        """Write ``config/NAME.yaml``."""
        path = self.projects.parent / f"{name}.yaml"
        path.parent.mkdir(exist_ok=True)
        path.write_text(textwrap.dedent(text))
        return path

    def load(self, text=PROJECT, name="one"):
        """Load a project of this text."""
        self.write(f"projects/{name}", text)
        return load_project(name, self.projects)

    def problems(self, text=PROJECT, name="one"):
        """Give the lines with which a project is refused."""
        with pytest.raises(ConfigError) as caught:
            self.load(text, name)
        assert str(caught.value) == "\n".join(caught.value.problems)
        return list(caught.value.problems)
