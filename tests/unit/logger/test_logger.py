import io
import logging
import threading

import pytest

import snakemake_logger_plugin_platelog.progress as progress_module
from snakemake_logger_plugin_platelog import LogHandler
from snakemake_logger_plugin_platelog.progress import Progress
from snakemake_logger_plugin_platelog.reasons import reason_in_logs
from snakemake_logger_plugin_platelog.renewal import Renewal
from snakemake_logger_plugin_platelog.time_left import Work, Workload
from snakemake_logger_plugin_platelog.words import duration

PACKAGES = "/x/lib/python3/site-packages"


class Clock:
    """Time that passes only when told."""

    def __init__(self):
        self.now = 0.0

    def __call__(self):
        """Return the time."""
        return self.now


class Terminal(io.StringIO):
    """A stream that says that it is a terminal."""

    def isatty(self):
        """Return that it is."""
        return True


def record(message=None, level=logging.INFO, path=f"{PACKAGES}/snakemake/dag.py", **fields):
    """Make a log record as Snakemake does."""
    made = logging.LogRecord("snakemake", level, path, 1, message, None, None)
    made.__dict__.update(fields)
    return made


def job(jobid, rule="integrate", **wildcards):
    """Make the record of a job that starts."""
    return record(event="job_info", jobid=jobid, rule_name=rule, wildcards=wildcards, reason="new")


def finished(jobid):
    """Make the record of a job that has ended well."""
    return record("Finished", event="job_finished", job_id=jobid)


def begin(progress, **stats):
    """Let the log know of a run with these jobs."""
    progress.take(record("Workflow has started!", event="workflow_started"))
    progress.take(record("Job stats:", event="run_info", stats={**stats, "total": 99}))


def test_what_is_to_do_is_one_line():
    """Jobs are counted by rule in words, without the rules that only gather."""
    out = io.StringIO()
    begin(Progress(out), master_dark=3, draw_picture=1, picture=1)
    assert out.getvalue() == "To do: 4 jobs: master dark x 3, draw picture\n"


def pass_time(progress, clock, seconds):
    """Let seconds pass, each with its look at whether the line is still true."""
    for _ in range(seconds):
        clock.now += 1.0
        progress.renew()


def test_off_a_terminal_lines_are_rare():
    """In a log file there is a line every ten seconds at most, and one at the end."""
    out, clock = io.StringIO(), Clock()
    progress = Progress(out, clock=clock)
    begin(progress, measure=100)
    for jobid in range(100):
        progress.take(job(jobid, "measure", channel="ha", night=jobid))
        clock.now += 0.5
        progress.renew()
        progress.take(finished(jobid))
        progress.renew()  # between two jobs nothing could be named
    progress.finish()
    lines = out.getvalue().splitlines()[1:]
    assert lines[0] == "[19/100]  about 40 s left  measure ha 19"
    assert lines[-1] == "[100/100] done in 50 s"
    assert len(lines) == 6


def long_run(out, clock):
    """Start a run of a short job and one that takes 200 s, as earlier runs tell."""
    jobs = {
        "r.fits": Work("register", 10.0),
        "i.fits": Work("integrate", 100.0, 1, ("r.fits",)),
    }
    factors = {"register": 1.0, "integrate": 2.0}
    progress = Progress(out, clock=clock, workload=Workload(jobs, factors, 2))
    begin(progress, register=1, integrate=1)
    for jobid, (path, work) in enumerate(jobs.items()):
        wildcards = {"project": "pic", "channel": "r"}
        fields = {"rule_name": work.rule, "wildcards": wildcards, "output": [path], "threads": 1}
        progress.take(record(event="job_info", jobid=jobid, **fields))
        pass_time(progress, clock, 200 if jobid else 10)
        progress.take(finished(jobid))
    progress.finish()


def test_line_of_a_long_step_stays_true_in_a_log():
    """While one step takes nearly all the time, lines name it and tell the time that is left.

    They come as soon as the step has changed, then every half minute, and sooner once the step
    needs longer than the last line said.
    """
    out, clock = io.StringIO(), Clock()
    long_run(out, clock)
    assert out.getvalue().splitlines()[1:] == [
        "[0/2]  about 3 min left  register pic r",
        "[1/2]  about 3 min left  integrate pic r",
        "[1/2]  about 3 min left  integrate pic r",
        "[1/2]  about 2 min left  integrate pic r",
        "[1/2]  about 2 min left  integrate pic r",
        "[1/2]  about 70 s left  integrate pic r",
        "[1/2]  about 40 s left  integrate pic r",
        "[1/2]  about 15 s left  integrate pic r",
        "[1/2]  about 15 s left  integrate pic r",
        "[2/2] done in 4 min",
    ]


