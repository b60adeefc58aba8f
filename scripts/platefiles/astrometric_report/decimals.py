"""Numbers with as many digits as their uncertainty allows, as ADES asks.

Rules of the ADES description, section 5: uncertainties have two significant digits; observations
have ``ceil(1 - log10(sigma))`` decimals, one or two digits beyond the uncertainty; times are as
exact as the astrometry needs.
"""

import math
from datetime import datetime, timedelta

_MJD_ZERO = datetime(1858, 11, 17)
_MJD_ZERO_JD = 2400000.5
_MOST_TIME_DECIMALS = 3  # the resolution of a Julian day as a double is 0.00004 s
_ARCSEC_PER_DEG = 3600.0


def decimals(sigma: float, most: int) -> int:
    """Return how many decimals a value of some uncertainty gets, 0 to ``most``."""
    return min(max(math.ceil(1 - math.log10(sigma) - 1e-9), 0), most)


def uncertainty_text(sigma: float, width: int) -> str:
    """Return an uncertainty with two significant digits, or fewer where they do not fit.

    Parameters
    ----------
    sigma : float
        Positive. What is below the smallest number of that width becomes this number.
    width : int
        Characters at most.
    """
    places = min(max(1 - math.floor(math.log10(sigma)), 0), width - 2)
    text = f"{sigma:.{places}f}"
    if float(text) == 0:
        return f"{10.0**-places:.{places}f}"
    if places and float(text) >= 10 ** (2 - places):  # rounded up to another digit
        places -= 1
        text = f"{float(text):.{places}f}"
    return text


def right_ascension_text(ra_deg: float, sigma_arcsec: float, dec_deg: float) -> str:
    """Return a right ascension, degrees; ``sigma_arcsec`` holds along the great circle."""
    width = max(math.cos(math.radians(dec_deg)), 1e-6)
    places = decimals(sigma_arcsec / width / _ARCSEC_PER_DEG, 9)
    text = f"{ra_deg % 360.0:.{places}f}"
    return f"{0:.{places}f}" if float(text) >= 360 else text


def declination_text(dec_deg: float, sigma_arcsec: float) -> str:
    """Return a declination, degrees."""
    return f"{dec_deg:.{decimals(sigma_arcsec / _ARCSEC_PER_DEG, 9)}f}"


def narrow_sigma(rms_ra: float, rms_dec: float, correlation: float | None) -> float:
    """Return the semiminor axis of the error ellipse; it rules the digits of correlated errors."""
    mean, half = (rms_ra**2 + rms_dec**2) / 2, (rms_ra**2 - rms_dec**2) / 2
    mixed = (correlation or 0.0) * rms_ra * rms_dec
    return math.sqrt(max(mean - math.hypot(half, mixed), 1e-12 * mean))


def time_text(utc_jd: float, sigma_s: float) -> str:
    """Return a time as ``2022-01-31T23:59:59.1Z``.

    Parameters
    ----------
    utc_jd : float
        UTC, Julian days.
    sigma_s : float
        Error of the time that matters, s; it rules the decimals, at most 3.
    """
    places = decimals(sigma_s, _MOST_TIME_DECIMALS)
    units = 10**places
    days = math.floor(utc_jd - _MJD_ZERO_JD)
    count = round((utc_jd - _MJD_ZERO_JD - days) * 86400 * units)
    moment = _MJD_ZERO + timedelta(days=days, seconds=count // units)
    fraction = f".{count % units:0{places}d}" if places else ""
    return f"{moment:%Y-%m-%dT%H:%M:%S}{fraction}Z"
