import json
import os
import sys

import pytest

from platecli.text.outcome import (
    LINE_LETTERS,
    SUMMARY_LETTERS,
    ProjectOutcome,
    RunOutcome,
    tell,
    write_line,
)
from platefiles.config.machine import Machine, read_machine
from platefiles.core.errors import UserError

MADE = ProjectOutcome("swirl", "A Swirl", "made", 7, {"ha": {"2031-05-01": 3}, "g": {"x": 1}})
STILL = ProjectOutcome("veil", "A Veil", "nothing new")
LOST = ProjectOutcome("lost", "", "failed", problem="no such folder: /x\nand more")


def test_summary_is_one_line():
    """A run is told in one line: what was made, what failed and why, what was still."""
    assert RunOutcome(1, [MADE, STILL, LOST], 12.4).summary == (
        "swirl made (4 new subs, 7 jobs); lost failed: no such folder: /x; "
        "nothing new in veil [12 s]"
    )
    assert RunOutcome(3, [STILL], 1.0).summary == "nothing new in veil [1 s]"


@pytest.mark.parametrize(
    ("projects", "news"), [([MADE, STILL], True), ([STILL], False), ([LOST], True)]
)
def test_nothing_new_is_no_news(projects, news):
    """The user's program is told of what was made or failed."""
    assert RunOutcome(0, projects, 1.0).is_news is news


def test_log_is_turned_over(tmp_path, monkeypatch):
    """The log stays below its size; older lines are kept in a few files beside it."""
    monkeypatch.setattr("platecli.text.outcome.LOG_BYTES", 400)
    for number in range(60):
        write_line(tmp_path / "results", f"run {number}\nwith a break")
    names = sorted(path.name for path in (tmp_path / "results").iterdir())
    assert names == ["platelog.log", *(f"platelog.log.{n}" for n in range(1, 5))]
    lines = (tmp_path / "results" / "platelog.log").read_text().splitlines()
    assert lines[-1].endswith(" run 59 with a break")
    assert len(lines[-1]) == len("2031-05-01 09:00:00 run 59 with a break")


def test_log_that_cannot_be_written_stops_nothing(tmp_path, capsys):
    """Where the log cannot be, a sentence says so."""
    (tmp_path / "platelog.log").mkdir()
    write_line(tmp_path, "run")
    assert "platelog.log: Is a directory" in capsys.readouterr().err


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full, as Linux has it")
def test_full_disk_under_the_log_stops_nothing(tmp_path, capsys):
    """Where there is no room for the line, a sentence says so."""
    (tmp_path / "platelog.log").symlink_to("/dev/full")
    write_line(tmp_path, "run")
    assert capsys.readouterr().err == f"{tmp_path}/platelog.log: No space left on device\n"


def test_program_gets_words_as_they_are(tmp_path):
    """No shell reads the arguments; the facts come on standard input."""
    script = "import sys; open(sys.argv[1], 'w').write(repr(sys.argv[2:]) + sys.stdin.read())"
    outcome = RunOutcome(0, [MADE], 1.0)
    words = [sys.executable, "-c", script, "told", "$HOME; `x`", "so: {summary}"]
    assert tell(words, outcome, tmp_path) == ""
    told = (tmp_path / "told").read_text()
    assert told.startswith(repr(["$HOME; `x`", f"so: {outcome.summary}"]))
    assert json.loads(told[told.index("{") :])["projects"][0]["jobs"] == 7


def test_program_is_told_of_whatever_went_wrong(tmp_path):
    """Facts of any length and any letters reach the program; arguments and variables are cut."""
    lost = [
        ProjectOutcome(f"p{n}", "", "failed", problem=f"{n}\0\x1b\udcff " + "x" * 9000)
        for n in range(300)
    ]
    outcome = RunOutcome(1, lost, 1.0)
    script = (
        "import os, sys; open(sys.argv[1], 'wb').write("
        "b'%d %d ' % (len(sys.argv[2]), len(os.environ['PLATELOG_SUMMARY'])) "
        "+ sys.stdin.buffer.read())"
    )
    assert tell([sys.executable, "-c", script, "told", "{summary}"], outcome, tmp_path) == ""
    in_words, in_variable, facts = (tmp_path / "told").read_text().split(" ", 2)
    assert int(in_words) == int(in_variable) == SUMMARY_LETTERS
    assert json.loads(facts) == json.loads(json.dumps(outcome.facts))


def test_program_that_reads_nothing_is_no_failure(tmp_path):
    """More facts than a pipe holds may be left unread."""
    lost = [ProjectOutcome(f"p{n}", "", "failed", problem="x" * 9000) for n in range(300)]
    assert tell([sys.executable, "-c", ""], RunOutcome(1, lost, 1.0), tmp_path) == ""


def test_line_of_the_log_is_cut(tmp_path):
    """One run cannot fill the log."""
    write_line(tmp_path, "y" * 1_000_000)
    (line,) = (tmp_path / "platelog.log").read_text(encoding="utf-8").splitlines()
    assert len(line) == len("2031-05-01 09:00:00 ") + LINE_LETTERS
    assert line.endswith("y…")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["/no/such"], "on_finish: /no/such: No such file or directory"),
        ([sys.executable, "-c", "exit(3)"], f"on_finish: {sys.executable} ended with status 3"),
        ([sys.executable, "-c", "import time; time.sleep(60)"], "was stopped after 1 s"),
    ],
)
def test_program_that_fails_is_told(words, said, monkeypatch, tmp_path):
    """Its absence, its failure and its silence are sentences, not exceptions."""
    monkeypatch.setattr("platecli.text.outcome.PATIENCE_S", 1)
    assert said in tell(words, RunOutcome(0, [MADE], 1.0), tmp_path)


def test_machine_without_file_has_no_limits(tmp_path):
    """There is no such file at first."""
    assert read_machine(tmp_path / "machine.yaml") == Machine(
        cores=None, memory_gb=None, on_finish=[]
    )


def test_machine_is_read(tmp_path):
    """A whole number of GB is as good as a broken one."""
    path = tmp_path / "machine.yaml"
    path.write_text("cores: 3\nmemory_gb: 6\non_finish: [mail, -s, '{summary}', me]\n")
    machine = read_machine(path)
    assert (machine.cores, machine.memory_gb) == (3, 6.0)
    assert machine.on_finish == ["mail", "-s", "{summary}", "me"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("cores: 0\n", ":1: cores: must be at least 1"),
        ("core: 1\n", ":1: core: unknown setting - did you mean 'cores'?"),
        ("on_finish: mail me\n", ":1: on_finish: must be a list"),
        ("on_finish: [a\n", "machine.yaml:"),
    ],
)
def test_slips_in_the_machine_file_are_told_with_their_line(tmp_path, text, said):
    """As in every other file of settings."""
    path = tmp_path / "machine.yaml"
    path.write_text(text)
    with pytest.raises(UserError) as caught:
        read_machine(path)
    assert said in str(caught.value)
