import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from snakemake.cli import parse_config

from platecli.execution import engine
from platecli.execution.stopping import GOES_ON
from platecli.rebuild.task_runner import processors
from platecli.verbs.test import pytest_command


def test_command_keeps_names_and_paths_whole():
    """Blanks in paths, and names that look like numbers, reach Snakemake as they are."""
    words = engine.command(
        ["42", "/my sky/a b.yaml"], ["picture", "results/42/subs.tsv"], Path("/my sky")
    )
    assert words[words.index("--directory") + 1] == "/my sky"
    assert words[-5:-3] == ["--config", 'projects=["42","/my sky/a b.yaml"]']
    assert words[-3:] == ["--", "picture", "results/42/subs.tsv"]


def test_command_lets_the_user_have_the_last_word():
    """Options of Snakemake that the user gives come after those given here."""
    words = engine.command(["x"], ["all"], Path("/"), 3, True, ["--cores", "1", "--forceall"])
    assert words.index("--dry-run") < words.index("--forceall") < words.index("--config")
    assert [words[i + 1] for i, word in enumerate(words) if word == "--cores"] == ["3", "1"]


def test_memory_is_a_part_of_the_machines():
    """Jobs together may take most of the memory that there is, and not more."""
    words = engine.command(["x"], ["all"], Path("/"))
    megabytes = int(words[words.index("--resources") + 1].removeprefix("mem_mb="))
    meminfo = dict(line.split(":") for line in Path("/proc/meminfo").read_text().splitlines())
    total = int(meminfo["MemTotal"].split()[0]) // 1024
    assert megabytes == 2000 or 0.7 * total < megabytes < 0.8 * total


def test_memory_may_be_less_if_the_user_says_so():
    """A budget in GB reaches Snakemake in MB, which cuts down what single jobs ask for."""
    words = engine.command(["x"], ["all"], Path("/"), memory_gb=1.5)
    assert words[words.index("--resources") + 1] == "mem_mb=1500"


# POSIX shells report a death by signal n as 128 + n.
@pytest.mark.parametrize(("code", "status"), [(0, 0), (1, 1), (-2, 130), (-15, 143)])
def test_exit_status_is_that_of_a_shell(code, status):
    """A death by a signal is told as shells tell it."""
    assert engine.exit_status(code) == status


PARENT = """
import sys
from platecli.execution import engine
sys.exit(engine.run([sys.executable, "-c", sys.argv[1]]))
"""
# A command with a job; it says when both are there, and how it was interrupted.
CHILD = """
import signal, subprocess, sys, time
def heard(number, frame):
    print("interrupted", job.poll(), flush=True)
signal.signal(signal.SIGINT, heard)
job = subprocess.Popen([sys.executable, "-c", "print('ready', flush=True); input()"],
                       stdin=subprocess.PIPE)
time.sleep(6000)
"""


# POSIX shells report a command that Ctrl-C has ended as 130.
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_second_signal_ends_the_command_and_its_jobs(number):
    """The first signal interrupts the command and nothing else; the second one ends all."""
    words = [sys.executable, "-c", PARENT, CHILD]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True
    ) as parent:
        assert parent.stdout.readline() == b"ready\n"
        parent.send_signal(number)
        assert parent.stdout.readline() == b"interrupted None\n"
        parent.send_signal(number)
        assert parent.stdout.read() == b""  # once the job has closed it, too
        assert parent.wait(timeout=600) == 130
        assert parent.stderr.read() == f"{GOES_ON}\n".encode()


LOCKED = """
import os, signal, sys, threading, time
from platecli.execution import engine, stopping
from platecli.execution.interrupts import Ears

lock = threading.Lock()

def snakemake(argv, server, ears):
    signal.signal(signal.SIGTERM, lambda *_: None)  # as Snakemake, less its lock
    with lock:
        for step in ("a", "b"):  # jobs, one by a fork and one by itself
            open(f"{step}.py", "w").write(f"open('{step}.pid', 'w'); import time; time.sleep(6000)")
        server.start(os.path.abspath("a.py"), "none").__enter__()
        import subprocess
        job = subprocess.Popen([sys.executable, "b.py"])
        while not os.path.exists("a.pid") or not os.path.exists("b.pid"):
            time.sleep(0.01)
        print("ready", flush=True)
        lock.acquire()  # for ever, as the frame that a handler interrupts

engine._snakemake = snakemake
print(engine.run([sys.executable, "-P", "-m", "platecli.execution.engine"]))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="steps are forked on Linux only")
@pytest.mark.parametrize("times", [1, 2, 3])
def test_signals_end_a_run_that_waits_for_a_lock(times, tmp_path):
    """Whatever the main thread waits for, one signal ends Snakemake's process and all its jobs."""
    with subprocess.Popen(
        [sys.executable, "-c", LOCKED],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=tmp_path, start_new_session=True,
    ) as parent:  # fmt: skip
        assert parent.stdout.readline() == b"ready\n"
        for _ in range(times):
            parent.send_signal(signal.SIGINT)
        said, errors = parent.communicate(timeout=600)  # once all jobs have closed them
        assert (said, errors) == (b"130\n", f"{GOES_ON}\n".encode())


