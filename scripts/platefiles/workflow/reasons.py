"""Why a product is made again: its header compared with its job."""

import json
from collections.abc import Collection, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from platefiles.config.lock_file import read_lock
from platefiles.core.provisional import JOB_DIGEST, PROVISIONAL
from platefiles.fits.header_reader import HeaderError, long_texts, read_header_bytes
from platefiles.provenance.damage_marks import is_marked
from platefiles.workflow.graph import Product
from platefiles.workflow.staleness import Staleness, is_cut

NOT_THERE = "not there yet"
"""Cause of what was never made, or was deleted."""

CUT = "truncated"
"""Cause of a file that was cut short, on a full disk or by a copy that was broken off."""

DAMAGED = "changed since it was made"
"""Cause of a file whose bytes do not fit its digest any more."""

UNSETTLED = "a raw frame was changing when it was made"
"""Cause of what is provisional."""

OTHER_SUBS = "other subs or camera facts"
"""Cause of what is made of lights, where neither code nor settings changed."""

_FRAMES = ("measure_stars", "integrate_night", "calibrate_sub", "register_sub")


def cause(product: Product, staleness: Staleness, making: Collection[str]) -> str:
    """Return the reason for making a product, in a few words.

    Parameters
    ----------
    product : Product
        A product to be made.
    staleness : Staleness
    making : collection of str
        All products to be made.

    Returns
    -------
    str
        Empty if it only follows from its inputs.
    """
    follows = any(path in making for path in product.inputs)
    if product.rule == "choose_reference":
        if staleness.is_there(product.path):
            lock = read_lock(Path(product.path))
            if lock is not None and lock.crop is None:
                return "the crop of pictures is not chosen yet"
            return "a channel has no reference yet"
        registered = any(
            p.rule == "register" and staleness.is_there(p.path) for p in staleness.products.values()
        )
        return "its lock file is missing" if registered else NOT_THERE
    if not staleness.is_there(product.path):
        return "" if follows else NOT_THERE
    if is_marked(product.path):
        return DAMAGED
    if is_cut(product.path, product.note):
        return CUT
    job, made = json.loads(product.job), header_texts(product.path)
    reasons = [UNSETTLED] if made.get(JOB_DIGEST) == PROVISIONAL else []
    if made.get("CODEDIG", job["code"]) != job["code"]:
        reasons.append("its code changed")
    with suppress(KeyError, ValueError):
        old = json.loads(made["SETTINGS"])
        if all(isinstance(group, dict) for group in old.values()):  # else of an earlier version
            reasons += changed_settings(old, job["settings"])
    if reasons or follows or product.waits:
        return ", ".join(reasons)
    if product.note:
        return "other settings or code"
    if product.rule.startswith("master_"):
        return "other frames"
    if product.rule in _FRAMES:
        return OTHER_SUBS
    return "other facts in the project's files"


def changed_settings(old: Mapping[str, Any], new: Mapping[str, Any], group: str = "") -> list[str]:
    """Name the settings that differ: ``clip_high 4 -> 3``.

    Parameters
    ----------
    old, new : mapping
        Settings; nested groups are included.
    group : str
        Name of their group.
    """
    found = []
    for key in sorted({*old, *new}):
        one, other = old.get(key), new.get(key)
        name = f"{group}.{key}" if group else key
        if isinstance(one, dict) and isinstance(other, dict):
            found += changed_settings(one, other, name)
        elif one != other:
            found.append(f"{name} {_shown(one)} -> {_shown(other)}")
    return found


def header_texts(path: str) -> dict[str, str]:
    """Return the strings of the primary header of a product, including long ones.

    Files without such a header have none.
    """
    with suppress(OSError, HeaderError), open(path, "rb") as stream:
        return dict(long_texts(read_header_bytes(stream)))
    return {}


def _shown(value: Any) -> str:
    if value is None:
        return "none"
    return value if isinstance(value, str) else json.dumps(value)
