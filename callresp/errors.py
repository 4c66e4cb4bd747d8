"""The one way this project tells a user that something is wrong.

Every mistake that a user can make ends in one line that says what is wrong,
where, and what to do about it. The command line prints that line and exits
with status 2; nothing prints a traceback for a user's mistake.
"""

from __future__ import annotations


class UserError(Exception):
    """A user's mistake, told in one line.

    Parameters
    ----------
    what
        What is wrong, as a clause without a full stop.
    where
        The place: a file, and the key and line where they are known.
    remedy
        What to do about it, as a clause without a full stop.
    argument
        Name of the argument at fault, or of the one that would mend it. The
        command line knows which option fills it, and names that.

    Examples
    --------
    >>> str(UserError("no such striker 'tube 9'", where="fettle.toml, line 12", remedy="name one"))
    "fettle.toml, line 12: no such striker 'tube 9'; name one"
    >>> str(UserError("no detector 'cn'", argument="detector", remedy="did you mean 'cnn'?"))
    "detector: no detector 'cn'; did you mean 'cnn'?"
    """

    def __init__(self, what: str, *, where: str = "", remedy: str = "", argument: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.remedy = remedy
        self.argument = argument

    def __str__(self) -> str:
        place = self.where or self.argument
        text = f"{place}: {self.what}" if place else self.what
        return " ".join((f"{text}; {self.remedy}" if self.remedy else text).split())