def test_line_of_a_long_step_runs_down_on_a_terminal():
    """The line on a terminal is written over whenever it has changed, and only then."""
    out, clock = Terminal(), Clock()
    long_run(out, clock)
    shown = out.getvalue().split("\r\x1b[K")
    assert len(set(shown)) == len(shown)
    left = [line.split()[2] for line in shown if line.startswith("[1/2]  about")]
    assert left[:3] == ["3", "2", "85"]
    assert left[2:] == [str(seconds) for seconds in range(85, 10, -5)]
    assert all(line.endswith("integrate pic r") for line in shown if line.startswith("[1/2]  a"))


def test_overrun_step_gets_a_new_line():
    """A step that takes far longer than before is noticed: the line that proved wrong is replaced.

    The time left that is told never runs out while the step is running.
    """
    out, clock = io.StringIO(), Clock()
    work = Workload({"i.fits": Work("integrate", 20.0)}, {"integrate": 1.0}, 1)
    progress = Progress(out, clock=clock, workload=work)
    begin(progress, integrate=1)
    fields = {"rule_name": "integrate", "wildcards": {}, "output": ["i.fits"], "threads": 1}
    progress.take(record(event="job_info", jobid=1, **fields))
    pass_time(progress, clock, 120)
    told = [line.split()[2:4] for line in out.getvalue().splitlines()[1:]]
    assert told[0] == ["10", "s"]
    assert all(int(number) >= 2 for number, _ in told)
    assert int(told[-1][0]) >= 15
    assert 4 <= len(told) <= 12


def test_many_running_jobs_are_counted_in_a_log():
    """A line names those that have run longest, and counts the others."""
    out, clock = io.StringIO(), Clock()
    progress = Progress(out, clock=clock)
    begin(progress, measure=8)
    for jobid in range(6):
        progress.take(job(jobid, "measure", channel="ha", night=jobid))
    pass_time(progress, clock, 11)
    assert out.getvalue().splitlines()[1:] == [
        "[0/8]  measure ha 0, measure ha 1, measure ha 2, 3 more"
    ]


def test_no_line_is_renewed_after_an_interruption(monkeypatch):
    """Who has pressed Ctrl-C waits for the end alone."""
    out, clock = io.StringIO(), Clock()
    progress = Progress(out, clock=clock)
    begin(progress, measure=1)
    progress.take(job(1, "measure"))
    monkeypatch.setattr(progress_module, "INTERRUPTED", threading.Event())
    progress_module.INTERRUPTED.set()
    pass_time(progress, clock, 60)
    assert out.getvalue().splitlines()[1:] == []


def test_renewal_calls_until_it_is_stopped():
    """The function is called again and again, also after it has failed, and not after the stop."""
    calls, enough = [], threading.Event()

    def call():
        calls.append(1)
        if len(calls) >= 3:
            enough.set()
        raise OSError

    renewal = Renewal(call, 0.001)
    renewal.start()
    renewal.start()
    assert enough.wait(60)
    renewal.stop()
    count = len(calls)
    renewal.start()
    assert len(calls) == count


def test_handler_renews_while_jobs_are_running(monkeypatch):
    """The handler starts the renewal with the first job, and ends it when it is closed."""
    done = []
    monkeypatch.setattr(Renewal, "start", lambda self: done.append("start"))
    monkeypatch.setattr(Renewal, "stop", lambda self: done.append("stop"))
    handler = LogHandler.__new__(LogHandler)
    logging.Handler.__init__(handler)
    handler.common_settings = None
    handler.__post_init__()
    handler.emit(record("Workflow has started!", event="workflow_started"))
    assert done == []
    handler.emit(job(1))
    assert done == ["start"]
    handler.close()
    assert done == ["start", "stop"]


