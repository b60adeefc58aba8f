"""The figures of the benchmark as tables to read and as JSON."""

import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Protocol, TypeVar

from comparison import Floor, GrowthStep, Run, StepCost
from meter import Usage

MB = 1e6


class Measured(Protocol):
    """A run of a command."""

    usage: Usage


AnyRun = TypeVar("AnyRun", bound=Measured)


@dataclass(frozen=True)
class RawSet:
    """The raw frames that were drawn: numbers, size of a frame, bytes, seconds to draw them."""

    lights: int
    calibration_frames: int
    width_px: int
    height_px: int
    size_bytes: int
    drawn_s: float


@dataclass(frozen=True)
class Outcome:
    """All that the benchmark found; lists are empty where a part was not asked for.

    Attributes
    ----------
    raw : RawSet
    processors : int
    loads : tuple of float
        Processes that ran or waited in the minute before the first run, and in the last minute.
    chain, ours : list of Run
    floor : Floor
    growth : list of GrowthStep
    """

    raw: RawSet
    processors: int
    loads: tuple[float, float]
    chain: list[Run]
    ours: list[Run]
    floor: Floor
    growth: list[GrowthStep] = field(default_factory=list)


FIGURES: dict[str, tuple[str, str, Callable[[Run], float]]] = {
    "wall_s": ("time", "s", lambda run: run.usage.wall_s),
    "cpu_s": ("processor time", "s", lambda run: run.usage.cpu_s),
    "private_mb": ("private memory, peak", "MB", lambda run: run.usage.private_bytes / MB),
    "anonymous_mb": ("  anonymous part", "MB", lambda run: run.usage.anonymous_bytes / MB),
    "scratch_mb": ("scratch files, peak", "MB", lambda run: _files_mb(run, "scratch")),
    "masters_mb": ("masters", "MB", lambda run: _files_mb(run, "masters")),
    "product_mb": ("product", "MB", lambda run: _files_mb(run, "product")),
    "used": ("lights used", "", lambda run: run.used),
}


_TIMES = ("wall_s", "cpu_s")
_GROWING: dict[str, Callable[[Usage], float]] = {
    "wall_s": lambda usage: usage.wall_s,
    "cpu_s": lambda usage: usage.cpu_s,
    "private_mb": lambda usage: usage.private_bytes / MB,
    "anonymous_mb": lambda usage: usage.anonymous_bytes / MB,
    "scratch_mb": lambda usage: usage.file_bytes["scratch"] / MB,
}


def as_json(outcome: Outcome) -> dict[str, Any]:
    """Return everything that was found: medians, ratios and each run.

    Parameters
    ----------
    outcome
        What was found.
    """
    ours = _medians(outcome.ours)
    chain = _medians(outcome.chain) if outcome.chain else None
    wall_s = ours["wall_s"]
    return {
        "raw": asdict(outcome.raw),
        "machine": {"processors": outcome.processors, "loads": outcome.loads},
        "platelog": ours | {"runs": [asdict(run) for run in outcome.ours]},
        "libraries": chain and chain | {"runs": [asdict(run) for run in outcome.chain]},
        "ratios": chain
        and {n: ratio(chain[n], ours[n]) for n, (_, unit, _) in FIGURES.items() if unit},
        "floor": asdict(outcome.floor)
        | {
            "times_warm": ratio(wall_s, outcome.floor.warm_s),
            "times_cold": ratio(wall_s, outcome.floor.cold_s),
        },
        "steps": {name: asdict(cost) for name, cost in median_run(outcome.ours).steps.items()},
        "growth": growth_rows(outcome.growth) if outcome.growth else [],
        "growth_law": growth_law(outcome.growth) if outcome.growth else None,
    }


def as_text(outcome: Outcome) -> str:
    """Return the tables to be read.

    Parameters
    ----------
    outcome
        What was found.
    """
    raw, floor = outcome.raw, outcome.floor
    found, typical = as_json(outcome), median_run(outcome.ours)
    lines = [
        f"{raw.lights} lights and {raw.calibration_frames} calibration frames of "
        f"{raw.width_px} x {raw.height_px} px, {raw.size_bytes / 1e9:.2f} GB, drawn in "
        f"{raw.drawn_s:.0f} s",
        f"{outcome.processors} processors, load {outcome.loads[0]:.1f} before the first run and "
        f"{outcome.loads[1]:.1f} after the last",
        "",
        *_side_by_side(outcome),
        "",
        *meter_lines([run.usage for run in outcome.ours]),
        "",
        *step_table(typical.usage.cpu_s, typical.steps),
        "",
        "Floor: the raw frames read once and a float32 image written",
        *floor_lines(floor, found["platelog"]["wall_s"]),
    ]
    if outcome.growth:
        lines += ["", *_growth_table(outcome.growth)]
    return "\n".join(lines)


