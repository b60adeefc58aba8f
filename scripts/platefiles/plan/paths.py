"""Where each product of a project lies."""

import os
from dataclasses import dataclass

from platefiles.config.project import LoadedProject
from platefiles.frames.frame import Frame
from platefiles.transfers.links import link_name

LIST_ENDINGS = ("ecsv", "csv", "vot", "reg")
BY_SPEED = ("png", "tif", "jpg")
"""Endings of pictures, those first that are read fastest."""


@dataclass(frozen=True)
class Paths:
    """Paths of the products of a project.

    Attributes
    ----------
    results : str
        Folder of the project's results, relative to the working directory.
    loaded : LoadedProject
        Its settings, which tell the names of pictures and the endings of their files.
    """

    results: str
    loaded: LoadedProject

    def link(self, frame: Frame) -> str:
        """Path of the link through which jobs reach a raw frame."""
        return f"{self.results}/links/{link_name(frame)}"

    def master(self, name: str) -> str:
        """Path of a master."""
        return f"{self.results}/calibration/{name}.fits"

    def measures(self, channel: str, night: str) -> str:
        """Path of the measures of a channel's night."""
        return f"{self.results}/measures/{channel}/{night}.fits"

    def registration(self, channel: str) -> str:
        """Path of a channel's registration."""
        return f"{self.results}/registration/{channel}.fits"

    def channel(self, channel: str) -> str:
        """Path of an integrated channel."""
        return f"{self.results}/channels/{channel}.fits"

    def sky(self, channel: str) -> str:
        """Path of the model of a channel's sky."""
        return f"{self.results}/sky/{channel}.fits"

    def matched(self, channel: str) -> str:
        """Path of a channel whose stars are as wide as those of the others."""
        return f"{self.results}/matched/{channel}.fits"

    def line(self, channel: str) -> str:
        """Path of a narrowband channel without its starlight."""
        return f"{self.results}/lines/{channel}.fits"

    def stored_sub(self, kind: str, channel: str, sub: str) -> str:
        """Path of a sub that is stored calibrated or registered."""
        return f"{self.results}/{kind}/{channel}/{sub}.fits"

    def cosmic_rays(self, channel: str, night: str) -> str:
        """Path of the cosmic rays on the subs of a channel's night."""
        return f"{self.results}/cosmic_rays/{channel}/{night}.fits"

    def cube(self, picture: str) -> str:
        """Path of the linear colour cube of a picture."""
        return f"{self.results}/picture/{picture}.fits"

    def picture_files(self, picture: str) -> list[str]:
        """Paths of the files of a picture."""
        recipe = self.loaded.pictures[picture].recipe
        endings = [*recipe.files, *(f"{size}px.jpg" for size in sorted(set(recipe.web_px)))]
        return [f"{self.results}/picture/{picture}.{ending}" for ending in endings]

    @property
    def recipe_cube(self) -> str:
        """Path of the linear colour cube of the recipe's picture."""
        return self.cube(self.loaded.recipe_name)

    @property
    def subs(self) -> str:
        """Path of the table of subs."""
        return f"{self.results}/subs.tsv"

    @property
    def contact_sheet(self) -> str:
        """Path of the contact sheet."""
        return f"{self.results}/contact_sheet.png"

    @property
    def seeing(self) -> str:
        """Path of the table of the widths of stars."""
        return f"{self.results}/seeing.tsv"

    @property
    def solution(self) -> str:
        """Path of the place of the grid on the sky."""
        return f"{self.results}/field/solution.fits"

    @property
    def zero_points(self) -> str:
        """Path of the zero points of the channels."""
        return f"{self.results}/field/zero_points.fits"

    @property
    def depth(self) -> str:
        """Path of the depth of the channels."""
        return f"{self.results}/field/depth.fits"

    @property
    def sources(self) -> str:
        """Path of the sources of the field."""
        return f"{self.results}/field/sources.fits"

    @property
    def source_lists(self) -> list[str]:
        """Paths of the lists of sources to read and to load elsewhere."""
        return [f"{self.results}/field/sources.{ending}" for ending in LIST_ENDINGS]

    @property
    def annotated_files(self) -> list[str]:
        """Paths of the annotated picture and of the drawing alone; none without a picture."""
        if not self.loaded.recipe.files:
            return []
        return [f"{self.results}/field/annotated.{ending}" for ending in ("png", "svg")]

    @property
    def overlay_files(self) -> dict[str, str]:
        """Paths of the user's images beside the picture, by name; none without a picture."""
        names = self.loaded.overlay_paths if self.loaded.recipe.files else {}
        return {name: f"{self.results}/field/overlay_{name}.png" for name in names}

    @property
    def shown_picture(self) -> str:
        """Path of the picture that is drawn over."""
        files = self.loaded.recipe.files
        ending = next(one for one in BY_SPEED if one in files)
        return f"{self.results}/picture/{self.loaded.recipe_name}.{ending}"

    @property
    def lock(self) -> str:
        """Path of the lock file, relative to the working directory if it lies inside."""
        path = os.fspath(self.loaded.lock_path)
        inside = os.path.relpath(path)
        return path if inside.startswith("..") else inside


def job_log_path(paths: Paths, rule: str, about: str) -> str:
    """Path of the log of a job, from its rule and from what it works on, in words."""
    if rule == "choose_reference":
        return f"results/logs/choose_reference/{paths.lock.removesuffix('.lock.yaml')}.log"
    if rule == "draw_picture_tiff":
        rule, about = "draw_picture", f"{about} tif"
    return f"{paths.results}/logs/{f'{rule}/{about}'.replace(' ', '_').rstrip('/')}.log"
