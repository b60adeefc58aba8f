"""The estimated time left of a run, from the measured rates of its jobs."""

import heapq
import itertools
import math
from collections import deque
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

_TRUST = 1.0
"""Weight of what is known of a rule from before this run, in jobs of usual size."""

_FIRST_S = 3.0
"""So many expected seconds must have run before this run's speed counts as much as the expected."""

_SCATTER, _OVERDUE = 0.08, 0.2
"""A job that reaches its expected time is taken to need this share of it still, and this share of
the time by which it is over. Of times that scatter normally by 10 %, those above the mean exceed it
by 8 % on average."""

_RELAX = 0.07
"""The estimate that is shown follows the newest within this share of the time left."""

_PATIENCE_S = 0.5
"""The estimate is not made again sooner: with thousands of jobs it takes some milliseconds."""


@dataclass(frozen=True)
class Work:
    """A job that a run is to do.

    Attributes
    ----------
    rule : str
    cost_s : float
        Processor seconds that it is expected to take, to a factor that jobs of a rule have in
        common.
    threads : int
        Processors that it can use.
    after : tuple of str
        Products of other jobs that it waits for.
    """

    rule: str
    cost_s: float
    threads: int = 1
    after: tuple[str, ...] = ()


@dataclass(frozen=True)
class Workload:
    """All jobs of a run, and the rates of earlier runs.

    Attributes
    ----------
    jobs : mapping of str to Work
        By product.
    factors : mapping of str to float
        By rule, processor seconds that its jobs took before over `Work.cost_s`.
    cores : int
        Processors of the run.
    """

    jobs: Mapping[str, Work] = field(default_factory=dict)
    factors: Mapping[str, float] = field(default_factory=dict)
    cores: int = 1


