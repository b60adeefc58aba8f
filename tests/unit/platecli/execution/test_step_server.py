import fcntl
import os
import resource
import signal
import socket
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from platecli.execution import step_server
from platecli.execution.killed import why_ended
from platecli.execution.step_server import ServerEnded, StepServer

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="steps are forked on Linux only")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder in which the server finds modules."""
    monkeypatch.setenv("PYTHONPATH", f"{tmp_path}{os.pathsep}{os.environ['PYTHONPATH']}")
    return tmp_path


@pytest.fixture
def server(folder):
    """A server that is ended after the test."""
    with StepServer() as server:
        yield server


def script(folder: Path, text: str, name: str = "script.py") -> str:
    """Write a script and return its path."""
    path = folder / name
    path.write_text(textwrap.dedent(text), encoding="utf-8")
    return str(path)


def status(server: StepServer, path: str, step: str = "no_such_step", **options: str) -> int:
    """Run a script to its end."""
    with server.start(path, step, **options) as job:
        return job.wait()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("pass", 0),
        ("raise SystemExit", 0),
        ("raise SystemExit(3)", 3),
        ("raise SystemExit('why')", 1),
        ("1 / 0", 1),
        ("import os, signal; os.kill(os.getpid(), signal.SIGKILL)", -signal.SIGKILL),
    ],
)
def test_status_is_that_of_a_process(server, folder, text, expected):
    """A job's status is what its script makes it, or that of a killed process."""
    assert status(server, script(folder, text)) == expected


def test_last_words_of_a_script_are_said(server, folder, capfd):
    """A script that exits with a sentence says it, as an interpreter would."""
    assert status(server, script(folder, "raise SystemExit('no room')")) == 1
    assert capfd.readouterr().err == "no room\n"


def test_script_runs_as_a_program(server, folder, monkeypatch):
    """A script is ``__main__`` in a process of its own, in the folder of who asked for it."""
    place = folder / "temporary"
    place.mkdir()
    server.expect(["none"])  # begins it
    monkeypatch.chdir(place)
    text = f"""
        import os, sys, tempfile
        facts = __name__, os.getpid(), sys.argv, os.getcwd(), tempfile.gettempdir()
        open({str(folder / "facts")!r}, "w").write(repr(facts))
    """
    path = script(folder, text)
    with server.start(path, "no_such_step", str(place)) as job:
        assert job.wait() == 0
    facts = eval((folder / "facts").read_text())
    assert facts == ("__main__", job.pid, [path], str(place), str(place))
    assert job.pid != os.getpid()


def test_step_is_imported_once_for_all_its_jobs(server, folder):
    """What a step imports is there before its first job, and is not imported again."""
    module = f"open({str(folder / 'imports')!r}, 'a').write('x'); VALUE = [1]"
    script(folder, module, "some_step.py")
    text = "import some_step; some_step.VALUE.append(2); assert some_step.VALUE == [1, 2]"
    path = script(folder, text)
    assert [status(server, path, "some_step") for _ in range(3)] == [0, 0, 0]
    assert (folder / "imports").read_text() == "x"


def test_expected_steps_are_imported_before_they_are_asked_for(server, folder):
    """A step that was announced is there for whichever job comes next."""
    script(folder, f"open({str(folder / 'imports')!r}, 'a').write('x')", "some_step.py")
    os.mkfifo(folder / "pipe")
    script(folder, f"open({str(folder / 'pipe')!r}).read()", "last_step.py")
    server.expect(["no_such_step", "some_step", "last_step", "some_step"])
    (folder / "pipe").write_text("")  # waits until the last step is imported
    assert (folder / "imports").read_text() == "x"
    path = script(folder, "import sys; assert {'some_step', 'last_step'} <= set(sys.modules)")
    assert status(server, path) == 0


def test_step_that_cannot_be_imported_fails_by_itself(server, folder):
    """A broken module is the job's to tell; the next step is run all the same."""
    script(folder, "1 / 0", "broken_step.py")
    assert status(server, script(folder, "import broken_step"), "broken_step") == 1
    assert status(server, script(folder, "pass", "other.py")) == 0


def test_jobs_run_side_by_side(server, folder):
    """A job begins while another runs."""
    first = script(folder, f"import os; os.mkfifo({str(folder / 'pipe')!r})", "make.py")
    assert status(server, first) == 0
    read = script(folder, f"assert open({str(folder / 'pipe')!r}).read() == 'x'", "read.py")
    write = script(folder, f"open({str(folder / 'pipe')!r}, 'w').write('x')", "write.py")
    with server.start(read, "none") as one, server.start(write, "none") as other:
        assert (one.wait(), other.wait()) == (0, 0)


