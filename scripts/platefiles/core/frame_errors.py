"""Why a raw frame cannot be used."""

from collections.abc import Mapping
from typing import Any


class FrameError(Exception):
    """A raw frame that cannot be used; the message is the reason, in a few words."""


class ChangedFrame(FrameError):
    """A raw frame that differs from the one recorded in the job or by an earlier step.

    Parameters
    ----------
    reason : str
    facts : mapping
        Its row in the job.
    """

    def __init__(self, reason: str, facts: Mapping[str, Any]):
        super().__init__(reason)
        self.id, self.name = facts["id"], facts["name"]
