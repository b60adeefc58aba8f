"""The job of integrating a channel."""

from platefiles.calibration.note import Note
from platefiles.calibration.note_sentences import sentence
from platefiles.settings.integration import Stacking
from platefiles.settings.job import Facts, JobSettings, Rows, StepJob


class _Settings(JobSettings):
    integration: Stacking


class IntegrateJob(StepJob):
    """The job of integration: subs and settings.

    Attributes
    ----------
    settings : JobSettings
        The settings of the group ``integration`` for this step.
    channel : str
    target : str
        OBJECT of the frames, or the title of the project.
    filter : str
        FILTER of the frames; several are joined by commas.
    wavelength_nm : float or None
    unit : str
        Unit of the channel if the gain is known.
    calibrated : bool
        Whether the frames are already calibrated.
    lone_pixels : bool
        Whether to search for cosmic rays in pixels covered by a single sub.
    camera, equipment : dict
        Values of the equipment file.
    notes : tuple of dict
        Notes on the masters of the subs, see `platefiles.calibration.note.Note`.
    subs : tuple of dict
        Facts of the lights, in the order of the files.
    """

    settings: _Settings
    channel: str
    target: str
    filter: str
    wavelength_nm: float | None
    unit: str
    calibrated: bool
    lone_pixels: bool
    camera: Facts
    equipment: Facts
    notes: Rows
    subs: Rows

    @property
    def sentences(self) -> list[str]:
        """Sentences of the notes."""
        return [sentence(Note.of(row)) for row in self.notes]
