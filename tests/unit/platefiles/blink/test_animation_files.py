"""Animations and folders of single frames as files."""

import json
import zlib

import numpy as np
import pytest
from PIL import Image

from platefiles.blink.animation_files import FRAME_MS, LAST_MS, write_animation
from platefiles.blink.frame_drawing import FrameDrawing, utc_text
from platefiles.blink.frame_folder import write_folder
from platefiles.blink.frames_product import DrawnFrames, SkyPlace
from platefiles.blink.resampled_frames import FrameFacts
from platefiles.picture.picture_files import Label
from platefiles.provenance.integrity import fault, is_of_a_run
from platelib.blink.grid_part import GridPart

LABEL = Label("Gorse field, r", "", "by hand", "platelog")
SHAPE = (150, 370)
BAND = 44


def drawing(count=4, shape=SHAPE, turn_deg=25.0, is_placed=True):
    """Return frames of noise with a bright square that moves, north turned from up to the right."""
    rng = np.random.default_rng(8)
    images = rng.integers(30, 70, (count, *shape), dtype=np.uint8)
    for k, image in enumerate(images):
        image[60:64, 20 + 15 * k : 24 + 15 * k] = 240
    facts = [
        FrameFacts(f"2031-02-03T22:{k:02d}:59.600", 180.0, 180.0, "2031-02-03", (f"id{k}",))
        for k in range(count)
    ]
    facts[-1] = FrameFacts("", float("nan"), 360.0, "2031-02-03", ("id8", "id9"))
    names = {f"id{k}": f"2031-02-03/r_{k}.fits" for k in range(10)}
    turn = np.deg2rad(turn_deg)
    north, east = (np.sin(turn), np.cos(turn)), (-np.cos(turn), np.sin(turn))
    place = SkyPlace(158.6, 30.0, north, east, 11.6) if is_placed else None
    part = GridPart((0, 5 * shape[0]), (0, 5 * shape[1]), 5)
    return FrameDrawing(DrawnFrames(images, facts, names, part, place, "by hand"), "Gorse field, r")


def test_png_is_read_frame_by_frame_as_it_was_drawn(tmp_path):
    """Pillow, which reads animated PNG by itself, finds every pixel, the times and the loop."""
    frames = drawing()
    write_animation(tmp_path / "a.png", frames, LABEL)
    with Image.open(tmp_path / "a.png") as image:
        assert (image.n_frames, image.info["loop"], image.mode) == (4, 0, "L")
        for k in range(4):
            image.seek(k)
            assert image.info["duration"] == (LAST_MS if k == 3 else FRAME_MS)
            np.testing.assert_array_equal(np.asarray(image), frames(k))


def test_chunks_of_png_are_in_order_and_whole(tmp_path):
    """CRC of every chunk; numbers of frames and their data count up (third edition, 11.3.6)."""
    write_animation(tmp_path / "a.png", drawing(), LABEL)
    content, start, kinds, numbers = (tmp_path / "a.png").read_bytes(), 8, [], []
    while start < len(content):
        size = int.from_bytes(content[start : start + 4], "big")
        body = content[start + 4 : start + 8 + size]
        assert zlib.crc32(body) == int.from_bytes(content[start + 8 + size :][:4], "big")
        kinds.append(body[:4].decode())
        if kinds[-1] in ("fcTL", "fdAT"):
            numbers.append(int.from_bytes(body[4:8], "big"))
        start += 12 + size
    assert [kind for kind in kinds if kind != "iTXt"] == [
        *("IHDR", "sRGB", "acTL", "fcTL", "IDAT"),
        *(("fcTL", "fdAT") * 3),
        "IEND",
    ]
    assert numbers == list(range(7))


def test_webp_holds_each_frame_as_a_whole(tmp_path):
    """Frames are near to what was drawn; the square that moves leaves nothing behind."""
    frames = drawing()
    write_animation(tmp_path / "a.webp", frames, LABEL)
    with Image.open(tmp_path / "a.webp") as image:
        assert (image.n_frames, image.info["loop"]) == (4, 0)
        for k in range(4):
            image.seek(k)
            grey = np.asarray(image.convert("L")).astype(float)
            assert np.abs(grey - frames(k)).mean() < 8
            square = grey[::-1][BAND + 60 : BAND + 64]
            bright = np.flatnonzero(square.mean(axis=0) > 150)
            assert abs(bright.mean() - (21.5 + 15 * k)) < 1


