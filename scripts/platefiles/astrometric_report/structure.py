"""Structure of ADES documents for submission, version 2022: elements, their number and order."""

import re

VERSION = "2022"
ORDER_FREE = ("observatory", "submitter", "telescope", "software")
"""Parts of the header whose elements stand in any order, each once at most."""
LISTS = ("observers", "measurers", "coinvestigators", "collaborators", "comment")
"""Parts of the header that repeat one element, once at least."""
REQUIRED = {
    "observatory": ("mpcCode",),
    "submitter": ("name",),
    "telescope": ("design", "aperture", "detector"),
    "software": (),
}
CONTEXT_ORDER = (
    "observatory",
    "submitter",
    "observers",
    "measurers",
    "telescope",
    "software",
    "coinvestigators",
    "collaborators",
    "fundingSource",
    "comment",
)
CONTEXT_REQUIRED = ("observatory", "submitter", "measurers", "telescope")

_MPC_ID = "(permID provID? | provID | artSat)"
_ID = f"({_MPC_ID} trkSub? | trkSub) obsSubID?"
_LOCATION = (
    "(sys ctr pos1 pos2 pos3 vel1? vel2? vel3? posCov11? posCov12? posCov13? posCov22? posCov23?"
    " posCov33?)?"
)
_PHOTOMETRY = "(mag rmsMag? band fltr? photCat? photAp?)?"
_OFFSET = "(deltaRA deltaDec rmsRA? rmsDec? rmsCorr? | dist pa rmsDist? rmsPA? rmsCorr?)"
_HEAD = f"{_ID} mode stn {_LOCATION} obsTime rmsTime?"
_TAIL = "disc? uncTime? notes? remarks?"
_EXPOSURE = "logSNR? seeing? exp? rmsFit? nStars?"

OBSERVATIONS = {
    "optical": f"{_HEAD} ra dec rmsRA? rmsDec? rmsCorr? astCat {_PHOTOMETRY} {_EXPOSURE} {_TAIL}",
    "offset": f"{_HEAD} obsCenter {_OFFSET} {_PHOTOMETRY} {_EXPOSURE} {_TAIL}",
    "occultation": (
        f"{_HEAD} raStar decStar {_OFFSET} astCat {_PHOTOMETRY} logSNR? shapeOcc? seeing? {_TAIL}"
    ),
    "radar": (
        f"{_MPC_ID} trkSub? trx rcv obsTime (doppler rmsDoppler | delay rmsDelay) logSNR? com? frq"
        " remarks?"
    ),
}
"""Kinds of observations and their elements in order: ``?`` optional, ``|`` one of."""

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9]*")
_MARKS = {"ra": "optical", "obsCenter": "offset", "raStar": "occultation", "trx": "radar"}
_COMPILED = {
    kind: re.compile(_NAME.sub(lambda name: rf"(?:{name[0]}\ )", model), re.VERBOSE)
    for kind, model in OBSERVATIONS.items()
}


def order(kind: str) -> list[str]:
    """Return the elements that a kind of observation may have, in order."""
    return list(dict.fromkeys(_NAME.findall(OBSERVATIONS[kind])))


def kind_of(names: list[str]) -> str | None:
    """Return the kind of observation that has some elements, None if it cannot be told."""
    kinds = [kind for mark, kind in _MARKS.items() if mark in names]
    return kinds[0] if len(kinds) == 1 else None


def fault(kind: str, names: list[str]) -> str:
    """Return what is wrong with the elements of an observation, '' if nothing is."""
    if _COMPILED[kind].fullmatch("".join(f"{name} " for name in names)):
        return ""
    allowed = order(kind)
    unknown = [name for name in names if name not in allowed]
    if unknown:
        return f"{unknown[0]} is not allowed"
    repeated = [name for name in names if names.count(name) > 1]
    if repeated:
        return f"{repeated[0]} stands twice"
    if names != sorted(names, key=allowed.index):
        return f"the elements are not in the order {', '.join(sorted(names, key=allowed.index))}"
    missing = [name for name in _always(kind) if name not in names]
    if missing:
        return f"{missing[0]} is missing"
    if not {"permID", "provID", "artSat", "trkSub"} & set(names):
        return "permID, provID, artSat and trkSub are missing; one is needed"
    return f"its elements do not go together: {', '.join(names)}"


def _always(kind: str) -> list[str]:
    """Return the elements that an observation of a kind must have."""
    outside = re.sub(r"\([^()]*\)\??", " ", OBSERVATIONS[kind])
    outside = re.sub(r"\([^()]*\)\??", " ", outside)
    return [
        name for name in re.findall(r"[A-Za-z][A-Za-z0-9]*\??", outside) if not name.endswith("?")
    ]
