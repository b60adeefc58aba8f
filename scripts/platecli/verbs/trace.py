"""The verb `trace`: show the provenance of a product, down to each raw frame."""

import argparse
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from platecli.arguments.naming import add_directory, file_word
from platecli.rebuild.pixel import history_of, pixel_lines
from platecli.text.screen import show
from platecli.text.tree import Lineage, kinds, tree_lines
from platecli.verbs.replay import DIFFERS, add_raw
from platefiles.audit.changed_settings import changed_settings
from platefiles.audit.environment_changes import CodeOf, altered
from platefiles.audit.why_not import first_name, frames_beside, why_not
from platefiles.core.errors import UserError
from platefiles.core.provisional import MADE_WITHOUT
from platefiles.integration.sub_rows import read_sub_rows
from platefiles.picture.picture_source import product_of, record_of


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `trace`."""
    parser.add_argument(
        "file",
        type=Path,
        help="a product: FITS file or picture of the results; or a project, for its picture",
    )
    parser.add_argument("--all", action="store_true", help="list every raw frame")
    parser.add_argument("--json", action="store_true", help="print the full record as JSON")
    parser.add_argument(
        "--why-not", metavar="SUB", help="say why a sub (name, id or part of it) is not in the file"
    )
    parser.add_argument(
        "--pixel",
        nargs=2,
        type=int,
        metavar=("X", "Y"),
        help="list the values of the subs at one pixel of a channel, counted from 1 as in FITS",
    )
    add_raw(parser)
    add_directory(parser)
    parser.add_argument(
        "--prov", type=Path, metavar="OUT", help="write the record as W3C PROV-JSON, to a new file"
    )
    parser.epilog = f"Exit status: 0, or {DIFFERS} if the pixel differs from that of the product."


def run(args: argparse.Namespace) -> int:
    """Print the requested output."""
    args.file = file_word(args.file, args.directory)
    product = product_of(args.file)
    lineage = Lineage(record_of(args.file), tuple(read_sub_rows(product)))
    if args.why_not is not None:
        return _why_not(args.file, args.why_not, lineage)
    if args.pixel is not None:
        return _pixel(args, product, lineage)
    if args.prov is not None:
        return _write_prov(args.prov, lineage)
    if args.json:
        print(json.dumps(as_json(lineage), indent=1))
        return 0
    show((*_head(lineage), *tree_lines(lineage, args.all)))
    return 0


def _why_not(file: Path, word: str, lineage: Lineage) -> int:
    beside = list(frames_beside(file))
    lines = why_not(word, lineage.record, lineage.rows, beside)
    renamed = "" if lines else first_name(word, file)
    if renamed:
        lines = why_not(renamed, lineage.record, lineage.rows, beside)
    if not lines:
        count = len(lineage.rows) or len(lineage.record.raws)
        msg = (
            f"none of the {count} frames that {file} was made of, or left out, has '{word}' in its "
            "name, id or digest: it was no frame of the project when this was made, or is excluded"
        )
        raise UserError(msg)
    show(lines)
    return 0


def _pixel(args: argparse.Namespace, product: Path, lineage: Lineage) -> int:
    x, y = args.pixel
    found = history_of(product, lineage.record, args.raw, x, y)
    if args.json:
        samples = [plain(vars(sample)) for sample in found.samples]
        print(json.dumps(plain(vars(found)) | {"samples": samples, "same": found.same}, indent=1))
    else:
        show(pixel_lines(product, found, x, y))
    return 0 if found.same else DIFFERS


def _write_prov(path: Path, lineage: Lineage) -> int:
    """Write a new file, and never over one that is there."""
    from platefiles.provenance.prov_json import prov_json  # slow to import

    try:
        with path.open("x", encoding="utf-8") as target:
            target.write(prov_json(lineage.record))
    except OSError as error:
        msg = f"--prov {path}: {error.strerror}; name a new file"
        raise UserError(msg) from error
    show([f"{lineage.root.product} as PROV-JSON: {path}"])
    return 0


def plain(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Return values that JSON knows: NaN becomes None."""
    return {key: None if value != value else value for key, value in facts.items()}


def _head(lineage: Lineage) -> list[str]:
    root, record = lineage.root, lineage.record
    lines = [
        f"{root.product}: made by {root.creator} from {kinds(record.raws.values())}",
        f"  {root.software}",
    ]
    found = altered(record)
    code = [what.step for what, *_ in found if isinstance(what, CodeOf)]
    if code:
        lines.append(f"  made by other code than this checkout: {', '.join(code)}")
    lines += [f"  {what} {a}, here {b}" for what, a, b in found if not isinstance(what, CodeOf)]
    if root.provisional:
        lines.append(f"  provisional: {MADE_WITHOUT}; `run` makes it again")
    return [*lines, ""]


def as_json(lineage: Lineage) -> dict[str, Any]:
    """Return all facts of a product, as plain values.

    Parameters
    ----------
    lineage : Lineage
    """
    return {
        "product": lineage.root.product,
        "makings": [
            {
                "product": making.product,
                "step": making.step,
                "digest": making.digest,
                "data": making.data,
                "provisional": making.provisional,
                "creator": making.creator,
                "lock": making.lock,
                "software": making.software,
                "code": json.loads(making.job).get("code"),
                "settings": json.loads(making.job).get("settings", {}),
                "changed": {
                    setting.key: {"value": setting.value, "default": setting.default}
                    for setting in changed_settings(making.step, json.loads(making.job))
                },
                "inputs": {name: list(members) for name, members in making.inputs.items()},
            }
            for making in lineage.record.makings.values()
        ],
        "raw_frames": [vars(raw) for raw in lineage.record.raws.values()],
        "not_as_here": [list(change) for change in altered(lineage.record)],
        "subs": [plain(vars(row)) for row in lineage.rows],
    }
