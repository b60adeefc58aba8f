"""Metadata of an annotated picture: the record of the picture, and its own job."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256
from platefiles.picture.display_image import DisplayImage
from platefiles.picture.picture_files import Label
from platefiles.provenance.activities import Making
from platefiles.provenance.header_provenance import creator
from platefiles.provenance.record import has_record, read_record, single_making
from platefiles.provenance.xmp import PICTURES, read_origin


def drawn_label(
    step: str,
    path: str | Path,
    job: Mapping[str, Any],
    inputs: Mapping[str, str | Path],
    method: str,
) -> Label:
    """Return the metadata of a drawing.

    Parameters
    ----------
    step : str
        Name of the rule.
    path : path-like
        Path of the drawing; at most its end is used.
    job : mapping
        The rule's job: ``title``.
    inputs : mapping of str to path-like
        By input name of the rule; ``linear_image`` is the picture's, ``display`` what was drawn
        from it.
    method : str
        Description of the drawing.

    Returns
    -------
    Label
        Without a making if an input has no record.
    """
    display = inputs.get("display")
    source = DisplayImage(display).source if display else file_sha256(inputs["linear_image"])
    cube = f"sha256:{source}"
    made = {name: _making(one) for name, one in inputs.items()}
    products = {name: (one.product,) for name, one in made.items() if one is not None}
    if len(products) < len(inputs):
        return Label(job["title"], cube, method, creator())
    return Label(
        job["title"],
        cube,
        method,
        creator(),
        read_record(inputs["linear_image"]).id,
        single_making(step, path, job, products),
        drawn=made.get("display"),
        beside={
            products[name][0]: file_sha256(one)
            for name, one in inputs.items()
            if name not in ("linear_image", "display")
        },
    )


def _making(path: str | Path) -> Making | None:
    if Path(path).suffix not in PICTURES:
        return read_record(path).making if has_record(path) else None
    try:
        return read_origin(path).making
    except UserError:
        return None
