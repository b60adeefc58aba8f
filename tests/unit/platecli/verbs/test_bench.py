import json
import os
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from platecli.execution.engine import ROOT
from platecli.verbs.bench import BENCH, parse_size
from platefiles.config.load import load_project
from platefiles.core.errors import UserError

sys.path.insert(0, str(BENCH))

import comparison  # noqa: E402
import meter  # noqa: E402
import raw_set  # noqa: E402
import tables  # noqa: E402

SUBS, SIZE = 4, (576, 432)
MB = 1_000_000


@pytest.fixture(scope="module")
def raw(tmp_path_factory) -> Path:
    """A drawn set of few and small frames."""
    folder = tmp_path_factory.mktemp("bench") / "raw"
    raw_set.draw(raw_set.bench_plan(SUBS, SIZE, 3), folder)
    return folder


def usage(**changes) -> meter.Usage:
    """Some usage."""
    files = {"scratch": 5 * MB, "masters": 3 * MB, "product": MB}
    facts = {"wall_s": 2.0, "cpu_s": 3.0, "private_bytes": 100 * MB, "anonymous_bytes": 90 * MB}
    return meter.Usage(**(facts | {"look_s": 0.05, "file_bytes": files} | changes))


def python(code: str, folder: Path, kinds: dict[str, str] | None = None) -> meter.Command:
    """A command that runs a piece of Python in a folder."""
    words = [sys.executable, "-c", textwrap.dedent(code), str(folder)]
    return meter.Command(words, folder, kinds or {})


@pytest.mark.parametrize(("mpx", "size"), [(16.4, (4656, 3520)), (0.25, (576, 432))])
def test_frame_size_is_near_the_megapixels(mpx, size):
    """The shape stays that of 4656 x 3520, with sides that are multiples of 16."""
    assert raw_set.frame_size(mpx) == size
    assert size[0] * size[1] / 1e6 == pytest.approx(mpx, rel=0.01)


def test_size_may_be_given_in_pixels():
    """A size is two numbers with an x between them."""
    assert parse_size("9576x6388") == (9576, 6388)


@pytest.mark.parametrize(
    "text", ["9576", "9576*6388", "-5x600", "10x10", "99999x99999", "255x4000"]
)
def test_impossible_sizes_are_refused(text):
    """Another form, or a size that no camera has, is answered by what to give instead."""
    with pytest.raises(UserError, match=r"^--size .*: give "):
        parse_size(text)


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
    raw_set.draw(raw_set.bench_plan(4, SIZE, 1), tmp_path)
    raw_set.draw(raw_set.bench_plan(2, SIZE, 1), tmp_path)
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


needs_linux = pytest.mark.skipif(
    not Path("/proc/self/smaps_rollup").exists(), reason="memory is told by the kernel of Linux"
)


@needs_linux
def test_memory_that_forks_share_counts_once(tmp_path):
    """A fork that holds the memory of its parent adds nothing; what it writes to does."""
    code = """
        import mmap, os, time
        block = mmap.mmap(-1, 200_000_000, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
        block[:] = b"1" * 200_000_000
        if os.fork() == 0:
            block[:50_000_000] = b"2" * 50_000_000
            time.sleep(1)
            os._exit(0)
        os.wait()
    """
    found = meter.measure(python(code, tmp_path / "run"))
    assert 240e6 < found.anonymous_bytes < 480e6  # the text that fills the block is as large


