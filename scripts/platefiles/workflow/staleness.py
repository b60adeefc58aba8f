"""Find stale products: compare the products of a project with its plan.

Each product tells the digest of the job that it was made by and its length: FITS files in their
header (`JOBDIG`, `FILESIZE`), pictures and tables in the last line of the log of their job. What
Snakemake noted about earlier runs is not asked: it may be lost, or belong to other files.
"""

import os
import re
from collections.abc import Collection, Iterable, Mapping
from collections.abc import Set as AbstractSet
from contextlib import suppress
from functools import cached_property

from platefiles.core.hashing import digest
from platefiles.core.provisional import JOB_DIGEST, PROVISIONAL
from platefiles.fits.hdu_layout import FILE_SIZE
from platefiles.fits.header_reader import BLOCK, card_value
from platefiles.provenance.damage_marks import is_marked
from platefiles.provenance.job_notes import read_note
from platefiles.workflow.graph import Product

_JOB = re.compile(rf"[0-9a-f]{{16}}|{PROVISIONAL}")


class Staleness:
    """The products of a project with their states.

    Parameters
    ----------
    products : mapping of str to Product
        By path, each after its inputs.
    """

    def __init__(self, products: Mapping[str, Product]):
        self.products = dict(products)
        self._there: dict[str, bool] = {}

    def without(self, paths: Collection[str]) -> "Staleness":
        """Return the same states with some of the products missing."""
        other = Staleness(self.products)
        other.stale = self.stale - {*paths}
        other._there = self._there | dict.fromkeys(paths, False)
        return other

    def is_there(self, path: str) -> bool:
        """Return whether a product existed at the first check."""
        if path not in self._there:
            self._there[path] = os.path.exists(path)
        return self._there[path]

    @cached_property
    def stale(self) -> frozenset[str]:
        """Existing products whose job differs from the plan."""
        found: set[str] = set()
        for path, product in self.products.items():
            if self.is_there(path) and (
                product.waits
                or product.rule == "choose_reference"
                or recorded(path, product.note) != digest(product.job)
            ):
                found.add(path)
        return frozenset(found)

    @cached_property
    def damaged(self) -> frozenset[str]:
        """Existing products that are truncated or damaged."""
        found: set[str] = set()
        for path in self.stale:
            product = self.products[path]
            if product.rule != "choose_reference" and (
                is_marked(path) or is_cut(path, product.note)
            ):
                found.add(path)
        return frozenset(found)

    @cached_property
    def provisional(self) -> frozenset[str]:
        """Existing products to be remade: `platefiles.core.provisional`."""
        logs = {path: self.products[path].note for path in self.stale}
        return frozenset(path for path, log in logs.items() if recorded(path, log) == PROVISIONAL)

    def to_make(self, targets: Iterable[str]) -> list[str]:
        """Return the products to make for the targets, in order.

        These are the stale ancestors of the targets, missing targets, and the missing inputs of
        both. If damaged files are among them, the products between any two of them are included:
        Snakemake does not check the inputs of a job that runs unless the jobs after it run too.
        """
        wanted = [path for path in targets if path in self.products]
        making: set[str] = set()
        while True:
            more = self._spread(wanted, making)
            if more == making:
                return [path for path in self.products if path in making]
            making = more

    def _spread(self, wanted: Iterable[str], making: Iterable[str]) -> set[str]:
        """Add the products that must be made because of products to make."""
        making = set(making)
        reached = self._reached(wanted, making)
        making |= {path for path in wanted if not self.is_there(path)} | (reached & self.stale)
        waiting = list(making)
        while waiting:
            path = waiting.pop()
            product = self.products[path]
            near = (*product.inputs, *product.consulted)
            fresh = {other for other in near if not self.is_there(other)} - making
            making |= fresh
            waiting += fresh
        return making | self._between(making)

    def _between(self, making: AbstractSet[str]) -> set[str]:
        """Return the products between two products to make, at least one of them damaged."""
        damaged = self.damaged & making
        if not damaged:
            return set()
        behind, before = self._made_from(making, making), self._made_from(damaged, making)
        used, used_by_damaged = self._used_by(making, making), self._used_by(damaged, making)
        return (before & used) | (behind & used_by_damaged)

    def _made_from(self, sources: AbstractSet[str], making: AbstractSet[str]) -> set[str]:
        """Return the products that depend on given products, directly or not."""
        found: set[str] = set()
        for path in self.products:  # each comes after those that it is made from
            if any(other in sources or other in found for other in self._near(path, making)):
                found.add(path)
        return found

    def _used_by(self, takers: AbstractSet[str], making: AbstractSet[str]) -> set[str]:
        """Return the inputs of given products, direct and indirect."""
        found: set[str] = set()
        for path in reversed(self.products):
            if path in takers or path in found:
                found.update(self._near(path, making))
        return found

    def _near(self, path: str, making: AbstractSet[str]) -> tuple[str, ...]:
        product = self.products[path]
        return (*product.inputs, *(product.consulted if path in making else ()))

    def _reached(self, targets: Iterable[str], making: Iterable[str]) -> set[str]:
        """Return the inputs of the targets, and consulted products of the products to make."""
        reached: set[str] = set()
        waiting = list(targets)
        while waiting:
            path = waiting.pop()
            if path not in reached:
                reached.add(path)
                product = self.products[path]
                waiting += product.inputs
                waiting += product.consulted if path in making else ()
        return reached


def recorded(path: str, log: str = "") -> str:
    """Return the digest of the job of a product, or an empty text if unknown.

    A truncated or damaged file has no digest. For a provisional product, the word of
    `platefiles.core.provisional` is returned.

    Parameters
    ----------
    path : str
        The product.
    log : str
        Log of its job, if the product is not a FITS file.
    """
    job, made, there = _told(path, log)
    return job if made == there and not is_marked(path) else ""


def is_cut(path: str, log: str = "") -> bool:
    """Return whether an existing product is truncated or lost the header with its job.

    Parameters
    ----------
    path, log : str
        As for `recorded`.
    """
    job, made, there = _told(path, log)
    return made != there or not (job or log)


def _told(path: str, log: str) -> tuple[str, int, int]:
    """Return the digest of the job, the recorded length and the actual length of the file."""
    with suppress(OSError):
        if not log:
            with open(path, "rb") as stream:
                block, there = stream.read(BLOCK), os.fstat(stream.fileno()).st_size
            job, size = card_value(block, JOB_DIGEST), card_value(block, FILE_SIZE)
            whole = isinstance(job, str) and _JOB.fullmatch(job) is not None
            return str(job) if whole else "", size if isinstance(size, int) else there, there
        there = os.stat(path).st_size
        if (note := read_note(log)) is not None:
            return note.job, note.size_bytes, there
        return "", there, there
    return "", 0, 0
