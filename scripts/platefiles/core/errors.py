"""Errors that the user can solve, as one sentence each."""

from pathlib import Path

from platefiles.core.safe_names import printable_lines


class UserError(Exception):
    """A problem that the user can solve; the message is shown as it stands, without a traceback.

    Parameters
    ----------
    message : str
        One or more lines of sentences. Unprintable characters are escaped, since a message may
        quote untrusted text of a file.
    """

    def __init__(self, message: object = "") -> None:
        super().__init__(printable_lines(str(message)))


class DamagedProduct(UserError):
    """A product that was changed since it was written.

    Parameters
    ----------
    path : path-like
    what : str
        Description of the damage.
    """

    def __init__(self, path: str | Path, what: str):
        super().__init__(f"{path} is damaged: {what}; run again to replace it")
        self.path = path
