import json
import re
from pathlib import Path

import jsonschema
import pytest
from pydantic_core import PydanticUndefined

from platefiles.config import machine, project, recipe
from platefiles.config.editor_schema import schema_texts, write_schemas
from platefiles.config.yaml_file import read_yaml
from platefiles.settings import (
    calibration,
    channels,
    colour,
    field,
    gradient,
    integration,
    measure,
    model,
    picture,
    registration,
)

CONFIG = Path(__file__).resolve().parents[4] / "config"
SECTIONS = {
    "Project files": project.Project,
    "channels": project.Channel,
    "Recipe files": recipe.Recipe,
    "mapping": colour.Mapping,
    "calibration": calibration.Calibration,
    "measure": measure.Measure,
    "quality": registration.Quality,
    "registration": registration.Registration,
    "integration": integration.Integration,
    "gradient": gradient.Gradient,
    "seeing": channels.Seeing,
    "continuum": channels.Continuum,
    "colour": colour.Colour,
    "scale": colour.Scale,
    "geometry": picture.Geometry,
    "stretch": picture.Stretch,
    "finish": picture.Finish,
    "depth": field.Depth,
    "annotation": field.Annotation,
    "Equipment files": project.Equipment,
    "sky": project.Sky,
    "lights": project.Lights,
    "site": project.Site,
    "This machine": machine.Machine,
}
"""Headings of the manual and the models whose keys their tables list."""

SHIPPED_FILES = [
    *sorted(CONFIG.glob("recipes/*.yaml")),
    CONFIG / "projects" / "demo.yaml",
    CONFIG / "equipment" / "demo-bench.yaml",
]


def manual() -> dict[str, dict[str, str]]:
    """Give the defaults that the manual states, by key, by heading."""
    tables: dict[str, dict[str, str]] = {}
    heading = ""
    for line in (CONFIG / "README.md").read_text(encoding="utf-8").splitlines():
        if line.startswith("#"):
            heading = line.strip("# `")
        row = re.match(r"\| `(\w+)` \|([^|]*)\|", line)
        if row:
            tables.setdefault(heading, {})[row[1]] = row[2].strip("` ")
    return tables


def stated(info) -> str:
    """Give a default as the manual writes it."""
    default = info.get_default()
    if default is PydanticUndefined:
        return "required"
    if default is None or default in ("", [], {}):
        return "none"
    if isinstance(default, model.Settings):
        return ""
    if isinstance(default, bool):
        return str(default).lower()
    if isinstance(default, list):
        return f"[{', '.join(default)}]"
    return str(default)


@pytest.mark.parametrize("name", list(schema_texts()))
def test_schemas_for_editors_are_up_to_date(name):
    """The schemas in config/schema are those of the models."""
    path = CONFIG / "schema" / name
    on_disk = path.read_text(encoding="utf-8") if path.exists() else ""
    assert on_disk == schema_texts()[name], (
        f"config/schema/{name} is not that of the models any more; write it anew with: "
        "PYTHONPATH=scripts .venv/bin/python -m platefiles.config.editor_schema"
    )


def test_schemas_are_written_as_they_are_given(tmp_path):
    """Writing puts each schema into its file."""
    paths = write_schemas(tmp_path / "schema")
    assert {path.name: path.read_text(encoding="utf-8") for path in paths} == schema_texts()


@pytest.mark.parametrize("path", SHIPPED_FILES, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_shipped_files_name_and_meet_their_schema(path):
    """Each shipped file names its schema for editors, and is valid by it."""
    first = path.read_text(encoding="utf-8").splitlines()[0]
    found = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", first)
    assert found
    schema = json.loads((path.parent / found[1]).read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(read_yaml(path).data)


def test_schema_knows_the_keys_of_overrides():
    """An editor completes and checks overrides, of which no key is required."""
    schema = json.loads(schema_texts()["project.json"])
    jsonschema.Draft202012Validator.check_schema(schema)
    data = {"title": "x", "raw": ["a"], "recipe": "r", "channels": {"g": {"filters": ["G"]}}}
    validator = jsonschema.Draft202012Validator(schema)
    assert validator.is_valid(data | {"overrides": {"integration": {"clip": "mad"}}})
    assert not validator.is_valid(data | {"overrides": {"integration": {"clpi": "mad"}}})
    assert not validator.is_valid(data | {"titel": "y"})


def test_every_key_has_a_description():
    """Each key of each file has a description in its schema."""
    for group in SECTIONS.values():
        for name, info in group.model_fields.items():
            assert info.description, f"{group.__name__}.{name}"


@pytest.mark.parametrize("heading", list(SECTIONS))
def test_manual_lists_every_key_with_its_default(heading):
    """The tables of config/README.md hold each key of the models, and its default."""
    expected = {key: stated(info) for key, info in SECTIONS[heading].model_fields.items()}
    assert manual()[heading] == expected, (
        f"mend the table under '{heading}' in config/README.md, or the model"
    )


def test_manual_has_no_other_tables():
    """No table of keys is left over in the manual."""
    assert set(manual()) == set(SECTIONS)
