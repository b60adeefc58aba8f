"""What goes wrong on the user's side, said in a sentence."""

from platefiles.slug import printable_lines


class UserError(Exception):
    """A problem that the user can solve; the message is shown as it stands, without a traceback.

    Parameters
    ----------
    message : str
        A sentence, or several lines of them. Characters that do not print are escaped, since a
        message may quote what a file says of itself.
    """

    def __init__(self, message: object = "") -> None:
        super().__init__(printable_lines(str(message)))
