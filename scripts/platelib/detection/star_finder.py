"""Stars of one calibrated sub.

The detector looks for local maxima of the image smoothed by a small Gaussian, then measures each
in a Gaussian window that adapts to its width (windowed moments as in Bertin & Arnouts 1996, A&AS
117, 393, and the SExtractor manual's XWIN_IMAGE). What is sharper than a star can be - hot pixels,
cosmic rays - is refused before it can mislead the matching of star patterns.

A sub is searched while its rows come by. How large the aperture is to be is known only when all of
them have been seen; until then a square about each star is kept.
"""

from functools import cached_property

import numpy as np

from platelib.background.mesh import Mesh
from platelib.detection.peaks import (
    EDGE,
    SHAPE_COLUMNS,
    Found,
    Limits,
    Slab,
    limit_lines,
    search_rows,
)
from platelib.detection.star_table import CORE_SHARE, FLAG_SHAPE, STAR
from platelib.detection.star_widths import star_group
from platelib.detection.trails import on_trails
from platelib.detection.windowed_moments import measure_fluxes
from platelib.numerics.workspace import Room

_SMOOTHING = 1.2
_SMALLEST_PX, _LARGEST_PX = 3.0, 20.0
_USUAL_FWHM_PX = 4.0
_SPARE = 2


