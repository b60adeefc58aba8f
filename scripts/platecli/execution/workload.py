"""Estimate the work of the jobs of a run, from their input and the durations of earlier jobs."""

import csv
import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from platecli.text.outlook import Outlook
from platefiles.plan.project_plan import ProjectPlan
from platefiles.workflow.graph import Product
from snakemake_logger_plugin_platelog.time_left import TimeLeft, Work, Workload

_JOB_S = 0.2
"""Processor seconds of a job that has nothing to do: a fork, a header, a record."""

_FRAME_S = {
    "master_bias": 0.003,
    "master_dark": 0.004,
    "master_flat": 0.004,
    "measure_stars": 0.005,
    "find_cosmic_rays": 0.012,
    "register": 0.002,
    "integrate_night": 0.015,
    "integrate": 0.015,
    "calibrate_sub": 0.03,
    "register_sub": 0.05,
    "draw_blink": 0.015,
}
"""Processor seconds for each frame and megapixel, to some tens of per cent; the order of size is
what counts, since measured times correct it."""

_PIXEL_S = {
    "subtract_gradient": 0.03,
    "match_channel": 0.5,
    "subtract_continuum": 0.3,
    "map_channels": 0.25,
    "draw_picture": 0.06,
    "encode_picture": 0.04,
    "contact_sheet": 0.03,
    "find_zero_points": 0.01,
    "measure_depth": 0.3,
    "identify_sources": 0.27,
    "annotate": 0.15,
    "overlay": 0.5,
    "solve_astrometry": 0.01,
}
"""Processor seconds for each megapixel of the grid, of the rules that work on whole images."""


def workload(outlooks: Iterable[Outlook], cores: int) -> Workload:
    """Return the jobs of a run with their costs, and the rates of earlier runs.

    The benchmark files beside the results tell how long each job took when it was run last; the
    rate of a rule is the sum of these times over the sum of expected costs of the same jobs.

    Parameters
    ----------
    outlooks : iterable of Outlook
        The projects. The working directory must be the folder of their results.
    cores : int
        Processors of the run.
    """
    return _workload(((one.plan, one.products, one.to_make) for one in outlooks), cores)


@dataclass(frozen=True)
class MakingTime:
    """How long a run takes to make some products.

    Attributes
    ----------
    seconds : float
        Of the rules whose jobs were timed in earlier runs; NaN if there are none.
    untimed : tuple of str
        The other rules.
    """

    seconds: float
    untimed: tuple[str, ...] = ()


def making_time(
    plan: ProjectPlan, products: Mapping[str, Product], to_make: Sequence[Product], cores: int
) -> MakingTime:
    """Estimate the time that a run takes to make some products, from earlier jobs.

    Parameters
    ----------
    plan : ProjectPlan
    products : mapping of str to Product
        All products of the project, by path.
    to_make : sequence of Product
    cores : int
        Processors of the run.
    """
    work = _workload([(plan, products, to_make)], cores)
    timed = {path: job for path, job in work.jobs.items() if job.rule in work.factors}
    rules = {product.rule: None for product in to_make if product.rule not in work.factors}
    if rules and not timed:
        return MakingTime(math.nan, tuple(rules))
    return MakingTime(TimeLeft(Workload(timed, work.factors, cores)).seconds(0.0), tuple(rules))


def _workload(
    projects: Iterable[tuple[ProjectPlan, Mapping[str, Product], Sequence[Product]]], cores: int
) -> Workload:
    """Return the jobs of some products of projects, and the rates of earlier runs."""
    jobs: dict[str, Work] = {}
    took: dict[str, tuple[float, float]] = {}
    for plan, products, to_make in projects:
        costs = _Costs(plan)
        for product in to_make:
            near = (*product.inputs, *product.consulted)
            jobs[product.path] = Work(product.rule, costs.of(product), product.threads, near)
        rules = {product.rule for product in to_make}
        for product in products.values():
            seconds = _took(product, cores) if product.rule in rules else 0.0
            if seconds:
                measured, expected = took.get(product.rule, (0.0, 0.0))
                took[product.rule] = measured + seconds, expected + costs.of(product)
    factors = {rule: measured / expected for rule, (measured, expected) in took.items()}
    return Workload(jobs, factors, cores)


class _Costs:
    """Expected processor seconds of the jobs of a project."""

    def __init__(self, plan: ProjectPlan) -> None:
        self._masters = plan.masters
        lights = [frame for frame in plan.frames if frame.role == "light"]
        self._lights = Counter(f"{frame.channel} {frame.night}" for frame in lights)
        self._lights += Counter({channel: _samples(plan, channel) for channel in plan.channels})
        self._mpx = max((f.width_px * f.height_px for f in lights), default=0) / 1e6

    def of(self, product: Product) -> float:
        """Return the cost of making a product, s."""
        if product.step not in _FRAME_S:
            return _JOB_S + _PIXEL_S.get(product.step, 0.0) * self._mpx
        group = self._masters.get(product.about)
        frames = len(group.frame_ids) if group else self._lights.get(product.about, 1)
        return _JOB_S + _FRAME_S[product.step] * self._mpx * frames


def _samples(plan: ProjectPlan, channel: str) -> int:
    """Return how many images are combined to a channel: subs, and stacks of nights."""
    return len(plan.lights_merged(channel)) + len(plan.nights_alone(channel))


def _took(product: Product, cores: int) -> float:
    """Return the processor seconds that a job's last run occupied; 0 if unknown.

    A job with several threads occupies its processors also while some of them have nothing to do,
    as in `TimeLeft`. That run is taken to have had as many processors as this one, unless its
    processor time shows that it had more.
    """
    with suppress(OSError, ValueError, TypeError, KeyError, StopIteration):
        with open(product.benchmark, encoding="utf-8") as stream:
            row = next(csv.DictReader(stream, delimiter="\t"))
        wall = float(row["s"])
        busy = float(row["cpu_time"]) if product.threads > 1 else 0.0
        if 0 < wall < math.inf and 0 <= busy < math.inf:
            return max(wall * min(product.threads, cores), busy)
    return 0.0
