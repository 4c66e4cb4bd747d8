"""Self-masking: telling the machine's own sound in the microphone from the birds'.

Goal
----
A machine that answers what it hears must not answer itself. It knows when and
what it strikes, so it can say of any heard note whether that note may be its
own, and leave the rest of the spectrum open to the birds.

Conventions
-----------
- Times are seconds on the engine's clock; a strike's time is that of the
  stroke (pulse start plus the striker's latency).
- **Gate**: a stroke is a click over the whole band; for `gate_s` from its
  earliest arrival every note is taken as own.
- **Mask**: after the gate each partial keeps a band of ±`width` of its
  frequency until its own decay, and the room's, have taken it `fade_db` down.
  A damper that falls shortens all partials to its T60.
- **Return**: a wall gives back, a delay later and so much fainter, what the microphone
  heard of the machine. So a sound may be a return where a mask lay on its band a delay
  ago, and where it is no louder than what was heard in its band then, less what the way to
  the wall and back takes. A bird that is louder is heard meanwhile.
- Motors keep their band, for unpitched notes only: a bird that whistles
  through a shaker is heard.
- Partials decay exponentially, so a fall of x dB takes x / 60 of T60
  (the definition of reverberation time, ISO 3382-1:2009).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from callresp.io.score import Note
from callresp.live.recent_sound import RecentSound, Wave
from callresp.palette.model import Damper, Palette, Striker
from callresp.plan.model import Command, Hold, Strike, Turn

if TYPE_CHECKING:
    from callresp.listen.online import NoteOnset

    HeardSound = NoteOnset | Note

Values = npt.NDArray[np.float64]

# A return may come so much earlier or later than it was known, and be so much louder: walls are
# rough, and the wind carries.
RETURN_SLACK_S, RETURN_SLACK_SHARE = 0.010, 0.01
RETURN_SPARE_DB = 9.0
# Levels are compared over such frames, in the sound's own band and so much beside it.
FRAME_S, BAND_HZ = 0.012, 120.0
# A note that began so shortly before a stroke, at the pitch of a partial of it, is taken for it;
# one that began earlier where it grows by so much as the stroke falls into it.
JOINED_S, JOINED_DB = 0.12, 6.0
# What sounds already so long before a sound is none of it.
BEFORE_S = 0.045, 0.010
# A sound that lasts is judged by its beginning.
JUDGED_S = 0.3
# A note is judged when it has ended; of one that lasts longer the beginning is forgotten.
KEPT_S = 10.0
# So often masks that are over are let go.
TIDY_S = 1.0


@dataclass(frozen=True, slots=True)
class Return:
    """What a wall gives back: its delay behind the stroke, and its level against it."""

    delay_s: float
    level_db: float

    @property
    def slack_s(self) -> float:
        """How much earlier or later than it was known it may come."""
        return RETURN_SLACK_S + RETURN_SLACK_SHARE * self.delay_s


@dataclass(frozen=True, slots=True)
class Acoustics:
    """How sound comes back: longest delay, and the reverberation's T60.

    `width` is half the band kept about a partial, as a share of its frequency
    (0.03 is about half a semitone); `least_width_hz` its floor, for the
    listener's own resolution. `fade_db` is how far a partial must fall before
    its band is given back.
    """

    delay_s: float = 0.05
    t60_s: float = 0.4
    gate_s: float = 0.07
    width: float = 0.035
    least_width_hz: float = 90.0
    fade_db: float = 55.0
    returns: tuple[Return, ...] = ()


@dataclass(frozen=True, slots=True)
class Mask:
    """A stretch of time and a band in which a heard note may be our own."""

    from_s: float
    until_s: float
    low_hz: float
    high_hz: float
    why: str
    unpitched_only: bool = False

    @property
    def whole_band(self) -> bool:
        """Whether it is a gate."""
        return self.low_hz == 0.0 and math.isinf(self.high_hz)

    def covers(self, sound: HeardSound, from_s: float, until_s: float) -> bool:
        """Whether the mask lies on the band of `sound` some time between the two."""
        if not (self.from_s <= until_s and self.until_s >= from_s):
            return False
        if sound.pitch_hz is not None:
            return not self.unpitched_only and self.low_hz <= sound.pitch_hz <= self.high_hz
        return sound.low_hz <= self.high_hz and sound.high_hz >= self.low_hz


def reach_s(returns: Sequence[Return]) -> float:
    """How much of the sound must be kept to judge these returns by."""
    return max((back.delay_s for back in returns), default=0.0) + KEPT_S


class SelfMask:
    """Keeps the masks of what was struck lately.

    Parameters
    ----------
    palette
        What the machine plays on.
    acoustics
        How its sound comes back to the microphone.
    recent
        What was heard lately, by which returns are told from birds that are louder, and a stroke
        from the bird that it falls into; without it all that may be a return by its time and band
        is taken for one.
    """

    def __init__(
        self,
        palette: Palette,
        acoustics: Acoustics | None = None,
        recent: RecentSound | None = None,
    ) -> None:
        self.palette = palette
        self._recent = recent
        self.acoustics = acoustics or Acoustics()
        self._masks: deque[Mask] = deque()
        self._by_channel = {item.coil.channel: item for item in palette.striker}
        self._by_damper = {
            item.damper.coil.channel: item for item in palette.striker if item.damper is not None
        }
        self._by_motor = {item.channel: item for item in palette.turner}
        self._tidied_s = -math.inf
        self._held_until: dict[int, float] = {}
        self._struck_s: dict[str, float] = {}

    def add_command(self, command: Command, at_s: float) -> None:
        """Take note of a command that the board executes at `at_s`."""
        if isinstance(command, Strike):
            if striker := self._by_channel.get(command.channel):
                self._masks.extend(self._strike(striker, at_s))
        elif isinstance(command, Hold):
            self._masks.extend(self._hold(command, at_s))
        elif isinstance(command, Turn):
            self._masks.extend(self._turn(command, at_s))

    def owner(self, sound: HeardSound) -> str | None:
        """What of the machine `sound` may be, in words; `None` if it is a stranger's."""
        own = self._lay_on(sound, sound.onset_s, sound.onset_s) or self._joined(sound)
        return self._returned(sound) if own is None else own

    def _joined(self, sound: HeardSound) -> str | None:
        """Of what stroke `sound` is the ring, where a bird at its pitch began before."""
        if not isinstance(sound, Note) or sound.pitch_hz is None:
            return None
        for mask in self._masks:
            if mask.whole_band or not mask.covers(sound, sound.onset_s, sound.offset_s):
                continue
            if mask.from_s <= sound.onset_s + JOINED_S or self._rises_at(mask.from_s, sound):
                return mask.why
        return None

    def _rises_at(self, struck_s: float, sound: Note) -> bool:
        """Whether a note grows at its pitch where a stroke falls into it."""
        assert sound.pitch_hz is not None
        if self._recent is None:
            return False
        until_s = min(sound.offset_s, struck_s + JOINED_S, self._recent.ends_s)
        before = self._recent.part(min(sound.onset_s, struck_s - FRAME_S), struck_s)
        after = self._recent.part(struck_s, max(until_s, struck_s + FRAME_S))
        if before is None or after is None:
            return False
        band = sound.pitch_hz - BAND_HZ, sound.pitch_hz + BAND_HZ
        was, grown = (
            float(np.sum(_powers(part, band, self._recent.rate_hz), axis=1).max())
            for part in (before, after)
        )
        return grown > 10 ** (JOINED_DB / 10) * was

    def _lay_on(self, sound: HeardSound, from_s: float, until_s: float) -> str | None:
        """Why a mask lay on the band of `sound` between two times."""
        covering = (mask.why for mask in self._masks if mask.covers(sound, from_s, until_s))
        return next(covering, None)

    def _returned(self, sound: HeardSound) -> str | None:
        """Of what of the machine `sound` may be the return."""
        backs, why = [], None
        for back in self.acoustics.returns:
            since_s = sound.onset_s - back.delay_s
            of = self._lay_on(sound, since_s - back.slack_s, since_s + back.slack_s)
            if of is not None:
                backs.append(back)
                why = why or f"the echo of {of}"
        if why is None or (self._recent is not None and self._is_louder(sound, backs)):
            return None
        return why

    def _is_louder(self, sound: HeardSound, backs: Sequence[Return]) -> bool:
        """Whether a sound is louder than returns before another stroke of ours joins it."""
        assert self._recent is not None
        until_s = sound.offset_s if isinstance(sound, Note) else self._recent.ends_s
        struck_s = (mask.from_s for mask in self._masks if mask.whole_band)
        joined_s = min((at_s for at_s in struck_s if at_s > sound.onset_s), default=until_s)
        return is_louder(self._recent, sound, min(until_s, joined_s), backs)

    def gated(self, at_s: float) -> bool:
        """Whether a whole-band gate is closed at `at_s`."""
        return any(mask.whole_band and mask.from_s <= at_s <= mask.until_s for mask in self._masks)

    def release(self, at_s: float) -> None:
        """All coils were released: what a powered damper kept quiet rings on again."""
        for striker in self.palette.striker:
            if striker.damper is None or striker.damper.rest == "on":
                continue
            struck_s = self._struck_s.get(striker.name, -math.inf)
            if struck_s + striker.t60_s < at_s:
                continue
            self._held_until.pop(striker.damper.coil.channel, None)
            for partial in striker.partials:
                until_s = self._faded(struck_s + self.acoustics.delay_s, partial.t60_s)
                hz = partial.ratio * striker.reference_hz
                self._masks.append(self._band(hz, at_s, until_s, striker.name))

    def returns_are(self, returns: tuple[Return, ...]) -> None:
        """The walls' returns as they are now."""
        self.acoustics = replace(self.acoustics, returns=returns)

    def forget_before(self, at_s: float) -> None:
        """Drop masks that ended before `at_s`; some stay for another second."""
        if at_s < self._tidied_s + TIDY_S:
            return
        self._tidied_s = at_s
        oldest_s = at_s - max((back.delay_s for back in self.acoustics.returns), default=0.0)
        self._masks = deque(mask for mask in self._masks if mask.until_s >= oldest_s)

    def _strike(self, striker: Striker, at_s: float) -> list[Mask]:
        acoustics = self.acoustics
        stroke_s = at_s + striker.latency_ms / 1000
        self._struck_s[striker.name] = stroke_s
        early_s = stroke_s - 3 * striker.latency_spread_ms / 1000 - 0.005
        late_s = stroke_s + acoustics.delay_s
        gate_s = late_s + acoustics.gate_s
        masks = [self._whole_band(early_s, gate_s, f"the stroke on {striker.name}")]
        for partial in striker.partials:
            hz = partial.ratio * striker.reference_hz
            until_s = self._rings_until(striker, partial.t60_s, at_s, late_s)
            masks.append(self._band(hz, early_s, until_s, striker.name))
        if striker.pitch_hz is None and striker.band_hz is not None:
            until_s = self._rings_until(striker, striker.t60_s, at_s, late_s)
            low, high = striker.band_hz
            masks.append(Mask(early_s, until_s, low, high, f"{striker.name} ringing", True))
        return masks

    def _rings_until(self, striker: Striker, t60_s: float, at_s: float, from_s: float) -> float:
        """When a partial struck at `at_s` has fallen by `fade_db`."""
        damper = striker.damper
        if damper is None:
            return self._faded(from_s, t60_s)
        held_until_s = self._held_until.get(damper.coil.channel, -math.inf)
        if (held_until_s > at_s) == (damper.rest == "off"):
            return self._faded(from_s, min(t60_s, damper.damped_t60_s))
        if damper.rest == "off":
            return self._faded(from_s, t60_s)
        return min(self._faded(from_s, t60_s), self._quiet_after(damper, held_until_s))

    def _quiet_after(self, damper: Damper, end_s: float) -> float:
        """When a damper that starts to fall at `end_s` has made its striker quiet."""
        return self._faded(
            end_s + damper.fall_ms / 1000 + self.acoustics.delay_s, damper.damped_t60_s
        )

    def _faded(self, from_s: float, t60_s: float) -> float:
        return from_s + self.acoustics.fade_db / 60 * (t60_s + self.acoustics.t60_s)

    def _hold(self, command: Hold, at_s: float) -> list[Mask]:
        striker = self._by_damper.get(command.channel)
        if striker is None or striker.damper is None:
            return []
        end_s = at_s + command.hold_ms / 1000
        self._held_until[command.channel] = end_s
        damper = striker.damper
        pressed_s = end_s if damper.rest == "on" else at_s
        self._shorten(striker, pressed_s, self._quiet_after(damper, pressed_s))
        moves = ((at_s, damper.lift_ms, "lifting"), (end_s, damper.fall_ms, "falling"))
        return [
            self._whole_band(
                start_s,
                start_s + length_ms / 1000 + self.acoustics.delay_s + self.acoustics.gate_s,
                f"the damper of {striker.name} {word}",
            )
            for start_s, length_ms, word in moves
            if damper.noise_db > 0
        ]

    def _shorten(self, striker: Striker, falls_s: float, quiet_s: float) -> None:
        """Partials that would ring on past a fallen damper end with it."""
        why = f"{striker.name} ringing"
        self._masks = deque(
            Mask(mask.from_s, quiet_s, mask.low_hz, mask.high_hz, why, mask.unpitched_only)
            if mask.why == why and mask.from_s < falls_s and mask.until_s > quiet_s
            else mask
            for mask in self._masks
        )

    def _turn(self, command: Turn, at_s: float) -> list[Mask]:
        turner = self._by_motor.get(command.channel)
        if turner is None:
            return []
        until_s = at_s + command.run_ms / 1000 + turner.slow_down_s
        until_s += self.acoustics.delay_s + self.acoustics.t60_s * self.acoustics.fade_db / 60
        low, high = turner.band_hz
        return [Mask(at_s - 0.005, until_s, low, high, f"{turner.name} turning", True)]

    def _band(self, hz: float, from_s: float, until_s: float, name: str) -> Mask:
        half = max(hz * self.acoustics.width, self.acoustics.least_width_hz)
        return Mask(from_s, until_s, hz - half, hz + half, f"{name} ringing")

    @staticmethod
    def _whole_band(from_s: float, until_s: float, why: str) -> Mask:
        return Mask(from_s, until_s, 0.0, math.inf, why)


