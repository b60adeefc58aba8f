"""Nothing that a stranger wrote into a name, a header, a record or a log acts on a terminal."""

import io
import logging
import re
import subprocess
import sys
from pathlib import Path

import pytest

from platecli.execution.stopping import GOES_ON
from platecli.text.outcome import write_line
from platecli.text.screen import Console, guarded, show
from platefiles.core.errors import UserError
from platefiles.core.safe_names import printable_lines
from platefiles.jobs.job_log import job_log, log
from platelog import VERBS
from snakemake_logger_plugin_platelog.progress import Progress

SCRIPTS = Path(__file__).resolve().parents[4] / "scripts"
HOSTILE = {
    "an escape sequence": "\x1b[2J\x1b]0;title\x07",
    "a carriage return": "shown\rhidden",
    "a backspace": "good\x08\x08bad",
    "a delete": "\x7f",
    "a control sequence of one byte": "\x9b31m",
    "an override of direction": "\u202etxt.exe",
    "an isolate": "\u2066left\u2069",
    "a mark of direction": "\u200fmark",
    "a separator of lines": "one\u2028two\x85three",
    "a byte that is no text": "\udcff\udcfe",
    "a space of no width": "\u200b\ufeff",
}
"""By what it is: what would act on a terminal, or hide there."""

ALL = " ".join(HOSTILE.values())


def lines_of(text):
    """Return the lines of a text, which end with a line feed and nothing else."""
    return text.split("\n")


@pytest.mark.parametrize("hostile", HOSTILE.values(), ids=HOSTILE)
def test_console_escapes_what_does_not_print(hostile):
    """In each way to write, folded or not, and what prints stays as it is."""
    for width in (None, 200):
        stream = io.StringIO()
        console = Console(stream, width)
        print("a", hostile, "é│", file=console)
        console.writelines([hostile, "\n"])
        console.write(hostile)
        console.flush()
        print(hostile, file=console.unfolded)
        assert all(line.isprintable() for line in lines_of(stream.getvalue()))
        assert stream.getvalue().startswith("a ")
        assert "é│\n" in stream.getvalue()
        assert "\\" in stream.getvalue()


def test_shown_lines_stay_lines(capsys):
    """A name with a line break makes no line of its own."""
    show(["left out: a\n  nothing to do", "b"])
    assert capsys.readouterr().out == "left out: a\\n  nothing to do\nb\n"


def test_lines_are_folded_after_they_are_escaped():
    """An escape counts as wide as it is shown."""
    stream = io.StringIO()
    print("name", *["\x1b"] * 12, file=Console(stream, 40))
    assert max(map(len, lines_of(stream.getvalue()))) <= 40
    assert stream.getvalue().count("\\u001b") == 12


def test_terminals_that_lack_letters_get_escapes():
    """A stream that is not UTF-8 shows the code of a letter instead of a traceback."""
    stream = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    print("├ é", file=Console(stream, None), flush=True)
    assert stream.buffer.getvalue() == b"\\u251c \\xe9\n"


def test_a_guard_is_put_up_once():
    """A console stays the same console; a stream that was closed stays closed."""
    console = Console(io.StringIO(), 80)
    assert guarded(console) is console
    assert guarded(None) is None
    assert isinstance(guarded(io.StringIO()), Console)


def test_errors_of_the_user_print():
    """A sentence that quotes a file shows what the file says, on as many lines as it had."""
    error = str(UserError(f"a.fits: {ALL}\nb.fits: é"))
    assert all(line.isprintable() for line in lines_of(error))
    assert lines_of(error)[-1] == "b.fits: é"
    assert len(lines_of(error)) == 2
    assert printable_lines(error) == error


def test_logs_of_jobs_print(tmp_path):
    """A log is read on a terminal, and its last line is shown there."""
    with pytest.raises(SystemExit), job_log(tmp_path / "a.log"):
        log.info("%s", ALL)
        raise ValueError(ALL)
    text = (tmp_path / "a.log").read_bytes().decode()
    assert "ValueError: \\u001b[2J" in text
    assert all(line.isprintable() for line in lines_of(text))


def test_the_log_of_runs_prints(tmp_path):
    """Whatever went wrong is one line that can be shown."""
    write_line(tmp_path, f"a failed: {ALL}")
    (line,) = (tmp_path / "platelog.log").read_text(encoding="utf-8").splitlines()
    assert "a failed" in line
    assert line.isprintable()


