import json
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from platecli.bench import BENCH
from platecli.engine import ROOT
from platefiles.config import load_project
from platefiles.errors import UserError

sys.path.insert(0, str(BENCH))

import comparison  # noqa: E402
import meter  # noqa: E402
import raw_set  # noqa: E402
import tables  # noqa: E402

SUBS, MPX = 4, 0.25
MB = 1_000_000


@pytest.fixture(scope="module")
def raw(tmp_path_factory) -> Path:
    """A drawn set of few and small frames."""
    folder = tmp_path_factory.mktemp("bench") / "raw"
    raw_set.draw(raw_set.bench_plan(SUBS, MPX, 3), folder)
    return folder


def usage(**changes) -> meter.Usage:
    """Some usage."""
    files = {"scratch": 5 * MB, "masters": 3 * MB, "product": MB}
    facts = {"wall_s": 2.0, "cpu_s": 3.0, "private_bytes": 100 * MB, "file_bytes": files}
    return meter.Usage(**(facts | changes))


def python(code: str, folder: Path, kinds: dict[str, str] | None = None) -> meter.Command:
    """A command that runs a piece of Python in a folder."""
    words = [sys.executable, "-c", textwrap.dedent(code), str(folder)]
    return meter.Command(words, folder, kinds or {})


@pytest.mark.parametrize(("mpx", "size"), [(16.4, (4656, 3520)), (0.25, (576, 432))])
def test_frame_size_is_near_the_megapixels(mpx, size):
    """The shape stays that of 4656 x 3520, with sides that are multiples of 16."""
    assert raw_set.frame_size(mpx) == size
    assert size[0] * size[1] / 1e6 == pytest.approx(mpx, rel=0.01)


def test_drawn_set_has_all_kinds_of_frames(raw):
    """There are lights on both sides of the meridian, and as many of each other kind."""
    assert [path.name for path in raw_set.lights(raw)] == [f"g-{k:02d}.fits" for k in (1, 2, 3, 4)]
    assert len(raw_set.calibration(raw)) == 9
    assert fits.getdata(raw_set.lights(raw)[0]).shape == (432, 576)
    truth = json.loads((raw / "truth" / "observation.json").read_text())["frames"]
    subs = [frame["sub"] for frame in truth.values() if frame["kind"] == "light"]
    assert sorted(sub["flipped"] for sub in subs) == [False, False, True, True]


def test_smaller_set_replaces_a_larger_one(tmp_path):
    """Frames of an earlier and larger set do not stay among those of a smaller one."""
    raw_set.draw(raw_set.bench_plan(4, MPX, 1), tmp_path)
    raw_set.draw(raw_set.bench_plan(2, MPX, 1), tmp_path)
    assert len(raw_set.lights(tmp_path)) == 2


def test_part_of_a_set_is_spread_over_the_night(raw, tmp_path):
    """Half of the lights are every other one, all calibration frames come along, by hard links."""
    part = raw_set.part(raw, 2, tmp_path / "part")
    assert [path.name for path in raw_set.lights(part)] == ["g-01.fits", "g-03.fits"]
    assert len(raw_set.calibration(part)) == 9
    assert raw_set.lights(part)[0].samefile(raw_set.lights(raw)[0])
    assert raw_set.part(raw, SUBS, tmp_path / "whole") == raw


def test_time_and_memory_of_children_count(tmp_path):
    """A command costs at least what its child spends: half a second of work, 200 MB of memory."""
    code = """
        import subprocess, sys
        child = '''
        import time
        block = bytearray(b"1") * 200_000_000
        while time.process_time() < 0.5:
            pass
        '''
        import textwrap
        subprocess.run([sys.executable, "-c", textwrap.dedent(child)], check=True)
    """
    found = meter.measure(python(code, tmp_path / "run"))
    assert found.cpu_s >= 0.5
    assert found.wall_s > 0
    if Path("/proc/self/status").exists():
        assert 200e6 < found.private_bytes < 300e6


def test_files_count_by_kind(tmp_path):
    """Files count by where they lie; temporary files are scratch; links count nothing."""
    code = """
        import os, sys, tempfile
        from pathlib import Path
        folder = Path(sys.argv[1])
        (folder / "made").mkdir()
        (folder / "made" / "image").write_bytes(bytes(3000))
        (folder / "link").symlink_to(folder / "made" / "image")
        handle, name = tempfile.mkstemp()
        os.write(handle, bytes(500))
    """
    found = meter.measure(python(code, tmp_path / "run", {"made/": "product"}))
    assert found.file_bytes == {"product": 3000, "scratch": 500}