def growth_rows(steps: Sequence[GrowthStep]) -> list[dict[str, float]]:
    """Return the rows of the growth table: medians, and what is left for a sub.

    Parameters
    ----------
    steps
        Measured steps with growing numbers of subs.
    """
    law = growth_law(steps)
    rows = []
    for step in steps:
        row: dict[str, float] = {"subs": step.subs}
        for name, figure in _GROWING.items():
            row[name] = statistics.median(figure(usage) for usage in step.usages)
        for name in _TIMES:
            row[f"{name}_per_sub"] = row[name] / step.subs
            row[f"{name}_per_sub_less_fixed"] = (row[name] - law[name]["fixed"]) / step.subs
        rows.append(row)
    return rows


def growth_law(steps: Sequence[GrowthStep]) -> dict[str, dict[str, float]]:
    """Return how cost grows with the number of subs.

    Parameters
    ----------
    steps
        Measured steps with growing numbers of subs.

    Returns
    -------
    dict
        Of time and processor time: ``fixed`` and ``per_sub`` of the straight line through all runs
        (least squares, seconds), and by how much of its mean the time a sub less the fixed part is
        ``spread`` between the steps. Of memory the spread alone.
    """
    law: dict[str, dict[str, float]] = {}
    for name, figure in _GROWING.items():
        medians = [statistics.median(figure(usage) for usage in step.usages) for step in steps]
        law[name] = {}
        fixed, numbers = 0.0, [1] * len(steps)
        if name in _TIMES:
            numbers = [step.subs for step in steps]
            points = [(step.subs, figure(usage)) for step in steps for usage in step.usages]
            slope, fixed = straight_line(points)
            law[name] = {"fixed": fixed, "per_sub": slope}
        each = [(value - fixed) / n for value, n in zip(medians, numbers, strict=True)]
        law[name]["spread"] = ratio(max(each) - min(each), statistics.fmean(each))
    return law


