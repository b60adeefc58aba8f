"""The job of a master, whatever its kind."""

from platefiles.settings.job import Rows, StepJob


class MasterJob(StepJob):
    """The job of the steps of masters.

    Attributes
    ----------
    master : str
        Name of the master.
    bias, dark : str or None
        Names of the masters subtracted from the frames.
    frames : tuple of dict
        Facts of the raw frames, in the order of the files.
    """

    master: str
    bias: str | None
    dark: str | None
    frames: Rows
