import heapq
import random

import numpy as np
import pytest
from unit.logger.test_logger import Clock, Terminal, begin, finished, record

from snakemake_logger_plugin_platelog.progress import Progress
from snakemake_logger_plugin_platelog.time_left import TimeLeft, Work, Workload
from snakemake_logger_plugin_platelog.words import rounded

COSTS = {
    "master_flat": 2.0,
    "measure": 8.0,
    "register": 0.5,
    "integrate": 30.0,
    "draw_picture": 4.0,
}
THREADS = {"measure": 2, "integrate": 8}


def field(channels=4, nights=5):
    """Jobs of a project: flats and measuring by night, then channels, then pictures of all."""
    jobs = {}

    def add(name, rule, *after, size=1.0):
        jobs[name] = Work(rule, COSTS[rule] * size, THREADS.get(rule, 1), after)

    for channel in range(channels):
        for night in range(nights):
            size = 0.2 + (channel + 2 * night) % 5
            add(f"flat {channel} {night}", "master_flat")
            add(f"measure {channel} {night}", "measure", f"flat {channel} {night}", size=size)
        below = [f"measure {channel} {night}" for night in range(nights)]
        add(f"register {channel}", "register", *below)
        add(f"integrate {channel}", "integrate", f"register {channel}", size=1 + channel)
    every = [f"integrate {channel}" for channel in range(channels)]
    for name in ("png", "jpg", "tif"):
        add(name, "draw_picture", *every)
    return jobs


def events(jobs, seconds, cores):
    """Yield (time, whether it starts, job) of a run that takes jobs in their order as they fit."""
    done, started, busy, free, now = set(), set(), [], cores, 0.0
    while len(done) < len(jobs):
        for name, work in jobs.items():
            need = min(work.threads, cores)
            if name not in started and done >= {*work.after} and need <= free:
                started.add(name)
                free -= need
                heapq.heappush(busy, (now + seconds[name], name))
                yield now, True, name
        now, name = heapq.heappop(busy)
        free += min(jobs[name].threads, cores)
        done.add(name)
        yield now, False, name


def shown(jobs, seconds, cores, factors):
    """Return the whole time of a run, and what is shown at each of its hundredths."""
    log = list(events(jobs, seconds, cores))
    total, left, told = log[-1][0], TimeLeft(Workload(jobs, factors, cores)), []
    moments = [total * percent / 100 for percent in range(1, 100)]
    for now, starts, name in log:
        while moments and moments[0] < now:
            told.append(left.shown(moments.pop(0)))
        if starts:
            left.start(name, jobs[name], now)
        else:
            left.finish(name, now)
    return total, told + [left.shown(moment) for moment in moments]


def drawn(jobs, factors, seed, scatter=0.2, cores=4):
    """Draw how long each job takes: its cost, the factor of its rule, and a scatter."""
    chance = random.Random(seed)
    return {
        name: work.cost_s * factors[work.rule] * chance.lognormvariate(0, scatter)
        / min(work.threads, cores)
        for name, work in jobs.items()
    }  # fmt: skip


PERCENTS = (20, 50, 80)


def ratios(prior, true, cores, scatter=0.1, seeds=12):
    """Return shown over true time left at 20, 50 and 80 % of runs, and their worst steps upwards.

    `true` gives the factors of the rules for a seed.
    """
    found, ups = [], []
    for seed in range(seeds):
        jobs = field()
        total, told = shown(jobs, drawn(jobs, true(seed), seed, scatter, cores), cores, prior)
        found.append([told[p - 1] / (total * (100 - p) / 100) for p in PERCENTS])
        steps = [max(b - a, 0.0) / total for a, b in zip(told, told[1:], strict=False)]
        ups.append((max(steps), sum(steps)))
    return np.array(found), np.array(ups).max(axis=0)


@pytest.mark.parametrize("cores", [1, 4, 16])
def test_known_rates_tell_the_time(cores):
    """With rates of earlier runs it is right to a tenth in the median, to a fifth at 20 % always.

    Later a single job that scatters by a tenth is a large part of what is left.
    """
    factors = {"master_flat": 2.0, "measure": 0.4, "register": 3.0, "integrate": 1.5}
    factors["draw_picture"] = 0.7
    found, (step, rise) = ratios(factors, lambda seed: factors, cores)
    np.testing.assert_allclose(np.median(found, axis=0), 1.0, atol=0.1)
    assert (abs(found[:, 0] - 1) < 0.2).all()
    assert (abs(found - 1) * (1 - np.array(PERCENTS) / 100) < 0.15).all()  # of the whole run
    assert step < 0.02
    assert rise < 0.1


