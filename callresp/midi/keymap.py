"""Which striker or turner a key plays: by the palette's table, a name, a drum key, or by pitch.

The first of these that says anything counts:

1. the palette's ``[[midi]]`` tables, in their order;
2. a track named after an instrument ("tube 1", or "reply: tube 1" as `export`
   names it);
3. on channel 10 a key of the General MIDI percussion map: the instrument that
   `export` puts there, else the first of a kind that such a key stands for;
4. the pitched striker whose strike pitch is nearest.

Velocity follows the square law of the General MIDI guidelines, 40 dB a factor
of ten, down from the loudest; the striker's measured force curve makes a force
of that level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from callresp.midi.notes import LOUDEST, PERCUSSION, PERCUSSION_KEYS, ChannelKeys
from callresp.palette.model import Palette, Striker, Turner
from callresp.synthesis.execution import force_of

# Strikers this near to each other are told apart by their channel and key.
UNISON_CENTS = 1.0
REPLY_TRACK = "reply: "


@dataclass(frozen=True, slots=True)
class Played:
    """What a key plays, and how far (in cents) that is from the pitch that was asked for."""

    instrument: Striker | Turner
    off_cents: float = 0.0


class KeyMap:
    """Finds the instrument of a key; what was found once is remembered."""

    def __init__(self, palette: Palette) -> None:
        self._palette = palette
        items: list[Striker | Turner] = [*palette.striker, *palette.turner]
        self._named = {item.name.casefold(): item for item in items}
        channel_keys = ChannelKeys(palette)
        self._channel_keys = {item.name: channel_keys.of(item) for item in items}
        self._drums: dict[int, Striker | Turner] = {}
        for item in items:
            channel, key = self._channel_keys[item.name]
            if channel == PERCUSSION:
                self._drums[key] = item
        for item in items:
            if not isinstance(item, Striker) or item.pitch_hz is None:
                for key in PERCUSSION_KEYS[item.kind]:
                    self._drums.setdefault(key, item)
        self._pitched = [item for item in palette.striker if item.pitch_hz is not None]
        self._found: dict[tuple[int, int, float, str], Played | None] = {}

    def find(self, channel: int, key: int, hz: float, track: str = "") -> Played | None:
        """What a key plays; `None` where nothing is like it.

        `channel` is 0 to 15; `hz` is the key's pitch, bend and tuning included; `track` the name
        of its track, in a file.
        """
        asked = (channel, key, hz, track)
        if asked not in self._found:
            self._found[asked] = self._look_up(channel, key, hz, track)
        return self._found[asked]

    def _look_up(self, channel: int, key: int, hz: float, track: str) -> Played | None:
        for row in self._palette.midi:
            if (
                row.channel in (None, channel + 1)
                and row.key in (None, key)
                and row.track.casefold() in ("", track.casefold())
            ):
                return Played(self._named[row.plays.casefold()])
        named = self._named.get(track.casefold().removeprefix(REPLY_TRACK))
        if named is not None:
            return Played(named)
        if channel == PERCUSSION:
            drum = self._drums.get(key)
            return None if drum is None else Played(drum)
        if not self._pitched:
            return None
        return self._nearest(channel, key, hz)

    def _nearest(self, channel: int, key: int, hz: float) -> Played:
        def off(striker: Striker) -> float:
            return 1200 * math.log2((striker.pitch_hz or hz) / hz)

        nearest = min(abs(off(striker)) for striker in self._pitched)
        near = [s for s in self._pitched if abs(off(s)) <= nearest + UNISON_CENTS]
        on_its_key = (s for s in near if (channel, key) == self._channel_keys[s.name])
        found = next(on_its_key, near[0])
        return Played(found, off(found))


def force_for(item: Striker | Turner, velocity: int, loudest_db: float | None = None) -> float:
    """Force of 0 to 1 that a velocity asks of an instrument.

    Parameters
    ----------
    item
    velocity
        1 to 127.
    loudest_db
        Level in dB SPL at 1 m of velocity 112, where a file of ours says it.
        Otherwise 127 is the hardest stroke of each instrument.

    Returns
    -------
    float
        0 to 1.

    Examples
    --------
    A striker of 20 dB from softest to hardest is struck at half of it by 71::

        force_for(striker, 71)  # 40 log10(71 / 127) = -10.1 dB
    """
    top_db = item.force[-1].level_db if isinstance(item, Striker) else item.level_max_db
    reference, full = (top_db, 127) if loudest_db is None else (loudest_db, LOUDEST)
    level_db = reference + 40 * math.log10(max(velocity, 1) / full)
    if isinstance(item, Striker):
        return force_of(item, level_db)
    span = item.level_max_db - item.level_min_db
    return 1.0 if span <= 0 else min(max((level_db - item.level_min_db) / span, 0.0), 1.0)
