"""The previous version of each picture: one generation, for comparison.

A run that makes a picture again links its present files into a hidden folder first. When all files
of the picture are made, that folder becomes ``previous/<picture>``. A run that was stopped leaves
the hidden folder, and the next run goes on with it: what it holds is still the last whole version.
Steps never write into a product but replace it, so a link keeps the old content and costs no copy.
"""

import os
import shutil
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path

from platefiles.core.atomic_write import write_whole
from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256
from platefiles.core.provisional import PROVISIONAL
from platefiles.digests.digest_sheet import read_lines, sheet_text
from platefiles.plan.paths import PREVIOUS
from platefiles.plan.project_plan import ProjectPlan
from platefiles.provenance.damage_marks import is_marked
from platefiles.provenance.job_notes import read_note
from platefiles.provenance.xmp import PICTURES, read_origin
from platefiles.workflow.graph import Product

DIGESTS = ".digests"
"""Hidden file beside the files of a previous version, with their SHA-256."""

_NEXT, _LAST, _SUBS = ".next", ".last", ".subs.tsv"


def keep_pictures(
    plan: ProjectPlan, to_make: Iterable[str], products: Mapping[str, Product]
) -> list[str]:
    """Keep the present files of the pictures that a run makes again.

    What is kept since a run was stopped stays as it is. A picture whose files are missing, damaged,
    provisional or of different versions is not kept.

    Parameters
    ----------
    plan : ProjectPlan
        The working directory must be the folder of its results.
    to_make : iterable of str
        Paths of the products that the run makes.
    products : mapping of str to Product
        All products of the project, by path.

    Returns
    -------
    list of str
        Problems of the system, as sentences; these pictures are not kept.
    """
    wanted, problems = {*to_make}, []
    for picture in plan.loaded.pictures:
        files = _files(plan, picture)
        place = _place(plan, picture, _NEXT)
        if wanted.isdisjoint(files) or (place / DIGESTS).is_file():
            continue
        try:
            digests = _digests(files, products)
            if _is_one_version(files, digests):
                _link_all(digests, place)
        except OSError as error:
            why = error.strerror or error
            problems.append(f"{place}: {why}; the previous version of {picture} is not kept")
    return problems


def replace_previous(
    plan: ProjectPlan, stale: Iterable[str], products: Mapping[str, Product]
) -> list[str]:
    """Make what was kept the previous version of each picture that is whole again.

    Parameters
    ----------
    plan : ProjectPlan
        The working directory must be the folder of its results.
    stale : iterable of str
        Products that differ from the plan.
    products : mapping of str to Product
        All products of the project, by path.

    Returns
    -------
    list of str
        Problems of the system, as sentences; the next run tries again.
    """
    waiting, problems = {*stale}, []
    for picture in plan.loaded.pictures:
        files = _files(plan, picture)
        place = _place(plan, picture, _NEXT)
        if not (place / DIGESTS).is_file() or not waiting.isdisjoint(files):
            continue
        try:
            digests = _digests(files, products)
            if not _is_one_version(files, digests):
                continue
            if _kept(place) == {os.path.basename(path): one for path, one in digests.items()}:
                shutil.rmtree(place)  # the run made the same again
                continue
            _exchange(place, _place(plan, picture), _place(plan, picture, _LAST))
        except OSError as error:
            problems.append(f"{error.filename or place}: {error.strerror or error}")
    return problems


def keep_subs(plan: ProjectPlan) -> None:
    """Keep the table of subs of the last finished run; one kept by a stopped run stays as it is."""
    kept, path = kept_subs(plan), Path(plan.paths.subs)
    if path.is_file() and not kept.is_file():
        content = path.read_bytes()
        write_whole(kept, lambda target: target.write(content))


def kept_subs(plan: ProjectPlan) -> Path:
    """Return the path of the table of subs that is kept; it need not be there."""
    return Path(plan.results, PREVIOUS, _SUBS)


def forget_subs(plan: ProjectPlan) -> None:
    """Remove the table of subs that is kept, once a run is finished."""
    kept_subs(plan).unlink(missing_ok=True)
    with suppress(OSError):
        os.rmdir(f"{plan.results}/{PREVIOUS}")  # refused where a previous version is in it


def previous_digests(results: str | Path) -> dict[str, str]:
    """Return the SHA-256 of the files of previous versions, by path relative to the results."""
    found = {}
    for sheet in sorted(Path(results, PREVIOUS).glob(f"[!.]*/{DIGESTS}")):
        for name, sha256 in _kept(sheet.parent).items():
            if (sheet.parent / name).is_file():
                found[f"{PREVIOUS}/{sheet.parent.name}/{name}"] = sha256
    return found


def is_previous(path: Path) -> bool:
    """Return whether a file is one of a previous version, by its place."""
    return path.parent.parent.name == PREVIOUS and (path.parent / DIGESTS).is_file()


def _place(plan: ProjectPlan, picture: str, mark: str = "") -> Path:
    return Path(plan.results, PREVIOUS, f".{picture}{mark}" if mark else picture)


def _files(plan: ProjectPlan, picture: str) -> list[str]:
    """Return the linear image of a picture, and its files."""
    return [plan.paths.linear_image(picture), *plan.paths.picture_files(picture)]


def _digests(files: Iterable[str], products: Mapping[str, Product]) -> dict[str, str]:
    """Return the SHA-256 of whole files by path, as their jobs noted it."""
    found = {}
    for path in files:
        product = products.get(path)
        if product is None or not os.path.isfile(path) or is_marked(path):
            continue
        note = read_note(product.log)
        if note is None:
            found[path] = file_sha256(path)
        elif note.size_bytes == os.stat(path).st_size and note.job != PROVISIONAL:
            found[path] = note.sha256
    return found


def _is_one_version(files: list[str], digests: Mapping[str, str]) -> bool:
    """Return whether all files are there, and pictures are drawn from the linear image."""
    if {*files} != {*digests}:
        return False
    pictures = [path for path in files[1:] if Path(path).suffix in PICTURES]
    try:
        return all(read_origin(path).linear_image == digests[files[0]] for path in pictures)
    except UserError:
        return False


def _link_all(digests: Mapping[str, str], place: Path) -> None:
    """Link files into a folder; their digests come last, so that it is known to be whole."""
    shutil.rmtree(place, ignore_errors=True)  # begun by a run that was killed
    place.mkdir(parents=True)
    for path in digests:
        target = place / os.path.basename(path)
        try:
            os.link(path, target)
        except OSError:  # some network disks know no links
            shutil.copyfile(path, target)
    text = sheet_text({os.path.basename(path): sha256 for path, sha256 in digests.items()})
    content = text.encode("utf-8", "surrogateescape")
    write_whole(place / DIGESTS, lambda target: target.write(content))


def _kept(place: Path) -> dict[str, str]:
    with suppress(OSError):
        return read_lines(place / DIGESTS)[0]
    return {}


def _exchange(place: Path, previous: Path, last: Path) -> None:
    """Rename a folder to the previous version; it is whole at any time, or missing for a moment."""
    shutil.rmtree(last, ignore_errors=True)
    with suppress(FileNotFoundError):
        previous.rename(last)
    place.rename(previous)
    shutil.rmtree(last, ignore_errors=True)
