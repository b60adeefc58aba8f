"""The plan of a project: its present frames, masters and grid."""

import os
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from platefiles.calibration.available_masters import MasterGroup
from platefiles.calibration.matching import Calibrators, Matched
from platefiles.config.channel_order import in_order
from platefiles.config.lock_file import Lock, read_lock
from platefiles.config.project import LoadedProject
from platefiles.frames.frame import Frame
from platefiles.plan.paths import Paths
from platelib.registration.sub_state import ENOUGH_TO_REJECT

if TYPE_CHECKING:
    from platefiles.raw_folders.scan import RawFile

NO_CALIBRATORS = Calibrators(None, None, None, 1.0)
_FEWEST_NIGHTS = 2
"""Nights with enough subs from which on a channel is integrated by night: one alone would only be
written twice."""


@dataclass(frozen=True)
class ProjectPlan:
    """One project: its frames in their order, and the paths of its products.

    Attributes
    ----------
    loaded : LoadedProject
    frames : tuple of Frame
        The list of frames.
    matched : Matched
        Masters to make, and the masters of each light.
    results : str
        Folder of the project's results, relative to the working directory.
    raw_files : tuple of RawFile
        Files found by the scan; empty in a job on another machine, which does not scan.
    """

    loaded: LoadedProject
    frames: tuple[Frame, ...]
    matched: Matched
    results: str
    raw_files: tuple["RawFile", ...] = ()

    @cached_property
    def paths(self) -> Paths:
        """Paths of its products."""
        return Paths(self.results, self.loaded)

    @cached_property
    def known_jobs(self) -> dict[tuple[Any, ...], str]:
        """Cached jobs, see `platefiles.plan.job_text.remembered`."""
        return {}

    @cached_property
    def _locks(self) -> dict[tuple[int, ...], Lock | None]:
        return {}

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
        """Channels with lights, in the order of `platefiles.config.channel_order.in_order`."""
        present = {frame.channel for frame in self.frames if frame.role == "light"}
        return tuple(name for name in in_order(self.loaded.project.channels) if name in present)

    @cached_property
    def _lights(self) -> dict[str, dict[str | None, list[Frame]]]:
        """Lights by channel and night, and of all nights under None, by start and id."""
        lights = (frame for frame in self.frames if frame.role == "light")
        found: dict[str, dict[str | None, list[Frame]]] = {}
        for frame in sorted(lights, key=lambda frame: (frame.start_utc, frame.id)):
            nights = found.setdefault(frame.channel, {None: []})
            nights[None].append(frame)
            nights.setdefault(frame.night, []).append(frame)
        return found

    def lights(self, channel: str, night: str | None = None) -> list[Frame]:
        """Lights of a channel, of one night if given, by start and id."""
        return list(self._lights.get(channel, {}).get(night, ()))

    def nights(self, channel: str) -> list[str]:
        """Nights on which a channel has lights."""
        return list(self._nights.get(channel, ()))

    @cached_property
    def _nights(self) -> dict[str, list[str]]:
        """Nights by channel."""
        return {
            channel: sorted(night for night in nights if night is not None)
            for channel, nights in self._lights.items()
        }

    def nights_alone(self, channel: str) -> list[str]:
        """Nights of a channel that are integrated on their own, before they are merged."""
        settings, nights = self.loaded.recipe.integration, self.nights(channel)
        if settings.by_night == "always":
            few = settings.single_frame_cosmic_rays == "auto" and channel in self.cleaned_channels
            return [] if few else nights
        if settings.by_night == "never":
            return []
        counts = Counter(frame.night for frame in self.lights(channel))
        enough = [night for night in nights if counts[night] >= ENOUGH_TO_REJECT]
        return enough if len(enough) >= _FEWEST_NIGHTS else []

    def lights_merged(self, channel: str) -> list[Frame]:
        """Lights of a channel that are merged one by one: those of the other nights."""
        alone = set(self.nights_alone(channel))
        return [frame for frame in self.lights(channel) if frame.night not in alone]

    @property
    def objects_path(self) -> str | None:
        """Path of the user's list of objects, if there is one."""
        path = self.loaded.objects_path
        return os.fspath(path) if path is not None and path.is_file() else None

    @property
    def star_path(self) -> str | None:
        """Path of the user's star catalogue; None if Tycho-2 is used."""
        path = self.loaded.star_path
        return os.fspath(path) if path is not None and path.is_file() else None

    @cached_property
    def cleaned_channels(self) -> tuple[str, ...]:
        """Channels with a search for cosmic rays in each sub."""
        choice = self.loaded.recipe.integration.single_frame_cosmic_rays
        if choice == "auto":
            return tuple(
                name for name in self.channels if len(self.lights(name)) < ENOUGH_TO_REJECT
            )
        return self.channels if choice == "always" else ()

    def cleaned_nights(self, frames: Sequence[Frame]) -> list[tuple[str, str]]:
        """Channels and nights of these lights; none if the channel is not cleaned."""
        nights = sorted({(frame.channel, frame.night) for frame in frames})
        return [night for night in nights if night[0] in self.cleaned_channels]

    def rays_of(self, frames: Sequence[Frame]) -> list[str]:
        """Paths of the cosmic rays on these lights; none if the channel is not cleaned."""
        return [self.paths.cosmic_rays(*night) for night in self.cleaned_nights(frames)]

    def masters_of(self, frames: Sequence[Frame]) -> list[str]:
        """Paths of every master that corrects these lights."""
        names: set[str] = set()
        for frame in frames:
            taken = self.matched.lights.get(frame.id, NO_CALIBRATORS)
            names |= {name for name in (taken.bias, taken.dark, taken.flat) if name}
        return [self.paths.master(name) for name in sorted(names)]

    def masters_below(self, name: str) -> list[str]:
        """Paths of the masters that correct the frames of a master."""
        group = self.masters[name]
        return [self.paths.master(other) for other in (group.bias, group.dark) if other]

    def lock_state(self) -> tuple[int, ...]:
        """Identity of the present content of the lock file; empty if there is none."""
        try:
            info = os.stat(self.loaded.lock_path)
        except OSError:
            return ()
        return info.st_ino, info.st_size, info.st_mtime_ns

    @property
    def pinned(self) -> Lock | None:
        """Return the present pins of the lock file."""
        sign = self.lock_state()
        if sign not in self._locks:
            self._locks[sign] = read_lock(self.loaded.lock_path)
        return self._locks[sign]

    def is_pinned(self, channel: str) -> bool:
        """Whether the grid and the photometric reference of a channel are chosen."""
        lock = self.pinned
        return lock is not None and channel in lock.photometry

    def has_crop(self, channels: Iterable[str]) -> bool:
        """Return whether the part of the grid that pictures show of channels is chosen."""
        lock = self.pinned
        return lock is not None and {*channels} <= {*(lock.crop or {})}

    def are_pinned(self, channels: Iterable[str]) -> bool:
        """Return whether the grid and the photometric references of channels are chosen."""
        return all(self.is_pinned(channel) for channel in channels)

    def reference_measures(self, channel: str | None = None) -> list[str]:
        """Paths of the measures with the reference subs that are chosen.

        Parameters
        ----------
        channel : str, optional
            Include its photometric reference.
        """
        lock = self.pinned
        if lock is None:
            return []
        chosen = [lock.reference]
        if channel is not None and channel in lock.photometry:
            chosen.append(lock.photometry[channel])
        frames = [self.by_id[sub_id] for sub_id in chosen]
        paths = (self.paths.measures(frame.channel, frame.night) for frame in frames)
        return list(dict.fromkeys(paths))
