"""Listening profiles: what to listen for, in units a field person knows.

Goal
----
One set of defaults hears most songs. Where a place or a question asks for
more (owls under a road, insects over everything, a woodpecker on a trunk) a
profile narrows the band or moves a threshold, in a TOML file.

Conventions
-----------
Frequencies in hertz, times in the unit that the key names, thresholds in dB
above the noise floor (which the listener measures for itself, band by band), so
that a profile does not depend on the recorder's gain.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from callresp.io import resources, settings


class Profile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the listener should take for a note.

    Attributes
    ----------
    name, about
        A name and a line about what it is for.
    band_low_hz, band_high_hz
        The band that is listened to.
    floor_db
        How far a partial must rise above the noise floor.
    shortest_note_ms
        Anything shorter that is not a sharp knock is left out.
    longest_note_s
        Sounds that last longer become part of the noise floor.
    least_tonality
        Notes below this (0 to 1) get no pitch.
    rest_s
        The shortest rest that closes a phrase; longer for singers who often pause so long.
    longest_phrase_s
        A singer who does not rest is cut after so long.
    singers
        "free": as many as are likely; "one": all is one singer's; "by-band": each keeps to
        a band of its own.
    most_singers
        At most so many; 0 for as many as are likely.
    window_ms
        Length of the analysing window: longer tells low pitches apart,
        shorter follows fast song.
    split_db
        How deep a dip must be to part one note from the next.
    faint_beside_loud_db
        Brief sounds this far below a loud neighbour are taken as its breath or echo.
    crackle_db
        How much farther over the floor sounds without a pitch must stand, at most, while
        rain, surf or leaves bring many of them; 0 to ask no more of them than elsewhere.
    """

    name: str = "general"
    about: str = ""
    band_low_hz: Annotated[float, Meta(ge=50, le=40000)] = 400.0
    band_high_hz: Annotated[float, Meta(ge=200, le=90000)] = 12000.0
    floor_db: Annotated[float, Meta(ge=3, le=40)] = 10.0
    shortest_note_ms: Annotated[float, Meta(ge=2, le=1000)] = 15.0
    longest_note_s: Annotated[float, Meta(ge=0.1, le=6)] = 4.0
    least_tonality: Annotated[float, Meta(ge=0, le=1)] = 0.5
    rest_s: Annotated[float, Meta(ge=0.02, le=60)] = 0.4
    longest_phrase_s: Annotated[float, Meta(ge=1, le=3600)] = 15.0
    singers: Literal["free", "one", "by-band"] = "free"
    most_singers: Annotated[int, Meta(ge=0, le=16)] = 0
    window_ms: Annotated[float, Meta(ge=4, le=80)] = 10.7
    split_db: Annotated[float, Meta(ge=2, le=40)] = 6.0
    faint_beside_loud_db: Annotated[float, Meta(ge=0, le=80)] = 10.0
    crackle_db: Annotated[float, Meta(ge=0, le=40)] = 8.0

    def __post_init__(self) -> None:
        if self.singers == "one" and self.most_singers > 1:
            raise ValueError(f"singers is 'one', but most_singers {self.most_singers}")
        if self.band_high_hz < 1.5 * self.band_low_hz:
            raise ValueError(
                f"band_high_hz {self.band_high_hz} must be at least 1.5 times"
                f" band_low_hz {self.band_low_hz}"
            )


def load_profile(name: str | Path | None) -> Profile:
    """A shipped profile by name, one of the user's own by path, or the general one.

    Raises
    ------
    UserError
        With file, line, key and what is allowed.
    """
    if name is None or name == "general":
        return Profile()
    return settings.load(resources.find("profiles", str(name)), Profile)[0]
