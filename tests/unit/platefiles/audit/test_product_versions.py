import json
import math

from platefiles.audit.product_versions import setting_changes, state_counts, sub_changes
from platefiles.integration.sub_rows import SubRow
from platefiles.provenance.activities import Making, Record


def _row(name, state="used", weight=1.0, sha="a", channel="ha"):
    return SubRow(channel, name, name, sha, "n1", 60.0, state, "", weight, math.nan, math.nan)


def _record(*makings):
    return Record({making.product: making for making in makings}, {})


def _making(product, step, **settings):
    job = json.dumps({"settings": settings, "code": "c"})
    return Making(product, step, job, "p", "l", "s", {}, "d")


def test_equal_subs_are_no_change():
    """Order and the weights of unused subs do not count."""
    first = [_row("1"), _row("2", "clouded", 0.0)]
    second = [_row("2", "clouded", math.nan), _row("1")]
    assert sub_changes(first, second) == []


def test_changes_of_subs_are_told_by_what_became_of_them():
    """Added, removed, judged otherwise, weighed otherwise and replaced are told apart."""
    first = [_row("gone"), _row("state"), _row("weight"), _row("file"), _row("same")]
    second = [
        _row("state", "clouded", 0.0), _row("weight", weight=0.5), _row("file", sha="b"),
        _row("same"), _row("new"), _row("same", channel="g"),
    ]  # fmt: skip
    groups = state_counts(sub_changes(first, second))
    assert {words: [change.name for change in found] for words, found in groups.items()} == {
        "only in A (used)": ["gone"],
        "used in A, clouded in B": ["state"],
        "another weight": ["weight"],
        "another file of the same name": ["file"],
        "only in B (used)": ["new", "same"],
    }


def test_settings_are_compared_product_by_product_and_told_once():
    """A change in two channels is one change; equal settings are none."""
    first = _record(
        _making("channels/a.fits", "integrate", clip="noise", grow_px=2),
        _making("channels/b.fits", "integrate", clip="noise", grow_px=2),
        _making("picture/x.fits", "map_channels", mapping={"red": {"a": 1.0}}),
    )
    second = _record(
        _making("channels/a.fits", "integrate", clip="sigma", grow_px=2),
        _making("channels/b.fits", "integrate", clip="sigma", grow_px=2),
        _making("picture/y.fits", "map_channels", mapping={"red": {"a": 1.0, "b": 2.0}}),
    )
    found = [(c.step, c.key, c.first, c.second) for c in setting_changes(first, second)]
    assert found == [
        ("integrate", "clip", "noise", "sigma"),
        ("map_channels", "mapping.red.b", None, 2.0),
    ]
