from dataclasses import replace

import pytest

from platefiles.plan.project_plan import ProjectPlan


def test_integration_says_how_much_memory_it_takes(opened, wild):
    """The memory of a tiny integration is what the interpreter takes and little more."""
    assert 200 < opened().memory.integrate(wild(channel="g"), threads=2) < 400


def test_searching_says_how_much_memory_it_takes(opened, monkeypatch, wild):
    """Of 320 x 240 pixels it is what the interpreter takes, of 61 megapixels 1.9 GB."""
    plans, names = opened(), wild()
    assert 200 < plans.memory.search(names) < 300
    (frame, *_) = plans.by_name["tiny"].lights("ha")
    large = replace(frame, width_px=9576, height_px=6388)
    monkeypatch.setattr(ProjectPlan, "lights", lambda _plan, _channel: [large])
    assert plans.memory.search(names) == pytest.approx(1884, abs=5)


def test_drawing_says_how_much_memory_it_takes(opened, wild):
    """It goes with the pixels of the picture: a larger scale wants more, and so does a turn."""
    names = wild()
    plain = opened()
    large = opened(overrides={"geometry": {"scale": 4.0}})
    turned = opened(overrides={"geometry": {"scale": 4.0, "position_angle_deg": 30.0}})
    for asked in ("annotate", "overlay"):
        usual, more, most = (
            getattr(plans.memory, asked)(names) for plans in (plain, large, turned)
        )
        assert 200 < usual < 300
        assert most - 250 == pytest.approx(2 * (more - 250), abs=2)
        assert more - 250 == pytest.approx(16 * (usual - 250), abs=16)
