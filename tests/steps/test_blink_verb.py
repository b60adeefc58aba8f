"""The verb `blink` on the tiny set, whose products other tests have made."""

import json
from argparse import Namespace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from platecli.arguments.naming import WrongCommand
from platecli.verbs import blink
from platefiles.core.errors import UserError
from platefiles.transfers.links import make_links

BAND = 44


@pytest.fixture(scope="module")
def home(bench, tmp_path_factory):
    """A folder whose results are those of the bench."""
    for channel in ("g", "b"):
        bench.make_registration(channel)
        bench.masters_of(bench.plan.lights(channel))
    bench.make_solution()
    make_links(bench.plan.frames, Path(bench.plan.results) / "links")
    folder = tmp_path_factory.mktemp("home")
    (folder / "results").mkdir()
    (folder / "results" / "tiny").symlink_to(bench.plan.results)
    return folder


@pytest.fixture
def call(bench, home, tmp_path):
    """Return a way to call the verb."""

    def run(**words):
        given = {"channel": "g", "at": None, "size": None, "bin": None, "into": tmp_path / "out"}
        project = str(bench.plan.loaded.path)
        return blink.run(Namespace(project=project, directory=home, **given | words))

    return run


def table_of(folder):
    """Read the table of frames."""
    return json.loads((folder / "frames" / "frames.json").read_text())


def test_the_whole_field_is_shown_by_default(call, tmp_path, capsys):
    """A frame for each used sub of the channel, and the count of those left out."""
    assert call() == 0
    told = capsys.readouterr().out
    assert "g: 8 frames of 8 of 8 subs" in told
    table = table_of(tmp_path / "out")
    assert (table["columns"], table["rows"], table["reduction"]) == ([1, 320], [1, 240], 1)
    assert len(table["frames"]) == 8
    with Image.open(tmp_path / "out" / "blink.webp") as image:
        assert (image.n_frames, image.size) == (8, (340, 240 + BAND))
    assert call(channel="b", into=tmp_path / "blue") == 0
    told = capsys.readouterr().out
    assert "b: 7 frames of 7 of 8 subs" in told
    assert "b: left out: 1 elongated" in told


def test_a_cut_out_shows_the_mover_in_the_same_place_as_the_whole(call, tmp_path):
    """Its frames are those columns and rows of the grid, counted from 1, a bin a night."""
    assert call(at="60,45", size="64x48", bin=1440.0) == 0
    table = table_of(tmp_path / "out")
    assert (table["columns"], table["rows"]) == ([29, 92], [22, 69])
    assert [row["night"] for row in table["frames"]] == ["2026-03-23", "2026-03-24"]
    assert [len(row["subs"]) for row in table["frames"]] == [4, 4]
    with Image.open(tmp_path / "out" / "blink.png") as image:
        assert image.n_frames == 2
        frames = []
        for k in range(2):
            image.seek(k)
            frames.append(np.asarray(image)[:48, 138:202].astype(int))
    assert np.abs(frames[0] - frames[1]).max() > 60


def test_wrong_words_are_sentences(call):
    """Nothing is opened for a command that cannot be meant."""
    with pytest.raises(WrongCommand, match="--channel x: there is no such channel.*Channels: g, b"):
        call(channel="x")
    with pytest.raises(WrongCommand, match="say with --at where it lies"):
        call(size="64")
    with pytest.raises(WrongCommand, match="write minutes, 0 or more"):
        call(bin=-1.0)
    with pytest.raises(UserError, match="columns 1 to 320 and rows 1 to 240"):
        call(at="900,45", size="64")
    with pytest.raises(UserError, match="has no place on the sky; give --at X,Y"):
        call(at="10:34:20,+30:05:10")


def test_what_was_not_made_is_named_with_the_way_to_it(call):
    """A channel that is not registered yet."""
    with pytest.raises(UserError, match=r"registration/ha\.fits.*run tiny --to blink"):
        call(channel="ha")


def test_too_many_pixels_are_refused_before_they_are_read(call, monkeypatch):
    """The sentence names the size, the memory and the way out."""
    monkeypatch.setattr(blink, "_MOST_BYTES", 100_000)
    with pytest.raises(UserError, match="8 frames of 64 x 64 px take .* GB of memory; choose"):
        call(at="60,45", size="64")
