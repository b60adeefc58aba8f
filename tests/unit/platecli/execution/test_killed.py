import signal

import pytest

from platecli.execution.killed import OUT_OF_MEMORY, memory_kills, tell_in_logs, why_ended
from snakemake_logger_plugin_platelog.reasons import reason_in_logs


def test_reason_names_the_signal():
    """A signal has its number and its name, where it has one."""
    assert why_ended(signal.SIGTERM) == "killed by signal 15 (SIGTERM)"
    assert why_ended(40) == "killed by signal 40"
    assert why_ended(signal.SIGTERM, for_memory=True) == "killed by signal 15 (SIGTERM)"
    assert why_ended(signal.SIGKILL, for_memory=True) == OUT_OF_MEMORY


# Formats: memory.events of control groups version 2 and vmstat, as the kernel documents them.
@pytest.mark.parametrize(
    ("files", "expected"),
    [
        ({"cgroup": "0::/a/b\n", "a/b": "low 0\noom 3\noom_kill 2\noom_group_kill 1\n"}, 2),
        ({"cgroup": "0::/\n", "vmstat": "pgfault 5\noom_kill 7\n"}, 7),
        ({"cgroup": "5:memory:/x\n", "vmstat": "oom_kill 4\n"}, 4),
        ({"cgroup": "0::/a/b\n", "vmstat": "pgfault 5\n"}, 0),
        ({}, 0),
    ],
)
def test_kills_for_want_of_memory_are_counted(tmp_path, files, expected):
    """The control group tells, else the machine, else nothing does."""
    proc, cgroups = tmp_path / "proc", tmp_path / "groups"
    (proc / "self").mkdir(parents=True)
    (cgroups / "a" / "b").mkdir(parents=True)
    places = {
        "cgroup": proc / "self" / "cgroup",
        "vmstat": proc / "vmstat",
        "a/b": cgroups / "a" / "b" / "memory.events",
    }
    for name, text in files.items():
        places[name].write_text(text, encoding="utf-8")
    assert memory_kills(proc, cgroups) == expected


def test_log_tells_of_the_kill(tmp_path):
    """The last line of the log is the reason, unless the interpreter has told of a crash."""
    log = tmp_path / "step.log"
    log.write_text("INFO begun\n", encoding="utf-8")
    tell_in_logs([str(tmp_path / "no" / "log"), str(log)], signal.SIGKILL, True)
    assert reason_in_logs([str(log)]) == OUT_OF_MEMORY
    log.write_text("Fatal Python error: Bus error\n", encoding="utf-8")
    tell_in_logs([str(log)], signal.SIGBUS)
    assert reason_in_logs([str(log)]).startswith("a file was cut short")
