"""Masters of the same frames in several projects, which are made only once."""

import glob
import os
from collections.abc import Collection, Mapping

from platefiles.core.hashing import digest
from platefiles.workflow.graph import Product
from platefiles.workflow.staleness import recorded


def shared_masters(
    results: str, products: Mapping[str, Product], to_make: Collection[str]
) -> dict[str, str]:
    """Find masters to make that exist, or are being made, in another project.

    Parameters
    ----------
    results : str
        Folder of results.
    products : mapping of str to Product
        Products of the projects of a run, by path.
    to_make : collection of str
        Products to make.

    Returns
    -------
    dict of str to str
        Path of the same master in the other project, by the path of the master.
    """
    masters = {path: p for path, p in products.items() if p.rule.startswith("master_")}
    wanted = {path: digest(masters[path].job) for path in masters if path in to_make}
    projects = {path.split("/")[1] for path in products if path.startswith(f"{results}/")}
    makers: dict[str, str] = {}
    found = {}
    for path, job in wanted.items():
        name = os.path.basename(path)
        others = sorted(glob.glob(f"{results}/*/calibration/{glob.escape(name)}"))
        # What a project of this run has, but uses no more, is no product of any rule.
        usable = (p for p in others if p in products or p.split("/")[1] not in projects)
        twin = next((p for p in usable if p not in to_make and recorded(p) == job), None)
        twin = twin or makers.setdefault(job, path)
        if twin != path:
            found[path] = twin
    return found


def shared_stem(results: str, path: str) -> str:
    """Return the path of a master without results folder and extension."""
    return path.removeprefix(f"{results}/").removesuffix(".fits")
