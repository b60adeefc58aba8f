"""Two invented observing plans: the Thistledown Spiral in the Tern Cluster, on two nights.

Both take H-alpha, green and blue. `demo_plan` is the full-sized one, `tiny_plan` is for quick runs.
"""

from dataclasses import replace
from typing import Any

from platelib.simulate.camera import CameraSpec
from platelib.simulate.galaxies import ClusterSpec
from platelib.simulate.observing_run import InstrumentSpec, NightPlan, PlanSpec
from platelib.simulate.passbands import BandSpec
from platelib.simulate.scene import MoverSpec, SceneSpec, VariableSpec
from platelib.simulate.spiral import SpiralSpec
from platelib.simulate.sub import NightSpec
from platelib.simulate.tracks import SatelliteSpec
from platelib.simulate.tycho_stars import tycho_in_scene


def demo_plan() -> PlanSpec:
    """Return the plan of the demo: 1440 x 1040 px, 27 subs in three bands over two nights.

    Among its invented stars are the real ones of that place, so that it can be found on the sky.
    """
    instrument = InstrumentSpec()
    scene = SceneSpec(
        width_px=1440,
        height_px=1040,
        bands=_bands(),
        zero_point=19.5,
        star_count=2000,
        brightest_mag=10.0,
        faintest_mag=19.3,
        bright_stars=(
            (1228.0, 176.0, 8.1, 4200.0),
            (168.0, 866.0, 8.6, 9800.0),
            (1012.0, 934.0, 8.9, 5700.0),
            (296.0, 512.0, 9.7, 5200.0),
            *tycho_in_scene(instrument, (1440, 1040), 2026.23),
        ),
        spiral=SpiralSpec(650.0, 530.0),
        cluster=ClusterSpec(90, 1185.0, 750.0, 170.0, 11.7, 17.1, 15.5),
        mover=MoverSpec(206.0, 214.0, 30.0, -4.0, 15.1),
        variable=VariableSpec(392.0, 158.0, 13.7),
    )
    first, second = _two_nights()
    blocks_first = (("g", 3), ("b", 3), ("ha", 5), ("b", 2), ("g", 2))
    blocks_second = (("ha", 2), ("b", 2), ("g", 2), ("g", 2), ("b", 2), ("ha", 2))
    nights = (
        replace(first, blocks=tuple((*block, False) for block in blocks_first)),
        replace(second, blocks=tuple((*b, k < 3) for k, b in enumerate(blocks_second))),
    )
    satellite = SatelliteSpec(700.0, 420.0, 31.0, 5.0, 1500.0)
    changes: dict[str, dict[str, Any]] = {
        "2026-03-23/ha-04": {"satellite": satellite},
        "2026-03-23/g-05": {"satellite": SatelliteSpec(900.0, 560.0, -52.0, 4.0, 900.0)},
        "2026-03-23/b-02": {"trail_px": (11.0, 4.5)},
        "2026-03-24/g-03": {"transparency": 0.64, "sky_factor": 1.15},
    }
    return PlanSpec(
        "demo",
        20260323,
        scene,
        CameraSpec(),
        instrument,
        nights,
        "2026-03-25T01:10:00",
        bias_count=16,
        dark_count=10,
        flat_count=8,
        changes=changes,
    )


def tiny_plan(seed: int = 1) -> PlanSpec:
    """Return a small plan for quick runs: 320 x 240 px, 24 subs in three bands over two nights."""
    scene = SceneSpec(
        width_px=320,
        height_px=240,
        bands=_bands(),
        zero_point=21.0,
        star_count=120,
        brightest_mag=12.5,
        faintest_mag=17.0,
        spiral=SpiralSpec(170.0, 118.0, scale_px=22.0, region_count=40, region_e_s=2.0),
        cluster=ClusterSpec(8, 255.0, 180.0, 40.0, 15.0, 18.0),
        mover=MoverSpec(60.0, 40.0, 6.0, 2.0, 15.8),
        variable=VariableSpec(48.0, 186.0, 14.6),
    )
    first, second = _two_nights()
    blocks = (("g", 4, False), ("b", 4, False), ("ha", 4, False))
    flipped = tuple((band, 2, half) for half in (True, False) for band in ("g", "b", "ha"))
    changes: dict[str, dict[str, Any]] = {
        "2026-03-23/g-02": {"satellite": SatelliteSpec(160.0, 90.0, 31.0, 4.0, 900.0)},
        "2026-03-23/b-03": {"trail_px": (11.0, 4.5)},
        "2026-03-24/g-03": {"transparency": 0.64, "sky_factor": 1.15},
    }
    return PlanSpec(
        "tiny",
        seed,
        scene,
        CameraSpec(width_px=320, height_px=240, glow_px=30.0, dust_count=3, unstable_count=6),
        InstrumentSpec(),
        (replace(first, blocks=blocks), replace(second, blocks=flipped)),
        "2026-03-25T01:10:00",
        bias_count=6,
        dark_count=5,
        flat_count=5,
        dither_px=8.0,
        changes=changes,
    )


def _bands() -> tuple[BandSpec, ...]:
    """Green first: magnitudes of a scene are green ones."""
    return (
        BandSpec("g", "G", 530.0, 1.0, 180.0, 1.5),
        BandSpec("b", "B", 450.0, 0.86, 180.0, 1.3, scale=1.0002),
        BandSpec("ha", "Ha", 656.3, 0.12, 600.0, 0.09, line=True, scale=0.9998),
    )


def _two_nights() -> tuple[NightPlan, NightPlan]:
    """Return a dark night after the meridian, and a moonlit one across it."""
    dark = NightSpec("2026-03-23", gradient=(0.02, -0.025), bend=0.004, dust_seed=1)
    moon = NightSpec(
        "2026-03-24",
        sky_factor={"g": 2.2, "b": 2.7, "ha": 1.6},
        gradient=(-0.22, 0.14),
        bend=0.02,
        dust_seed=2,
    )
    return (
        NightPlan(dark, "2026-03-23T23:21:04", (), rotation_deg=0.15, fwhm_px=2.8),
        NightPlan(moon, "2026-03-24T20:32:41", (), rotation_deg=-0.30, fwhm_px=3.1),
    )
