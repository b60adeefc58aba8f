from dataclasses import replace

import numpy as np
import pytest
from astropy.wcs import WCS

from platelib.simulate.demo import demo_plan, tiny_plan
from platelib.simulate.observing_run import FrameSpec, PlanSpec, plan_frames, scene_to_sky

PLANS = pytest.mark.parametrize("plan", [demo_plan(), tiny_plan()], ids=["demo", "tiny"])


def _lights(plan: PlanSpec) -> list[FrameSpec]:
    return [frame for frame in plan_frames(plan) if frame.sub is not None]


@PLANS
def test_every_channel_has_eight_subs_over_two_nights(plan: PlanSpec) -> None:
    """Each band has at least 8 subs, some on each of two nights."""
    for band in plan.scene.bands:
        nights = [f.sub.night.name for f in _lights(plan) if f.sub and f.band == band.name]
        assert len(nights) >= 8
        assert len(set(nights)) == 2


@PLANS
def test_calibration_frames_fit_the_lights(plan: PlanSpec) -> None:
    """There are darks of each exposure of the lights, and flats of each band and night."""
    frames = plan_frames(plan)
    darks = [frame.exposure_s for frame in frames if frame.kind == "dark"]
    assert {f.exposure_s for f in _lights(plan)} == set(darks)
    assert len(darks) == plan.dark_count * len(set(darks))
    flats = {(f.band, f.dust_seed) for f in frames if f.kind == "flat"}
    assert flats == {(f.band, f.sub.night.dust_seed) for f in _lights(plan) if f.sub}


@PLANS
def test_everything_that_befalls_subs_is_there(plan: PlanSpec) -> None:
    """The lights include a flip within one night, a cloud, a trailed sub and a satellite."""
    subs = [frame.sub for frame in _lights(plan) if frame.sub]
    by_night = {
        s.night.name: {t.flipped for t in subs if t.night.name == s.night.name} for s in subs
    }
    assert {True, False} in by_night.values()
    assert sum(s.transparency < 0.7 for s in subs) == 1
    assert sum(10 <= np.hypot(*s.trail_px) <= 14 for s in subs) == 1
    assert 1 <= sum(s.satellite is not None for s in subs) <= 2
    assert plan.scene.mover is not None
    assert plan.scene.variable is not None


@PLANS
def test_lights_follow_each_other(plan: PlanSpec) -> None:
    """No light begins before the one before it has ended, and names are unique."""
    lights = _lights(plan)
    starts = np.array([frame.start_utc for frame in lights], dtype="datetime64[ms]")
    exposures = np.array([frame.exposure_s for frame in lights]) * 1e3
    assert np.all(np.diff(starts).astype(float) > exposures[:-1])
    names = [frame.name for frame in plan_frames(plan)]
    assert len(set(names)) == len(names)


@PLANS
def test_mover_stays_in_the_field(plan: PlanSpec) -> None:
    """The moving object is inside the frame in every sub and moves at least a pixel an hour."""
    mover = plan.scene.mover
    assert mover is not None
    hours = np.array([frame.sub.mid_time_h for frame in _lights(plan) if frame.sub])
    x = mover.x_px + mover.rate_x_px_h * hours
    y = mover.y_px + mover.rate_y_px_h * hours
    assert np.all((x > 20) & (x < plan.scene.width_px - 20))
    assert np.all((y > 20) & (y < plan.scene.height_px - 20))


def test_changes_must_name_a_light() -> None:
    """A change of a sub that the plan does not have is refused by name."""
    plan = replace(tiny_plan(), changes={"2026-03-23/g-99": {"transparency": 0.1}})
    with pytest.raises(ValueError, match="does not have: 2026-03-23/g-99"):
        plan_frames(plan)


def test_sky_coordinates_agree_with_a_world_coordinate_system() -> None:
    """Celestial coordinates of scene places equal those of astropy's TAN projection."""
    plan = demo_plan()
    step = plan.instrument.scale_arcsec / 3600.0
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [plan.instrument.ra_deg, plan.instrument.dec_deg]
    wcs.wcs.crpix = [(plan.scene.width_px + 1) / 2, (plan.scene.height_px + 1) / 2]
    wcs.wcs.cdelt = [-step, step]
    x, y = np.array([0.0, 700.0, 1439.0]), np.array([1039.0, 12.5, 300.0])
    expected = wcs.wcs_pix2world(x, y, 0)
    assert np.allclose(scene_to_sky(plan, x, y), expected, atol=1e-10)