def time_of_children() -> float:
    """Processor time of the children that were waited for, s."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def test_processor_time_counts_as_that_of_children(server, folder):
    """What jobs spend is seen by who measures the process that started them."""
    text = "import time\nwhile time.process_time() < 0.5: pass"
    assert status(server, script(folder, text)) == 0
    before = time_of_children()
    server.__exit__()
    assert time_of_children() - before > 0.4


@pytest.mark.parametrize(
    ("kills", "status_of", "reason"),
    [
        ("SIGKILL", -9, "killed by signal 9 (SIGKILL)"),
        ("SIGTERM", -15, "killed by signal 15 (SIGTERM)"),
    ],
)
def test_killed_job_tells_its_signal(server, folder, kills, status_of, reason):
    """What a job died of is known, while others run and after others have ended."""
    begun, other = str(folder / "begun"), script(folder, "import sys; sys.exit(3)", "other.py")
    sleeper = script(folder, f"open({begun!r}, 'w'); import time; time.sleep(600)", "sleeper.py")
    killed = script(folder, f"import os, signal; os.kill(os.getpid(), signal.{kills})")
    with server.start(sleeper, "none") as one:
        with server.start(killed, "none") as job:
            assert (job.wait(), job.for_memory) == (status_of, False)
        assert why_ended(-status_of) == reason
        assert status(server, other) == 3
        while not os.path.exists(begun):
            time.sleep(0.01)
        os.kill(one.pid, signal.SIGHUP)
        assert one.wait() == -signal.SIGHUP


def test_jobs_end_with_who_asked_for_them(folder):
    """A job whose run was killed by itself does not go on."""
    text = f"""
        import fcntl, os, time
        lock = open({str(folder / "lock")!r}, "w")
        fcntl.flock(lock, fcntl.LOCK_EX)
        os.rename(lock.name, {str(folder / "locked")!r})
        time.sleep(60)
        open({str(folder / "survived")!r}, "w")
    """
    asks = """
        import sys
        from platecli.execution.step_server import StepServer
        with StepServer().start(sys.argv[1], "none") as job:
            job.wait()
    """
    words = [sys.executable, "-c", textwrap.dedent(asks), script(folder, text)]
    with subprocess.Popen(words) as process:
        while not (folder / "locked").exists():
            time.sleep(0.01)
        process.kill()
    with open(folder / "locked") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # which the kernel gives as soon as the job has ended
    assert not (folder / "survived").exists()


def test_server_that_was_ended_starts_nothing(folder):
    """What this process has ended is not begun again; jobs at work are ended with it."""
    server, path = StepServer(), script(folder, "import time; time.sleep(600)")
    with server.start(path, "none") as job:
        server.end()
        assert job.wait() == -signal.SIGKILL
        with pytest.raises(ServerEnded):
            server.start(path, "none")


def test_job_killed_before_it_begins_has_no_status():
    """A socket that is closed before what was sent is read counts as closed."""
    ours, theirs = socket.socketpair()
    with ours:
        ours.sendall(b"+")
        theirs.close()
        assert step_server._receive(ours, None) is None


def test_ended_server_is_an_error(server, folder):
    """Without a process to fork there is an error, on which a job gets a process of its own."""
    path = script(folder, "pass")
    assert status(server, path) == 0
    server._process.send_signal(signal.SIGKILL)
    server._process.wait()
    with pytest.raises(OSError, match="."):
        server.start(path, "none")


def test_steps_can_be_forked():
    """Each step is imported and all its kernels are loaded, in one thread and no other."""
    scripts = Path(step_server.__file__).parents[2].glob("*.py")
    steps = [path.stem for path in scripts if "snakemake.log" in path.read_text("utf-8")]
    code = f"""
        import sys
        from platecli.execution import step_forks
        from platelib.numerics.kernels import KERNEL_MODULES
        for step in {steps!r}:
            step_forks._prepare(step)
            loaded = {{k for k in KERNEL_MODULES if f"platelib.{{k}}" in sys.modules}}
            assert step_forks._warm == loaded
        print(*[line for line in open("/proc/self/status") if line.startswith("Threads:")])
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code)],
        env=os.environ | step_server.ENVIRONMENT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert len(steps) > 8
    assert done.stdout.split() == ["Threads:", "1"]


def test_kernels_of_a_step_are_loaded_before_it_is_forked(server, folder):
    """A job finds the kernels of its step compiled, and of no other step."""
    script(folder, "from platelib.resampling import row_polynomials", "some_step.py")
    text = """
        import sys
        from platelib.resampling.row_polynomials import row_polynomial
        assert row_polynomial.signatures
        assert "platelib.resampling.resample" not in sys.modules
    """
    assert status(server, script(folder, text), "some_step") == 0