class StarSearch:
    """The search of one sub for stars, some of its rows at a time.

    The stars do not depend on how many rows come at a time. Where there are more than twice as
    many as are wanted, those with the least light in the window of their moments get no aperture.

    Parameters
    ----------
    mesh : Mesh
        Sky and noise of the sub.
    detection_sigma : float
        Peak of the smoothed image above the sky, in units of its noise.
    aperture_fwhm : float
        Radius of the aperture in units of the FWHM of the sub's own stars: seeing then takes the
        same share of every star's light out of it in every sub.
    max_stars : int
        The brightest so many are kept.
    light_variance : numpy.ndarray or float, optional
        Variance that a unit of light adds to the noise of the sky, ``(my, mx)`` for the cells of
        the mesh: 1 for electrons that were not divided by a flat field.
    half_px : int, optional
        Half the side of the squares that are kept. Where they turn out to be smaller than
        `needed_half_px`, the sub has to be searched again.
    room : Room, optional
        Memory to work in, until the stars are asked for.
    """

    def __init__(
        self,
        mesh: Mesh,
        detection_sigma: float,
        aperture_fwhm: float,
        max_stars: int,
        light_variance: np.ndarray | float = 1.0,
        half_px: int | None = None,
        room: Room | None = None,
    ):
        self._mesh, self._aperture_fwhm, self._max_stars = mesh, aperture_fwhm, max_stars
        self.half_px = half_px or self._half_for(_USUAL_FWHM_PX)
        unit = np.empty_like(mesh.level)
        unit[:] = light_variance
        self._planes = mesh.level, mesh.noise, unit
        taps = np.exp(-0.5 * (np.arange(3) / _SMOOTHING) ** 2)
        self._taps = (taps / (taps[0] + 2 * taps[1] + 2 * taps[2])).astype(np.float32)
        # Smoothing white noise by the taps each way leaves so much of it.
        gain = self._taps[0] ** 2 + 2 * (self._taps[1] ** 2 + self._taps[2] ** 2)
        limits = mesh.level + np.float32(detection_sigma * gain) * mesh.noise
        nx = mesh.shape[1]
        self._limits = Limits(mesh.level, mesh.noise, *limit_lines(limits, nx))
        # As many again before the faint ones are dropped, and a row of them.
        most, side = 2 * _SPARE * max_stars + nx // 2, 2 * self.half_px + 1
        room = room or Room()
        self._shapes = room.plane("shapes", (most, SHAPE_COLUMNS), np.float64)
        self._centres = room.plane("centres", (most, 2), np.int32)
        self._squares = room.plane("squares", (most, side, side), np.float32)
        self._count = 0
        self._faint: list[np.ndarray] = []
        self._image = np.empty((0, nx), dtype=np.float32)
        self._mask = np.empty((0, nx), dtype=np.uint8)
        self._seen = self._searched = 0

    @property
    def margin(self) -> int:
        """Number of rows above and below a star used for its measurement."""
        return max(self.half_px + 2, EDGE)

    @property
    def least_rows(self) -> int:
        """Rows that have to come at a time, but for the last ones of a sub."""
        return 2 * self.margin

    @property
    def needed_half_px(self) -> int:
        """Half the side of squares that hold the aperture, when all rows have been seen."""
        return self._half_for(self.fwhm)

    @property
    def fwhm(self) -> float:
        """Width of the stars of the sub, pixels, when all rows have been seen."""
        return self._shaped[2]

    @property
    def aperture_px(self) -> float:
        """Radius of the aperture, pixels, when all rows have been seen."""
        return self._radius(self.fwhm)

    def _radius(self, fwhm: float) -> float:
        return min(max(self._aperture_fwhm * fwhm, _SMALLEST_PX), _LARGEST_PX)

    def _half_for(self, fwhm: float) -> int:
        """Half the side of a square that holds the soft aperture about any place in its middle."""
        return int(np.ceil(self._radius(fwhm) + 1))

    def look(self, image: np.ndarray, mask: np.ndarray) -> None:
        """Search the next rows of the sub; the arrays must stay valid until the next call.

        Parameters
        ----------
        image : numpy.ndarray
            ``(n, nx)`` float32, bad pixels interpolated.
        mask : numpy.ndarray
            ``(n, nx)`` uint8: 1 bad, 2 saturated.
        """
        top, ny = self._seen - len(self._image), self._mesh.shape[0]
        self._seen += len(image)
        stop = ny if self._seen == ny else max(self._searched, self._seen - self.margin)
        while self._searched < stop:
            self._count, self._searched = search_rows(
                Slab((self._image, image), (self._mask, mask), top),
                (self._searched, stop),
                self._mesh.shape,
                self._limits,
                self._taps,
                Found(self._shapes, self._centres, self._squares),
                self._count,
            )
            if self._searched < stop:
                self._drop_faint()
        self._image, self._mask = image, mask

    def _drop_faint(self) -> None:
        """Keep the squares of the brightest detections only, as many as may be spared."""
        most = _SPARE * self._max_stars
        if self._count > most:
            order = np.argsort(-self._shapes[: self._count, -1], kind="stable")
            keep = np.sort(order[:most])
            self._faint.append(self._shapes[order[most:]])
            for array in (self._shapes, self._centres, self._squares):
                array[:most] = array[keep]
            self._count = most

    @cached_property
    def _shaped(self) -> tuple[np.ndarray, np.ndarray, float]:
        """Return stars with position, shape and flags; their numbers; and the usual FWHM.

        The usual width is that of the group of stars among all detections, those with a
        square or without.
        """
        self._drop_faint()
        shapes = np.concatenate([self._shapes[: self._count], *self._faint])
        stars = np.zeros(len(shapes), dtype=STAR)
        stars["x"], stars["y"] = np.round(shapes[:, 0], 4), np.round(shapes[:, 1], 4)
        stars["fwhm"], stars["ellipticity"] = np.round(shapes[:, 2], 3), np.round(shapes[:, 3], 3)
        stars["flags"] = shapes[:, 4].astype(np.int16)
        alone = ~self._on_trails(shapes)
        numbers = np.flatnonzero(alone[: self._count])
        usual = stars[alone & (stars["flags"] == 0)]
        if not len(usual):
            usual = stars[alone]
        if not len(usual):
            return stars[numbers], numbers, _USUAL_FWHM_PX
        usual = usual[star_group(usual["fwhm"])]
        stars, fwhm = stars[numbers], float(np.median(usual["fwhm"]))
        odd = _minor_fwhm(stars) < 0.6 * np.median(_minor_fwhm(usual))
        odd |= stars["fwhm"] > 1.8 * fwhm
        odd |= stars["ellipticity"] > np.median(usual["ellipticity"]) + 0.3
        stars["flags"] |= np.where(odd, FLAG_SHAPE, 0).astype(np.int16)
        return stars, numbers, fwhm

    def _on_trails(self, shapes: np.ndarray) -> np.ndarray:
        """Return which detections lie on trails, tested in a fixed order."""
        order = np.lexsort((shapes[:, 0], shapes[:, 1]))
        x, y, ellipticity, angle = (shapes[order, column] for column in (0, 1, 3, 5))
        trail = np.empty(len(shapes), dtype=bool)
        trail[order] = on_trails(x, y, angle, ellipticity, self._mesh.shape)
        return trail

    def stars(self) -> np.ndarray:
        """Return the stars, when all rows have been seen.

        Returns
        -------
        numpy.ndarray
            ``(n,)`` of dtype ``STAR``, brightest first; positions rounded to 1e-4 px and fluxes to
            six digits, so that the last bits of transcendental functions do not travel on.
        """
        stars, numbers, _ = self._shaped
        fluxes, cores = self._fluxes(self.aperture_px), self._fluxes(CORE_SHARE * self.aperture_px)
        for column, name in enumerate(("flux", "flux_error", "peak")):
            stars[name] = significant(fluxes[numbers, column], 6)
        stars["core"] = significant(cores[numbers, 0], 6)
        stars = stars[stars["flux"] > 0]
        order = np.lexsort((stars["x"], stars["y"], -stars["flux"]))
        return stars[order[: self._max_stars]]

    def _fluxes(self, radius: float) -> np.ndarray:
        """Return flux, its error and the peak of each detection, ``(n, 3)``."""
        x, y = np.round(self._shapes[: self._count, :2].T, 4)
        fluxes = np.empty((self._count, 3))
        measure_fluxes(
            self._squares[: self._count],
            self._centres[: self._count],
            self._mesh.shape,
            self._planes,
            np.ascontiguousarray(x),
            np.ascontiguousarray(y),
            radius,
            np.empty(self._squares.shape[1]),
            fluxes,
        )
        return fluxes


