"""The figures of the second part of the benchmark as tables to read and as JSON."""

import statistics
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from comparison import StepCost
from picture_comparison import PartRun, PictureRuns, SizeStep
from tables import (
    MB,
    RawSet,
    floor_lines,
    median_run,
    meter_lines,
    ratio,
    spread,
    step_table,
    straight_line,
)

FIGURES: dict[str, tuple[str, str, Callable[[PartRun], float]]] = {
    "wall_s": ("time", "s", lambda run: run.usage.wall_s),
    "cpu_s": ("processor time", "s", lambda run: run.usage.cpu_s),
    "private_mb": ("private memory, peak", "MB", lambda run: run.usage.private_bytes / MB),
    "anonymous_mb": ("  anonymous part", "MB", lambda run: run.usage.anonymous_bytes / MB),
    "pictures_mb": ("pictures", "MB", lambda run: run.usage.file_bytes["pictures"] / MB),
    "field_mb": ("sources, annotations", "MB", lambda run: run.usage.file_bytes["field"] / MB),
}
_STEPS: dict[str, tuple[str, str, Callable[[PartRun], float]]] = {
    "steps_cpu_s": ("  of which steps", "s", lambda run: run.steps_cpu_s),
    "alike_cpu_s": ("  steps of both", "s", lambda run: run.alike_cpu_s),
}
_WHOLE: dict[str, tuple[str, str, Callable[[PartRun], float]]] = {
    "scratch_mb": ("other files", "MB", lambda run: run.usage.file_bytes["scratch"] / MB),
    "masters_mb": ("masters", "MB", lambda run: run.usage.file_bytes["masters"] / MB),
    "channels_mb": ("channels", "MB", lambda run: run.usage.file_bytes["channels"] / MB),
}
LEAST_S = 0.2
"""Steps below are left out of the law of growth: their times are those of start-up."""

_MADE = {
    "picture": ["Both make PNG, JPEG, 16-bit TIFF and linear image."],
    "all": [
        "Both make PNG, JPEG, 16-bit TIFF and linear image, sources as ECSV and CSV, and an",
        "annotated picture; platelog also measures the zero points and the depth that its sources",
        "need, which the steps of both leave out.",
    ],
}


@dataclass(frozen=True)
class PictureOutcome:
    """All that the second part of the benchmark found.

    Attributes
    ----------
    raw : RawSet
    processors : int
    loads : tuple of float
        Processes that ran or waited in the minute before the first run, and in the last minute.
    target : str
        ``picture`` or ``all``.
    runs : PictureRuns
    growth : list of SizeStep
        Empty if growth was not asked for.
    """

    raw: RawSet
    processors: int
    loads: tuple[float, float]
    target: str
    runs: PictureRuns
    growth: list[SizeStep] = field(default_factory=list)


def as_json(outcome: PictureOutcome) -> dict[str, Any]:
    """Return everything that was found: medians, ratios and each run.

    Parameters
    ----------
    outcome
        What was found.
    """
    runs = outcome.runs
    part = _part(runs.part, FIGURES, True)
    part["alike_cpu_s"] = float(statistics.median(run.alike_cpu_s for run in runs.part))
    chain = _part(runs.chain, FIGURES, False) if runs.chain else None
    return {
        "raw": asdict(outcome.raw),
        "machine": {"processors": outcome.processors, "loads": outcome.loads},
        "to": outcome.target,
        "whole": _part(runs.whole, FIGURES | _WHOLE, True),
        "from_channels": {
            "platelog": part,
            "libraries": chain,
            "ratios": chain and {name: ratio(chain[name], part[name]) for name in FIGURES},
            "floor": asdict(runs.floor)
            | {
                "times_warm": ratio(part["wall_s"], runs.floor.warm_s),
                "times_cold": ratio(part["wall_s"], runs.floor.cold_s),
            },
        },
        "growth": growth_rows(outcome.growth),
    }


def _part(
    runs: Sequence[PartRun],
    figures: dict[str, tuple[str, str, Callable[[PartRun], float]]],
    ours: bool,
) -> dict[str, Any]:
    """Return the medians of runs, the steps of the typical one, and all of them."""
    found: dict[str, Any] = {
        name: float(statistics.median(figure(run) for run in runs))
        for name, (_, _, figure) in figures.items()
    }
    if ours:
        found["steps_cpu_s"] = float(statistics.median(run.steps_cpu_s for run in runs))
        found["steps"] = {name: asdict(cost) for name, cost in median_run(runs).steps.items()}
    return found | {"runs": [asdict(run) for run in runs]}


def as_text(outcome: PictureOutcome) -> str:
    """Return the tables to be read.

    Parameters
    ----------
    outcome
        What was found.
    """
    raw, runs = outcome.raw, outcome.runs
    whole, part = median_run(runs.whole), median_run(runs.part)
    wall_s = statistics.median(run.usage.wall_s for run in runs.part)
    lines = [
        f"From raw to picture: {raw.lights} lights of three channels and {raw.calibration_frames} "
        f"calibration frames of {raw.width_px} x {raw.height_px} px, {raw.size_bytes / 1e9:.2f} "
        f"GB, drawn in {raw.drawn_s:.0f} s",
        f"{outcome.processors} processors, load {outcome.loads[0]:.1f} before the first run and "
        f"{outcome.loads[1]:.1f} after the last",
        "",
        f"The whole command, `run --to {outcome.target}`, with nothing there:",
        *_whole_lines(runs.whole),
        "",
        *step_table(whole.usage.cpu_s, whole.steps),
        "",
        "From the channels on, both from the same files:",
        *_side_by_side(runs, outcome.target),
        *_MADE[outcome.target],
        "",
        *step_table(part.usage.cpu_s, part.steps),
        "",
        "Floor: the images of the channels read once and as many bytes written as platelog has "
        "products",
        *floor_lines(runs.floor, wall_s),
        "",
        *meter_lines([run.usage for run in (*runs.whole, *runs.part)]),
    ]
    if outcome.growth:
        lines += ["", *_growth_table(outcome.growth)]
    return "\n".join(lines)


