"""Provisional products, which the next run makes again, since their input was changing.

A raw frame that is not as it was when the run began, or when it was measured, holds up no night: it
is left out. But what is made without it is provisional: it does not claim the job that the plan
has for it, and neither does what is made of it, so that the next run makes both again.

A process runs one job, so what a job met is kept for the process.
"""

from collections.abc import Iterator
from contextlib import contextmanager

JOB_DIGEST = "JOBDIG"
"""Keyword of the digest of the job by which a product was made."""

PROVISIONAL = "provisional"
"""What stands there in place of the digest of the job."""

MADE_WITHOUT = "a raw frame was not as it had been scanned when it was made"
"""What that means, for people."""

_met: list[str] = []


def hold_back(reason: str) -> None:
    """Record the reason why the product of this job is provisional."""
    if reason not in _met:
        _met.append(reason)


def held_back() -> list[str]:
    """Return the reason why this job's product is provisional, or nothing."""
    return list(_met)


@contextmanager
def new_job() -> Iterator[None]:
    """Clear the recorded reason, at the beginning and the end of a job."""
    _met.clear()
    try:
        yield
    finally:
        _met.clear()
