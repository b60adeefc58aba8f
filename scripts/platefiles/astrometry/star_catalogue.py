"""Star catalogues on disk: Tycho-2, which comes with platelog, and the user's tables.

A table of the user's is CSV, ECSV or VOTable, told by its content. Its columns have the names of a
Gaia DR3 cone extract (ra, dec, pmra, pmdec, ref_epoch, source_id, phot_g_mean_mag,
phot_bp_mean_mag, phot_rp_mean_mag, bp_rp); others are taken if they end in ``mag``.
"""

import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from platefiles.astrometry.tycho import TYCHO_PATH
from platefiles.core.errors import UserError
from platelib.astrometry.catalogue_stars import CatalogueStars
from platelib.astrometry.celestial import moved, separation_deg

TYCHO = "Tycho-2"
USERS = "user's catalogue"
MOST_STARS = 20_000
"""The brightest so many of a catalogue are looked at."""

_EPOCH = 2000.0
_PLACE_DIGITS = 10
_GAIA_EPOCH = 2016.0
_FARTHEST_MOTION_DEG = 0.1
_ID = ("source_id", "id", "identity", "designation", "name")
_RA = ("ra", "ra_icrs", "raj2000", "ra_deg", "_raj2000")
_DEC = ("dec", "de_icrs", "dej2000", "dec_deg", "_dej2000")
_PM_RA, _PM_DEC = ("pmra",), ("pmdec", "pmde")
_REF_EPOCH = ("ref_epoch", "epoch")
_BANDS = {
    "G": ("phot_g_mean_mag", "gmag"),
    "BP": ("phot_bp_mean_mag", "bpmag"),
    "RP": ("phot_rp_mean_mag", "rpmag"),
}
_OTHER_BAND = re.compile(r"(?i:mag)_(?P<after>\w{1,8})|(?P<before>\w{1,8}?)_?(?i:mag)")


@dataclass(frozen=True)
class StarTable:
    """The user's catalogue, unchanged from its file.

    Attributes
    ----------
    identity : numpy.ndarray
        ``(n,)`` str.
    ra, dec, pm_ra, pm_dec, ref_epoch : numpy.ndarray
        ``(n,)`` float64: degrees, mas/yr (0 if unknown), Julian year.
    magnitudes : mapping of str to numpy.ndarray
    """

    identity: np.ndarray
    ra: np.ndarray
    dec: np.ndarray
    pm_ra: np.ndarray
    pm_dec: np.ndarray
    ref_epoch: np.ndarray
    magnitudes: Mapping[str, np.ndarray]

    def at(self, year: float) -> CatalogueStars:
        """Return the stars at the epoch of a Julian year."""
        ra, dec = _moved(self.ra, self.dec, self.pm_ra, self.pm_dec, year - self.ref_epoch)
        return CatalogueStars(USERS, self.identity, ra, dec, self.magnitudes)

    def chosen(self, which: np.ndarray) -> "StarTable":
        """Return the stars selected by a mask or by indices."""
        return StarTable(
            self.identity[which],
            self.ra[which],
            self.dec[which],
            self.pm_ra[which],
            self.pm_dec[which],
            self.ref_epoch[which],
            {name: column[which] for name, column in self.magnitudes.items()},
        )

    def text(self) -> str:
        """Return the stars as CSV, which `read_star_table` reads back with the same values."""
        names = {"G": "phot_g_mean_mag", "BP": "phot_bp_mean_mag", "RP": "phot_rp_mean_mag"}
        bands = [names.get(band, f"mag_{band}") for band in self.magnitudes]
        lines = [",".join(["source_id", "ra", "dec", "pmra", "pmdec", "ref_epoch", *bands])]
        columns = (self.ra, self.dec, self.pm_ra, self.pm_dec, self.ref_epoch)
        numbers = [column.tolist() for column in (*columns, *self.magnitudes.values())]
        for identity, *row in zip(self.identity.tolist(), *numbers, strict=True):
            lines.append(",".join([identity, *("" if x != x else repr(x) for x in row)]))
        return "\n".join(lines) + "\n"


