"""Observations of a report, and who made them with what."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Observation:
    """A position of a body at a time.

    Attributes
    ----------
    utc_jd : float
        Middle of the exposure, UTC, Julian days.
    ra_deg, dec_deg : float
        Astrometric place, ICRS (J2000).
    rms_ra, rms_dec : float
        Random errors, arcsec, ``rms_ra`` along the great circle (times cos Dec).
    ast_cat : str
        Catalogue of the reference stars, by its name in ADES: ``Gaia3``, ``Gaia2``, ``Tyc2``.
    mode : str
        Kind of detector: ``CCD``, ``CMO`` (CMOS), ``VID``.
    track : str
        The observer's name of the track (trkSub): 1 to 8 letters, digits, ``-`` and ``_``.
    permanent, provisional : str
        Designations (permID, provID) if the body is known, else ''.
    rms_correlation : float, optional
        Correlation of the errors in RA and Dec.
    magnitude, rms_magnitude : float, optional
    band, phot_cat : str
        Band of the magnitude, which is that of the reference magnitudes (``V``, ``R``, ``G``), and
        their catalogue.
    exposure_s : float, optional
        Of all exposures that are in the position.
    rms_time_s, clock_error_s : float, optional
        Random error of the time, and known systematic one (uncTime).
    rate : float, optional
        Motion, arcsec/min: rules the digits of the time; it is not reported.
    snr, seeing_arcsec, aperture_arcsec, rms_fit_arcsec : float, optional
    stars : int, optional
        Reference stars of the astrometric fit.
    notes, remarks : str
    """

    utc_jd: float
    ra_deg: float
    dec_deg: float
    rms_ra: float
    rms_dec: float
    ast_cat: str
    mode: str
    track: str = ""
    permanent: str = ""
    provisional: str = ""
    rms_correlation: float | None = None
    magnitude: float | None = None
    rms_magnitude: float | None = None
    band: str = ""
    phot_cat: str = ""
    exposure_s: float | None = None
    rms_time_s: float | None = None
    clock_error_s: float | None = None
    rate: float | None = None
    snr: float | None = None
    seeing_arcsec: float | None = None
    aperture_arcsec: float | None = None
    rms_fit_arcsec: float | None = None
    stars: int | None = None
    notes: str = ""
    remarks: str = ""


@dataclass(frozen=True)
class Telescope:
    """A telescope: kind of optics, aperture in m, kind of detector; the rest may be left out."""

    design: str
    aperture_m: float
    detector: str
    name: str = ""
    focal_ratio: float | None = None
    filter_name: str = ""
    array_size: str = ""
    pixel_scale: float | None = None


@dataclass(frozen=True)
class ReportHeader:
    """Who observed where, with what.

    Attributes
    ----------
    station : str
        Observatory code that the Minor Planet Center assigned.
    observers : tuple of str
        Names, such as ``A. N. Observer``.
    telescope : Telescope, optional
        Needed for a report.
    observatory, institution : str
    submitter : str
        '' for the first observer.
    measurers : tuple of str
        Empty for the observers.
    software : tuple of (str, str)
        Pairs of ``astrometry``, ``fitOrder``, ``photometry`` or ``objectDetection`` and a text.
    comment : tuple of str
        Lines; long ones are wrapped.
    """

    station: str = ""
    observers: tuple[str, ...] = ()
    telescope: Telescope | None = None
    observatory: str = ""
    submitter: str = ""
    institution: str = ""
    measurers: tuple[str, ...] = ()
    software: tuple[tuple[str, str], ...] = ()
    comment: tuple[str, ...] = ()
