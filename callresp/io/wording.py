"""Words that pages, pictures and lines on a terminal share: counts with their nouns, times.

A count agrees with its noun wherever one is told, so no line puts a noun after
a number by itself.
"""

from __future__ import annotations


def counted(count: int, noun: str, plural: str = "") -> str:
    """A count with its noun.

    Parameters
    ----------
    count
        How many.
    noun
        What is counted, one of it.
    plural
        Several of it, where that is not `noun` with an s.

    Returns
    -------
    str
        Both in words, thousands set apart by commas.

    Examples
    --------
    >>> counted(1, "voice"), counted(1200, "voice"), counted(0, "echo", "echoes")
    ('1 voice', '1,200 voices', '0 echoes')
    """
    return f"{count:,} {noun if count == 1 else plural or f'{noun}s'}"


def clock(seconds: float) -> str:
    """A time since the start of a run that may last a day.

    Parameters
    ----------
    seconds
        The time since then.

    Returns
    -------
    str
        Hours, minutes and seconds, two digits each.

    Examples
    --------
    >>> clock(3675.8)
    '01:01:15'
    """
    hours, rest = divmod(int(seconds), 3600)
    return f"{hours:02d}:{rest // 60:02d}:{rest % 60:02d}"
