"""The map between grid pixels and sky: a tangent plane with SIP distortion.

Pixels are 0-based. ``(u, v)`` is the place from the reference pixel; ``U = u + A(u, v)`` and
``V = v + B(u, v)`` straighten it (SIP, powers from 2 on); ``(xi, eta) = CD (U, V)`` is the place on
the tangent plane, degrees.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from platelib.astrometry.celestial import from_tangent_plane, tangent_plane
from platelib.numerics.transform import basis, exponents, polynomial

_LINEAR = 3
_MOST_STEPS = 30
_CLOSE_PX = 1e-9
_LOST_PX = 1e-3


@dataclass(frozen=True)
class SkyMap:
    """A TAN or TAN-SIP projection.

    Attributes
    ----------
    ra, dec : float
        Where the plane touches the sphere, degrees, ICRS (CRVAL).
    x, y : float
        The pixel of that place, 0-based (CRPIX less 1).
    cd : tuple of float
        CD1_1, CD1_2, CD2_1, CD2_2, degrees a pixel.
    degree : int
        Of the polynomials A and B; 1 where there are none.
    a, b : numpy.ndarray
        Coefficients of A and B in the order of `platelib.numerics.transform.exponents`; those of
        order 0 and 1 are 0.

    References
    ----------
    Calabretta & Greisen (2002), A&A 395, 1077; Shupe et al. (2005), ASP Conf. Ser. 347, 491.
    """

    ra: float
    dec: float
    x: float
    y: float
    cd: tuple[float, float, float, float]
    degree: int = 1
    a: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(_LINEAR))
    b: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(_LINEAR))

    @property
    def scale_arcsec(self) -> float:
        """Side of a pixel at the reference pixel, arc seconds."""
        return 3600.0 * abs(self.determinant) ** 0.5

    @property
    def determinant(self) -> float:
        """Of CD; negative where east is left of north, as the eye sees the sky."""
        return self.cd[0] * self.cd[3] - self.cd[1] * self.cd[2]

    @property
    def is_mirrored(self) -> bool:
        """Whether the image shows the sky as a mirror does, row 0 at the bottom."""
        return self.determinant > 0

    @property
    def north_deg(self) -> float:
        """Direction of north from the +y axis of the image towards +x, -180 to 180 degrees."""
        u, v = self.linear(np.array(0.0), np.array(1.0))
        return float(np.rad2deg(np.arctan2(u, v)))

    def sky(self, x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Return right ascension and declination of pixels, degrees."""
        u, v = np.asarray(x, float) - self.x, np.asarray(y, float) - self.y
        bent = self._bend(u, v)
        xi = self.cd[0] * (u + bent[0]) + self.cd[1] * (v + bent[1])
        eta = self.cd[2] * (u + bent[0]) + self.cd[3] * (v + bent[1])
        return from_tangent_plane(xi, eta, self.ra, self.dec)

    def pixels(self, ra: npt.ArrayLike, dec: npt.ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Return the pixel positions of sky positions.

        They are NaN for what lies behind the plane, and so far away that the bent map shows
        nothing of it.
        """
        xi, eta, ahead = tangent_plane(ra, dec, self.ra, self.dec)
        straight = self.linear(xi, eta)
        u, v = straight
        if self.degree > 1:
            u, v = self._unbent(*straight)
        return np.where(ahead, u + self.x, np.nan), np.where(ahead, v + self.y, np.nan)

    def _unbent(self, far_u: np.ndarray, far_v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Solve ``U = u + A(u, v)`` by iteration; NaN without convergence."""
        u, v = far_u, far_v
        step = np.zeros_like(far_u)
        with np.errstate(over="ignore", invalid="ignore"):
            for _ in range(_MOST_STEPS):
                bent = self._bend(u, v)
                new_u, new_v = far_u - bent[0], far_v - bent[1]
                step = np.hypot(new_u - u, new_v - v)
                u, v = new_u, new_v
                if not (step > _CLOSE_PX).any():
                    break
            found = step < _LOST_PX
        return np.where(found, u, np.nan), np.where(found, v, np.nan)

    def linear(self, xi: np.ndarray, eta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return ``(U, V)``, pixels as a straight camera would have them, of the tangent plane."""
        one = self.determinant
        return (
            (self.cd[3] * xi - self.cd[1] * eta) / one,
            (self.cd[0] * eta - self.cd[2] * xi) / one,
        )

    def _bend(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Return A and B at positions, ``(2, ...)``."""
        if self.degree < 2:
            return np.zeros((2, *np.shape(u)))
        flat = basis(np.ravel(u), np.ravel(v), self.degree)
        return polynomial(flat, np.stack([self.a, self.b])).reshape(2, *np.shape(u))

    def sip_terms(self) -> dict[str, float]:
        """Return the coefficients by header keyword, such as ``A_2_0``."""
        terms = {}
        for (i, j), a, b in zip(exponents(self.degree), self.a, self.b, strict=True):
            if i + j > 1:
                terms[f"A_{i}_{j}"], terms[f"B_{i}_{j}"] = float(a), float(b)
        return terms