def growth_rows(steps: Sequence[SizeStep]) -> list[dict[str, Any]]:
    """Return a row for each rule and for the whole command: its cost at each size.

    Parameters
    ----------
    steps
        Runs of frames of growing size.

    Returns
    -------
    list of dict
        ``step``, and by size ``mpx``, ``cpu_s``, ``cpu_s_per_mpx`` and ``peak_mb``; ``fixed_s`` and
        ``s_per_mpx`` of the straight line through all sizes (least squares); ``deviation``, by how
        much the sizes between lie above the line through the least and the largest, as a share of
        it, the largest of them; None where times are too short to tell.
    """
    if not steps:
        return []
    names = dict.fromkeys(name for step in steps for name in median_run(step.runs).steps)
    rows = [_growth_row(name, steps, _cost_of(name)) for name in names]
    return [*rows, _growth_row("whole command", steps, _whole_cost)]


def _cost_of(name: str) -> Callable[[PartRun], tuple[float, float]]:
    """Return how to read processor time and peak memory of a rule from a run."""

    def cost(run: PartRun) -> tuple[float, float]:
        found = run.steps.get(name, StepCost(0, 0.0, 0.0))
        return found.cpu_s, found.peak_mb

    return cost


def _whole_cost(run: PartRun) -> tuple[float, float]:
    return run.usage.cpu_s, run.usage.private_bytes / MB


def _growth_row(
    name: str, steps: Sequence[SizeStep], cost: Callable[[PartRun], tuple[float, float]]
) -> dict[str, Any]:
    """Return the row of one rule."""
    points, peaks = [], []
    for step in steps:
        times, memory = zip(*map(cost, step.runs), strict=True)
        points.append((step.mpx, statistics.median(times)))
        peaks.append(statistics.median(memory))
    slope, fixed = straight_line(points)
    return {
        "step": name,
        "mpx": [mpx for mpx, _ in points],
        "cpu_s": [cpu_s for _, cpu_s in points],
        "cpu_s_per_mpx": [cpu_s / mpx for mpx, cpu_s in points],
        "peak_mb": peaks,
        "fixed_s": fixed,
        "s_per_mpx": slope,
        "deviation": _deviation(points),
    }


def _deviation(points: Sequence[tuple[float, float]]) -> float | None:
    """Return by how much the points between lie off the line through the outer ones."""
    if len(points) < 3 or min(cpu_s for _, cpu_s in points[1:]) < LEAST_S:
        return None
    slope, fixed = straight_line([points[0], points[-1]])
    offs = [cpu_s / (fixed + slope * mpx) - 1 for mpx, cpu_s in points[1:-1]]
    return max(offs, key=abs)


def _whole_lines(runs: Sequence[PartRun]) -> list[str]:
    """Return the lines on the whole command."""
    lines = []
    for name, (label, unit, figure) in (FIGURES | _WHOLE).items():
        lines.append(f"{label:<22}{spread([figure(run) for run in runs], unit):>26}")
        if name == "cpu_s":
            steps = spread([run.steps_cpu_s for run in runs], "s")
            lines.append(f"{_STEPS['steps_cpu_s'][0]:<22}{steps:>26}")
    return lines


def _side_by_side(runs: PictureRuns, target: str) -> list[str]:
    """Return the lines that compare the chain with the command."""
    head = f"{'':<22}{'libraries':>26}{'platelog':>26}{'ratio':>9}"
    lines = [head if runs.chain else f"{'':<22}{'platelog':>26}"]
    for name, (label, unit, figure) in FIGURES.items():
        if name == "field_mb" and target == "picture":
            continue
        ours, chain = [figure(run) for run in runs.part], [figure(run) for run in runs.chain]
        line = f"{label:<22}"
        if chain:
            line += f"{spread(chain, unit):>26}"
        line += f"{spread(ours, unit):>26}"
        if chain:
            line += f"{ratio(statistics.median(chain), statistics.median(ours)):>9.1f}"
        lines.append(line)
        if name == "cpu_s":
            blank = " " * (26 if chain else 0)
            for label, unit, figure in _STEPS.values():
                times = spread([figure(run) for run in runs.part], unit)
                lines.append(f"{label:<22}{blank}{times:>26}")
    return lines


def _growth_table(steps: Sequence[SizeStep]) -> list[str]:
    """Return the lines of the growth table."""
    sizes = "".join(f"{step.mpx:>7.1f}" for step in steps)
    lines = [
        "Growth with the size of frames, from raw with nothing there (processor time, s; the same",
        "a megapixel, ms; peak memory, MB; how far the sizes between lie off the straight line):",
        f"  {'step':<20}{sizes}  {sizes}  {sizes}{'off':>8}",
    ]
    for row in growth_rows(steps):
        off = "" if row["deviation"] is None else f"{row['deviation']:+.0%}"
        lines.append(
            f"  {row['step']:<20}"
            + "".join(f"{value:>7.2f}" for value in row["cpu_s"])
            + "  "
            + "".join(f"{1000 * value:>7.1f}" for value in row["cpu_s_per_mpx"])
            + "  "
            + "".join(f"{value:>7.0f}" for value in row["peak_mb"])
            + f"{off:>8}"
        )
    return lines
