from types import SimpleNamespace

import pytest

from platecli.text import added
from platecli.text.added import Before, added_lines, before_run
from platefiles.digests.previous_pictures import forget_subs


def _row(name, channel="g", state="used", noise=0.2, exposure_s=300.0):
    weight = 1.0 if state == "used" else 0.0
    texts = (exposure_s, noise, weight)
    numbers = dict(zip(("exposure_s", "noise_rate", "weight"), map(str, texts), strict=True))
    return {"id": name, "channel": channel, "state": state, **numbers}


def _outlook(*rows, stale=()):
    paths = SimpleNamespace(depth="depth.fits")
    plan = SimpleNamespace(paths=paths)
    return SimpleNamespace(subs=rows, plan=plan, stale=frozenset(stale), to_make=())


FOUR = [_row(f"g{n}") for n in range(4)]
BAD = [_row(f"x{n}", state=s) for n, s in enumerate(("clouded", "elongated", "clouded"))]
NIGHT = [*(_row(f"n{n}") for n in range(12)), *BAD]
OTHER = [_row("h0", "ha")]


def _depth(limit, subs, zero_point=25.0):
    row = {"subs": subs, "exposure_s": 300.0 * subs, "limit_mag": limit}
    return {"g": row | {"zero_point_mag": zero_point}}


def test_two_lines_for_a_channel_that_changed():
    """Four times the subs halve the noise: 0.75 mag; subs left out are counted by state."""
    lines = added_lines(Before((*FOUR, *OTHER), {}), _outlook(*FOUR, *NIGHT, *OTHER))
    assert lines == [
        "  g   20 min -> 1 h 20 min, sky noise 0.1 -> 0.05 a pixel, +0.75 mag",
        "      15 new subs, 3 left out: 2 clouded, 1 elongated",
    ]


@pytest.mark.parametrize("rows", [(), tuple(FOUR)])
def test_nothing_is_said_without_change_or_before(rows):
    """Neither after a first run nor after one that changed settings alone."""
    assert added_lines(Before(rows, {}), _outlook(*FOUR)) == []


@pytest.mark.parametrize(
    ("zero_point", "words"),
    [(25.0, "limit 19.21 -> 19.96 mag"), (float("nan"), "limit +0.75 mag (")],
)
def test_measured_limits_are_told(monkeypatch, zero_point, words):
    """Limits of the subs before and after; without zero point only their difference is known."""
    monkeypatch.setattr(added, "_depths", lambda path: _depth(19.96, 16, zero_point))
    before = _depth(19.21, 4, zero_point)
    lines = added_lines(Before(FOUR, before), _outlook(*FOUR, *NIGHT))
    assert words in lines[0]
    stale = _outlook(*FOUR, *NIGHT, stale=["depth.fits"])
    assert "sky noise" in added_lines(Before(FOUR, before), stale)[0]
    older = _depth(18.9, 3, zero_point)  # measured before the last night but one
    assert "sky noise" in added_lines(Before(FOUR, older), _outlook(*FOUR, *NIGHT))[0]


def test_subs_that_went_and_came_back_are_counted():
    """A limit that changed leaves earlier subs out, or takes them in."""
    out = [*FOUR[:3], _row("g3", state="blurred")]
    assert added_lines(Before(FOUR, {}), _outlook(*out))[1].endswith(
        "0 new subs; 1 of the earlier ones no longer used"
    )
    assert added_lines(Before(out, {}), _outlook(*FOUR, _row("n1")))[1].endswith(
        "1 new sub, all used; 1 of the earlier ones used again"
    )


def test_the_state_before_a_stopped_run_is_remembered(tmp_path):
    """The run that finishes it tells what both added; the table is forgotten then."""
    subs, plan = tmp_path / "subs.tsv", SimpleNamespace(results=str(tmp_path))
    plan.paths = SimpleNamespace(subs=str(subs), depth="depth.fits")
    outlook = SimpleNamespace(plan=plan, subs=(), to_make=[SimpleNamespace(path=str(subs))])
    assert before_run(outlook) == Before((), {})
    for said in ("old", "new"):
        subs.write_text(f"id\tchannel\n{said}\tg\n")
        assert before_run(outlook).subs == [{"id": "old", "channel": "g"}]
    outlook.to_make = []  # the table was written before the run was stopped
    assert before_run(outlook).subs == [{"id": "old", "channel": "g"}]
    forget_subs(plan)
    outlook.to_make = [SimpleNamespace(path=str(subs))]
    assert before_run(outlook).subs == [{"id": "new", "channel": "g"}]
    forget_subs(plan)
    assert list(tmp_path.iterdir()) == [subs]