def test_progress_prints_what_jobs_and_logs_say(tmp_path):
    """Names of jobs, reasons from logs and paths of logs are escaped; the line is still erased."""

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    def record(message=None, level=logging.INFO, **fields):
        made = logging.LogRecord("snakemake", level, "ours.py", 1, message, None, None)
        made.__dict__.update(fields)
        return made

    path = tmp_path / "a\x1b.log"
    path.write_text(f"ERROR {ALL}\n", errors="surrogateescape")
    out = Terminal()
    progress = Progress(out)
    progress.take(record(event="run_info", stats={"measure": 1}))
    wildcards = {"night": f"\x1b {ALL}"}
    job = {"jobid": 1, "rule_name": "measure", "wildcards": wildcards, "reason": ALL}
    progress.take(record(event="job_info", **job))
    progress.take(record(event="job_error", jobid=1, rule_name="measure", log=[str(path)]))
    progress.take(record(ALL, logging.ERROR))
    progress.finish()
    text = out.getvalue()
    assert "\r\x1b[K" in text
    assert "FAILED: measure \\u001b" in text
    assert all(line.isprintable() for line in lines_of(text.replace("\r\x1b[K", "")))


VERB = """
import sys, types
import platecli.__main__ as main
from platefiles.core.errors import UserError
module = types.ModuleType(main.module_of("{verb}"))
module.add_arguments = lambda parser: None
def run(args):
    print({hostile!r})
    print({hostile!r}, file=sys.stderr)
    sys.stdout.writelines([{hostile!r}])
    raise {error}({hostile!r})
module.run = run
sys.modules[module.__name__] = module
sys.exit(main.on_console({words!r}))
"""


@pytest.mark.parametrize("error", ["UserError", "RuntimeError", "SystemExit"])
@pytest.mark.parametrize("verb", VERBS)
def test_no_verb_lets_anything_through(verb, error):
    """Whatever a verb prints or raises goes through one door; a new verb cannot forget it."""
    code = VERB.format(verb=verb, error=error, hostile=ALL, words=[verb])
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True)
    assert done.returncode == 1
    for said in (done.stdout, done.stderr):
        text = said.decode("utf-8")
        assert "title" in text
        assert all(line.isprintable() for line in lines_of(text))


@pytest.mark.parametrize("words", [["verify", ALL], [ALL], ["run", f"--{ALL}"], ["new", ALL, "."]])
def test_arguments_are_shown_as_they_print(words):
    """A word on the command line may be the name of a file, which a shell has put there."""
    words = [word.encode("utf-8", "surrogateescape") for word in words]
    command = [sys.executable.encode(), b"-P", b"-m", b"platecli", *words]
    done = subprocess.run(command, capture_output=True)
    assert done.returncode in (1, 2)
    text = (done.stdout + done.stderr).decode("utf-8")
    assert "title" in text
    assert all(line.isprintable() for line in lines_of(text))


ENGINE = """
import sys
from platecli.execution.engine import run
from platecli.text.screen import Console
sys.stdout, sys.stderr = Console(sys.stdout, 80), Console(sys.stderr, 80)
sys.exit(run([sys.executable, "-P", "-m", "platecli.execution.engine", "--snakefile", {hostile!r}]))
"""


@pytest.mark.parametrize("start", [
    ["-c", ENGINE.format(hostile=ALL)],
    ["-m", "platecli.execution.engine", "--snakefile", ALL],
], ids=["as a fork", "by itself"])  # fmt: skip
def test_the_process_of_a_run_has_the_same_door(start):
    """Snakemake prints through it, in a fork of a verb and in a process of its own."""
    words = [word.encode("utf-8", "surrogateescape") for word in (sys.executable, "-P", *start)]
    done = subprocess.run(words, capture_output=True)
    assert done.returncode == 1
    text = (done.stdout + done.stderr).decode("utf-8")
    assert "title" in text
    assert all(line.isprintable() for line in lines_of(text))


STEP = """
import os, socket, sys
from platecli.execution.step_server import StepServer
from pathlib import Path
Path("step.py").write_text({source!a})
with StepServer() as server, server.start("step.py", "json") as job:
    sys.exit(job.wait())
"""


@pytest.mark.skipif(sys.platform != "linux", reason="steps are forked on Linux alone")
def test_the_processes_of_jobs_have_the_same_door(tmp_path):
    """What a job prints, and its traceback, are escaped."""
    code = STEP.format(source=f"import sys; print({ALL!a}, file=sys.stderr); 1 / 0")
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, cwd=tmp_path)
    assert done.returncode == 1
    text = done.stderr.decode("utf-8")
    assert "title" in text
    assert "ZeroDivisionError" in text
    assert all(line.isprintable() for line in lines_of(text))


def test_no_module_goes_round_the_door():
    """Only the console writes control characters, or bytes; but for one fixed line at a signal."""
    round_it = re.compile(
        r"\\x1b|\\033|\\u001b|sys\.__std|std(out|err)\.buffer|os\.write\([12],|/dev/tty|\._stream\._"
    )
    found = {
        path.relative_to(SCRIPTS).as_posix()
        for path in SCRIPTS.rglob("*.py")
        if round_it.search(path.read_text(encoding="utf-8"))
    }
    assert found == {"platecli/text/screen.py", "platecli/execution/stopping.py"}
    assert GOES_ON.isprintable()