def test_hangup_is_not_heeded_under_nohup():
    """What was told to survive the end of its terminal does."""
    code = (
        "import signal; from platecli.execution.stopping import heeded; print(*map(int, heeded()))"
    )
    ignore = "import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN); "
    words = [sys.executable, "-c"]
    heeded = subprocess.run([*words, code], capture_output=True, text=True, check=True).stdout
    under = subprocess.run([*words, ignore + code], capture_output=True, text=True, check=True)
    assert (heeded, under.stdout) == ("2 15 1\n", "2 15\n")


def test_killed_command_is_told(capfd):
    """A command that something else has killed is told with its signal."""
    code = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"
    assert engine.run([sys.executable, "-c", code]) == 137
    assert capfd.readouterr().err == "Snakemake was ended: killed by signal 9 (SIGKILL).\n"


def test_exit_status_is_passed_on():
    """A command that ends by itself decides on the exit status."""
    assert engine.run([sys.executable, "-c", "exit(7)"]) == 7


def test_interpreter_in_a_folder_with_a_blank_is_called_by_name(tmp_path, monkeypatch):
    """A shell can call the interpreter even where its path has a blank and a quote."""
    folder = tmp_path / "my sky's"
    folder.mkdir()
    python = folder / "python"
    python.symlink_to(sys.executable)
    monkeypatch.setenv("PATH", str(folder), prepend=engine.os.pathsep)
    assert engine.shell_word(str(python)) == "python"
    assert engine.shell_word("/usr/bin/python3") == "/usr/bin/python3"
    assert engine.shell_word("/not first/python") == "/not first/python"


def test_wrong_option_is_one_line():
    """An option that Snakemake does not know is answered by a line, not by all its options."""
    done = subprocess.run(
        [sys.executable, "-m", "platecli.execution.engine", "--no-such-option"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "--no-such-option" in done.stderr


def test_way_to_a_run_is_light():
    """The verb that runs, the plans and the summary import no numerical library."""
    code = """
        import sys
        import platecli.verbs.run, platecli.text.summary, platefiles.workflow.open_project
        print(*sorted({"astropy", "numba", "numpy", "scipy", "snakemake"} & set(sys.modules)))
    """
    words = [sys.executable, "-c", textwrap.dedent(code)]
    assert subprocess.run(words, capture_output=True, text=True, check=True).stdout == "\n"


def test_own_command_is_a_fork(tmp_path):
    """Snakemake runs in a fork that leads its own group; its messages and status come through."""
    (tmp_path / "Snakefile").write_text(
        "import os\nraise SystemExit(f'{os.getpgrp() == os.getpid()} {os.getppid()}')"
    )
    words = [
        sys.executable,
        "-P",
        "-m",
        "platecli.execution.engine",
        "--snakefile",
        "Snakefile",
        "--cores=1",
    ]
    parent = (
        "import os; from platecli.execution import engine; "
        f"print(os.getpid(), engine.run({words!r}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", parent], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    pid, status = done.stdout.split()
    assert (done.stderr, status) == (f"True {pid}\n", "1")


def test_tests_can_be_chosen():
    """By default all tests run; with a path only that, and with --fast no runs of the workflow."""
    assert pytest_command(False, [])[-1].endswith("tests")
    assert pytest_command(False, ["tests/unit", "-x"])[-2:] == ["tests/unit", "-x"]
    assert any(word.startswith("--ignore=") for word in pytest_command(True, ["-k", "stars"]))


def test_all_tests_are_shared_out_among_the_processors():
    """A run of all tests has a process for each processor; what is chosen runs in one."""
    words = pytest_command(True, [])
    assert words[words.index("--numprocesses") + 1] == str(processors())
    assert "--numprocesses" not in pytest_command(False, ["-k", "stars"])


@pytest.mark.parametrize(
    "project",
    ["42", "a b/x.yaml", "/a\\x41/'x'.yaml", '/a,b/"$(x)`.yaml', "/n\nl\t\U0001f52d.yaml",
     "/\udcff\u202e.yaml", "/[{é: *&"],
)  # fmt: skip
def test_project_reaches_the_workflow_as_it_is(project):
    """Names that look like numbers, and paths with whatever a disk takes, are read as text."""
    words = engine.command([project, "b"], ["all"], Path("/x"))
    (setting,) = [word for word in words if "projects=" in word]
    assert parse_config([setting]) == {"projects": [project, "b"]}
    assert setting.isprintable()
    assert not set(setting) & set("'`$;&|<>()*?!")
