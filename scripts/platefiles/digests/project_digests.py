"""The digests of all files of a project, collected from the notes of its jobs.

A job notes the SHA-256 of its product as soon as that has its place. So a file that was damaged
since keeps the digest that it was made with, whoever puts the sheet together later, and how often.
"""

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence

from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256
from platefiles.digests.digest_sheet import NAME, read_digest_sheet, write_digest_sheet
from platefiles.digests.previous_pictures import previous_digests
from platefiles.jobs.run_lock import RESULTS
from platefiles.plan.paths import grid_log
from platefiles.plan.project_plan import ProjectPlan
from platefiles.provenance.job_notes import hidden_note, logged_note, note_path, read_note
from platefiles.workflow.graph import Product
from platefiles.workflow.shared_masters import shared_stem
from platefiles.workflow.staleness import recorded


def write_all_digests(
    plans: Iterable[tuple[ProjectPlan, Mapping[str, Product]]],
) -> list[str]:
    """Write the sheets of digests of projects.

    Parameters
    ----------
    plans : iterable of (ProjectPlan, mapping of str to Product)
        Plans, each with its products by path.

    Returns
    -------
    list of str
        Errors of the sheets that could not be written; the others are written.
    """
    problems = []
    for plan, products in plans:
        try:
            write_digests(plan, products.values())
        except OSError as error:
            where = error.filename or f"{plan.results}/{NAME}"
            problems.append(f"{where}: {error.strerror or error}")
    return problems


def write_digests(plan: ProjectPlan, products: Iterable[Product]) -> bool:
    """Write the sheet of digests of a project for its existing files.

    Parameters
    ----------
    plan : ProjectPlan
        The working directory must be the folder of its results.
    products : iterable of Product
        All of its products.

    Returns
    -------
    bool
        Whether it was written; False if it is up to date or there are no results.
    """
    if not os.path.isdir(plan.results):
        return False
    before = _digests_before(plan)
    found = {path: sha256 for path, sha256 in before.items() if os.path.isfile(path)}
    for product in products:
        if product.rule != "choose_reference" and os.path.isfile(product.path):
            found |= _digests_of(plan, product, before)
    found |= _digests_of_lock(plan, before)
    found |= _digests_of_previous(plan, before)
    frames = f"{plan.results}/frames.tsv"
    if os.path.isfile(frames):  # the scan has just held it against the raw frames
        found[frames] = file_sha256(frames)
    inside = {_inside(path, plan): sha256 for path, sha256 in found.items()}
    return write_digest_sheet(plan.results, inside)


def _inside(path: str, plan: ProjectPlan) -> str:
    """Return the path relative to the results of a project, which may be a link to another disk."""
    within = os.path.relpath(path, plan.results)
    if not within.startswith(os.pardir):
        return within
    return os.path.relpath(os.path.realpath(path), os.path.realpath(plan.results))


def _digests_before(plan: ProjectPlan) -> dict[str, str]:
    """Return the digests of the last sheet by path relative to the working directory, if intact."""
    try:
        digests = read_digest_sheet(f"{plan.results}/{NAME}")
    except (OSError, UserError):
        return {}
    return {os.path.normpath(f"{plan.results}/{path}"): sha for path, sha in digests.items()}


def _digests_of(
    plan: ProjectPlan, product: Product, before: Mapping[str, str]
) -> Iterator[tuple[str, str]]:
    """Return the digests of a product and of the logs with a note on it."""
    path = product.path
    logs = [product.log]
    if product.rule.startswith("master_"):
        logs.append(f"{RESULTS}/logs/share_master/{shared_stem(RESULTS, path)}.log")
    job = recorded(path, product.note)
    noted = {log: digests for log in logs if (digests := _noted(log, job))}
    digests = {sha256 for found in noted.values() for sha256 in found}
    if len(digests) == 1:
        yield path, digests.pop()
    elif digests:
        yield path, _agreed(path, [before.get(path), *sorted(digests)])
    elif job and not product.note and _is_intact(path):  # it was not noted, but proves itself
        yield path, file_sha256(path)
    for log in noted:
        yield from _digest_of_log(log, before)


def _noted(log: str, job: str) -> set[str]:
    """Return the SHA-256 of a job's product from its log and its hidden note; they should agree."""
    hidden = hidden_note(note_path(log) or log)
    notes = (logged_note(log), hidden[0] if hidden else None)
    return {note.sha256 for note in notes if note and note.job == job}


def _agreed(path: str, told: Sequence[str | None]) -> str:
    """Return the digest among several that matches the file; else the first."""
    present, known = file_sha256(path), [sha256 for sha256 in told if sha256]
    return present if present in known else known[0]


def _digests_of_lock(plan: ProjectPlan, before: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Return the digest of the lock file; if no job noted it, the first recorded one."""
    path = plan.paths.lock
    if not os.path.isfile(path):
        return
    log = grid_log(plan.paths)
    if (note := read_note(log)) is not None:
        yield path, note.sha256
        yield from _digest_of_log(log, before)
    elif _inside(path, plan) not in {_inside(other, plan) for other in before}:
        yield path, file_sha256(path)


def _digests_of_previous(plan: ProjectPlan, before: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Return the digests of previous versions, as they were when these were kept."""
    for name, sha256 in previous_digests(plan.results).items():
        path = f"{plan.results}/{name}"
        known = before.get(path)
        yield path, sha256 if known in (None, sha256) else _agreed(path, [sha256, known])


def _digest_of_log(log: str, before: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    if os.path.isfile(log):
        hidden = hidden_note(note_path(log) or log)
        told = (hidden and hidden[1], before.get(log))
        yield log, _agreed(log, told) if any(told) else file_sha256(log)


def _is_intact(path: str) -> bool:
    from platefiles.provenance.integrity import fault  # which imports astropy, seldom wanted here

    return not fault(path)
