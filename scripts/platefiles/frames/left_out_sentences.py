"""Sentences that say why a raw file is not used.

Digests of code pass modules of sentences over: see `platefiles.provenance.code_digests`.
"""

from platefiles.fits.keywords import COLOUR_OFFSETS
from platefiles.frames.left_out import LeftOut, Why


def sentence(left_out: LeftOut) -> str:
    """Return the sentence without its subject, the file."""
    named = left_out.named
    match left_out.why:
        case Why.EXCLUDED:
            return f"excluded in {named['file']}"
        case Why.NOT_SELECTED:
            return f"excluded in {named['file']} by `lights` ({named['found']})"
        case Why.COLOUR_SENSOR:
            return _colour_sensor(named["evidence"])
        case Why.NO_CHANNEL:
            found = named["filter"]
            return (
                f"{f'FILTER = {found!r} is' if found else 'has no FILTER, which is'} in no channel "
                f"of {named['file']}: add it to the `filters` of a channel, or set FILTER under "
                "`header_fixes`"
            )
        case Why.NO_EXPOSURE:
            return "has no exposure time in its header; set EXPTIME under `header_fixes`"
        case Why.COPY:
            return f"same {named['what']} as {named['other']}"
        case Why.DAMAGED_COPY:
            return f"same exposure as {named['other']}, but damaged: {named['damage']}"
        case Why.DIFFERENT_COPY:
            return (
                f"same exposure as {named['other']}, but other bytes, and either file may be "
                "damaged; check both, and exclude the damaged one"
            )
        case Why.ODD_SIZE:
            return f"is {named['size']} px where the other lights are {named['usual']}"
        case Why.UNREADABLE | Why.UNCLEAR_HEADER | Why.UNCLEAR_SECTIONS:
            return named["found"]


def _colour_sensor(evidence: str) -> str:
    card = evidence.split()[0]
    key = "BAYERPAT" if card in COLOUR_OFFSETS else card
    return (
        f"comes from a colour sensor ({evidence}), and only monochrome cameras are supported; if "
        f"the camera is monochrome, say so under `header_fixes` ({{{key}: none}})"
    )
