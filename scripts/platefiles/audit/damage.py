"""Search the products of a project for damage."""

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from platefiles.provenance.damage_marks import mark

if TYPE_CHECKING:
    from platefiles.plan.project_plan import ProjectPlan

_FRAMES = "frames.tsv"
_THREADS = 8


def mark_damaged(plan: "ProjectPlan") -> list[str]:
    """Read every byte of a project's products and mark the changed ones.

    A product whose log or hidden note was changed is marked as well: its job rewrites them. The log
    and note of the choice of the grid have no job and are rewritten here.

    Parameters
    ----------
    plan : ProjectPlan
        The working directory must be the folder of its results.

    Returns
    -------
    list of str
        Changed files that no job of the plan remakes: leftovers, and logs of jobs of another plan.
    """
    from platefiles.digests.reference_repair import rewrite_grid_notes
    from platefiles.digests.sheet_checks import DigestSheets
    from platefiles.plan.paths import grid_log
    from platefiles.provenance.job_notes import (
        note_path,  # with all below slow to import, and seldom wanted
    )
    from platefiles.workflow.graph import products_of

    sheets = DigestSheets()
    sheet = sheets.of_folder(Path(plan.results))
    notes = {path for path, _ in sheet.damaged_notes()} if sheet else set()

    def is_damaged(path: str, log: str) -> bool:
        files = [Path(path), *([Path(log)] if os.path.isfile(log) else [])]
        return any(map(sheets.fault, files)) or note_path(log) in notes

    products = [p for p in products_of(plan).values() if os.path.isfile(p.path)]
    products = [product for product in products if product.rule != "choose_reference"]
    logs = [product.log for product in products]
    paths = [product.path for product in products]
    with ThreadPoolExecutor(_THREADS) as pool:
        damaged = list(pool.map(is_damaged, paths, logs))
    if sheet:
        rewrite_grid_notes(plan, sheet)
    found = [path for path, yes in zip(paths, damaged, strict=True) if yes]
    for path in found:
        mark(path)
    own = {os.path.realpath(path) for path in (*paths, *logs, plan.paths.lock)}
    own |= {os.path.realpath(path) for path in (grid_log(plan.paths), f"{plan.results}/{_FRAMES}")}
    others = sorted(path for path in (sheet.known if sheet else ()) if path.is_file())
    others = [path for path in others if os.path.realpath(path) not in own]
    return [os.fspath(path) for path in others if sheets.fault(path)]
