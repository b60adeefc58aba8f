"""Choose the band of a star catalogue for a channel."""

from collections.abc import Iterable
from dataclasses import dataclass

from platefiles.frames.filters import canonical_filter
from platefiles.frames.filters import wavelength_nm as known_wavelength_nm

_WAVELENGTHS_NM = {
    "BT": 428, "VT": 532, "BP": 511, "G": 622, "RP": 777, "u": 355, "g": 469, "r": 617, "i": 748,
    "z": 893, "B": 436, "V": 545, "R": 641, "I": 798,
}  # fmt: skip
"""Tycho: Bessell (2000), PASP 112, 961; Gaia: Riello et al. (2021), A&A 649, A3; SDSS: Fukugita et
al. (1996), AJ 111, 1748; Johnson-Cousins: Bessell (2005), ARA&A 43, 293. From memory: they choose a
band, no number is worked out with them."""

_COLOURS = {("BT", "VT"): 0.77, ("BP", "RP"): 0.82, ("g", "r"): 0.44, ("B", "V"): 0.65}
"""Colours and that of the Sun: B - V = 0.65 (Ramirez et al. 2012, ApJ 752, 5), BP - RP = 0.82
(Casagrande & VandenBerg 2018, MNRAS 479, L102), BT - VT from B - V by 1 / 0.85 (ESA 1997)."""

_NARROW = ("ha", "hb", "oiii", "sii", "nii")
_NEAR_NM = 45


@dataclass(frozen=True)
class Band:
    """The reference of a channel.

    Attributes
    ----------
    name : str
    colour : tuple of str or None
        Bands whose difference is the colour.
    pivot : float
        Colour at which the zero point holds.
    uncalibrated : str
        Reason why magnitudes of this channel are not in the band, or empty.
    """

    name: str
    colour: tuple[str, str] | None
    pivot: float
    uncalibrated: str


def choose_band(filters: Iterable[str], wavelength_nm: float | None, bands: Iterable[str]) -> Band:
    """Choose the catalogue band closest to a channel.

    Parameters
    ----------
    filters : iterable of str
        Names of the channel's filters in the project file.
    wavelength_nm : float or None
        Of the channel.
    bands : iterable of str
        Bands of the catalogue, at least one; the first is used if nothing is known.
    """
    names = list(bands)
    kinds = [canonical_filter(text) for text in filters]
    narrow = any(kind in _NARROW for kind in kinds)
    here = wavelength_nm or next(filter(None, map(known_wavelength_nm, filters)), None)
    known = [name for name in names if name in _WAVELENGTHS_NM]
    name = names[0]
    if here is not None and known:
        name = min(known, key=lambda band: abs(_WAVELENGTHS_NM[band] - here))
    colour = next((pair for pair in _COLOURS if set(pair) <= set(names)), None)
    pivot = _COLOURS[colour] if colour else 0.0
    return Band(name, colour, pivot, _why_not(name, here, narrow))


def _why_not(name: str, here: float | None, narrow: bool) -> str:
    if narrow:
        return f"narrow band: magnitudes are those of a Sun-like star of that flux in {name}"
    if here is None:
        return f"not calibrated: its wavelength is unknown; magnitudes are on the scale of {name}"
    if name not in _WAVELENGTHS_NM or abs(_WAVELENGTHS_NM[name] - here) > _NEAR_NM:
        return (
            f"not calibrated: no band of the catalogue is near {here:g} nm; on the scale of {name}"
        )
    return ""
