"""The path of each product of a project, from the rules."""

import os
from dataclasses import dataclass

from platefiles.config.project import LoadedProject
from platefiles.core.errors import UserError
from platefiles.frames.frame import Frame
from platefiles.rule_files.rule_text import place_of, rule_texts
from platefiles.transfers.links import link_name

LOCK_ENDING = ".lock.yaml"
PREVIOUS = "previous"
"""Folder in the results of a project: the previous version of each picture."""
LIST_ENDINGS = ("ecsv", "csv", "vot", "reg")


@dataclass(frozen=True)
class Paths:
    """Paths of the products of a project.

    Attributes
    ----------
    results : str
        Folder of the project's results, relative to the working directory.
    loaded : LoadedProject
        Its settings, with the names of pictures and the extensions of their files.
    """

    results: str
    loaded: LoadedProject

    def link(self, frame: Frame) -> str:
        """Path of the link through which jobs reach a raw frame."""
        return f"{self.results}/links/{link_name(frame)}"

    def master(self, name: str) -> str:
        """Path of a master."""
        return self._made_by("master_bias", master=name)

    def measures(self, channel: str, night: str) -> str:
        """Path of the measures of a channel's night."""
        return self._made_by("measure_stars", channel=channel, night=night)

    def registration(self, channel: str) -> str:
        """Path of a channel's registration, with the state of each sub."""
        return self._made_by("assess_subs", channel=channel)

    def channel(self, channel: str) -> str:
        """Path of an integrated channel."""
        return self._made_by("integrate", channel=channel)

    def sky(self, channel: str) -> str:
        """Path of the model of a channel's sky."""
        return self._made_by("subtract_gradient", channel=channel)

    def matched(self, channel: str) -> str:
        """Path of a PSF-matched channel."""
        return self._made_by("match_channel", channel=channel)

    def line(self, channel: str) -> str:
        """Path of a continuum-subtracted channel."""
        return self._made_by("subtract_continuum", channel=channel)

    def stored_sub(self, kind: str, channel: str, sub: str) -> str:
        """Path of a sub that is stored calibrated or registered."""
        rule = {"calibrated": "calibrate_sub", "registered": "register_sub"}[kind]
        return self._made_by(rule, channel=channel, sub=sub)

    def cosmic_rays(self, channel: str, night: str) -> str:
        """Path of the cosmic rays on the subs of a channel's night."""
        return self._made_by("find_cosmic_rays", channel=channel, night=night)

    def linear_image(self, picture: str) -> str:
        """Path of the linear image of a picture."""
        return self._made_by("map_channels", picture=picture)

    def display_image(self, picture: str) -> str:
        """Path of the display values of a picture."""
        return self._made_by("draw_picture", picture=picture)

    def picture_files(self, picture: str) -> list[str]:
        """Paths of the files of a picture."""
        recipe = self.loaded.pictures[picture].recipe
        endings = [*recipe.files, *(f"{size}px.jpg" for size in sorted(set(recipe.web_px)))]
        return [self._picture_file(picture, ending) for ending in endings]

    @property
    def recipe_linear_image(self) -> str:
        """Path of the linear image of the recipe's picture."""
        return self.linear_image(self.loaded.recipe_name)

    @property
    def subs(self) -> str:
        """Path of the table of subs."""
        return self._made_by("list_subs")

    @property
    def contact_sheet(self) -> str:
        """Path of the contact sheet."""
        return self._made_by("contact_sheet")

    @property
    def seeing(self) -> str:
        """Path of the table of the widths of stars."""
        return self._made_by("list_seeing")

    @property
    def solution(self) -> str:
        """Path of the astrometric solution of the grid."""
        return self._made_by("solve_astrometry")

    @property
    def zero_points(self) -> str:
        """Path of the zero points of the channels."""
        return self._made_by("find_zero_points")

    @property
    def depth(self) -> str:
        """Path of the depth of the channels."""
        return self._made_by("measure_depth")

    @property
    def sources(self) -> str:
        """Path of the sources of the field."""
        return self._made_by("identify_sources")

    @property
    def source_lists(self) -> list[str]:
        """Paths of the lists of sources for other programs."""
        return [self._made_by("list_sources", ending=ending) for ending in LIST_ENDINGS]

    @property
    def annotated_files(self) -> list[str]:
        """Paths of the annotated picture and of the drawing alone; none without a picture."""
        if not self.loaded.recipe.files:
            return []
        return [self._made_by("annotate", ending=ending) for ending in ("png", "svg")]

    @property
    def overlay_files(self) -> dict[str, str]:
        """Paths of the user's images beside the picture, by name; none without a picture."""
        names = self.loaded.overlay_paths if self.loaded.recipe.files else {}
        return {name: self._made_by("overlay", image=name) for name in names}

    def frames(self, channel: str) -> str:
        """Path of the frames of a channel's subs."""
        return self._made_by("draw_blink", channel=channel)

    def animations(self, channel: str) -> list[str]:
        """Paths of the animations of a channel's subs."""
        return [
            self._made_by("encode_blink", channel=channel, ending=ending)
            for ending in ("webp", "png")
        ]

    @property
    def shown_display_image(self) -> str:
        """Path of the display values of the picture to annotate."""
        if not self.loaded.recipe.files:
            msg = (
                f"project {self.loaded.name} has no picture: its recipe writes no file of one; "
                "name some under files"
            )
            raise UserError(msg)
        return self.display_image(self.loaded.recipe_name)

    @property
    def lock(self) -> str:
        """Path of the lock file, relative to the working directory if it lies inside."""
        path = os.fspath(self.loaded.lock_path)
        inside = os.path.relpath(path)
        return path if inside.startswith("..") else inside

    def _picture_file(self, picture: str, ending: str) -> str:
        return self._made_by("encode_picture", picture=picture, ending=ending)

    def _made_by(self, rule: str, **wildcards: str) -> str:
        """Return the output path of a rule in the folder of the results."""
        return f"{self.results}/{place_of(rule).format(**wildcards)}"


def grid_log(paths: Paths) -> str:
    """Return the path of the log of the job that chose the grid."""
    return rule_texts()["choose_reference"].log.format(lock=paths.lock.removesuffix(LOCK_ENDING))