def test_on_a_terminal_the_line_is_written_over():
    """On a terminal progress takes one line, which names what runs, and leaves only the end."""
    out, clock = Terminal(), Clock()
    progress = Progress(out, clock=clock)
    begin(progress, integrate=2)
    progress.take(job(1, channel="ha"))
    progress.take(job(2, channel="g"))
    clock.now = 4.0
    progress.take(finished(1))
    progress.finish()
    shown = out.getvalue().split("\r\x1b[K")
    assert "[0/2]  integrate ha, integrate g" in shown
    assert "[1/2]  about 1 s left  integrate g" in shown
    assert shown[-1] == "[1/2] done in 4 s\n"


def test_failure_gives_the_reason_and_the_log(tmp_path):
    """A failed job is told with the last meaningful line of its log, and where that is."""
    log = tmp_path / "integrate.log"
    log.write_text(
        "Traceback (most recent call last):\n  File 'x.py', line 3\n"
        "platefiles.core.errors.UserError: Channel g: only 2 subs are left, 3 are needed.\n\n",
        encoding="utf-8",
    )
    out = io.StringIO()
    progress = Progress(out)
    begin(progress, integrate=1)
    progress.take(job(1, channel="g"))
    error = {"event": "job_error", "jobid": 1, "rule_name": "integrate", "log": [str(log)]}
    progress.take(record("Error in rule", logging.ERROR, **error))
    for echo in ("Exiting because a job execution failed. Look above", "RuleException: x"):
        progress.take(record(echo, logging.ERROR))
    progress.finish()
    assert out.getvalue().splitlines()[1:] == [
        "FAILED: integrate g: Channel g: only 2 subs are left, 3 are needed.",
        f"        log: {log}",
        "1 job failed, 0 done. After the cause is removed, the same command resumes.",
    ]


def test_interruption_is_no_failure(monkeypatch):
    """After Ctrl-C the jobs that it ended are not told as failures."""
    monkeypatch.setattr(progress_module, "INTERRUPTED", threading.Event())
    out, clock = io.StringIO(), Clock()
    progress = Progress(out, clock=clock)
    begin(progress, integrate=2)
    progress.take(job(1, channel="g"))
    progress.take(finished(1))
    progress_module.INTERRUPTED.set()
    error = {"event": "job_error", "jobid": 2, "rule_name": "integrate", "log": []}
    progress.take(record("Error in rule", logging.ERROR, **error))
    progress.finish()
    progress.finish()  # logging closes its handlers more than once
    assert out.getvalue().splitlines()[1:] == ["[1/2] done in 0 s"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "ProtectedOutputException in rule measure in file x.smk, line 10:\n"
            "Write-protected output files for rule measure:\n    output: a.fits\n"
            "    affected files:\n        results/a.fits\n        results/b.fits",
            "results/a.fits is write-protected (with 1 more); make it writable (chmod u+w) and "
            "run again",
        ),
        (
            "Traceback (most recent call last):\n\n  File 'x.py', line 3\n\n"
            "PermissionError: [Errno 13] Permission denied: '/a b/.snakemake'",
            "/a b/.snakemake: Permission denied; correct it and run again",
        ),
        (
            "WorkflowError:\nOSError: [Errno 30] Read-only file system: 'results/a.tsv'",
            "results/a.tsv: Read-only file system; correct it and run again",
        ),
        (
            "WorkflowError:\nError recording metadata for finished job ([Errno 28] No space left "
            "on device). Please ensure write permissions for the directory /a/.snakemake",
            "/a/.snakemake: No space left on device; correct it and run again",
        ),
        ("Traceback (most recent call last):\n\nKeyError: 'x'", None),
    ],
)
def test_what_the_system_refuses_to_snakemake_is_one_line(text, told):
    """Files that cannot be written are named with the remedy; other tracebacks stay whole."""
    out = io.StringIO()
    Progress(out).take(record(text, logging.ERROR))
    assert out.getvalue() == f"{told or text}\n"


