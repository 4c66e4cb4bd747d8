"""What pages, pictures and lines on a terminal word alike: counts and nouns, bands, times, energy.

A count agrees with its noun wherever one is told, so no line puts a noun after
a number by itself.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Sequence


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


def counted_alike(texts: Iterable[str]) -> Counter[str]:
    """How often each of some texts comes.

    Parameters
    ----------
    texts
        Reasons, faults and the like, one as often as it came.

    Returns
    -------
    Counter[str]
        Those that differ in a figure only are one, with "…" for the figure.

    Examples
    --------
    >>> counted_alike(["3.1 s late", "no rest", "4.0 s late", "no rest in 2 s"]).most_common(1)
    [('… s late', 2)]
    """
    found: dict[str, Counter[str]] = {}
    for text in texts:
        shared = re.sub(r"\d+(\.\d+)?", "…", text).strip()
        found.setdefault(shared, Counter())[text.strip()] += 1
    return Counter(
        {next(iter(own)) if len(own) == 1 else shared: own.total() for shared, own in found.items()}
    )


def table(*rows: Sequence[str], words: Collection[int] = (0,)) -> list[str]:
    """Rows of cells as lines: columns of words flush left, the others right.

    Examples
    --------
    >>> table(("rules", "answered"), ("slow-bells", "40%"))
    ['rules       answered', 'slow-bells       40%']
    >>> table(("place", "day", "calls"), ("carr", "12 May", "3"), words=(0, 1))
    ['place  day     calls', 'carr   12 May      3']
    """
    wide = [max(map(len, column)) for column in zip(*rows, strict=True)]
    ways = [str.ljust if number in words else str.rjust for number in range(len(wide))]
    return [
        "  ".join(way(cell, of) for way, cell, of in zip(ways, row, wide, strict=True)).rstrip()
        for row in rows
    ]


def band(pitches_hz: Collection[float]) -> str:
    """From the lowest pitch to the highest.

    Parameters
    ----------
    pitches_hz
        Of notes that have one.

    Returns
    -------
    str
        In whole hertz.

    Examples
    --------
    >>> band([1620.4, 740.0]), band([880.2, 879.9]), band([])
    ('740 to 1620 Hz', '880 Hz', 'unpitched')
    """
    if not pitches_hz:
        return "unpitched"
    low, high = f"{min(pitches_hz):.0f}", f"{max(pitches_hz):.0f}"
    return f"{low} Hz" if low == high else f"{low} to {high} Hz"


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


def lasting(seconds: float, *, days: bool = False) -> str:
    """A length of time in the largest unit that it fills.

    Parameters
    ----------
    seconds
        How long.
    days
        Tell three days or more in days: of a time that passed, not of sound that was heard.

    Returns
    -------
    str
        Two digits or more, but of whole days.

    Examples
    --------
    >>> lasting(0.0421), lasting(33.6), lasting(59.7), lasting(420), lasting(5400)
    ('0.042 s', '34 s', '1.0 min', '7.0 min', '1.5 h')
    >>> lasting(345600), lasting(345600, days=True)
    ('96.0 h', '4 days')
    """
    if round(seconds) < 60:
        return f"{seconds:.0f} s" if seconds >= 9.95 else f"{seconds:.2g} s"
    if round(seconds / 6) < 600:
        return f"{seconds / 60:.1f} min"
    hours = seconds / 3600
    return f"{hours:.1f} h" if hours < 72 or not days else counted(round(hours / 24), "day")


def watt_hours(energy_wh: float) -> str:
    """An energy, also a small one.

    Parameters
    ----------
    energy_wh
        In watt-hours.

    Returns
    -------
    str
        With its unit, in two digits or more.

    Examples
    --------
    >>> watt_hours(123.4), watt_hours(0.0312), watt_hours(0)
    ('123.4 Wh', '0.031 Wh', '0 Wh')
    """
    return f"{energy_wh:.1f} Wh" if energy_wh >= 1 else f"{energy_wh:.2g} Wh"
