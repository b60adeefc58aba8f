"""Flipped bits and exchanged sectors in every kind of file, with size and time kept.

Several files are damaged at a time. `verify` must name each. Raw frames and the lock file are then
put back, and `run --verify` must make what a run without faults makes.
"""

import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path

from campaign_table import Row, Setting
from small_project import SmallProject, jargon

SECTOR = 512
_AT_A_TIME = 12

KINDS: dict[str, Callable[[SmallProject], list[Path]]] = {
    "raw": lambda p: sorted(p.raw.rglob("*.fits")),
    "masters": lambda p: sorted((p.results / "calibration").iterdir()),
    "measures": lambda p: sorted((p.results / "measures").rglob("*.fits")),
    "cosmic rays": lambda p: sorted((p.results / "cosmic_rays").rglob("*.fits")),
    "registration": lambda p: sorted((p.results / "registration").rglob("*.fits")),
    "night": lambda p: sorted((p.results / "nights").rglob("*.fits")),
    "channels": lambda p: sorted((p.results / "channels").iterdir()),
    "sky, field": lambda p: (
        sorted(p.results.glob("sky/*")) + sorted(p.results.glob("field/*.fits"))
    ),
    "tables": lambda p: sorted(p.results.glob("*.tsv")) + sorted(p.results.glob("field/sources.*")),
    "pictures": lambda p: [
        *sorted((p.results / "picture").iterdir()),
        *sorted(p.results.glob("*.png")),
        *sorted(p.results.glob("field/annotated.*")),
    ],
    "logs": lambda p: sorted(p.folder.glob("results/**/logs/**/*.log")),
    "locks": lambda p: [p.lock],
    "digests": lambda p: [p.results / "digests.sha256"],
    "notes": lambda p: sorted(
        path for path in p.folder.glob("results/**/.jobs/**/*") if path.is_file()
    ),
}

WITNESSES = ("raw", "notes")
OF_THE_USER = ("raw", "projects")
"""Folders whose files no run makes or mends; they are put back, as from a backup."""


def flips(count: int, setting: Setting) -> None:
    """Flip a bit in files of each kind in turn."""
    _damaged("flipped", count, setting, _flip)


def swaps(count: int, setting: Setting) -> None:
    """Exchange two sectors in files of each kind in turn."""
    _damaged("swapped", count, setting, _swap)


def _flip(content: bytearray, chance: random.Random) -> str:
    place, bit = chance.randrange(len(content)), chance.randrange(8)
    content[place] ^= 1 << bit
    return f"bit {bit} of byte {place}"


def _swap(content: bytearray, chance: random.Random) -> str:
    """Exchange two sectors that differ; return nothing where there are none."""
    starts = range(0, len(content) - SECTOR + 1, SECTOR)
    for _ in range(50):
        a, b = (chance.choice(starts) for _ in range(2)) if len(starts) > 1 else (0, 0)
        one, other = content[a : a + SECTOR], content[b : b + SECTOR]
        if one != other:
            content[a : a + SECTOR], content[b : b + SECTOR] = other, one
            return f"sectors at {a} and {b}"
    return ""


Harm = Callable[[bytearray, random.Random], str]


def _damaged(name: str, count: int, setting: Setting, harm: Harm) -> None:
    """Damage raw frames and hidden notes apart from files that they alone tell of."""
    each = -(-count // len(KINDS))
    done = sum(_in_turn(name, [kind], each, setting, harm) for kind in WITNESSES)
    others = [kind for kind in KINDS if kind not in WITNESSES]
    _in_turn(name, others, count - done, setting, harm)


def _in_turn(name: str, kinds: list[str], count: int, setting: Setting, harm: Harm) -> int:
    """Damage files of some kinds; return how many, which are none where nothing can be done."""
    rows = {kind: setting.row(f"{name}, {kind}") for kind in kinds}
    number = done = 0
    while done < count and number < 20 * count + 100:
        project = setting.clean.copied(setting.place, finished=True)
        harmed: dict[Path, tuple[Row, str]] = {}
        size = min(_AT_A_TIME, count - done, sum(len(KINDS[kind](project)) for kind in kinds))
        while len(harmed) < size and number < 20 * count + 100:
            kind = kinds[number % len(kinds)]
            chance = setting.chance(name, kind, number)
            number += 1
            path = chance.choice(KINDS[kind](project))
            if path not in harmed and (what := _harm(path, harm, chance)):
                harmed[path] = rows[kind], what
        if harmed:
            _see_and_heal(project, setting, harmed)
        done += len(harmed)
    return done


def _harm(path: Path, harm: Harm, chance: random.Random) -> str:
    content, before = bytearray(path.read_bytes()), path.stat()
    what = harm(content, chance)
    if what:
        with open(path, "r+b") as stream:
            stream.write(content)
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    return what


def _see_and_heal(
    project: SmallProject, setting: Setting, harmed: dict[Path, tuple[Row, str]]
) -> None:
    """Count which files `verify` names, heal as its reader would, and count what is right again."""
    _, named = project.verified()
    seen = {path: path.resolve() in named for path in harmed}
    for path in harmed:
        inside = path.relative_to(project.folder)
        if inside.parts[0] in OF_THE_USER:
            shutil.copy2(setting.clean.folder / inside, path)
    status, said = project.run("--verify")
    wrong = f"the run ended with {status}: {said[:1500]}" if status else jargon(said)
    wrong = wrong or setting.not_as_clean(project)
    for path, (row, what) in harmed.items():
        inside = path.relative_to(project.folder)
        row.count("" if seen[path] else f"{what} of {inside} was not seen", healed=not wrong)
    if wrong:
        names = ", ".join(str(path.relative_to(project.folder)) for path in harmed)
        next(iter(harmed.values()))[0].wrong(f"not healed ({names}): {wrong}")
