"""The jobs of integrating a night and a channel."""

from platefiles.calibration.note import Note
from platefiles.calibration.note_sentences import sentence
from platefiles.settings.integration import Stacking
from platefiles.settings.job import Facts, JobSettings, Names, Rows, StepJob
from platefiles.settings.registration import Quality


class _Combining(JobSettings):
    integration: Stacking


class _OfNight(_Combining):
    quality: Quality


class SubsJob(StepJob):
    """A job that reads registered subs of a channel.

    Attributes
    ----------
    channel : str
    unit : str
        Unit of the channel if the gain is known.
    calibrated : bool
        Whether the frames are already calibrated.
    lone_pixels : bool
        Whether to search for cosmic rays in pixels covered by a single sub.
    camera : dict
        Values of the equipment file.
    subs : tuple of dict
        Facts of the lights, in the order of the files.
    """

    channel: str
    unit: str
    calibrated: bool
    lone_pixels: bool
    camera: Facts
    subs: Rows


class CombiningJob(SubsJob):
    """A job that combines subs of a channel.

    Attributes
    ----------
    settings : JobSettings
        The settings of the group ``integration`` for this step.
    """

    settings: _Combining


class IntegrateNightJob(CombiningJob):
    """The job of integrating a night, with the limits for its subs."""

    settings: _OfNight
    night: str


class IntegrateJob(CombiningJob):
    """The job of integrating a channel.

    Attributes
    ----------
    target : str
        OBJECT of the frames, or the title of the project.
    filter : str
        FILTER of the frames; several are joined by commas.
    wavelength_nm : float or None
    equipment : dict
        Values of the equipment file.
    notes : tuple of dict
        Notes on the masters of the subs, see `platefiles.calibration.note.Note`.
    nights : tuple of str
        Nights that are integrated on their own; ``subs`` are those of the others.
    sections : tuple of dict
        Sections of the raw frames of these nights.
    """

    target: str
    filter: str
    wavelength_nm: float | None
    equipment: Facts
    notes: Rows
    nights: Names
    sections: Rows

    @property
    def sentences(self) -> list[str]:
        """Sentences of the notes."""
        return [sentence(Note.of(row)) for row in self.notes]
