"""The provenance of a product, as a tree of text."""

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from platefiles.audit.changed_settings import changed_settings
from platefiles.integration.sub_rows import SubRow
from platefiles.provenance.activities import Making, RawRecord, Record
from platelib.registration.sub_state import SubState

_BRANCH, _LAST, _BAR, _BLANK = "├─ ", "└─ ", "│  ", "   "
_WIDTH = 100
_SHORT = 26


@dataclass(frozen=True)
class Lineage:
    """A record with the product's table of subs.

    Attributes
    ----------
    record : Record
    rows : tuple of SubRow
    """

    record: Record
    rows: tuple[SubRow, ...]

    @property
    def root(self) -> Making:
        """The making of the product itself."""
        return self.record.making

    @cached_property
    def _by_digest(self) -> dict[str, SubRow]:
        return {row.sha256: row for row in self.rows}

    def raws_of(self, making: Making) -> list[RawRecord]:
        """Raw frames that a step read, in its order."""
        return [self.record.raws[sha256] for sha256 in making.raws]

    def products_of(self, making: Making) -> list[Making]:
        """Products that a step read, each once, in its order."""
        return [self.record.makings[name] for name in dict.fromkeys(making.products)]

    def rows_of(self, making: Making) -> list[SubRow]:
        """Rows on the subs of a step that decides on their use."""
        digests = [raw.sha256 for raw in self.raws_of(making)]
        if making is self.root and making.step in ("register", "assess_subs"):
            return list(self.rows)
        if making.step not in ("integrate", "integrate_night") and making is not self.root:
            return []
        return [self._by_digest[one] for one in digests if one in self._by_digest]


def tree_lines(lineage: Lineage, every_frame: bool = False) -> Iterator[str]:
    """Yield the tree of a product, the product first and raw frames last.

    Parameters
    ----------
    lineage : Lineage
    every_frame : bool
        List each raw frame instead of summing them up, and the digests of code.
    """
    yield from _branch(lineage, lineage.root, every_frame, set(), "", "")


def _branch(
    lineage: Lineage, making: Making, every_frame: bool, told: set[str], first: str, rest: str
) -> Iterator[str]:
    """Yield a product and, on its first occurrence, its inputs."""
    if making.product in told:
        yield f"{first}{making.product}  (as above)"
        return
    told.add(making.product)
    job = json.loads(making.job)
    yield f"{first}{making.product}  {_step_words(lineage, making, job, every_frame)}"
    below = lineage.products_of(making)
    bar = rest + (_BAR if below else _BLANK)
    for text in _facts(lineage, making, job, every_frame):
        yield f"{bar}{text}"
    known = [one for one in below if one.product in told]
    fresh = [one for one in below if one.product not in told]
    if known:
        names = ", ".join(one.product if every_frame else _short(one.product) for one in known)
        yield f"{rest}{_BRANCH if fresh else _LAST}{names}  (as above)"
    for one in fresh:
        last = one is fresh[-1]
        edges = (_LAST, _BLANK) if last else (_BRANCH, _BAR)
        yield from _branch(lineage, one, every_frame, told, rest + edges[0], rest + edges[1])


def _step_words(lineage: Lineage, making: Making, job: dict, in_full: bool) -> str:
    words = making.step
    if in_full:
        words += f", code {job.get('code', 'unknown')}"
    if not making.digest and making is not lineage.root:
        words += ", of the reference of the grid alone"
    if making.provisional:
        words += ", provisional"
    return words


def _short(product: str) -> str:
    """Cut the name of a product that was told before."""
    name = product.removesuffix(".fits").rpartition("/")[2] if len(product) > _SHORT else product
    return name if len(name) <= _SHORT else f"{name[: _SHORT - 1]}…"


def _facts(lineage: Lineage, making: Making, job: dict, every_frame: bool) -> Iterator[str]:
    settings = [str(setting) for setting in changed_settings(making.step, job)]
    yield from _wrapped("settings: ", settings)
    rows, raws = lineage.rows_of(making), lineage.raws_of(making)
    if every_frame:
        by_digest = {row.sha256: row for row in rows}
        for raw in raws:
            state = f"  {frame_words(by_digest[raw.sha256])}" if raw.sha256 in by_digest else ""
            yield f"{raw.name}  {raw.sha256[:16]}{state}"
    elif rows:
        yield from sub_lines(rows)
    elif raws:
        yield kinds(raws)


def _wrapped(label: str, words: Sequence[str]) -> Iterator[str]:
    """Yield words with commas between, in lines that are not too long."""
    line = label
    for number, word in enumerate(words):
        text = word + ("," if number < len(words) - 1 else "")
        if len(line) + len(text) > _WIDTH and line.strip():
            yield line.rstrip()
            line = " " * len(label)
        line += f"{text} "
    if words:
        yield line.rstrip()


def kinds(raws: Iterable[RawRecord]) -> str:
    """Count raw frames by kind: ``8 bias, 16 dark frames``."""
    counts: dict[str, int] = {}
    for raw in raws:
        counts[raw.kind] = counts.get(raw.kind, 0) + 1
    total = sum(counts.values())
    listed = ", ".join(f"{count} {kind}" for kind, count in counts.items())
    return f"{listed} frame{'' if total == 1 else 's'}"


def sub_lines(rows: Sequence[SubRow]) -> Iterator[str]:
    """Sum subs up by night and state.

    Parameters
    ----------
    rows : sequence of SubRow
    """
    nights: dict[str, list[SubRow]] = {}
    for row in rows:
        nights.setdefault(row.night, []).append(row)
    for night, members in sorted(nights.items()):
        used = [row for row in members if row.state == SubState.USED]
        parts = [_used_words(used)] if used else []
        parts += _others([row for row in members if row.state != SubState.USED])
        yield f"{night}: {'; '.join(parts)}"


def _used_words(rows: Sequence[SubRow]) -> str:
    weights = sorted(row.weight for row in rows)
    ends = list(dict.fromkeys(f"{weight:.3g}" for weight in (weights[0], weights[-1])))
    return f"{len(rows)} used, weight {' to '.join(ends)}"


def _others(rows: Sequence[SubRow]) -> Iterator[str]:
    states: dict[str, list[SubRow]] = {}
    for row in rows:
        states.setdefault(row.state, []).append(row)
    for state, members in states.items():
        reasons = list(dict.fromkeys(row.reason for row in members if row.reason))
        why = f" ({reasons[0]}{', ...' if reasons[1:] else ''})" if reasons else ""
        yield f"{len(members)} {state}{why}"


def frame_words(row: SubRow) -> str:
    """Describe the state of a sub in a few words."""
    if row.state == SubState.USED:
        clipped = row.clipped_low + row.clipped_high
        share = "" if clipped != clipped else f", {100 * clipped:.2g} % clipped"
        return f"used, weight {row.weight:.3g}{share}"
    return f"{row.state}: {row.reason}" if row.reason else row.state
