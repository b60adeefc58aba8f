"""Lines on the screen that tell what files say of themselves."""

from collections.abc import Iterable

from platefiles.slug import printable


def show(lines: Iterable[str]) -> None:
    """Print lines; what would move the cursor or change colours is shown as an escape.

    Parameters
    ----------
    lines : iterable of str
    """
    for line in lines:
        print(printable(line), flush=True)