@pytest.mark.parametrize("slower", [0.4, 2.5])
def test_busy_machine_is_noticed(slower):
    """On a machine that is slower or faster than before, the run's own speed corrects all rates."""
    prior, true = dict.fromkeys(COSTS, 1.0), dict.fromkeys(COSTS, slower)
    found, (step, rise) = ratios(prior, lambda seed: true, 4)
    np.testing.assert_allclose(np.median(found, axis=0), 1.0, atol=0.15)
    assert found.max() < 1.35
    assert found.min() > 0.7
    assert step < 0.05
    assert rise < 0.25


def test_first_run_learns_its_rates():
    """With costs that are wrong by up to 2 either way it is within a factor of 1.8 from 20 % on."""

    def true(seed):
        chance = random.Random(100 + seed)
        return {rule: 3 * 2 ** chance.uniform(-1, 1) for rule in COSTS}

    found, (step, rise) = ratios({}, true, 4)
    np.testing.assert_allclose(np.median(found, axis=0), 1.0, atol=0.15)
    assert found.max() < 1.8
    assert found.min() > 1 / 1.8
    assert step < 0.06
    assert rise < 0.6


def test_counts_of_jobs_would_not_do():
    """Where few jobs take most of the time, jobs done per second are far off, and rates are not."""
    jobs, factors = field(), dict.fromkeys(COSTS, 1.0)
    seconds = drawn(jobs, factors, 1)
    total, told = shown(jobs, seconds, 4, factors)
    done = sum(not starts for now, starts, _ in events(jobs, seconds, 4) if now < 0.5 * total)
    by_counts = 0.5 * total / done * (len(jobs) - done)
    assert by_counts < 0.25 * total  # half of the time is left
    assert 0.42 * total < told[49] < 0.6 * total


def test_job_that_overruns_pushes_the_end_steadily():
    """While a job goes on for longer than expected, what is left grows slowly and never is 0."""
    left = TimeLeft(Workload({"a": Work("integrate", 10.0)}, {"integrate": 1.0}, 1))
    left.start("a", Work("integrate", 10.0), 0.0)
    told = [left.shown(float(now)) for now in range(1, 100)]
    assert min(told) > 0
    assert max(b - a for a, b in zip(told[10:], told[11:], strict=False)) < 1.0
    assert told[-1] < 30


def test_failed_job_takes_along_what_waits_for_it():
    """What can not be made any more in this run is no time to wait for."""
    jobs = field(channels=2, nights=1)
    left = TimeLeft(Workload(jobs, dict.fromkeys(COSTS, 1.0), 1))
    whole = left.seconds(0.0)
    left.start("flat 0 0", jobs["flat 0 0"], 0.0)
    left.fail("flat 0 0")
    rest = sum(jobs[name].cost_s for name in jobs if name.split()[1:2] == ["1"])
    assert left.seconds(0.0) == pytest.approx(rest)
    assert whole > rest


def test_thousands_of_jobs_take_no_time(monkeypatch):
    """The estimate of 2500 jobs is made again at most twice a second."""
    jobs = field(channels=3, nights=417)
    left = TimeLeft(Workload(jobs, {}, 8))
    calls = []
    monkeypatch.setattr(left, "seconds", lambda now: calls.append(now) or 1000.0)
    for number in range(1000):
        left.shown(number / 100)
    assert len(calls) <= 21


def test_progress_line_knows_the_jobs_by_their_products():
    """Jobs are recognised by the files that they make; the estimate is there from the start."""
    out, clock = Terminal(), Clock()
    jobs = {"a.fits": Work("measure", 10.0), "b.fits": Work("measure", 90.0, 1, ("a.fits",))}
    progress = Progress(out, clock=clock, workload=Workload(jobs, {"measure": 2.0}, 4))
    begin(progress, measure=2)
    fields = {"event": "job_info", "rule_name": "measure", "wildcards": {}, "threads": 1}
    progress.take(record(jobid=7, output=["a.fits"], **fields))
    clock.now = 20.0
    progress.take(finished(7))
    progress.take(record(jobid=8, output=["b.fits"], **fields))
    shown = out.getvalue().split("\n")[1].split("\r\x1b[K")
    assert shown == ["[0/2]  about 3 min left  measure", "[1/2]  about 3 min left  measure"]


@pytest.mark.parametrize(
    ("seconds", "said"), [(0.2, "1 s"), (8.3, "8 s"), (43, "45 s"), (84, "85 s"), (100, "2 min")]
)
def test_estimates_have_few_digits(seconds, said):
    """No more than an estimate can know."""
    assert rounded(seconds) == said
