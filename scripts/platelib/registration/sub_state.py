"""States of subs, reasons for leaving them out, and how many are enough."""

from enum import StrEnum

ENOUGH_TO_REJECT = 5
"""From so many subs on, comparing them with each other finds cosmic rays."""


class SubState(StrEnum):
    """State of a sub, as tables have it."""

    MEASURED = "measured"
    UNREADABLE = "unreadable"
    SATURATED = "saturated"
    WITHOUT_STARS = "without stars"
    USED = "used"
    FEW_STARS = "few stars"
    UNMATCHED = "unmatched"
    ELONGATED = "elongated"
    BLURRED = "blurred"
    CLOUDED = "clouded"
    BRIGHT_SKY = "bright sky"
    UNUSED = "unused"


class Cause(StrEnum):
    """The cause for leaving a sub out at registration: a failed limit, or a missing match."""

    MIN_STARS = "quality.min_stars"
    FAR_FEWER_STARS = "far fewer stars than other subs"
    MAX_ELLIPTICITY = "quality.max_ellipticity"
    MAX_FWHM_RATIO = "quality.max_fwhm_ratio"
    MAX_BACKGROUND_RATIO = "quality.max_background_ratio"
    MIN_TRANSPARENCY = "quality.min_transparency"
    MIN_MATCHES = "registration.min_matches"
    MAX_RMS_PX = "registration.max_rms_px"
    MAX_DEGREE = "registration.max_degree"
    NO_MATCH = "no match with the reference"
    WORLD_DISAGREES = "world coordinates disagree with stars"
    FEW_COMMON_STARS = "few stars in common with the photometric reference"


class LeftOut(Exception):
    """A rejected sub; the message is the reason as a sentence.

    Parameters
    ----------
    sentence : str
    *causes : Cause
        Why, the first being the nearest.
    """

    def __init__(self, sentence: str, *causes: Cause):
        super().__init__(sentence)
        self.causes = causes