def test_failing_command_is_told_with_its_last_words(tmp_path):
    """A command that fails stops the benchmark, with its status and the end of its output."""
    with pytest.raises(UserError, match=r"failed with status 3:\nno such luck"):
        meter.measure(python("print('no such luck'); raise SystemExit(3)", tmp_path / "run"))


def test_chain_uses_all_lights_and_takes_the_sky_right(raw, tmp_path, monkeypatch):
    """The library chain registers every light, and its mean is as bright as the sky that was drawn.

    Expected: 3 electrons per second for 120 s at 0.85 electrons per count.
    """
    kept = []
    monkeypatch.setattr(comparison.shutil, "rmtree", kept.append)
    run = comparison.run_chain(raw, tmp_path / "libraries")
    assert run.used == SUBS
    assert kept == [tmp_path / "libraries"]
    image = fits.getdata(kept[0] / "channels" / "g.fits")
    assert np.nanmedian(image) == pytest.approx(3 * 120 / 0.85, rel=0.1)
    pixel_bytes = 4 * 576 * 432
    assert run.usage.file_bytes["masters"] > 3 * pixel_bytes
    assert run.usage.file_bytes["scratch"] > (3 + 2 * SUBS) * pixel_bytes


def test_our_command_is_the_whole_one(raw, tmp_path):
    """What is measured is `run` by the launcher, on a project of just these raw frames."""
    command = comparison.our_command(raw, tmp_path)
    assert Path(command.words[1]).samefile(ROOT / "scripts" / "platelog.py")
    assert command.words[2] == "run"
    loaded = load_project(command.words[3], "")
    assert loaded.raw_folders == (raw,)
    assert list(loaded.project.channels) == ["g"]


def test_floor_reads_and_writes(raw, tmp_path):
    """The floor is some time, and its product is gone afterwards."""
    found = comparison.floor(raw, tmp_path / "image.fits", 1000)
    assert found.warm_s > 0
    assert found.cold_s > 0
    assert list(tmp_path.iterdir()) == []


def outcome(**changes) -> tables.Outcome:
    """An outcome with known figures."""
    chain = comparison.Run(usage(wall_s=20.0, cpu_s=15.0), 4)
    facts = {
        "raw": tables.RawSet(4, 9, 576, 432, 10 * MB, 1.0),
        "processors": 2,
        "load": 0.5,
        "chain": [chain],
        "ours": [comparison.Run(usage(wall_s=wall), 4) for wall in (2.0, 1.0, 4.0)],
        "floor": comparison.Floor(0.1, 0.4),
        "growth": [
            comparison.GrowthStep(10, usage(wall_s=5.0, cpu_s=6.0)),
            comparison.GrowthStep(20, usage(wall_s=7.0, cpu_s=9.0)),
        ],
    }
    return tables.Outcome(**(facts | changes))


def test_ratios_are_those_of_medians():
    """The ratio is the chain's median over ours, and the floor is set against our median."""
    found = tables.as_json(outcome())
    assert found["platelog"]["wall_s"] == 2.0
    assert found["ratios"]["wall_s"] == 10.0
    assert found["ratios"]["cpu_s"] == 5.0
    assert found["floor"]["times_warm"] == pytest.approx(20.0)
    assert json.loads(json.dumps(found)) == found


def test_growth_tells_what_a_further_sub_costs():
    """Ten more subs that take 2 s more cost 0.2 s each."""
    first, second = tables.growth_rows(outcome().growth)
    assert first["wall_s_per_sub"] == 0.5
    assert first["wall_s_per_further_sub"] is None
    assert second["wall_s_per_further_sub"] == pytest.approx(0.2)
    assert second["cpu_s_per_further_sub"] == pytest.approx(0.3)


def test_table_shows_every_figure():
    """Each figure has a line with both sides and the ratio; several runs show least and most."""
    lines = tables.as_text(outcome()).splitlines()
    time = next(line for line in lines if line.startswith("time "))
    assert time.split() == ["time", "20.0", "s", "2.0", "s", "[1.0-4.0]", "10.0"]
    for label, _, _ in tables.FIGURES.values():
        assert any(line.startswith(label) for line in lines), label
    assert lines[-1].split()[:3] == ["20", "7.00", "9.00"]


def test_table_without_the_chain_has_no_ratio():
    """Without the chain there is one column, and no figure of it in the JSON."""
    bare = outcome(chain=[], growth=[])
    heads = [line.split() for line in tables.as_text(bare).splitlines()]
    assert ["platelog"] in heads
    assert ["libraries", "platelog", "ratio"] not in heads
    assert tables.as_json(bare)["libraries"] is None
    assert tables.as_json(bare)["ratios"] is None
