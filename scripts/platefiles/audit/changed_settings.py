"""Settings of a job that differ from the defaults of the recipe."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from platefiles.config.recipe import Recipe
from platelib.registration.sub_state import ENOUGH_TO_REJECT


@dataclass(frozen=True)
class Setting:
    """A setting that is not the default.

    Attributes
    ----------
    key : str
        Dotted: ``mapping.red.ha``.
    value : Any
    default : Any
        None if there is no default; such a setting is always listed.
    """

    key: str
    value: Any
    default: Any

    def __str__(self) -> str:
        known = "" if self.default is None else f" (default {_word(self.default)})"
        return f"{self.key} {_word(self.value)}{known}"


def changed_settings(step: str, job: Mapping[str, Any]) -> list[Setting]:
    """Return the settings of a job that differ from the defaults, or have none.

    Parameters
    ----------
    step : str
        Rule of the job.
    job : mapping
        Its ``settings``; for integrations also their ``subs``.
    """
    defaults = dict(_recipe_defaults())
    if step in ("integrate", "integrate_night"):  # whose jobs hold what "auto" comes to
        few = not job.get("nights") and len(job.get("subs", ())) < ENOUGH_TO_REJECT
        defaults["integration.single_frame_cosmic_rays"] = "always" if few else "never"
    return [
        Setting(key, value, defaults.get(key))
        for key, value in flattened(job["settings"])
        if value != defaults.get(key)
    ]


def flattened(settings: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, Any]]:
    """Yield nested settings as pairs of dotted key and value, in the order of keys."""
    for key, value in sorted(settings.items()):
        if isinstance(value, Mapping):
            yield from flattened(value, f"{before}{key}.")
        else:
            yield f"{before}{key}", value


@cache
def _recipe_defaults() -> dict[str, Any]:
    groups = {
        name: field.default.model_dump()
        for name, field in Recipe.model_fields.items()
        if hasattr(field.default, "model_dump")
    }
    return dict(flattened(groups))


def _word(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)