def _moved(*star: npt.ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Apply proper motion; round to 0.4 uas, since the last bits depend on the processor."""
    ra, dec = (np.round(angle, _PLACE_DIGITS) for angle in moved(*star))
    return ra, dec


def read_tycho(
    ra: float, dec: float, radius_deg: float, year: float, path: Path = TYCHO_PATH
) -> CatalogueStars:
    """Return the Tycho-2 stars in a circle at the epoch of a Julian year, brightest first.

    Raises
    ------
    UserError
        If the catalogue is missing or damaged.
    """
    try:
        with fits.open(path, memmap=True) as hdus:
            data = hdus["STARS"].data
            header = hdus["STARS"].header
            raw = data.view(np.ndarray)
            all_ra = raw["RA"] * header["TSCAL1"] + header["TZERO1"]
            all_dec = raw["DEC"] * header["TSCAL2"] + header["TZERO2"]
            near = separation_deg(ra, dec, all_ra, all_dec) <= radius_deg + _FARTHEST_MOTION_DEG
            rows = np.flatnonzero(near)
            picked = {
                name: np.asarray(raw[name][rows], dtype=np.float64) for name in raw.dtype.names
            }
    except (OSError, KeyError, TypeError, AttributeError) as error:
        msg = f"{path}: cannot be read as the star catalogue; fetch it again with the project"
        raise UserError(msg) from error
    bt, vt = (np.where(picked[n] == -32768, np.nan, picked[n] / 1000) for n in ("BT", "VT"))
    places = _moved(all_ra[rows], all_dec[rows], picked["PMRA"], picked["PMDEC"], year - _EPOCH)
    identity = np.array([f"tycho2:{row}" for row in rows.tolist()], dtype=np.str_)
    stars = CatalogueStars(TYCHO, identity, *places, {"VT": vt, "BT": bt})
    return stars.within(ra, dec, radius_deg).brightest_first()


def read_star_table(path: str | Path) -> StarTable:
    """Read the user's catalogue.

    Raises
    ------
    UserError
        If the file is not a table with coordinates.
    """
    from astropy.io import ascii  # slow to import

    try:
        content = Path(path).read_bytes()
        kind = _kind(content)
        if kind == "votable":
            from astropy.io.votable import parse_single_table

            table = parse_single_table(io.BytesIO(content), verify="ignore").to_table()
        else:
            lines = content.decode("utf-8-sig").splitlines()
            table = ascii.read(lines, format=kind, guess=False)
    except OSError as error:
        msg = f"{path}: the star catalogue cannot be read ({error.strerror})"
        raise UserError(msg) from error
    except Exception as error:  # whatever a reader of tables thinks of what is none
        msg = f"{path}: is not a readable CSV, ECSV or VOTable ({_first_line(error)})"
        raise UserError(msg) from error
    return _star_table({name: table[name] for name in table.colnames}, path)


def _kind(content: bytes) -> str:
    head = content[:2000].lstrip()
    if head.startswith(b"<"):
        return "votable"
    return "ecsv" if head.startswith(b"# %ECSV") else "csv"


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:120]


def _star_table(spelled: Mapping[str, object], path: str | Path) -> StarTable:
    columns = {name.lower(): column for name, column in spelled.items()}
    ra, dec = _numbers(columns, _RA), _numbers(columns, _DEC)
    if ra is None or dec is None:
        have = ", ".join(list(columns)[:12]) or "none"
        msg = f"{path}: has no columns ra and dec in degrees (it has {have}); rename them"
        raise UserError(msg)
    magnitudes = _magnitudes(columns, list(spelled))
    if not magnitudes:
        msg = (
            f"{path}: has no magnitudes; name their columns phot_g_mean_mag, phot_bp_mean_mag and "
            "phot_rp_mean_mag, or such as mag_r"
        )
        raise UserError(msg)
    good = np.isfinite(ra) & np.isfinite(dec) & (np.abs(dec) <= 90)
    count = len(ra)
    identity = next(
        (np.asarray(columns[name]).astype(str) for name in _ID if name in columns),
        np.arange(count).astype(str),
    )
    identity = np.array([re.sub(r"[^ -~]|[,\"]", "_", text)[:40] for text in identity.tolist()])
    still = np.zeros(count)
    pm_ra, pm_dec = (_numbers(columns, names) for names in (_PM_RA, _PM_DEC))
    epoch = _numbers(columns, _REF_EPOCH)
    default = _GAIA_EPOCH if "phot_g_mean_mag" in columns or "gmag" in columns else _EPOCH
    return StarTable(
        identity,
        np.mod(ra, 360.0),
        dec,
        np.nan_to_num(still if pm_ra is None else pm_ra),
        np.nan_to_num(still if pm_dec is None else pm_dec),
        np.nan_to_num(still + default if epoch is None else epoch, nan=default),
        magnitudes,
    ).chosen(good)


def _numbers(columns: Mapping[str, object], names: tuple[str, ...]) -> np.ndarray | None:
    for name in names:
        if name in columns:
            column: Any = np.ma.asarray(columns[name])
            try:
                return np.asarray(np.ma.filled(column.astype(np.float64), np.nan))
            except (TypeError, ValueError):
                return None
    return None


def _magnitudes(columns: Mapping[str, object], spelled: Sequence[str]) -> dict[str, np.ndarray]:
    found = {}
    for band, names in _BANDS.items():
        column = _numbers(columns, names)
        if column is not None:
            found[band] = column
    colour = _numbers(columns, ("bp_rp",))
    if colour is not None and "G" in found and "BP" not in found:
        # With one of the two and the colour, the other follows; with neither, nothing does.
        if "RP" in found:
            found["BP"] = found["RP"] + colour
        else:
            found["BP"], found["RP"] = _split(found["G"], colour)
    taken = {name for names in _BANDS.values() for name in names}
    for name in spelled:
        match = _OTHER_BAND.fullmatch(name)
        if match and name.lower() not in taken:
            column = _numbers(columns, (name.lower(),))
            if column is not None:
                found[match["after"] or match["before"]] = column
    return found


def _split(g: np.ndarray, colour: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Compute BP and RP from G and BP - RP.

    All stars get the ratio of G - RP to BP - RP of a star like the Sun (0.48 / 0.82; Gaia
    documentation, from memory). Only the difference BP - RP is used, and it is exact.
    """
    rp = g - 0.48 / 0.82 * colour
    return rp + colour, rp