@pytest.mark.parametrize(
    ("log", "reason"),
    [
        ("ValueError: empty\nlater noise\n", "ValueError: empty"),
        ("numpy.exceptions.AxisError: axis 3\n", "numpy.exceptions.AxisError: axis 3"),
        ("one\ntwo\n\n", "two"),
        ("INFO begun\nERROR raw.fits is cut short\n", "raw.fits is cut short"),
        ("ERROR failed\nTraceback\nValueError: 3\nINFO ended\n", "ValueError: 3"),
        ("INFO a sub was measured\n", ""),
        ("", ""),
        ("\xff\xfe bytes", "\xff\xfe bytes"),
    ],
)
def test_reason_is_the_last_exception_or_the_last_line(tmp_path, log, reason):
    """The reason is the exception that was raised last; without one, the last words."""
    path = tmp_path / "job.log"
    path.write_text(log, encoding="utf-8")
    assert reason_in_logs([str(tmp_path / "missing.log"), str(path)]) == reason


def test_snakemake_notes_are_left_away_and_ours_are_shown():
    """Snakemake's notes for workflow writers do not reach users; the workflow's own do."""
    out = io.StringIO()
    progress = Progress(out)
    progress.take(record("Building DAG of jobs..."))
    progress.take(
        record("no flats, so the uneven light stays", logging.WARNING, "/x/snakemake/Snakefile")
    )
    begin(progress, measure=1)
    shared = f"{PACKAGES}/snakemake_interface_executor_plugins/executors/real.py"
    progress.take(record("Failed to set marker file for job started ([Errno 28])", path=shared))
    progress.take(record("Using shell: /usr/bin/bash"))
    progress.take(record("rule x has no metadata", logging.WARNING))
    assert out.getvalue().splitlines() == [
        "no flats, so the uneven light stays",
        "To do: 1 job: measure",
    ]


def test_errors_are_always_shown():
    """An error that belongs to no job is shown as it is."""
    out = io.StringIO()
    progress = Progress(out)
    progress.take(record("MissingInputException: bias.fits", logging.ERROR, event="error"))
    progress.finish()
    assert out.getvalue() == "MissingInputException: bias.fits\n"


def test_what_the_system_refuses_to_snakemake_is_the_reason():
    """Where a full disk keeps a job from being started, its log is empty; Snakemake knows."""
    out = io.StringIO()
    progress = Progress(out)
    begin(progress, measure=1)
    progress.take(job(1, "measure"))
    echo = "RuleException:\nOSError in file x, line 3:\n[Errno 28] No space left on device\n  a"
    progress.take(record(echo, logging.ERROR))
    progress.take(record("Error", logging.ERROR, event="job_error", jobid=1, rule_name="measure"))
    assert out.getvalue().splitlines()[1:] == ["FAILED: measure: No space left on device"]


def test_errors_of_the_system_have_no_number(tmp_path):
    """Neither the last line of a log that a full disk cut, nor what the executor reports."""
    log = tmp_path / "a.log"
    log.write_text("INFO 3 subs\nERROR failed\nOSError: [Errno 28] No space left on device\n")
    assert reason_in_logs([str(log)]) == "No space left on device"
    out = io.StringIO()
    progress = Progress(out)
    begin(progress, measure=1)
    progress.take(job(1, "measure"))
    told = "[Errno 28] No space left on device"
    progress.take(record("", event="job_error", jobid=1, rule_name="measure", rule_msg=told))
    assert "FAILED: measure: No space left on device" in out.getvalue().splitlines()


def test_missing_input_is_named(tmp_path):
    """Where Snakemake waited in vain for raw frames, the first is named, and the project."""
    links = tmp_path / "results" / "tiny" / "links"
    links.mkdir(parents=True)
    (links / "link.fits").symlink_to(tmp_path / "raw" / "a.fits")
    out = io.StringIO()
    progress = Progress(out)
    begin(progress, measure=1)
    text = (
        "WorkflowError in rule master_flat in file x.smk, line 56:\n"
        "OSError: Missing files after 5 seconds. This might be due to filesystem latency. If that "
        f"is so:\n{links}/link.fits (missing locally, parent dir contents: link.fits, b.fits)\n"
        f"{links}/b.fits (missing locally, parent dir contents: link.fits, b.fits)"
    )
    progress.take(record(text, logging.ERROR))
    progress.finish()
    assert out.getvalue().splitlines()[1:] == [
        f"FAILED: master flat tiny: {tmp_path}/raw/a.fits is missing (with 1 more); "
        "is its disk mounted?",
        "1 job failed, 0 done. After the cause is removed, the same command resumes.",
    ]


