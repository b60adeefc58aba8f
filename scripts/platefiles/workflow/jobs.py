"""What the rules of one project have to do: inputs and jobs, decided before anything runs.

A *job* is a plain dictionary that holds everything a step needs beside its files: the settings it
uses and no others, the subs it works on, the digest of its code, and one of the jobs whose products
it reads. It travels as one canonical JSON text, so Snakemake runs a rule again exactly when its job
changed. The digest of the jobs below is there because a product that a failed job has left missing
would not be made again otherwise, as long as what was once made from it is there.
"""

import os
from collections.abc import Iterable, Sequence
from functools import cached_property
from pathlib import PurePath
from typing import Any

from platefiles.astrometry.tycho import tycho_sum
from platefiles.calibration.matching_notes import SERVES_NO_LIGHT
from platefiles.config.lock_file import Lock, read_lock
from platefiles.core.hashing import canonical, digest, file_sha256
from platefiles.frames.filters import LINES, canonical_filter
from platefiles.frames.fixed_header import fixes_for
from platefiles.frames.frame import Frame, sections_of
from platefiles.provenance.code_digests import code_digest
from platefiles.raw_folders.known_frames import present_name
from platefiles.workflow.field_jobs import FieldJobs, remembered
from platefiles.workflow.paths import NO_CALIBRATORS, Layout

_BY_SPEED = ("png", "tif", "jpg")


