"""What a campaign of faults has tried, seen and healed."""

import random
from dataclasses import dataclass, field
from pathlib import Path

from small_project import SmallProject

_TOLD_EACH = 25


class Stopped(Exception):
    """There is a problem to be looked at."""


@dataclass
class Row:
    """Trials of one kind.

    Attributes
    ----------
    name : str
    tried : int
        Faults that were done.
    found : int
        Faults that were seen, or that could do no harm: what was there afterwards was right.
    healed : int
        Faults after which the same command made what a run without faults makes.
    problems : list of str
        What went wrong.
    stops : bool
        Whether the first problem ends the campaign.
    """

    name: str
    stops: bool = False
    tried: int = 0
    found: int = 0
    healed: int = 0
    problems: list[str] = field(default_factory=list)

    def count(self, problem: str, healed: bool) -> None:
        """Count one fault, of which the problem is empty if it was seen."""
        self.tried += 1
        self.found += not problem
        self.healed += healed
        if self.tried % _TOLD_EACH == 0:
            print(f"  {self.name}: {self.tried} so far", flush=True)
        if problem:
            self.wrong(f"{self.name} {self.tried}: {problem}")

    def wrong(self, problem: str) -> None:
        """Note what went wrong, and say it at once: a campaign takes long."""
        self.problems.append(problem)
        print(f"  {problem}", flush=True)
        if self.stops:
            raise Stopped


@dataclass
class Setting:
    """What all trials of a campaign share.

    Attributes
    ----------
    seed : int
    folder : Path
        For what is done harm to.
    clean : SmallProject
        A copy of a finished project that nobody disturbed.
    place : Path
        Where that was made; its results name their raw frames by this folder.
    expected : dict of str to str
        Its products.
    takes_s : float
        How long it took.
    stops : bool
        Whether the first problem ends the campaign, and leaves the folder as it is.
    rows : list of Row
        What was tried so far.
    """

    seed: int
    folder: Path
    clean: SmallProject
    place: Path
    expected: dict[str, str]
    takes_s: float
    stops: bool = False
    rows: list[Row] = field(default_factory=list)

    def row(self, name: str) -> Row:
        """Begin a row of the table for a kind of fault."""
        self.rows.append(Row(name, self.stops))
        return self.rows[-1]

    def chance(self, *about: object) -> random.Random:
        """Return the chance of one trial, which does not depend on those before."""
        return random.Random(repr((self.seed, *about)))

    def not_as_clean(self, project: SmallProject) -> str:
        """Return how a project differs from the undisturbed one, or an empty text."""
        made = project.made()
        other = sorted({name for name, _ in made.items() ^ self.expected.items()})
        if other:
            return f"other products: {', '.join(other)}"
        status, wrong = project.verified()
        if status or wrong:
            told = "; ".join(f"{place.name}: {why}" for place, why in wrong.items())
            return f"verify ends with {status}: {told}"
        return ""


def lines(rows: list[Row]) -> list[str]:
    """Return the table."""
    head = f"{'fault':<22}{'tried':>7}{'found':>7}{'healed':>8}"
    return [head] + [f"{r.name:<22}{r.tried:>7}{r.found:>7}{r.healed:>8}" for r in rows if r.tried]
