import json
import math

import pytest

from platecli.text.tree import Lineage, sub_lines, tree_lines
from platefiles.integration.sub_rows import SubRow
from platefiles.provenance.activities import Making, RawRecord, Record


def _making(product, step, settings=None, **inputs):
    job = {"settings": settings or {}, "code": f"code of {step}", "subs": [{}] * 9}
    members = {name: tuple(names) for name, names in inputs.items()}
    return Making(product, step, json.dumps(job), "platelog 0", "lock", "python 3", members, "d")


def _row(number, state="used", reason="", weight=1.0, night="2026-03-23"):
    name = f"s-{number}.fits"
    clipped = 0.001 if state == "used" else 0.0
    return SubRow(
        "ha", name, name, f"{number:064x}", night, 60.0, state, reason, weight, clipped, 0
    )


@pytest.fixture
def rows():
    """Five subs of two nights."""
    return [
        _row(1, weight=0.5),
        _row(2, weight=0.75),
        _row(3, "elongated", "ellipticity 0.76", 0.0),
        _row(4, "elongated", "ellipticity 0.81", 0.0),
        _row(5, night="2026-03-24"),
    ]


@pytest.fixture
def lineage(rows):
    """A channel of these subs, with a master that measures need as well."""
    raws = [RawRecord(row.sha256, row.name, 1, "light", "f") for row in rows]
    bias = RawRecord("b" * 64, "bias-1.fits", 1, "bias", "f")
    lights = [f"raw:{raw.sha256}" for raw in raws]
    master, measures = "calibration/bias.fits", "measures/ha/2026-03-23.fits"
    clipped = {"calibration": {"clip_sigma": 5.0}}
    makings = [
        _making(master, "master_bias", clipped, raw=[f"raw:{bias.sha256}"]),
        _making(measures, "measure_stars", raw=lights, masters=[master]),
        _making("registration/ha.fits", "register", measures=[measures], reference=[measures]),
        _making(
            "channels/ha.fits", "integrate", {"integration": {"clip": "sigma"}},
            raw=lights, masters=[master], registration=["registration/ha.fits"],
        ),
    ]  # fmt: skip
    record = Record({m.product: m for m in makings}, {raw.sha256: raw for raw in (*raws, bias)})
    return Lineage(record, tuple(rows))


def test_subs_are_summed_up_by_night_and_state(rows):
    """A line a night: what is used with its weights, what is not with its reasons."""
    assert list(sub_lines(rows)) == [
        "2026-03-23: 2 used, weight 0.5 to 0.75; 2 elongated (ellipticity 0.76, ...)",
        "2026-03-24: 1 used, weight 1",
    ]


def test_tree_leads_from_the_product_to_raw_frames(lineage):
    """Each product stands once with what is below it, and afterwards by its name."""
    assert list(tree_lines(lineage)) == [
        "channels/ha.fits  integrate",
        "│  settings: integration.clip sigma (default noise)",
        "│  2026-03-23: 2 used, weight 0.5 to 0.75; 2 elongated (ellipticity 0.76, ...)",
        "│  2026-03-24: 1 used, weight 1",
        "├─ calibration/bias.fits  master_bias",
        "│     settings: calibration.clip_sigma 5 (default 4)",
        "│     1 bias frame",
        "└─ registration/ha.fits  register",
        "   └─ measures/ha/2026-03-23.fits  measure_stars",
        "      │  5 light frames",
        "      └─ calibration/bias.fits  (as above)",
    ]


def test_what_was_measured_for_its_reference_only_is_said_to_be(lineage):
    """Measures that no file holds stand in the record of who needed one sub of them."""
    measures = next(m for m in lineage.record.makings.values() if m.step == "measure_stars")
    unkept = Making(**(vars(measures) | {"digest": ""}))
    makings = lineage.record.makings | {measures.product: unkept}
    lines = list(tree_lines(Lineage(Record(makings, lineage.record.raws), lineage.rows)))
    assert (
        "   └─ measures/ha/2026-03-23.fits  measure_stars, of the reference of the grid alone"
        in lines
    )


def test_what_is_provisional_is_marked(lineage):
    """What was made while a raw frame was not as it should be, and what was made of that."""
    makings = lineage.record.makings
    for step in ("measure_stars", "register"):
        making = next(m for m in makings.values() if m.step == step)
        makings |= {making.product: Making(**(vars(making) | {"provisional": True}))}
    lines = list(tree_lines(Lineage(Record(makings, lineage.record.raws), lineage.rows)))
    assert [line for line in lines if line.endswith(", provisional")] == [
        "└─ registration/ha.fits  register, provisional",
        "   └─ measures/ha/2026-03-23.fits  measure_stars, provisional",
    ]


def test_every_frame_is_listed_on_request(lineage):
    """With its digest, and in the product that uses it with its state and weight."""
    lines = [line.lstrip("│├└─ ") for line in tree_lines(lineage, every_frame=True)]
    zeros = "0" * 16
    assert f"s-2.fits  {zeros}  used, weight 0.75, 0.1 % clipped" in lines
    assert f"s-3.fits  {zeros}  elongated: ellipticity 0.76" in lines
    assert lines.count(f"s-5.fits  {zeros}") == 1
    assert "measures/ha/2026-03-23.fits  measure_stars, code code of measure_stars" in lines
    assert f"bias-1.fits  {'b' * 16}" in lines


def test_a_sub_whose_clipping_is_not_known_yet_is_told_without(lineage):
    """A registration knows weights and no clipping."""
    row = SubRow("ha", "i", "n", "a", "2026-03-23", 60, "used", "", 0.5, math.nan, math.nan)
    registration = Lineage(
        Record(
            dict(list(lineage.record.makings.items())[:3]),
            lineage.record.raws,
        ),
        (row,),
    )
    lines = list(tree_lines(registration))
    assert lines[0].startswith("registration/ha.fits  register")
    assert lines[1] == "│  2026-03-23: 1 used, weight 0.5"