class ProjectPlan(FieldJobs, Layout):
    """One project, ready to be worked on; its methods give the job of each product."""

    @cached_property
    def _jobs(self) -> dict[tuple[Any, ...], str]:
        return {}

    @cached_property
    def _locks(self) -> dict[tuple[int, ...], Lock | None]:
        return {}

    def _lock_sign(self) -> tuple[int, ...]:
        """What tells one state of the lock file from another; empty if there is none."""
        try:
            info = os.stat(self.loaded.lock_path)
        except OSError:
            return ()
        return info.st_ino, info.st_size, info.st_mtime_ns

    @property
    def pinned(self) -> Lock | None:
        """What the lock file pins at this moment."""
        sign = self._lock_sign()
        if sign not in self._locks:
            self._locks[sign] = read_lock(self.loaded.lock_path)
        return self._locks[sign]

    def grid_pins(self) -> dict[str, Any] | None:
        """What pins the grid; None if it is yet to be chosen.

        Of the night of the grid's reference only that one sub counts: more subs of its night make
        nothing else stale.
        """
        lock = self.pinned
        if lock is None:
            return None
        reference = self.by_id[lock.reference]
        return {
            "grid": [lock.reference, lock.width_px, lock.height_px],
            "measured": digest(self._measuring(reference.channel, reference.night, [reference])),
        }

    def pins(self, channel: str) -> dict[str, Any] | None:
        """Grid and photometric reference of a channel; None if one is yet to be chosen."""
        lock, grid = self.pinned, self.grid_pins()
        if lock is None or grid is None or not self.is_pinned(channel):
            return None
        return {**grid, "brightness": lock.photometry[channel]}

    def reference_path(self) -> str | None:
        """Path of the measures that hold the reference of the grid; None if it is not chosen."""
        if self.pinned is None:
            return None
        reference = self.by_id[self.pinned.reference]
        return self.measures_path(reference.channel, reference.night)

    def is_pinned(self, channel: str) -> bool:
        """Whether the grid and the photometric reference of a channel are chosen."""
        lock = self.pinned
        return lock is not None and channel in lock.photometry

    def _job(
        self, step: str, settings: dict[str, Any], below: Iterable[str] = (), **more: Any
    ) -> str:
        return canonical(
            {
                "project": self.loaded.name,
                "settings": settings,
                "code": code_digest(f"{step}.py"),
                "below": digest(canonical(list(below))),
                **more,
            }
        )

    def _master_jobs(self, frames: Sequence[Frame]) -> list[str]:
        return [self.master_job(PurePath(path).stem) for path in self.masters_of(frames)]

    def _sub(self, frame: Frame) -> dict[str, Any]:
        taken = self.matched.lights.get(frame.id, NO_CALIBRATORS)
        return {
            "id": frame.id,
            "name": frame.name,
            "night": frame.night,
            "fingerprint": frame.fingerprint,
            "setting": frame.setting,
            "exposure_s": frame.exposure_s,
            "start_utc": frame.start_utc,
            "egain": None if self.loaded.project.calibrated else frame.egain,
            "bias": taken.bias,
            "dark": taken.dark,
            "flat": taken.flat,
            "dark_scale": taken.dark_scale,
            "pedestal": frame.pedestal,
            **sections_of(frame),
        }

    def _camera(self) -> dict[str, Any]:
        """What the equipment file says of the camera; nothing for calibrated frames."""
        if self.loaded.project.calibrated:
            return {"calibrated": True}
        keys = ("gain_e_per_adu", "read_noise_e", "saturation_adu")
        return {key: getattr(self.loaded.equipment, key) for key in keys}

    @remembered
    def master_job(self, name: str) -> str:
        """Job of a master bias, dark or flat."""
        group = self.masters[name]
        frames = [self.by_id[frame_id] for frame_id in group.frame_ids]
        settings = self.loaded.recipe.calibration
        used = {
            "bias": ("clip_sigma",),
            "dark": ("clip_sigma", "hot_pixel_sigma"),
            "flat": ("clip_sigma", "dead_pixel_response"),
        }[group.kind]
        return self._job(
            f"master_{group.kind}",
            {key: getattr(settings, key) for key in used},
            [self.master_job(other) for other in (group.bias, group.dark) if other],
            project=None,  # projects with the same frames share it
            master=name,
            channel=group.channel,
            night=group.night,
            bias=group.bias,
            dark=group.dark,
            exposure_s=group.exposure_s,
            frames=[
                {
                    "id": frame.id,
                    "name": frame.name,
                    "fingerprint": frame.fingerprint,
                    "exposure_s": frame.exposure_s,
                    "start_utc": frame.start_utc,
                    "egain": frame.egain,
                    **sections_of(frame),
                }
                for frame in frames
            ],
        )

    @remembered
    def measure_job(self, channel: str, night: str) -> str:
        """Job of measuring one channel's night."""
        return self._measuring(channel, night, self.lights(channel, night))

    def _measuring(self, channel: str, night: str, lights: Sequence[Frame]) -> str:
        return self._job(
            "measure",
            self.loaded.recipe.measure.model_dump(),
            self._master_jobs(lights),
            channel=channel,
            night=night,
            camera=self._camera(),
            subs=[self._sub(frame) for frame in lights],
        )

    @remembered
    def cosmic_rays_job(self, channel: str, night: str) -> str:
        """Job of finding cosmic rays on each sub of one channel's night."""
        return self._job(
            "find_cosmic_rays",
            {},
            [self.measure_job(channel, night)],
            channel=channel,
            night=night,
            camera=self._camera(),
            subs=[self._sub(frame) for frame in self.lights(channel, night)],
        )

    def _rays_jobs(self, frames: Sequence[Frame]) -> list[str]:
        """Jobs of the files that `rays_of` names."""
        nights = sorted({(frame.channel, frame.night) for frame in frames})
        return [
            self.cosmic_rays_job(*night) for night in nights if night[0] in self.cleaned_channels
        ]

    @remembered
    def calibrate_job(self, sub_id: str) -> str:
        """Job of writing one calibrated sub."""
        frame = self.by_id[sub_id]
        below = self._master_jobs([frame]) + self._rays_jobs([frame])
        return self._job(
            "calibrate_sub",
            {},
            below,
            channel=frame.channel,
            camera=self._camera(),
            sub=self._sub(frame),
        )

    def grid_job(self) -> str:
        """Job of choosing grid and photometric references."""
        return self._job(
            "choose_grid",
            {"max_ellipticity": self.loaded.recipe.quality.max_ellipticity},
            channels=self._by_preference(),
            reference=self._known_reference(),
        )

    def _known_reference(self) -> str | None:
        """Return the wanted reference by the name that the project knows the sub by."""
        wanted = self.loaded.project.reference
        if wanted is not None and self.known_under(wanted) is None:
            folders = self.loaded.raw_folders
            for frame in self.frames:
                now = present_name(frame, folders)
                if frame.role == "light" and wanted in (now, PurePath(now).name):
                    return frame.name
        return wanted

    def known_under(self, wanted: str) -> Frame | None:
        """Return the light that has this name, file name or id."""
        for frame in self.frames:
            names = (frame.name, PurePath(frame.name).name, frame.id)
            if frame.role == "light" and wanted in names:
                return frame
        return None

    def _by_preference(self) -> list[str]:
        """Channels, those of the luminance first: their stars are usually the most."""
        row = self.loaded.recipe.mapping.luminance or {}
        return sorted(
            self.channels, key=lambda name: (-row.get(name, 0.0), self.channels.index(name))
        )

    @remembered
    def register_job(self, channel: str) -> str:
        """Job of registering a channel."""
        recipe = self.loaded.recipe
        settings = {
            "registration": recipe.registration.model_dump(),
            "quality": recipe.quality.model_dump(),
            "background_match": recipe.integration.background_match,
            "weights": recipe.integration.weights,
        }
        calibrated = self.loaded.project.calibrated
        below = [self.measure_job(channel, night) for night in self.nights(channel)]
        return self._job(
            "register",
            settings,
            below,
            channel=channel,
            calibrated=calibrated,
            pins=self.pins(channel),
        )

    @remembered
    def integrate_job(self, channel: str) -> str:
        """Job of integrating a channel."""
        settings = self.loaded.recipe.integration.model_dump(exclude={"background_match"}) | {
            "single_frame_cosmic_rays": channel in self.cleaned_channels
        }
        facts = self.loaded.project.channels[channel]
        frames = self.lights(channel)
        return self._job(
            "integrate",
            settings,
            [self.register_job(channel), *self._rays_jobs(frames), self.solution_job()],
            channel=channel,
            wavelength_nm=facts.wavelength_nm,
            unit=self._unit(frames),
            calibrated=self.loaded.project.calibrated,
            lone_pixels=self._searches_lone_pixels(channel),
            camera=self._camera(),
            equipment=self.loaded.equipment.model_dump(exclude_none=True),
            notes=self._notes(channel),
            subs=[self._sub(frame) for frame in frames],
        )

    def _searches_lone_pixels(self, channel: str) -> bool:
        """Say whether cosmic rays are looked for where one sub alone covers a pixel."""
        settings = self.loaded.recipe.integration
        wanted = settings.single_frame_cosmic_rays != "never" and settings.clip != "none"
        return wanted and channel not in self.cleaned_channels

    def _notes(self, channel: str) -> list[str]:
        """Notes on the matching, less those that speak of other channels or of none."""
        others = [f"hannel '{name}'" for name in self.loaded.project.channels if name != channel]
        others.append(SERVES_NO_LIGHT)
        return [note for note in self.matched.notes if not any(word in note for word in others)]

    @remembered
    def register_sub_job(self, channel: str, sub_id: str) -> str:
        """Job of writing one registered sub."""
        frame = self.by_id[sub_id]
        return self._job(
            "register_sub",
            {},
            [self.register_job(channel), *self._rays_jobs([frame]), self.solution_job()],
            channel=channel,
            camera=self._camera(),
            sub=self._sub(frame),
            unit=self._unit(self.lights(channel)),
            calibrated=self.loaded.project.calibrated,
            lone_pixels=self._searches_lone_pixels(channel),
        )

    def _unit(self, frames: Sequence[Frame]) -> str:
        if not self.loaded.project.calibrated:
            return "electron/s"
        units = sorted({frame.unit for frame in frames})
        return units[0] if len(units) == 1 and units[0] else "adu"

    @remembered
    def solution_job(self) -> str:
        """Job of placing the grid on the sky."""
        sky = self.loaded.project.sky
        settings = {"sky": sky.model_dump(include={"ra_deg", "dec_deg", "scale_arcsec"})}
        reference = None if self.pinned is None else self.by_id[self.pinned.reference]
        keys = ("pixel_size_um", "focal_length_mm", "site")
        equipment = self.loaded.equipment.model_dump(exclude_none=True)
        return self._job(
            "place_on_sky",
            settings,
            pins=self.grid_pins(),
            sub=None if reference is None else self._sub(reference),
            header_fixes={} if reference is None else self._fixes(reference),
            equipment={key: equipment[key] for key in keys if key in equipment},
            catalogue=self.catalogue_digest,
            stars=self._stars(),
        )

    def _stars(self) -> dict[str, str]:
        """Return what the star catalogue is called, and what sentences need to tell of it."""
        loaded, published = self.loaded, self.loaded.project.sky.published
        about = {"project": loaded.name, "file": loaded.path.name}
        if self.star_path is not None:
            return about | {"name": published.title if published else ""}
        wanted = published.title if published else "the cone search"
        return about | ({"missing": wanted} if loaded.star_path is not None else {})

    def _fixes(self, frame: Frame) -> dict[str, Any]:
        fixes = self.loaded.project.header_fixes
        now = present_name(frame, self.loaded.raw_folders)
        return fixes_for((frame.name, now), fixes)

    @remembered
    def zero_points_job(self) -> str:
        """Job of finding the zero points of all channels."""
        project = self.loaded.project
        keys = {"filters", "wavelength_nm"}
        facts = [
            {"name": name, **project.channels[name].model_dump(include=keys)}
            for name in self.channels
        ]
        below = [*(self.integrate_job(name) for name in self.channels), self.solution_job()]
        return self._job(
            "find_zero_points", {}, below, channels=facts, calibrated=project.calibrated
        )

    @cached_property
    def catalogue_digest(self) -> str:
        """What tells one star catalogue from another."""
        if self.star_path is None:
            return f"Tycho-2 {tycho_sum()}"
        return file_sha256(self.star_path)

    @remembered
    def sky_job(self, channel: str) -> str:
        """Job of modelling a channel's sky."""
        recipe = self.loaded.recipe
        settings = {"gradient": recipe.gradient.model_dump()} | recipe.measure.model_dump(
            include={"detection_sigma", "aperture_fwhm", "max_stars"}
        )
        return self._job("flatten_sky", settings, [self.integrate_job(channel)], channel=channel)

    def seeing_job(self) -> str:
        """Job of the table of the widths of stars."""
        below = [self.sky_job(name) for name in self.channels]
        return self._job("tabulate_seeing", {}, below, channels=list(self.channels))

    @remembered
    def match_job(self, channel: str) -> str:
        """Job of making a channel's stars as wide as those of the others."""
        others = self.matched_channels
        below = [job(name) for name in others for job in (self.integrate_job, self.sky_job)]
        return self._job("match_channel", {}, below, channel=channel, channels=others)

    @remembered
    def line_job(self, channel: str) -> str:
        """Job of taking the starlight out of a narrowband channel."""
        choice, pair = self.loaded.recipe.continuum[channel], self.line_pair(channel)
        below = [self.flat_job(name) for name in pair] + [self.sky_job(name) for name in pair]
        settings = {"continuum": {channel: choice.model_dump()}}
        return self._job("subtract_continuum", settings, below, channel=channel)

    def flat_job(self, channel: str) -> str:
        """Job of the image of a channel that starlight is taken out of."""
        if self.loaded.recipe.seeing.match:
            return self.match_job(channel)
        return self.integrate_job(channel)

    def mapped_job(self, channel: str) -> str:
        """Job of the image of a channel that the picture is made of."""
        return self.line_job(channel) if channel in self.line_channels else self.flat_job(channel)

    @remembered
    def cube_job(self, picture: str) -> str:
        """Job of mapping channels to the colours of a picture."""
        wanted = self.loaded.pictures[picture]
        recipe = wanted.recipe
        settings = {
            "mapping": recipe.mapping.model_dump(),
            "colour": recipe.colour.model_dump(),
            "geometry": recipe.geometry.model_dump(exclude={"crop"}),
        }
        wavelengths = {
            name: self.loaded.project.channels[name].wavelength_nm for name in self.channels
        }
        return self._job(
            "map_channels",
            settings,
            [
                *(self.mapped_job(name) for name in self.channels_of(picture)),
                *(self.sky_job(name) for name in self.uneven_of(picture)),
                self.solution_job(),
            ],
            channels=list(self.channels),
            title=wanted.title,
            wavelengths_nm=wavelengths,
            broadband=self._is_broadband(picture),
        )

    @remembered
    def composite_job(self, picture: str) -> str:
        """Job of drawing the files of a picture."""
        wanted = self.loaded.pictures[picture]
        settings = {
            "stretch": wanted.recipe.stretch.model_dump(),
            "finish": wanted.recipe.finish.model_dump(),
            "geometry": wanted.recipe.geometry.model_dump(include={"crop"}),
            "title": wanted.title,
        }
        return self._job("composite", settings, [self.cube_job(picture)])

    @remembered
    def sheet_job(self) -> str:
        """Job of the contact sheet."""
        keys = {"sky_level", "black_sigma", "white_clip_fraction", "shoulder"}
        settings = {
            "stretch": self.loaded.recipe.stretch.model_dump(include=keys),
            "title": self.loaded.project.title,
        }
        below = [self.integrate_job(name) for name in self.channels]
        below += [self.sky_job(name) for name in self.channels]
        below += [self.composite_job(name) for name in self.loaded.pictures]
        return self._job("contact_sheet", settings, below, pictures=self.sheet_pictures)

    @remembered
    def subs_job(self) -> str:
        """Job of the table of subs."""
        unused = [
            {"id": frame.id, "name": frame.name, "reason": frame.reason}
            for frame in self.frames
            if frame.role == "unused"
        ]
        below = [self.integrate_job(name) for name in self.channels]
        return self._job("tabulate_subs", {}, below, channels=list(self.channels), unused=unused)

    def _is_broadband(self, picture: str) -> bool:
        """Whether no filter in the colours of a picture is one for a line."""
        rows = self.loaded.pictures[picture].recipe.mapping.rows
        named = {name for colour, row in rows.items() if colour != "luminance" for name in row}
        channels = self.loaded.project.channels
        return not any(
            canonical_filter(value) in LINES
            for name, channel in channels.items()
            if name in named or "*" in named
            for value in channel.filters
        )

    @property
    def mapped_channels(self) -> list[str]:
        """Channels that some picture is made of."""
        named = {name for picture in self.loaded.pictures for name in self.channels_of(picture)}
        return [name for name in self.channels if name in named]

    def channels_of(self, picture: str) -> list[str]:
        """Channels that a picture is made of."""
        rows = self.loaded.pictures[picture].recipe.mapping.rows.values()
        named = {name for row in rows for name in row}
        return [name for name in self.channels if name in named or "*" in named]

    def files_of(self, picture: str) -> list[str]:
        """Paths of the files of a picture."""
        recipe = self.loaded.pictures[picture].recipe
        endings = [*recipe.files, *(f"{size}px.jpg" for size in sorted(set(recipe.web_px)))]
        return [f"{self.results}/picture/{picture}.{ending}" for ending in endings]

    @property
    def sheet_pictures(self) -> list[str]:
        """Paths of one file of each picture that has any, the one that is read fastest."""
        found = []
        for name, picture in self.loaded.pictures.items():
            endings = [ending for ending in _BY_SPEED if ending in picture.recipe.files]
            found += [f"{self.results}/picture/{name}.{ending}" for ending in endings[:1]]
        return found

    @property
    def line_channels(self) -> list[str]:
        """Channels of the picture whose starlight is taken out."""
        return [name for name in self.mapped_channels if name in self.loaded.recipe.continuum]

    @property
    def matched_channels(self) -> list[str]:
        """Channels that get stars of one width, if that is wanted."""
        needed = {name for line in self.line_channels for name in self.line_pair(line)}
        needed |= {*self.mapped_channels}
        return [name for name in self.channels if name in needed]

    def uneven_of(self, picture: str) -> list[str]:
        """Channels that a picture is made of as they were integrated, with their gradient."""
        paths = {name: self.mapped_path(name) for name in self.channels_of(picture)}
        return [name for name, path in paths.items() if path == self.channel_path(name)]

    def flat_path(self, channel: str) -> str:
        """Path of the image of a channel that starlight is taken out of."""
        matched = self.loaded.recipe.seeing.match
        return self.matched_path(channel) if matched else self.channel_path(channel)

    def line_pair(self, channel: str) -> list[str]:
        """A narrowband channel and the one whose light is taken out of it."""
        return [channel, self.loaded.recipe.continuum[channel].minus]

    def mapped_path(self, channel: str) -> str:
        """Path of the image of a channel that the picture is made of."""
        lines = channel in self.line_channels
        return self.line_path(channel) if lines else self.flat_path(channel)

    @property
    def picture_files(self) -> list[str]:
        """Paths of the files of all pictures."""
        return [path for name in self.loaded.pictures for path in self.files_of(name)]