def is_louder(
    recent: RecentSound,
    sound: HeardSound,
    until_s: float,
    backs: Sequence[Return],
) -> bool:
    """Whether a sound is louder in its band than what walls can give back by then.

    Parameters
    ----------
    recent
        What was heard lately.
    sound, until_s
        Judged by its first `JUDGED_S`, and until then.
    backs
        What each wall gives back.

    Returns
    -------
    bool
        False too where not all of the sound that it takes is kept.
    """
    from_s = sound.onset_s
    until_s = min(max(until_s, from_s + FRAME_S), from_s + JUDGED_S, recent.ends_s)
    from_s = min(from_s, until_s - FRAME_S)
    before = recent.part(from_s - BEFORE_S[0], from_s - BEFORE_S[1])
    now = recent.part(from_s, until_s)
    if before is None or now is None:
        return False
    band = sound.low_hz - BAND_HZ, sound.high_hz + BAND_HZ
    most = 0.0
    for back in backs:
        first_s, last_s = from_s - back.delay_s, until_s - back.delay_s
        then = recent.part(first_s - back.slack_s, last_s + back.slack_s)
        if then is None:
            return False
        heard = np.sum(_powers(then, band, recent.rate_hz), axis=1)
        most += 10 ** ((back.level_db + RETURN_SPARE_DB) / 10) * float(heard.max())
    # What rang on in the band before counts for nothing.
    risen = _powers(now, band, recent.rate_hz) - _powers(before, band, recent.rate_hz).max(axis=0)
    return float(np.sum(np.maximum(risen, 0.0), axis=1).max()) > most


def _powers(sound: Wave, band_hz: tuple[float, float], rate_hz: int) -> Values:
    """Powers of frames of `FRAME_S` by bins within a band, shape ``(frames, bins)``."""
    size = round(FRAME_S * rate_hz)
    frames = np.lib.stride_tricks.sliding_window_view(sound, size)[:: size // 2]
    low, high = (round(hz * size / rate_hz) for hz in band_hz)
    spectra = np.fft.rfft(frames * np.hanning(size).astype(np.float32))
    return np.asarray(np.square(np.abs(spectra[:, max(low, 0) : high + 1])))