class TimeLeft:
    """Estimate of the time that a run will still take.

    The duration of a job is its expected cost times a factor of its rule: the ratio of measured to
    expected times of the rule's jobs, in this run and before. What is not measured yet in this run
    is corrected by how fast the run is in all, since the machine may be busier than it was before.
    The remaining jobs are then laid on the processors in the order in which they can start.

    Parameters
    ----------
    workload : Workload
    """

    def __init__(self, workload: Workload) -> None:
        self._jobs = dict(workload.jobs)
        self._factors = dict(workload.factors)
        self._cores = max(workload.cores, 1)
        usual = sorted(self._factors.values())
        self._usual = usual[len(usual) // 2] if usual else 1.0
        self._running: dict[str, float] = {}
        self._took: dict[str, tuple[float, float, int]] = {}  # by rule: measured, expected, jobs
        self._end = self._moved = math.nan

    def start(self, name: str, work: Work, now: float) -> None:
        """Note that a job starts; `work` describes one that the workload does not list."""
        known = self._jobs.get(name)
        if known is None or known.rule != work.rule:
            self._jobs[name] = work
        self._running[name] = now

    def finish(self, name: str, now: float) -> None:
        """Note that a job has succeeded, and update the rates by its duration."""
        begin, work = self._running.pop(name, None), self._jobs.pop(name, None)
        if begin is not None and work is not None:
            measured, expected, count = self._took.get(work.rule, (0.0, 0.0, 0))
            measured += (now - begin) * self._threads(work)
            self._took[work.rule] = (measured, expected + work.cost_s, count + 1)

    def fail(self, name: str) -> None:
        """Note that a job has failed: neither it nor what waits for it is done in this run."""
        self._running.pop(name, None)
        lost = {name}
        while lost:
            for one in lost:
                self._jobs.pop(one, None)
            lost = {other for other, work in self._jobs.items() if lost & {*work.after}}

    def seconds(self, now: float) -> float:
        """Return the newest estimate of the time left, s."""
        speed = self._speed(now)
        return _makespan(self._jobs, self._remaining(now, speed), self._running, self._cores)

    def shown(self, now: float) -> float:
        """Return an estimate that does not jump: it runs down, and follows the newest one, s."""
        if now - self._moved < _PATIENCE_S:
            return max(self._end - now, 0.0)
        newest = self.seconds(now)
        if math.isnan(self._end):
            self._end = now + newest
        else:
            share = 1 - math.exp(-(now - self._moved) / max(_RELAX * newest, 1e-6))
            self._end += (now + newest - self._end) * share
        self._moved = now
        return max(self._end - now, 0.0)

    def _threads(self, work: Work) -> int:
        return max(min(work.threads, self._cores), 1)

    def _expected(self, work: Work) -> float:
        """Processor seconds of a job by what was known before this run."""
        return work.cost_s * self._factors.get(work.rule, self._usual)

    def _speed(self, now: float) -> float:
        """Measured over expected times of this run; jobs that are overdue count already."""
        measured = expected = _FIRST_S
        for rule, (took, cost, _) in self._took.items():
            measured += took
            expected += cost * self._factors.get(rule, self._usual)
        for name, begin in self._running.items():
            work = self._jobs[name]
            if (took := (now - begin) * self._threads(work)) > self._expected(work):
                measured += took
                expected += self._expected(work)
        return measured / expected

    def _remaining(self, now: float, speed: float) -> dict[str, float]:
        """Seconds that each job still takes."""
        factors = {}
        for rule, (took, cost, count) in self._took.items():
            prior = _TRUST * cost / count
            known = self._factors.get(rule, self._usual) * speed
            factors[rule] = (took + prior * known) / (cost + prior)
        left = {}
        for name, work in self._jobs.items():
            factor = factors.get(work.rule)
            usual = (work.cost_s * factor if factor else self._expected(work)) / self._threads(work)
            seconds = usual if factor else usual * speed
            if name in self._running:
                elapsed = now - self._running[name]
                late = _SCATTER * seconds + _OVERDUE * (elapsed - usual)
                seconds = max(seconds - elapsed, late)
            left[name] = seconds
        return left


def _makespan(
    jobs: Mapping[str, Work],
    seconds: Mapping[str, float],
    running: Collection[str],
    cores: int,
) -> float:
    """Return when the last job ends if each starts as soon as it can (list scheduling), s.

    References
    ----------
    R. L. Graham (1969), "Bounds on multiprocessing timing anomalies", SIAM J. Appl. Math. 17, 416.
    """
    waits = {name: {path for path in work.after if path in jobs} for name, work in jobs.items()}
    followers: dict[str, list[str]] = {}
    for name, below in waits.items():
        for path in below:
            followers.setdefault(path, []).append(name)
    order = itertools.count()
    ready: dict[int, deque[tuple[int, str]]] = {}  # by threads, so that none is tried in vain

    def add(name: str) -> None:
        ready.setdefault(min(jobs[name].threads, cores), deque()).append((next(order), name))

    for name, below in waits.items():
        if not below and name not in running:
            add(name)
    busy = [(seconds[name], name) for name in running]
    heapq.heapify(busy)
    free = cores - sum(min(jobs[name].threads, cores) for name in running)
    clock = 0.0
    while busy or any(ready.values()):
        while fitting := [
            (queue[0], need) for need, queue in ready.items() if queue and need <= free
        ]:
            (_, name), need = min(fitting)
            ready[need].popleft()
            heapq.heappush(busy, (clock + seconds[name], name))
            free -= need
        clock, done = heapq.heappop(busy)
        free += min(jobs[done].threads, cores)
        for name in followers.get(done, ()):
            waits[name].discard(done)
            if not waits[name] and name not in running:
                add(name)
    return clock


def counted(rules: Iterable[tuple[str, int]]) -> dict[str, Work]:
    """Return jobs of which no more is known than how many there are of each rule."""
    return {f"{rule} {n}": Work(rule, 1.0) for rule, many in rules for n in range(many)}
