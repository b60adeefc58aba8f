"""What a project has, and where each product of it goes."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from platefiles.calibration.matching import Calibrators, MasterGroup, Matched
from platefiles.config.channel_order import in_order
from platefiles.config.project import LoadedProject
from platefiles.frames.frame import Frame
from platefiles.transfers.links import link_name

if TYPE_CHECKING:
    from platefiles.raw_folders.scan import RawFile

NO_CALIBRATORS = Calibrators(None, None, None, 1.0)
LIST_ENDINGS = ("ecsv", "csv", "vot", "reg")
ENOUGH_SUBS = 5
"""From so many on, comparing the subs with each other finds cosmic rays."""


@dataclass(frozen=True)
class Layout:
    """One project: its frames in their order, and the paths of its products.

    Attributes
    ----------
    loaded : LoadedProject
    frames : tuple of Frame
        The frame sheet.
    matched : Matched
        Masters to make and which light takes which.
    results : str
        Folder of the project's results, relative to the working directory.
    raw_files : tuple of RawFile
        What the scan found; empty in a job on another machine, which does not scan.
    """

    loaded: LoadedProject
    frames: tuple[Frame, ...]
    matched: Matched
    results: str
    raw_files: tuple["RawFile", ...] = ()

    @cached_property
    def by_id(self) -> dict[str, Frame]:
        """Frames by id."""
        return {frame.id: frame for frame in self.frames}

    @cached_property
    def masters(self) -> dict[str, MasterGroup]:
        """Masters by name."""
        return {group.name: group for group in self.matched.masters}

    @cached_property
    def channels(self) -> tuple[str, ...]:
        """Channels that have lights, in the order of `platefiles.config.channel_order.in_order`."""
        present = {frame.channel for frame in self.frames if frame.role == "light"}
        return tuple(name for name in in_order(self.loaded.project.channels) if name in present)

    def lights(self, channel: str, night: str | None = None) -> list[Frame]:
        """Lights of a channel, of one night if given, by start and id."""
        found = [
            frame
            for frame in self.frames
            if frame.role == "light"
            and frame.channel == channel
            and (night is None or frame.night == night)
        ]
        return sorted(found, key=lambda frame: (frame.start_utc, frame.id))

    def nights(self, channel: str) -> list[str]:
        """Nights on which a channel has lights."""
        return sorted({frame.night for frame in self.lights(channel)})

    def link(self, frame: Frame) -> str:
        """Path of the link through which jobs reach a raw frame."""
        return f"{self.results}/links/{link_name(frame)}"

    def master_path(self, name: str) -> str:
        """Path of a master."""
        return f"{self.results}/calibration/{name}.fits"

    def measures_path(self, channel: str, night: str) -> str:
        """Path of the measures of a channel's night."""
        return f"{self.results}/measures/{channel}/{night}.fits"

    def registration_path(self, channel: str) -> str:
        """Path of a channel's registration."""
        return f"{self.results}/registration/{channel}.fits"

    def channel_path(self, channel: str) -> str:
        """Path of an integrated channel."""
        return f"{self.results}/channels/{channel}.fits"

    def sky_path(self, channel: str) -> str:
        """Path of the model of a channel's sky."""
        return f"{self.results}/sky/{channel}.fits"

    def matched_path(self, channel: str) -> str:
        """Path of a channel whose stars are as wide as those of the others."""
        return f"{self.results}/matched/{channel}.fits"

    def line_path(self, channel: str) -> str:
        """Path of a narrowband channel without its starlight."""
        return f"{self.results}/lines/{channel}.fits"

    def stored_path(self, kind: str, channel: str, sub: str) -> str:
        """Path of a sub that is stored calibrated or registered."""
        return f"{self.results}/{kind}/{channel}/{sub}.fits"

    @property
    def subs_path(self) -> str:
        """Path of the table of subs."""
        return f"{self.results}/subs.tsv"

    @property
    def sheet_path(self) -> str:
        """Path of the contact sheet."""
        return f"{self.results}/contact_sheet.png"

    @property
    def seeing_path(self) -> str:
        """Path of the table of the widths of stars."""
        return f"{self.results}/seeing.tsv"

    @property
    def cube_path(self) -> str:
        """Path of the linear colour cube of the recipe's picture."""
        return self.picture_cube(self.loaded.recipe_name)

    def picture_cube(self, picture: str) -> str:
        """Path of the linear colour cube of a picture."""
        return f"{self.results}/picture/{picture}.fits"

    @property
    def solution_path(self) -> str:
        """Path of the place of the grid on the sky."""
        return f"{self.results}/field/solution.fits"

    @property
    def zero_points_path(self) -> str:
        """Path of the zero points of the channels."""
        return f"{self.results}/field/zero_points.fits"

    @property
    def depth_path(self) -> str:
        """Path of the depth of the channels."""
        return f"{self.results}/field/depth.fits"

    @property
    def sources_path(self) -> str:
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
        ending = next(one for one in ("png", "tif", "jpg") if one in files)
        return f"{self.results}/picture/{self.loaded.recipe_name}.{ending}"

    @property
    def objects_path(self) -> str | None:
        """Path of the list of objects of the user's, if there is one."""
        path = self.loaded.objects_path
        return os.fspath(path) if path is not None and path.is_file() else None

    @property
    def star_path(self) -> str | None:
        """Path of the star catalogue of the user's; None where Tycho-2 serves."""
        path = self.loaded.star_path
        return os.fspath(path) if path is not None and path.is_file() else None

    @property
    def lock_path(self) -> str:
        """Path of the lock file, relative to the working directory if it lies inside."""
        path = os.fspath(self.loaded.lock_path)
        inside = os.path.relpath(path)
        return path if inside.startswith("..") else inside

    def rays_path(self, channel: str, night: str) -> str:
        """Path of the cosmic rays on the subs of a channel's night."""
        return f"{self.results}/cosmic_rays/{channel}/{night}.fits"

    @cached_property
    def cleaned_channels(self) -> tuple[str, ...]:
        """Channels each of whose subs is searched for cosmic rays by itself."""
        choice = self.loaded.recipe.integration.single_frame_cosmic_rays
        if choice == "auto":
            return tuple(name for name in self.channels if len(self.lights(name)) < ENOUGH_SUBS)
        return self.channels if choice == "always" else ()

    def rays_of(self, frames: Sequence[Frame]) -> list[str]:
        """Paths of the cosmic rays on these lights, none where the channel is not cleaned."""
        nights = sorted({(frame.channel, frame.night) for frame in frames})
        return [self.rays_path(*night) for night in nights if night[0] in self.cleaned_channels]

    def masters_of(self, frames: Sequence[Frame]) -> list[str]:
        """Paths of every master that these lights are corrected by."""
        names: set[str] = set()
        for frame in frames:
            taken = self.matched.lights.get(frame.id, NO_CALIBRATORS)
            names |= {name for name in (taken.bias, taken.dark, taken.flat) if name}
        return [self.master_path(name) for name in sorted(names)]

    def masters_below(self, name: str) -> list[str]:
        """Paths of the masters that the frames of a master are themselves corrected by."""
        group = self.masters[name]
        return [self.master_path(other) for other in (group.bias, group.dark) if other]


def job_log_path(layout: Layout, rule: str, about: str) -> str:
    """Path of the log of a job, from its rule and from what it works on, in words."""
    if rule == "choose_grid":
        return f"results/logs/choose_grid/{layout.lock_path.removesuffix('.lock.yaml')}.log"
    if rule == "composite_tiff":
        rule, about = "composite", f"{about} tif"
    return f"{layout.results}/logs/{f'{rule}/{about}'.replace(' ', '_').rstrip('/')}.log"
