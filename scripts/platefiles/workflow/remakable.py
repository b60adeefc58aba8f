"""Products of a plan that a run can make again, by the rules that make them.

Intermediate products are those that no stage asks for: a run with nothing new does not make them
again if they are deleted. The others are results, as are the linear images of pictures: a picture
has no record of its own, it names its linear image.
"""

import os
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import PurePath

from platefiles.core.errors import UserError
from platefiles.plan.project_plan import ProjectPlan
from platefiles.provenance.xmp import PICTURES, read_origin
from platefiles.workflow.deletable import Candidate, candidates
from platefiles.workflow.graph import Product, products_of, targets_of
from platefiles.workflow.staleness import Staleness

OTHER_JOB = "a run would make it with other settings, code or frames"
"""Reason to keep a result that differs from what the plan makes."""

GONE = "its raw frames no longer exist"
"""Reason to keep a product that no run can make."""

SOURCE = "the provenance of a picture lies in it"
"""Reason to keep a source of a picture that stays."""

LINKED = "the same file stays under another name, so deleting it frees nothing"
"""Reason to keep a master that another project has too, or a file in a backup of hard links."""


@dataclass(frozen=True)
class Kind:
    """The products of one rule that may be deleted.

    Attributes
    ----------
    rule : str
    folder : str
        Folder in the results; empty for files directly in it.
    files : tuple of Candidate
    """

    rule: str
    folder: str
    files: tuple[Candidate, ...]

    @property
    def size_bytes(self) -> int:
        """Size of the files."""
        return sum(one.size_bytes for one in self.files)

    def is_named(self, words: Collection[str]) -> bool:
        """Return whether some of the words are its rule or its folder."""
        named = {word.strip("/").replace(" ", "_") for word in words}
        return not named.isdisjoint((self.rule, self.folder or self.rule))


@dataclass(frozen=True)
class Remakable:
    """The products of a project that can be made again.

    Attributes
    ----------
    plan : ProjectPlan
    products : dict of str to Product
        All products of the plan.
    kinds : tuple of Kind
        What may be deleted, largest first.
    kept : tuple of Candidate
        Files to keep, each with the reason.
    others : tuple of str
        Existing results that were not looked at.
    """

    plan: ProjectPlan
    products: dict[str, Product]
    kinds: tuple[Kind, ...]
    kept: tuple[Candidate, ...]
    others: tuple[str, ...]

    @property
    def files(self) -> list[Candidate]:
        """All files that may be deleted."""
        return [one for kind in self.kinds for one in kind.files]

    def only(self, words: Collection[str]) -> "Remakable":
        """Return the kinds of some rules or folders."""
        return replace(self, kinds=tuple(kind for kind in self.kinds if kind.is_named(words)))

    def keeping(self, paths: Collection[str], why: str) -> "Remakable":
        """Return what may be deleted without some of the files, which are kept for a reason."""
        kept = [replace(one, kept=why) for one in self.files if one.path in paths]
        left = [one for one in self.files if one.path not in paths]
        kinds = _by_kind(self.plan, self.products, left)
        return replace(self, kinds=kinds, kept=(*self.kept, *kept))

    def keeping_sources(self) -> "Remakable":
        """Keep the sources of pictures that stay: their provenance lies in these files."""
        chosen = {one.path for one in self.files}
        staying = [path for path in self.products if path not in chosen]
        return self.keeping(_sources(self.plan, staying), SOURCE)


def remakable(plan: ProjectPlan, with_results: bool) -> Remakable:
    """Find the existing products that may be deleted and made again.

    Every byte of these files is checked. Products that are not in the plan, other files and the
    lock file are not looked at.

    Parameters
    ----------
    plan : ProjectPlan
        The working directory must be the folder of its results.
    with_results : bool
        Whether to include results.
    """
    products = products_of(plan)
    results = results_of_plan(plan)
    there = [path for path in products if _is_own_file(plan, path)]
    wanted = [path for path in there if with_results or path not in results]
    fingerprints = {frame.fingerprint for frame in plan.frames}
    other_jobs = Staleness(products).stale & results
    found = []
    for one in candidates(plan.results, wanted, products, fingerprints):
        why = one.kept or (GONE if one.gone else OTHER_JOB if one.path in other_jobs else "")
        found.append(replace(one, kept=why))
    return Remakable(
        plan,
        products,
        _by_kind(plan, products, [one for one in found if not one.kept]),
        tuple(one for one in found if one.kept),
        tuple(path for path in there if path not in wanted),
    )


def keep_linked(found: Sequence[Remakable]) -> list[Remakable]:
    """Keep the files that have further names on the disk, unless all names are to be deleted.

    Parameters
    ----------
    found : sequence of Remakable
        Of all projects.
    """
    names = Counter(one.sign for project in found for one in project.files)
    linked = {one.path for project in found for one in project.files if one.names > names[one.sign]}
    return [project.keeping(linked, LINKED) for project in found]


def results_of_plan(plan: ProjectPlan) -> set[str]:
    """Return the products that a stage asks for, and the linear images of pictures."""
    linear = (plan.paths.linear_image(name) for name in plan.loaded.pictures)
    return {*targets_of(plan, "all"), *linear}


def _is_own_file(plan: ProjectPlan, path: str) -> bool:
    """Return whether a product is an existing file in the results, and not the lock file."""
    inside = path.startswith(f"{plan.results}/") and path != plan.paths.lock
    return inside and os.path.isfile(path) and not os.path.islink(path)


def _sources(plan: ProjectPlan, paths: Iterable[str]) -> set[str]:
    """Return the products that the pictures among some files name as their sources."""
    found: set[str] = set()
    for path in paths:
        if PurePath(path).suffix in PICTURES and os.path.isfile(path):
            with suppress(UserError):  # not a picture of a run
                making = read_origin(path).making
                found.update(
                    f"{plan.results}/{name}" for name in (making.products if making else ())
                )
    return found & results_of_plan(plan)


def _by_kind(
    plan: ProjectPlan, products: dict[str, Product], files: Sequence[Candidate]
) -> tuple[Kind, ...]:
    groups: dict[tuple[str, str], list[Candidate]] = {}
    for one in files:
        parts = PurePath(os.path.relpath(one.path, plan.results)).parts
        folder = parts[0] if parts[1:] else ""
        groups.setdefault((products[one.path].rule, folder), []).append(one)
    kinds = [Kind(rule, folder, tuple(found)) for (rule, folder), found in groups.items()]
    return tuple(sorted(kinds, key=lambda kind: -kind.size_bytes))