@needs_linux
def test_changed_pages_of_mapped_files_count(tmp_path):
    """What is written to a mapped file counts until it is on the disk; what is read does not."""
    code = """
        import mmap, sys, time
        with open(sys.argv[1] + "/file", "w+b") as file:
            file.truncate(80_000_000)
            block = mmap.mmap(file.fileno(), 0)
            for start in range(0, len(block), 4096):
                block[start] = 1
            time.sleep(1.5)
    """
    found = meter.measure(python(code, tmp_path / "run"))
    assert found.private_bytes - found.anonymous_bytes > 75e6
    code = code.replace("block[start] = 1", "block[start]")
    found = meter.measure(python(code, tmp_path / "other"))
    assert found.private_bytes < 40e6


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
    command = comparison.our_command(raw, tmp_path, comparison.PROJECT_OF_ONE, ["channels"], {})
    assert Path(command.words[1]).samefile(ROOT / "scripts" / "platelog.py")
    assert command.words[2] == "run"
    assert command.words[-2:] == ["--to", "channels"]
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
    step = comparison.StepCost(2, 1.5, 0.9, 250.0)
    facts = {
        "raw": tables.RawSet(4, 9, 576, 432, 10 * MB, 1.0),
        "processors": 2,
        "loads": [0.5, 2.5],
        "chain": [chain],
        "ours": [
            comparison.Run(usage(wall_s=wall), 4, {"measure_stars": step})
            for wall in (2.0, 1.0, 4.0)
        ],
        "floor": comparison.Floor(0.1, 0.4),
        "growth": [
            comparison.GrowthStep(10, [usage(wall_s=5.0, cpu_s=6.0)]),
            comparison.GrowthStep(20, [usage(wall_s=7.0, cpu_s=9.0)]),
            comparison.GrowthStep(40, [usage(wall_s=11.0, cpu_s=15.0, private_bytes=110 * MB)]),
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


def test_growth_parts_the_fixed_from_what_a_sub_costs():
    """Times on a straight line give its slope and intercept, and no spread; memory has no line."""
    law = tables.growth_law(outcome().growth)
    assert law["wall_s"] == pytest.approx({"fixed": 3.0, "per_sub": 0.2, "spread": 0.0})
    assert law["cpu_s"] == pytest.approx({"fixed": 3.0, "per_sub": 0.3, "spread": 0.0})
    assert law["private_mb"] == {"spread": pytest.approx(10 / (310 / 3))}
    first, second, _ = tables.growth_rows(outcome().growth)
    assert first["wall_s_per_sub"] == 0.5
    assert first["wall_s_per_sub_less_fixed"] == pytest.approx(0.2)
    assert second["cpu_s_per_sub_less_fixed"] == pytest.approx(0.3)


def test_growth_takes_medians_of_runs():
    """One slow run of three does not change a row."""
    slow = [usage(wall_s=wall) for wall in (5.0, 50.0, 4.0)]
    rows = tables.growth_rows([comparison.GrowthStep(10, slow), comparison.GrowthStep(20, slow)])
    assert [row["wall_s"] for row in rows] == [5.0, 5.0]


def test_costs_of_steps_are_those_of_their_benchmark_files(tmp_path):
    """Jobs of a rule are added up, the largest counts; what was not measured counts 0."""
    head = "s\th:m:s\tmax_rss\tcpu_time\n"
    mib = 1.048576
    for name, row in (
        ("target/benchmarks/measure_stars/g/one.tsv", "1.5\t0\t300\t2.25\n"),
        ("target/benchmarks/measure_stars/two.tsv", "0.5\t0\tNA\tNA\n"),
        ("target/benchmarks/list_subs.tsv", "0.25\t0\t200\t0.2\n"),
        ("benchmarks/choose_reference/place/lock.tsv", "1\t0\t1\t1\n"),
        ("target/subs.tsv", "0.25\t0\t1\t0.2\n"),
    ):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(head + row)
    assert comparison.step_costs(tmp_path) == {
        "measure_stars": comparison.StepCost(2, 2.0, 2.25, pytest.approx(300 * mib)),
        "list_subs": comparison.StepCost(1, 0.25, 0.2, pytest.approx(200 * mib)),
        "choose_reference": comparison.StepCost(1, 1.0, 1.0, pytest.approx(mib)),
    }


def test_costs_of_earlier_runs_are_left_out(tmp_path):
    """Only benchmark files written since the run began count."""
    folder = tmp_path / "target" / "benchmarks"
    folder.mkdir(parents=True)
    for name, written_ns in (("register", 1_000), ("integrate", 2_000)):
        (folder / f"{name}.tsv").write_text("s\tmax_rss\tcpu_time\n1\t1\t1\n")
        os.utime(folder / f"{name}.tsv", ns=(written_ns, written_ns))
    assert list(comparison.step_costs(tmp_path, 2_000)) == ["integrate"]


def test_table_of_steps_adds_up():
    """Steps and the rest are the processor time of the run."""
    lines = tables.as_text(outcome()).splitlines()
    step = next(line for line in lines if line.startswith("  measure"))
    rest = next(line for line in lines if line.startswith("  all else"))
    assert step.split() == ["measure_stars", "2", "1.50", "0.90", "30%", "250"]
    assert rest.split()[:4] == ["all", "else", "2.10", "70%"]


def test_table_shows_every_figure():
    """Each figure has a line with both sides and the ratio; several runs show least and most."""
    lines = tables.as_text(outcome()).splitlines()
    time = next(line for line in lines if line.startswith("time "))
    assert time.split() == ["time", "20.0", "s", "2.0", "s", "[1.0-4.0]", "10.0"]
    for label, _, _ in tables.FIGURES.values():
        assert any(line.startswith(label) for line in lines), label
    assert ["40", "11.00", "15.00"] in [line.split()[:3] for line in lines]
    assert "looked at every 50 ms" in "\n".join(lines)


def test_table_without_the_chain_has_no_ratio():
    """Without the chain there is one column, and no figure of it in the JSON."""
    bare = outcome(chain=[], growth=[])
    heads = [line.split() for line in tables.as_text(bare).splitlines()]
    assert ["platelog"] in heads
    assert ["libraries", "platelog", "ratio"] not in heads
    assert tables.as_json(bare)["libraries"] is None
    assert tables.as_json(bare)["ratios"] is None
