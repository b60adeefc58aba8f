"""What goes wrong on the user's side, said in a sentence."""


class UserError(Exception):
    """A problem the user can mend; the message is shown as it stands, without a traceback."""