def straight_line(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return slope and intercept of the straight line by least squares."""
    if len({x for x, _ in points}) < 2:
        return 0.0, statistics.fmean(y for _, y in points)
    line = statistics.linear_regression(*zip(*points, strict=True))
    return line.slope, line.intercept


def _side_by_side(outcome: Outcome) -> list[str]:
    """Return the lines that compare the chain with the command."""
    head = f"{'':<22}{'libraries':>26}{'platelog':>26}{'ratio':>9}"
    lines = [head if outcome.chain else f"{'':<22}{'platelog':>26}"]
    for label, unit, figure in FIGURES.values():
        ours, chain = [figure(run) for run in outcome.ours], [figure(run) for run in outcome.chain]
        line = f"{label:<22}"
        if chain:
            line += f"{spread(chain, unit):>26}"
        line += f"{spread(ours, unit):>26}"
        if chain and unit:
            line += f"{ratio(statistics.median(chain), statistics.median(ours)):>9.1f}"
        lines.append(line)
    return lines


def meter_lines(usages: Sequence[Usage]) -> list[str]:
    """Say what was counted, and how."""
    look_ms = 1000 * max(usage.look_s for usage in usages)
    return [
        "Both are of all processes. Private memory is anonymous pages and changed pages of mapped",
        f"files, each shared page once: looked at every {look_ms:.0f} ms, at what is shared or",
        "changed every second. Raw frames that are mapped do not count: the system takes their",
        "pages back when it needs them.",
    ]


def step_table(total_s: float, steps: Mapping[str, StepCost]) -> list[str]:
    """Return the lines that tell where the time of a run went.

    Parameters
    ----------
    total_s
        Processor time of the whole run, s.
    steps
        Cost of its jobs, by rule.
    """
    lines = [
        "Where platelog's time goes (seconds; jobs may run side by side), and the resident memory",
        "of the largest job of each step (MB; shared and mapped pages too):",
        f"  {'step':<20}{'jobs':>6}{'time':>9}{'processor time':>17}{'share':>8}{'memory':>9}",
    ]
    for name, cost in steps.items():
        lines.append(
            f"  {name:<20}{cost.jobs:>6}{cost.wall_s:>9.2f}{cost.cpu_s:>17.2f}"
            f"{ratio(cost.cpu_s, total_s):>8.0%}{cost.peak_mb:>9.0f}"
        )
    rest_s = total_s - sum(cost.cpu_s for cost in steps.values())
    lines.append(
        f"  {'all else':<20}{'':>6}{'':>9}{rest_s:>17.2f}{ratio(rest_s, total_s):>8.0%}"
        "  start-up: verb, Snakemake, imports"
    )
    return lines


def floor_lines(floor: Floor, wall_s: float) -> list[str]:
    """Return the lines that compare a time with the floor."""
    return [
        f"{'  from memory':<22}{floor.warm_s:>8.2f} s; platelog takes "
        f"{ratio(wall_s, floor.warm_s):.1f} times that",
        f"{'  from the disk':<22}{floor.cold_s:>8.2f} s; platelog, which has them in memory, takes "
        f"{ratio(wall_s, floor.cold_s):.1f} times that",
    ]


def _growth_table(steps: Sequence[GrowthStep]) -> list[str]:
    """Return the lines of the growth table."""
    runs = len(steps[0].usages)
    law = growth_law(steps)
    lines = [
        "Growth, from masters that are there to the channel"
        + (f", medians of {runs} runs" if runs > 1 else "")
        + " (seconds, MB):",
        f"{'':>6}{'':>9}{'proc.':>9}{'a sub':>16}{'a sub less fixed':>19}"
        f"{'private':>10}{'anonym.':>9}{'scratch':>9}",
        f"{'subs':>6}{'time':>9}{'time':>9}{'time':>8}{'proc.':>8}{'time':>11}{'proc.':>8}"
        f"{'memory':>10}{'part':>9}{'files':>9}",
    ]
    lines += [
        f"{row['subs']:>6}{row['wall_s']:>9.2f}{row['cpu_s']:>9.2f}"
        f"{row['wall_s_per_sub']:>8.3f}{row['cpu_s_per_sub']:>8.3f}"
        f"{row['wall_s_per_sub_less_fixed']:>11.3f}{row['cpu_s_per_sub_less_fixed']:>8.3f}"
        f"{row['private_mb']:>10.0f}{row['anonymous_mb']:>9.0f}{row['scratch_mb']:>9.1f}"
        for row in growth_rows(steps)
    ]
    for name, label in (("wall_s", "time"), ("cpu_s", "processor time")):
        lines.append(
            f"  {label:<16}{law[name]['fixed']:>6.2f} s + {law[name]['per_sub']:.3f} s a sub "
            f"(straight line); a sub less fixed: within {law[name]['spread']:.1%}"
        )
    lines.append(
        f"  private memory: within {law['private_mb']['spread']:.1%}, "
        f"its anonymous part {law['anonymous_mb']['spread']:.1%}"
    )
    return lines


def median_run(runs: Sequence[AnyRun]) -> AnyRun:
    """Return the run whose processor time is the (lower) median."""
    return sorted(runs, key=lambda run: run.usage.cpu_s)[(len(runs) - 1) // 2]


def _medians(runs: Sequence[Run]) -> dict[str, float]:
    """Return the median of each figure over the runs."""
    return {
        name: float(statistics.median(figure(run) for run in runs))
        for name, (_, _, figure) in FIGURES.items()
    }


def spread(values: Sequence[float], unit: str) -> str:
    """Return the median with its unit and, if there are several values, least and most."""
    digits = 1 if unit else 0
    text = f"{statistics.median(values):,.{digits}f} {unit}".rstrip()
    if len(values) > 1:
        text += f" [{min(values):,.{digits}f}-{max(values):,.{digits}f}]"
    return text


def ratio(above: float, below: float) -> float:
    """Return how many times one is the other; 0 if there is nothing to compare with."""
    return above / below if below else 0.0


def _files_mb(run: Run, kind: str) -> float:
    return run.usage.file_bytes[kind] / MB
