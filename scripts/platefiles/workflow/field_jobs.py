"""Jobs of the rules that tell how deep a field is and what is in it."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from platefiles.core.hashing import file_sha256


def remembered(method: Callable[..., str]) -> Callable[..., str]:
    """Work each job out once for a plan, and once more when the grid is chosen in between."""

    @wraps(method)
    def job(self: Any, *names: str) -> str:
        key = (method.__name__, *names, self._lock_sign())
        if key not in self._jobs:
            self._jobs[key] = method(self, *names)
        return self._jobs[key]

    return job


class FieldJobs:
    """A part of `platefiles.workflow.jobs.ProjectPlan`."""

    @remembered
    def depth_job(self: Any) -> str:
        """Job of measuring the depth of all channels."""
        return self._job(
            "measure_depth",
            {"depth": self.loaded.recipe.depth.model_dump()},
            [self.zero_points_job()],
            channels=list(self.channels),
            calibrated=self.loaded.project.calibrated,
        )

    @remembered
    def sources_job(self: Any) -> str:
        """Job of identifying what is in the field."""
        objects = self.objects_path
        return self._job(
            "identify_sources",
            {},
            [self.depth_job()],
            channels=list(self.channels),
            luminance=self._luminance(),
            objects=None if objects is None else file_sha256(objects),
        )

    def _luminance(self: Any) -> str | None:
        """Channel that makes most of the brightness of the picture, if the recipe says so."""
        row = self.loaded.recipe.mapping.luminance or {}
        known = [name for name in self.channels if row.get(name, 0.0) > 0]
        return max(known, key=lambda name: row[name], default=None)

    @remembered
    def lists_job(self: Any) -> str:
        """Job of the lists of sources."""
        return self._job("list_sources", {}, [self.sources_job()])

    @remembered
    def annotation_job(self: Any) -> str:
        """Job of drawing over the picture."""
        recipe = self.loaded.recipe
        return self._job(
            "annotate",
            {"annotation": recipe.annotation.model_dump()},
            [self.sources_job(), self.composite_job(self.loaded.recipe_name)],
            title=self.loaded.project.title,
            picture=self.shown_picture.rpartition(".")[2],
        )

    @remembered
    def overlay_job(self: Any, name: str) -> str:
        """Job of showing an image of the user's beside the picture."""
        path = self.loaded.overlay_paths[name]
        return self._job(
            "overlay",
            {"stretch": self.loaded.recipe.stretch.model_dump()},
            [self.composite_job(self.loaded.recipe_name)],
            title=self.loaded.project.title,
            name=name,
            picture=self.shown_picture.rpartition(".")[2],
            image=file_sha256(path) if path.is_file() else None,
        )
