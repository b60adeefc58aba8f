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
        The part of the group ``integration`` that acts here.
    channel : str
    target : str
        What the frames call what they show, or the title of the project.
    filter : str
        Name of the filter in the headers of the frames, several with commas.
    wavelength_nm : float or None
    unit : str
        Of the channel where the gain is known.
    calibrated : bool
        Whether the frames are calibrated already.
    lone_pixels : bool
        Whether cosmic rays are looked for where one sub alone covers a pixel.
    camera, equipment : dict
        What the equipment file gives.
    notes : tuple of dict
        On the masters of the subs, see `platefiles.calibration.note.Note`.
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
