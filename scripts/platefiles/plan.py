"""What the rules of one project have to do: inputs and jobs, decided before anything runs.

A *job* is a plain dictionary that holds everything a step needs beside its files: the settings it
uses and no others, the subs it works on, the digest of its code. It travels as one canonical JSON
text, so Snakemake runs a rule again exactly when its job changed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from platefiles.codedigest import code_digest
from platefiles.links import link_name
from platefiles.matching import Calibrators, MasterGroup, Matched
from platefiles.project import LoadedProject
from platefiles.provenance import canonical
from platefiles.sheet import Frame

_NO_CALIBRATORS = Calibrators(None, None, None, 1.0)


@dataclass(frozen=True)
class ProjectPlan:
    """One project, ready to be worked on.

    Attributes
    ----------
    loaded : LoadedProject
    frames : tuple of Frame
        The frame sheet.
    matched : Matched
        Masters to make and which light takes which.
    results : str
        Folder of the project's results, relative to the working directory.
    """

    loaded: LoadedProject
    frames: tuple[Frame, ...]
    matched: Matched
    results: str

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
        """Channels that have lights, in the order of the project file."""
        present = {frame.channel for frame in self.frames if frame.role == "light"}
        return tuple(name for name in self.loaded.project.channels if name in present)

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

    def masters_of(self, frames: Sequence[Frame]) -> list[str]:
        """Paths of every master that these lights are corrected by."""
        names: set[str] = set()
        for frame in frames:
            taken = self.matched.lights.get(frame.id, _NO_CALIBRATORS)
            names |= {name for name in (taken.bias, taken.dark, taken.flat) if name}
        return [self.master_path(name) for name in sorted(names)]

    def masters_below(self, name: str) -> list[str]:
        """Paths of the masters that the frames of a master are themselves corrected by."""
        group = self.masters[name]
        return [self.master_path(other) for other in (group.bias, group.dark) if other]

    def _job(self, step: str, settings: dict[str, Any], **more: Any) -> str:
        return canonical(
            {
                "project": self.loaded.name,
                "settings": settings,
                "code": code_digest(f"{step}.py"),
                **more,
            }
        )

    def _sub(self, frame: Frame) -> dict[str, Any]:
        taken = self.matched.lights.get(frame.id, _NO_CALIBRATORS)
        return {
            "id": frame.id,
            "name": frame.name,
            "night": frame.night,
            "fingerprint": frame.fingerprint,
            "exposure_s": frame.exposure_s,
            "start_utc": frame.start_utc,
            "egain": None if self.loaded.project.calibrated else frame.egain,
            "bias": taken.bias,
            "dark": taken.dark,
            "flat": taken.flat,
            "dark_scale": taken.dark_scale,
        }

    def _camera(self) -> dict[str, Any]:
        """What the equipment file says of the camera; nothing for calibrated frames."""
        if self.loaded.project.calibrated:
            return {"calibrated": True}
        keys = ("gain_e_per_adu", "read_noise_e", "saturation_adu")
        return {key: getattr(self.loaded.equipment, key) for key in keys}

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
                }
                for frame in frames
            ],
        )

    def measure_job(self, channel: str, night: str) -> str:
        """Job of measuring one channel's night."""
        settings = self.loaded.recipe.measure.model_dump()
        return self._job(
            "measure",
            settings,
            channel=channel,
            night=night,
            camera=self._camera(),
            subs=[self._sub(frame) for frame in self.lights(channel, night)],
        )

    def calibrate_job(self, sub_id: str) -> str:
        """Job of writing one calibrated sub."""
        frame = self.by_id[sub_id]
        return self._job("calibrate_sub", {}, camera=self._camera(), sub=self._sub(frame))

    def grid_job(self) -> str:
        """Job of choosing grid and photometric references."""
        return self._job(
            "choose_grid",
            {"max_ellipticity": self.loaded.recipe.quality.max_ellipticity},
            channels=self._by_preference(),
            reference=self.loaded.project.reference,
        )

    def _by_preference(self) -> list[str]:
        """Channels, those of the luminance first: their stars are usually the most."""
        row = self.loaded.recipe.mapping.luminance or {}
        return sorted(
            self.channels, key=lambda name: (-row.get(name, 0.0), self.channels.index(name))
        )

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
        return self._job("register", settings, channel=channel, calibrated=calibrated)

    def integrate_job(self, channel: str) -> str:
        """Job of integrating a channel."""
        settings = self.loaded.recipe.integration.model_dump(
            exclude={"background_match", "weights"}
        )
        facts = self.loaded.project.channels[channel]
        frames = self.lights(channel)
        return self._job(
            "integrate",
            settings,
            channel=channel,
            wavelength_nm=facts.wavelength_nm,
            unit=self._unit(frames),
            calibrated=self.loaded.project.calibrated,
            camera=self._camera(),
            notes=list(self.matched.notes),
            subs=[self._sub(frame) for frame in frames],
        )

    def register_sub_job(self, channel: str, sub_id: str) -> str:
        """Job of writing one registered sub."""
        sub = self._sub(self.by_id[sub_id])
        return self._job(
            "register_sub",
            {},
            channel=channel,
            camera=self._camera(),
            sub=sub,
            unit=self._unit(self.lights(channel)),
            calibrated=self.loaded.project.calibrated,
        )

    def _unit(self, frames: Sequence[Frame]) -> str:
        if not self.loaded.project.calibrated:
            return "electron/s"
        units = sorted({frame.unit for frame in frames})
        return units[0] if len(units) == 1 and units[0] else "adu"

    def cube_job(self) -> str:
        """Job of mapping channels to colours."""
        recipe = self.loaded.recipe
        settings = {"mapping": recipe.mapping.model_dump(), "colour": recipe.colour.model_dump()}
        wavelengths = {
            name: self.loaded.project.channels[name].wavelength_nm for name in self.channels
        }
        return self._job(
            "map_channels",
            settings,
            channels=list(self.channels),
            title=self.loaded.project.title,
            wavelengths_nm=wavelengths,
        )

    def composite_job(self) -> str:
        """Job of drawing the pictures."""
        settings = {
            "stretch": self.loaded.recipe.stretch.model_dump(),
            "title": self.loaded.project.title,
        }
        return self._job("composite", settings)

    def subs_job(self) -> str:
        """Job of the table of subs."""
        unused = [
            {"id": frame.id, "name": frame.name, "reason": frame.reason}
            for frame in self.frames
            if frame.role == "unused"
        ]
        return self._job("tabulate_subs", {}, channels=list(self.channels), unused=unused)

    @property
    def mapped_channels(self) -> list[str]:
        """Channels that the picture is made of."""
        rows = self.loaded.recipe.mapping.rows.values()
        named = {name for row in rows for name in row}
        return [name for name in self.channels if name in named or "*" in named]

    @property
    def picture_files(self) -> list[str]:
        """Paths of the pictures."""
        stem = f"{self.results}/picture/{self.loaded.recipe_name}"
        return [f"{stem}.{ending}" for ending in self.loaded.recipe.files]
