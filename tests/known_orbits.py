"""Published elements and places that tests share."""

from platelib.orbits.elements import Brightness, Orientation, elements_by_anomaly

CERES_EPOCHS = {
    2455400.5: (113.41048, 72.58976, 80.39321, 10.58682, 0.0791382, 2.7653485),
    2458200.5: (352.23052, 73.11528, 80.30992, 10.59351, 0.0755347, 2.7670463),
    2459000.5: (162.68631, 73.73161, 80.28698, 10.58862, 0.0775571, 2.7676569),
    2461200.5: (274.41935, 73.29420, 80.24863, 10.58803, 0.0796923, 2.7655526),
}
"""Elements of (1) Ceres as the MPC published them, by epoch: M, peri, node, incl, e, a."""

CERES_PLACE = (2459017.5, 23.14374005 * 15, -17.32340649, 2.55825404)
"""UTC, and geocentric RA, Dec (degrees) and distance (au) of Ceres by JPL's ephemeris."""


def ceres(epoch):
    """Return the elements of Ceres that hold at an epoch."""
    anomaly, argument, node, inclination, e, axis = CERES_EPOCHS[epoch]
    return elements_by_anomaly(
        ["(1) Ceres"],
        epoch,
        anomaly,
        axis,
        e,
        Orientation(inclination, node, argument),
        Brightness(3.34, 0.12),
    )


def main_belt(rng, count, epoch=2461000.5):
    """Draw elements in the style of the main belt."""
    return elements_by_anomaly(
        [f"drawn {k}" for k in range(count)],
        epoch,
        rng.uniform(0, 360, count),
        rng.uniform(2.1, 3.3, count),
        rng.beta(2, 12, count),
        Orientation(*(rng.uniform(0, high, count) for high in (15, 360, 360))),
        Brightness(rng.uniform(8, 18, count), 0.15),
    )
