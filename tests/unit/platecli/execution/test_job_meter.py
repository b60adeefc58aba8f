import os
import subprocess
import sys
from pathlib import Path

import pytest

from platecli.execution.job_meter import COLUMNS, JobMeter, measured

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the kernel of Linux tells")

STAT = "7 (a (odd) name) S 1 7 7 0 -1 4194304 100 0 0 0 250 50 0 0 20 0 1 0 100 {size} 9 18446"
STATUS = "Name:\ta (odd) name\nVmHWM:\t   40960 kB\nVmRSS:\t    9216 kB\n"
SMAPS = """00400000-7fff0000 ---p 00000000 00:00 0                          [rollup]
Rss:               40960 kB
Pss:               20480 kB
Private_Clean:      1024 kB
Private_Dirty:      3072 kB
"""
IO = "rchar: 9\nwchar: 9\nread_bytes: 2097152\nwrite_bytes: 1048576\n"


@pytest.fixture
def proc(tmp_path):
    """A process as the kernel shows it."""
    (tmp_path / "7").mkdir()
    (tmp_path / "7" / "stat").write_text(STAT.format(size=200 * 2**20))
    (tmp_path / "7" / "status").write_text(STATUS)
    (tmp_path / "7" / "smaps_rollup").write_text(SMAPS)
    (tmp_path / "7" / "io").write_text(IO)
    return tmp_path


def test_figures_are_those_of_the_kernel(proc):
    """Memory and transfers are told in MiB, time in seconds, whatever the process is called."""
    meter = JobMeter(7, proc)
    meter.look()
    row = meter.row()
    assert list(row) == COLUMNS
    expected = {"max_rss": 40, "max_vms": 200, "max_uss": 4, "max_pss": 20, "io_in": 2, "io_out": 1}
    assert {name: float(row[name]) for name in expected} == expected
    assert float(row["cpu_time"]) == pytest.approx(300 / os.sysconf("SC_CLK_TCK"))


def test_largest_figures_are_kept(proc):
    """A process that has given memory back, or has ended, keeps what it had at most."""
    meter = JobMeter(7, proc)
    meter.look()
    (proc / "7" / "smaps_rollup").write_text(SMAPS.replace("20480", "10240"))
    meter.look()
    (proc / "7" / "stat").unlink()
    meter.look()
    assert float(meter.row()["max_pss"]) == 20


def test_what_may_not_be_seen_is_left_out(proc):
    """Without the right to see transfers the other figures are told."""
    (proc / "7" / "io").unlink()
    meter = JobMeter(7, proc)
    meter.look()
    row = meter.row()
    assert (row["io_in"], row["max_pss"]) == ("NA", "20.00")


def test_process_that_was_never_seen_has_its_time_alone(tmp_path):
    """Only the time is told of a process that was gone before the first look."""
    row = JobMeter(7, tmp_path).row()
    assert set(row.values()) - {row["s"], row["h:m:s"]} == {"NA"}
    assert row["h:m:s"] == "0:00:00"


def test_memory_of_a_real_process(tmp_path):
    """A process that fills 64 MiB is seen with them, and the file is a table of one row."""
    code = "x = b'1' * 2**26; print(flush=True); input()"
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    with subprocess.Popen([sys.executable, "-c", code], **pipes) as process:
        path: Path = tmp_path / "bench.tsv"
        with measured(process.pid, path):
            process.stdout.readline()
        process.communicate(b"\n")
    head, row = path.read_text().splitlines()
    figures = dict(zip(head.split("\t"), row.split("\t"), strict=True))
    assert head.split("\t") == COLUMNS
    assert 64 < float(figures["max_uss"]) < 100


def test_peak_before_the_first_look_counts(tmp_path):
    """Memory that a process has given back before anyone looked at it is in its peak."""
    code = "x = b'1' * 2**26; del x; print(flush=True); input()"
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    with subprocess.Popen([sys.executable, "-c", code], **pipes) as process:
        process.stdout.readline()
        meter = JobMeter(process.pid)
        meter.look()
        process.communicate(b"\n")
    row = meter.row()
    assert float(row["max_uss"]) < 64 < float(row["max_rss"]) < 120


def test_nothing_is_written_where_nothing_is_asked_for(tmp_path, monkeypatch):
    """A rule without a benchmark file is not measured."""
    monkeypatch.chdir(tmp_path)
    with measured(os.getpid(), None):
        pass
    assert not list(tmp_path.iterdir())
