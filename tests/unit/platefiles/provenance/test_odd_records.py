"""Records of strangers: each verb that reads one works with it or refuses it in a sentence."""

import copy
import json
import shutil

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from platecli.__main__ import main
from platefiles.core.errors import UserError
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.provenance.record import read_record

EXAMPLES = 120
HOSTILE = [
    "", "x" * 5000, "../../x", "/etc/x", "\x1b[2J", "\u202egnp", "\ud800", "a\nb", "a\0b", "..",
    "raw:", "text:", "text:none", "raw:" + "0" * 64, "channels/ha.fits", None, True, 0, -1, 1e308,
    float("nan"), float("inf"), 10**30, [], {}, [[]], [None], {"": ""}, "calibration/x.fits",
    "measure_stars", "integrate", "draw_picture", ["raw:5"], {"a": {"b": []}},
]  # fmt: skip
SENTENCES = (0, 1, 2, 5, 6)
"""What verbs may end with; a traceback ends the test."""


def places(value, path=()):
    """Yield the path to each part of a JSON value."""
    yield path
    if isinstance(value, (dict, list)):
        for key in value if isinstance(value, dict) else range(len(value)):
            yield from places(value[key], (*path, key))


def with_part(value, path, part):
    """Return a JSON value with another part at a path."""
    if not path:
        return part
    whole = copy.deepcopy(value)
    inner = whole
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = part
    return whole


@pytest.fixture
def whole(invented):
    """The record of a channel as it stands in a file, and the bytes of a product with it."""
    record = invented.channel({"2026-03-23": [1, 2], "2026-03-24": [3]}, invented.masters)
    return json.loads(record.text)


@pytest.fixture
def product(tmp_path):
    """Return a way to write a channel with a record of any text."""

    def write(text, name="channels/ha.fits"):
        path = tmp_path / "results" / "p" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        data = np.frombuffer(text.encode("ascii") or b" ", np.uint8)
        image = image_hdu(np.ones((3, 4), np.float32), "SCI", unit="electron/s")
        cards = [("STEP", "integrate")]
        write_product(path, cards, [image, fits.ImageHDU(data, name="RECORD")])
        return path

    return write


def asked(path, tmp_path, capsys):
    """Put a product before all verbs that read records; return what they said."""
    shutil.rmtree(tmp_path / "again", ignore_errors=True)
    (tmp_path / "prov.json").unlink(missing_ok=True)
    here = ["--directory", str(tmp_path)]
    for words in (
        ["trace", str(path)], ["trace", str(path), "--all"], ["trace", str(path), "--json"],
        ["trace", str(path), "--why-not", "light"], ["trace", str(path), "--pixel", "1", "1"],
        ["trace", str(path), "--prov", str(tmp_path / "prov.json")],
        ["compare", str(path), str(path)], ["verify", str(path), "--all"],
        ["verify", str(path), "--json"],
        ["replay", str(path), "--into", str(tmp_path / "again"), "--raw", str(tmp_path)],
    ):  # fmt: skip
        assert main([*words, *here]) in SENTENCES
    captured = capsys.readouterr()
    return captured.out + captured.err


def test_the_record_as_it_is_is_read(whole, product, tmp_path, capsys):
    """What the others are compared with: every verb knows the record."""
    said = asked(product(json.dumps(whole)), tmp_path, capsys)
    assert "damaged" not in said
    assert "channels/ha.fits: made by platelog" in said
    assert (tmp_path / "prov.json").stat().st_size > 1000


def test_odd_records_are_used_or_refused_in_a_sentence(whole, product, tmp_path, capsys):
    """Any part is anything at all: no verb ends with a traceback or writes elsewhere."""
    every = list(places(whole))
    count = 0

    @settings(
        max_examples=EXAMPLES, deadline=None, database=None, derandomize=True,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(
        st.lists(
            st.tuples(st.sampled_from(every), st.sampled_from(HOSTILE)), min_size=1, max_size=2
        )
    )
    def each(changes):
        nonlocal count
        odd = whole
        for path, part in changes:
            try:
                odd = with_part(odd, path, part)
            except (KeyError, IndexError, TypeError):  # the first change took this part away
                continue
        asked(product(json.dumps(odd)), tmp_path, capsys)
        count += 1

    each()
    assert count >= EXAMPLES
    outside = {path.name for path in tmp_path.iterdir()}
    assert outside <= {"results", "again", "prov.json", "hypothesis"}


def made(whole, number, **change):
    """Return a record in which one making is changed."""
    odd = copy.deepcopy(whole)
    odd["makings"][number] |= change
    return odd


@pytest.mark.parametrize(
    "change",
    [
        {"product": "x" * 5000}, {"product": "a\x1bb"}, {"product": "a\ud800"},
        {"product": "a/../b"}, {"product": ".hidden"}, {"product": "a//b"}, {"step": "x" * 5000},
        {"step": ""},
        {"inputs": {"x" * 5000: []}}, {"inputs": {"masters": ["channels/ha.fits"]}},
        {"inputs": {"masters": ["calibration/none.fits"]}}, {"inputs": {"lock": ["text:none"]}},
        {"inputs": {"raw": ["raw:" + "0" * 64]}}, {"texts": {"../x": "a"}},
        {"texts": {"lock": "\ud800"}},
        {"job": []}, {"job": {}}, {"job": {"settings": []}}, {"job": {"settings": {}, "subs": 5}},
        {"job": {"settings": {}, "subs": [99_999]}}, {"job": {"settings": {}, "code": 5}},
        {"creator": "\u202ex"}, {"software": "x" * 20_000}, {"digest": "none"}, {"lock": "a\nb"},
        {"data": []}, {"data": {"SCI": "none"}}, {"data": {"\x1b": "0" * 64}}, {"data": {"SCI": 5}},
    ],
)  # fmt: skip
def test_what_no_run_writes_is_refused(whole, product, change):
    """Names that no disk takes, texts that do not print, and jobs that are none."""
    path = product(json.dumps(made(whole, 1, **change)))
    with pytest.raises(UserError, match=r"ha.fits: its record is damaged; make the file again"):
        read_record(path)


def test_cycles_and_endless_chains_are_refused(whole, product):
    """Products are made from what stands before them, and not through thousands of steps."""
    one, names = whole["makings"][0], [f"calibration/{number}.fits" for number in range(3000)]
    chain = [
        {**one, "product": names[n], "inputs": {"masters": [names[n - 1]]}} for n in range(1, 3000)
    ]
    chain[0]["inputs"] = {}
    circle = [{**chain[0], "inputs": {"masters": ["calibration/2.fits"]}}, chain[1]]
    itself = [{**chain[0], "inputs": {"masters": ["calibration/1.fits"]}}]
    for makings in (chain, circle, itself, [chain[0], chain[0]]):
        path = product(json.dumps({**whole, "makings": makings}))
        with pytest.raises(UserError, match="its record is damaged"):
            read_record(path)
    assert len(read_record(product(json.dumps({**whole, "makings": chain[:50]}))).makings) == 50


@pytest.mark.parametrize(
    "raws",
    [
        [["zz", "n", 1, "light", "f"]],
        [["0" * 64, "n", -1, "light", "f"]],
        [["0" * 64, "n\x1b", 1, "light", "f"]],
        [["0" * 64, "n", True, 5, "f"]],
    ],
)
def test_odd_raw_frames_are_refused(whole, product, raws):
    """A digest is a digest, a size is a size, and a name prints."""
    with pytest.raises(UserError, match="its record is damaged"):
        read_record(product(json.dumps({**whole, "raws": [*whole["raws"], *raws]})))