def test_failed_jobs_of_a_group_name_their_project():
    """Jobs that were sent off together are told one by one, each with its project."""
    out = io.StringIO()
    progress = Progress(out)
    begin(progress, measure=1)
    info = {"rule_name": "measure", "jobid": 3, "log": ["results/tiny/logs/measure/ha_n.log"]}
    progress.take(record("Error", logging.ERROR, event="group_error", job_error_info=[info]))
    assert "FAILED: measure tiny: see its log" in out.getvalue().splitlines()


def test_echo_without_a_failed_job_is_shown_at_the_end():
    """A failure that no job line has told of is not swallowed."""
    out = io.StringIO()
    progress = Progress(out)
    progress.take(record("RuleException in line 4: no such wildcard", logging.ERROR))
    assert out.getvalue() == ""
    progress.finish()
    assert out.getvalue() == "RuleException in line 4: no such wildcard\n"


def test_nothing_to_do_is_said_in_words():
    """A run without new work says so in a line."""
    out = io.StringIO()
    progress = Progress(out)
    progress.take(record("Workflow has started!", event="workflow_started"))
    progress.take(record("Nothing to be done (all requested files are present)."))
    progress.finish()
    assert out.getvalue() == "Nothing new to do.\n"


def test_other_uses_of_snakemake_keep_their_words():
    """What lint or unlock say is shown, because no run has begun."""
    out = io.StringIO()
    progress = Progress(out)
    progress.take(record("Unlocked working directory."))
    progress.finish()
    assert out.getvalue() == "Unlocked working directory.\n"


def test_dry_run_lists_jobs_with_their_reasons():
    """A dry run says of each job why it would run, and the total once."""
    out = io.StringIO()
    progress = Progress(out, dry_run=True)
    begin(progress, integrate=1)
    progress.take(job(1, channel="ha"))
    progress.take(record("Job stats:", event="run_info", stats={"integrate": 1, "total": 1}))
    progress.finish()
    assert out.getvalue() == "To do: 1 job: integrate\n  integrate ha  (new)\n"


class Broken(io.StringIO):
    """A stream whose other end is gone."""

    def write(self, text):
        """Fail as a closed pipe does."""
        raise BrokenPipeError


def test_handler_never_raises(monkeypatch):
    """Neither odd records nor a closed stream can stop a run."""
    monkeypatch.setattr("sys.stderr", Broken())
    handler = LogHandler(None, None)
    handler.emit(record("an error", logging.ERROR))
    handler.emit(record(event="job_info"))
    handler.emit(record(event="run_info", stats={"x": "many"}))
    handler.emit(record(event="job_error"))
    handler.emit(record("%d subs", logging.ERROR, args=("three",)))
    handler.close()


# Rounding as people do it: common practice, no source.
@pytest.mark.parametrize(
    ("seconds", "said"), [(0.4, "0 s"), (89, "89 s"), (100, "2 min"), (7500, "2 h 5 min")]
)
def test_durations_are_said_as_people_do(seconds, said):
    """Durations have no more digits than they need."""
    assert duration(seconds) == said


@pytest.mark.parametrize("stream", [io.StringIO, Terminal])
def test_lines_fit_narrow_consoles(monkeypatch, stream):
    """In 60 columns all lines end at words, those that are written over as well."""
    monkeypatch.setenv("COLUMNS", "60")
    out, clock = stream(), Clock()
    progress = Progress(out, clock=clock)
    begin(progress, master_dark=3, measure=2, integrate=2, find_zero_points=1, draw_picture=4)
    night = "2026-03-24"
    progress.take(job(1, "measure", project="tiny", channel="luminance", night=night))
    progress.take(job(2, "measure", project="tiny", channel="hydrogen", night=night))
    clock.now = 20.0
    progress.take(finished(1))
    progress.finish()
    shown = out.getvalue().replace("\r\x1b[K", "\n").splitlines()
    assert max(map(len, shown)) <= 60
    words = {word.rstrip("…") for line in shown for word in line.split()}
    known = (
        "To do: 12 jobs: master dark x 3, measure 2, integrate find zero points, draw picture 4 "
    )
    known += f"about min left tiny luminance hydrogen {night} {night}, [0/12] [1/12] done in 20 s 4"
    known += " minutes"
    assert words - {w for w in words if w.isdigit()} <= {*known.split()}
