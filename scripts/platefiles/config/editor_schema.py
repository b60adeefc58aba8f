"""JSON schemas of the YAML files for editors, made from the models.

``python -m platefiles.config.editor_schema`` writes them into ``config/schema``.
"""

import json
from pathlib import Path
from typing import Any

from platefiles.config.load import SHIPPED
from platefiles.config.machine import Machine
from platefiles.config.project import PICTURE_KEYS, Equipment, Project
from platefiles.config.recipe import Recipe
from platefiles.settings.model import Settings

FOLDER = SHIPPED / "schema"
_MODELS: dict[str, type[Settings]] = {
    "project": Project,
    "recipe": Recipe,
    "equipment": Equipment,
    "machine": Machine,
}


def schema_texts() -> dict[str, str]:
    """Return the JSON text of each schema, by file name, in a fixed order."""
    return {f"{name}.json": _text(_schema(name, model)) for name, model in _MODELS.items()}


def write_schemas(folder: Path = FOLDER) -> list[Path]:
    """Write the schemas into a folder and return their paths.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    """
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, text in schema_texts().items():
        (folder / name).write_text(text, encoding="utf-8")
        paths.append(folder / name)
    return paths


def _schema(name: str, model: type[Settings]) -> dict[str, Any]:
    schema = _without_titles(model.model_json_schema())
    if model is Project:
        partial = _without_titles(Recipe.model_json_schema())
        schema["$defs"] |= partial.pop("$defs")
        del partial["required"]
        schema["properties"]["overrides"] |= partial | {
            "description": schema["properties"]["overrides"]["description"]
        }
        keys = {key: partial["properties"][key] for key in PICTURE_KEYS if key != "title"}
        keys["title"] = schema["properties"]["title"]
        schema["properties"]["pictures"]["additionalProperties"] = {
            "type": ["object", "null"],
            "properties": keys,
            "additionalProperties": False,
        }
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": f"platelog {name}"}
    return head | schema


def _without_titles(node: Any, names: bool = False) -> Any:
    """Drop the titles that pydantic derives from names; keep keys named 'title'."""
    if isinstance(node, list):
        return [_without_titles(item) for item in node]
    if not isinstance(node, dict):
        return node
    return {
        key: _without_titles(value, names=key in ("properties", "$defs", "default"))
        for key, value in node.items()
        if names or key != "title"
    }


def _text(schema: dict[str, Any]) -> str:
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    for path in write_schemas():
        print(path)
