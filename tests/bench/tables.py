"""The figures of the benchmark as tables to read and as JSON."""

import statistics
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from comparison import Floor, GrowthStep, Run

MB = 1e6


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
    load : float
        Processes that ran or waited in the last minute, before the first run.
    chain, ours : list of Run
    floor : Floor
    growth : list of GrowthStep
    """

    raw: RawSet
    processors: int
    load: float
    chain: list[Run]
    ours: list[Run]
    floor: Floor
    growth: list[GrowthStep] = field(default_factory=list)


FIGURES: dict[str, tuple[str, str, Callable[[Run], float]]] = {
    "wall_s": ("time", "s", lambda run: run.usage.wall_s),
    "cpu_s": ("processor time", "s", lambda run: run.usage.cpu_s),
    "private_mb": ("private memory, peak", "MB", lambda run: run.usage.private_bytes / MB),
    "scratch_mb": ("scratch files, peak", "MB", lambda run: _files_mb(run, "scratch")),
    "masters_mb": ("masters", "MB", lambda run: _files_mb(run, "masters")),
    "product_mb": ("product", "MB", lambda run: _files_mb(run, "product")),
    "used": ("lights used", "", lambda run: run.used),
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
        "machine": {"processors": outcome.processors, "load": outcome.load},
        "platelog": ours | {"runs": [asdict(run) for run in outcome.ours]},
        "libraries": chain and chain | {"runs": [asdict(run) for run in outcome.chain]},
        "ratios": chain
        and {n: _ratio(chain[n], ours[n]) for n, (_, unit, _) in FIGURES.items() if unit},
        "floor": asdict(outcome.floor)
        | {
            "times_warm": _ratio(wall_s, outcome.floor.warm_s),
            "times_cold": _ratio(wall_s, outcome.floor.cold_s),
        },
        "growth": growth_rows(outcome.growth),
    }


def as_text(outcome: Outcome) -> str:
    """Return the tables to be read.

    Parameters
    ----------
    outcome
        What was found.
    """
    raw, floor = outcome.raw, outcome.floor
    found = as_json(outcome)
    lines = [
        f"{raw.lights} lights and {raw.calibration_frames} calibration frames of "
        f"{raw.width_px} x {raw.height_px} px, {raw.size_bytes / 1e9:.2f} GB, drawn in "
        f"{raw.drawn_s:.0f} s",
        f"{outcome.processors} processors, load {outcome.load:.1f} before the first run",
        "",
        *_side_by_side(outcome),
        "",
        "Floor: the raw frames read once and a float32 image written",
        f"{'  from memory':<22}{floor.warm_s:>8.2f} s; platelog takes "
        f"{found['floor']['times_warm']:.1f} times that",
        f"{'  from the disk':<22}{floor.cold_s:>8.2f} s; platelog, which has them in memory, takes "
        f"{found['floor']['times_cold']:.1f} times that",
    ]
    if outcome.growth:
        lines += ["", *_growth_table(outcome.growth)]
    return "\n".join(lines)


def growth_rows(steps: Sequence[GrowthStep]) -> list[dict[str, float | None]]:
    """Return the rows of the growth table; what a further sub costs is None in the first.

    Parameters
    ----------
    steps
        Measured steps with growing numbers of subs.
    """
    rows: list[dict[str, float | None]] = []
    for before, step in zip([None, *steps], steps, strict=False):
        more = step.subs - before.subs if before else 0
        usage, past = step.usage, before.usage if before else None
        rows.append(
            {
                "subs": step.subs,
                "wall_s": usage.wall_s,
                "cpu_s": usage.cpu_s,
                "wall_s_per_sub": usage.wall_s / step.subs,
                "cpu_s_per_sub": usage.cpu_s / step.subs,
                "wall_s_per_further_sub": (usage.wall_s - past.wall_s) / more if past else None,
                "cpu_s_per_further_sub": (usage.cpu_s - past.cpu_s) / more if past else None,
                "private_mb": usage.private_bytes / MB,
                "scratch_mb": usage.file_bytes["scratch"] / MB,
            }
        )
    return rows


def _side_by_side(outcome: Outcome) -> list[str]:
    """Return the lines that compare the chain with the command."""
    head = f"{'':<22}{'libraries':>26}{'platelog':>26}{'ratio':>9}"
    lines = [head if outcome.chain else f"{'':<22}{'platelog':>26}"]
    for label, unit, figure in FIGURES.values():
        ours, chain = [figure(run) for run in outcome.ours], [figure(run) for run in outcome.chain]
        line = f"{label:<22}"
        if chain:
            line += f"{_spread(chain, unit):>26}"
        line += f"{_spread(ours, unit):>26}"
        if chain and unit:
            line += f"{_ratio(statistics.median(chain), statistics.median(ours)):>9.1f}"
        lines.append(line)
    return lines


def _growth_table(steps: Sequence[GrowthStep]) -> list[str]:
    """Return the lines of the growth table."""
    lines = [
        "Growth, from masters that are there to the channel (seconds, MB):",
        f"{'':>6}{'':>9}{'proc.':>9}{'a sub':>16}{'a further sub':>18}"
        f"{'private':>10}{'scratch':>9}",
        f"{'subs':>6}{'time':>9}{'time':>9}{'time':>8}{'proc.':>8}{'time':>10}{'proc.':>8}"
        f"{'memory':>10}{'files':>9}",
    ]
    for row in growth_rows(steps):
        further = [row["wall_s_per_further_sub"], row["cpu_s_per_further_sub"]]
        more = [" " if value is None else f"{value:.3f}" for value in further]
        lines.append(
            f"{row['subs']:>6}{row['wall_s']:>9.2f}{row['cpu_s']:>9.2f}"
            f"{row['wall_s_per_sub']:>8.3f}{row['cpu_s_per_sub']:>8.3f}"
            f"{more[0]:>10}{more[1]:>8}{row['private_mb']:>10.0f}{row['scratch_mb']:>9.1f}"
        )
    return lines


def _medians(runs: Sequence[Run]) -> dict[str, float]:
    """Return the median of each figure over the runs."""
    return {
        name: float(statistics.median(figure(run) for run in runs))
        for name, (_, _, figure) in FIGURES.items()
    }


def _spread(values: Sequence[float], unit: str) -> str:
    """Return the median with its unit and, if there are several values, least and most."""
    digits = 1 if unit else 0
    text = f"{statistics.median(values):,.{digits}f} {unit}".rstrip()
    if len(values) > 1:
        text += f" [{min(values):,.{digits}f}-{max(values):,.{digits}f}]"
    return text


def _ratio(above: float, below: float) -> float:
    """Return how many times one is the other; 0 if there is nothing to compare with."""
    return above / below if below else 0.0


def _files_mb(run: Run, kind: str) -> float:
    return run.usage.file_bytes[kind] / MB