@pytest.mark.parametrize("ending", ["webp", "png"])
def test_animations_are_sealed_and_the_same_every_time(tmp_path, ending):
    """A changed byte is found; twice the same bytes; one frame alone is a picture too."""
    paths = [tmp_path / f"{name}.{ending}" for name in "ab"]
    for path in paths:
        write_animation(path, drawing(), LABEL)
    assert paths[0].read_bytes() == paths[1].read_bytes()
    assert is_of_a_run(paths[0])
    assert fault(paths[0]) == ""
    content = bytearray(paths[0].read_bytes())
    content[len(content) // 2] ^= 1
    paths[1].write_bytes(content)
    assert fault(paths[1]) != ""
    write_animation(tmp_path / f"one.{ending}", drawing(1), LABEL)
    with Image.open(tmp_path / f"one.{ending}") as image:
        assert image.size == (SHAPE[1], SHAPE[0] + BAND)


def test_another_ending_is_refused(tmp_path):
    """There are two formats."""
    with pytest.raises(ValueError, match=r"known are \.webp, \.png"):
        write_animation(tmp_path / "a.gif", drawing(), LABEL)


@pytest.mark.parametrize("shape", [(150, 370), (40, 60)])
def test_nothing_is_drawn_over_the_sky(shape):
    """Above the band a frame is its display values, in the middle where it is narrow."""
    frames = drawing(shape=shape)
    for k in range(4):
        sheet = frames(k)
        left = (sheet.shape[1] - shape[1]) // 2
        image = sheet[: shape[0], left : left + shape[1]]
        np.testing.assert_array_equal(image[::-1], frames.shown.images[k])
        assert sheet.shape == (shape[0] + BAND, max(340, shape[1]))
        assert sheet[shape[0] :].max() > 200


def test_the_arrow_points_north():
    """The light of the arrow lies on the side of north, for any turn, and not over the sky."""
    for turn_deg in (0.0, 90.0, 180.0, 250.0):
        frames = drawing(turn_deg=turn_deg)
        np.testing.assert_array_equal(frames(0)[: SHAPE[0]][::-1], frames.shown.images[0])
        placed = frames(0)[SHAPE[0] :].astype(float)
        ink = np.argwhere(placed[:, -44:] > 200)
        way = ink.mean(axis=0) - (22.0, 44 - 8 - 21)
        turn = np.deg2rad(turn_deg)
        assert way @ (-np.cos(turn), np.sin(turn)) > 2


def test_times_are_rounded_to_a_second():
    """And what has no time says so."""
    assert utc_text("2031-02-03T22:01:59.600") == "2031-02-03 22:02:00 UTC"
    assert utc_text("2031-12-31T23:59:59.500") == "2032-01-01 00:00:00 UTC"
    assert utc_text("") == "time unknown"


def test_a_folder_has_each_frame_and_a_table_of_them(tmp_path):
    """Times, names and place of every frame; the PNG files are the frames as drawn."""
    frames = drawing()
    paths = write_folder(tmp_path / "out", frames, LABEL)
    assert [path.name for path in paths] == ["blink.webp", "blink.png"]
    table = json.loads((tmp_path / "out" / "frames" / "frames.json").read_text())
    assert (table["columns"], table["rows"], table["reduction"]) == ([1, 1850], [1, 750], 5)
    assert table["sky"]["scale_arcsec"] == 11.6
    assert table["sky"]["north"] == [0.42262, 0.90631]
    assert len(table["frames"]) == 4
    for k, row in enumerate(table["frames"]):
        with Image.open(tmp_path / "out" / "frames" / row["file"]) as image:
            np.testing.assert_array_equal(np.asarray(image), frames(k))
    assert table["frames"][0]["subs"] == ["2031-02-03/r_0.fits"]
    assert table["frames"][0]["middle_utc"] == "2031-02-03T22:00:59.600"
    assert (table["frames"][3]["middle_utc"], table["frames"][3]["span_s"]) == ("", None)
    write_folder(tmp_path / "bare", drawing(is_placed=False), LABEL)
    bare = json.loads((tmp_path / "bare" / "frames" / "frames.json").read_text())
    assert bare["sky"] is None