def find_stars(
    image: np.ndarray,
    mask: np.ndarray,
    mesh: Mesh,
    detection_sigma: float,
    aperture_fwhm: float,
    max_stars: int,
) -> np.ndarray:
    """Find and measure the stars of a calibrated sub held in memory.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, electrons; bad pixels interpolated.
    mask : numpy.ndarray
        ``(ny, nx)`` uint8: 1 bad, 2 saturated.
    mesh, detection_sigma, aperture_fwhm, max_stars
        See :class:`StarSearch`.

    Returns
    -------
    numpy.ndarray
        See :meth:`StarSearch.stars`.
    """
    half_px = None
    while True:
        search = StarSearch(mesh, detection_sigma, aperture_fwhm, max_stars, half_px=half_px)
        search.look(image, mask)
        half_px = search.needed_half_px
        if half_px <= search.half_px:
            return search.stars()


def _minor_fwhm(stars: np.ndarray) -> np.ndarray:
    return stars["fwhm"] * np.sqrt(1 - stars["ellipticity"])


def significant(values: np.ndarray, digits: int) -> np.ndarray:
    """Round to a number of significant digits."""
    values = np.asarray(values, dtype=np.float64)
    size = np.where((values == 0) | ~np.isfinite(values), 1.0, np.abs(values))
    places = digits - 1 - np.floor(np.log10(size)).astype(int)
    # Powers as Python reads them: those of the processor's library may miss the last bit.
    lowest = int(places.min(initial=0))
    powers = [float(f"1e{place}") for place in range(lowest, int(places.max(initial=0)) + 1)]
    factor = np.array(powers)[places - lowest]
    return np.round(values * factor) / factor
