"""The self-test judged: which strikers are as the palette knows them, and which are not.

What is compared
----------------
Pitch, by the partials together; T60, of the partials that matter; level and
latency, against those of the other strikers (a microphone's gain and distance
are the same for all); and whose partials sound.

Thresholds
----------
A steel tube falls by some 2 cents for 10 K (its stiffness by 2 to 3 parts in
10 000 a kelvin, handbook value, from memory), a strike test repeats within 1
cent: `OFF_CENTS` is beyond both. Levels of a striker vary by 1 or 2 dB from
stroke to stroke, T60 by a tenth; half the T60, or a fall by `WEAK_DB`, is a
thing to look at (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from callresp.field.self_test.measure import StrikerResponse
from callresp.palette.model import Palette, Striker
from callresp.strike_test import stroke_faults
from callresp.strike_test.modes import Mode

OFF_CENTS = 15.0
SWAPPED_CENTS, OWN_FIT, OTHER_FIT, BETTER = 25.0, 0.4, 0.5, 0.15
NEAR_CENTS, NEAR_CENTS_NO_PITCH = 14.0, 90.0
DETUNED_MOST_CENTS, STEP_CENTS = 450, 5
SHORT_SHARE, DEAD_SHARE, SHORT_NO_PITCH = 0.7, 0.5, 0.4
WEAK_DB, VERY_WEAK_DB = 6.0, 14.0
LATE_MS = 6.0
STRONG_DB = -15.0
UNSURE_DB = 12.0


class StrikerFault(msgspec.Struct, frozen=True, kw_only=True):
    """One thing to look at: `kind` in a word, `text` for a person."""

    kind: str
    text: str


class Verdict(msgspec.Struct, frozen=True, kw_only=True):
    """A striker after the self-test; `None` for what could not be told.

    `level_db` and `late_ms` are against the other strikers, `t60_s` is of the
    partial of `t60_known_s`.
    """

    striker: str
    channel: int
    heard: bool
    faults: tuple[StrikerFault, ...]
    pitch_off_cents: float | None = None
    t60_s: float | None = None
    t60_known_s: float | None = None
    level_db: float | None = None
    late_ms: float | None = None
    sounds_as: str = ""

    @property
    def well(self) -> bool:
        """Whether there is nothing to look at."""
        return not self.faults


def judge(heard: Sequence[StrikerResponse], palette: Palette) -> list[Verdict]:
    """Hold what was heard against the palette."""
    gain_db = _gain_db(heard)
    return [_verdict(one, palette, gain_db) for one in heard]


def _gain_db(heard: Sequence[StrikerResponse]) -> float | None:
    """From the palette's levels to the recording's, by most of the strikers."""
    apart = []
    for one in heard:
        level_db = own_level_db(one.modes, one.striker, tuning_offset(one.modes, one.striker)[0])
        if level_db is not None and not one.stroke.clipped:
            apart.append(level_db - one.striker.force[-1].level_db)
    return float(np.median(apart)) if apart else None


def own_level_db(modes: Sequence[Mode], striker: Striker, off: float) -> float | None:
    """Level of what sounds at the striker's own partials: a bird's note beside them is not its."""
    if not modes:
        return None
    within = NEAR_CENTS if striker.pitch_hz is not None else NEAR_CENTS_NO_PITCH
    own = 0.0
    for mode in modes:
        cents = 1200 * np.log2(mode.hz / striker.reference_hz) - off
        if any(abs(cents - 1200 * np.log2(p.ratio)) < within for p in striker.partials):
            own += mode.amplitude**2
    return 10 * float(np.log10(own)) if own > 0 else None


def _verdict(one: StrikerResponse, palette: Palette, gain_db: float | None) -> Verdict:
    striker = one.striker
    base = Verdict(striker=striker.name, channel=striker.coil.channel, heard=one.spoke, faults=())
    if not one.spoke:
        return msgspec.structs.replace(base, faults=(_silent(one, gain_db),))
    faults: list[StrikerFault] = []
    if one.stroke.clipped:
        text = "it clips: turn the recorder's gain down and test again"
        faults.append(StrikerFault(kind="clipped", text=text))
    off, fit = tuning_offset(one.modes, striker)
    other = _other(one, palette, off, fit)
    late_ms = None if one.late_s is None else 1000 * one.late_s
    found: dict[str, float | None] = {"late_ms": late_ms}
    if other:
        text = f"it sounds as {other} should: cables or channels are swapped"
        faults.append(StrikerFault(kind="swapped", text=text))
    elif not one.modes or fit < OWN_FIT:
        faults.append(_other_sound(one))
    else:
        found |= {"pitch_off_cents": off if striker.pitch_hz is not None else None}
        faults += _detuned(striker, off)
        t60_s, known_s = ring(one.modes, striker, off)
        found |= {"t60_s": t60_s, "t60_known_s": known_s}
        faults += _short(striker, t60_s, known_s)
    own_db = own_level_db(one.modes, striker, off)
    if not other and not one.stroke.clipped and own_db is not None and gain_db is not None:
        level_db = own_db - striker.force[-1].level_db - gain_db
        found["level_db"] = level_db
        faults += _weak(level_db)
    # Clipping sounds like a buzz.
    faults += [] if one.stroke.clipped else _loose(one)
    if late_ms is not None and abs(late_ms) > LATE_MS:
        way = "later" if late_ms > 0 else "earlier"
        text = f"it falls {abs(late_ms):.0f} ms {way} than it should: its travel, or its spring"
        faults.append(StrikerFault(kind="latency", text=text))
    rounded = {key: None if v is None else round(v, 2) for key, v in found.items()}
    return msgspec.structs.replace(base, faults=tuple(faults), sounds_as=other, **rounded)


def _silent(one: StrikerResponse, gain_db: float | None) -> StrikerFault:
    should_db = None if gain_db is None else one.striker.force[-1].level_db + gain_db
    if should_db is not None and one.noise_db > should_db - UNSURE_DB:
        return StrikerFault(kind="unsure", text="too noisy to tell: test again when it is quieter")
    text = "nothing was heard: its coil, its cable, its channel, or it strikes past"
    return StrikerFault(kind="silent", text=text)


def tuning_offset(modes: Sequence[Mode], striker: Striker) -> tuple[float, float]:
    """How far all partials of a striker are shifted, in cents, and how well they fit then.

    The fit is 1 where all that sounds are its partials and all its partials
    sound, by their power; 0 where nothing meets. Of shifts that fit alike the
    smallest is meant.
    """
    whole = sum(mode.amplitude**2 for mode in modes)
    if whole <= 0:
        return 0.0, 0.0
    cents = np.array([1200 * np.log2(m.hz / striker.reference_hz) for m in modes])
    power = np.array([m.amplitude**2 for m in modes]) / whole
    known = np.array([1200 * np.log2(p.ratio) for p in striker.partials])
    due = np.array([10 ** (p.level_db / 10) for p in striker.partials])
    due /= due.sum()
    apart = cents[:, None] - known[None, :]
    if striker.pitch_hz is None:
        return 0.0, _fit(np.abs(apart) < NEAR_CENTS_NO_PITCH, power, due)
    best, best_score = (0.0, 0.0), -1.0
    for step in range(-DETUNED_MOST_CENTS, DETUNED_MOST_CENTS + 1, STEP_CENTS):
        fit = _fit(np.abs(apart - step) < NEAR_CENTS, power, due)
        if fit - 1e-4 * abs(step) > best_score:
            best, best_score = (float(step), fit), fit - 1e-4 * abs(step)
    shift, fit = best
    # Within the step: where the partials that fit lie, by their power.
    column = np.abs(apart - shift).argmin(axis=1)
    exact = apart[np.arange(len(cents)), column]
    near = np.abs(exact - shift) < NEAR_CENTS
    if near.any():
        shift = float(np.average(exact[near], weights=power[near]))
    return shift, fit


def _fit(
    near: npt.NDArray[np.bool_], power: npt.NDArray[np.float64], due: npt.NDArray[np.float64]
) -> float:
    """Of what sounds, the share that is known, and of what is known, the share that sounds."""
    share = float(power[near.any(axis=1)].sum())
    covered = float(due[near.any(axis=0)].sum())
    return float(np.sqrt(share * covered))


def _other(one: StrikerResponse, palette: Palette, off: float, fit: float) -> str:
    """The other striker that sounds instead, or nothing."""
    # In its own tune it must fit much worse than another before the other is believed.
    least = fit + BETTER if abs(off) <= SWAPPED_CENTS else fit - BETTER
    best, name = max(OTHER_FIT, least), ""
    for other in palette.striker:
        if other.name == one.striker.name:
            continue
        shift, fits = tuning_offset(one.modes, other)
        if abs(shift) <= SWAPPED_CENTS and fits > best:
            best, name = fits, other.name
    return name


def _other_sound(one: StrikerResponse) -> StrikerFault:
    if one.striker.pitch_hz is None:
        text = "it sounds otherwise than it was measured: look at what it strikes"
        return StrikerFault(kind="strange", text=text)
    text = "it has gone dead: a knock without its tone; loose, cracked, or held by something"
    return StrikerFault(kind="dead", text=text)


def _detuned(striker: Striker, off: float) -> list[StrikerFault]:
    if striker.pitch_hz is None or abs(off) <= OFF_CENTS:
        return []
    way = "sharp" if off > 0 else "flat"
    text = f"it is {abs(off):.0f} cents {way}: cracked, filed, wet, or something sticks to it"
    return [StrikerFault(kind="pitch", text=text)]


def ring(modes: Sequence[Mode], striker: Striker, off: float) -> tuple[float | None, float | None]:
    """T60 of the strong partial that should ring longest, as heard and as known."""
    known = [p for p in striker.partials if p.level_db > STRONG_DB] or list(striker.partials)
    within = NEAR_CENTS if striker.pitch_hz is not None else NEAR_CENTS_NO_PITCH
    for partial in sorted(known, key=lambda p: -p.t60_s):
        hz = striker.reference_hz * partial.ratio * 2 ** (off / 1200)
        near = [m for m in modes if abs(1200 * np.log2(m.hz / hz)) < within]
        if near:
            return max(near, key=lambda m: m.amplitude).t60_s, partial.t60_s
    return None, None


def _short(striker: Striker, t60_s: float | None, known_s: float | None) -> list[StrikerFault]:
    if t60_s is None or known_s is None:
        return []
    share = t60_s / known_s
    told = f"it rings for {t60_s:.2g} s, not {known_s:.2g} s"
    if striker.pitch_hz is None:
        if share >= SHORT_NO_PITCH:
            return []
        return [StrikerFault(kind="short", text=f"{told}: something lies against it")]
    damper = "" if striker.damper is None else "its damper does not lift, "
    if share < DEAD_SHARE:
        text = f"it has gone dead: {told}; {damper}loose on its cord, cracked, or touched"
        return [StrikerFault(kind="dead", text=text)]
    if share < SHORT_SHARE:
        return [
            StrikerFault(kind="short", text=f"{told}: {damper}cord, nodes, or something touches it")
        ]
    return []


def _weak(level_db: float) -> list[StrikerFault]:
    if level_db >= -WEAK_DB:
        return []
    much = "much " if level_db < -VERY_WEAK_DB else ""
    text = f"it is {much}weaker than it was, by {-level_db:.0f} dB: its coil, its reach, its place"
    return [StrikerFault(kind="weak", text=text)]


def _loose(one: StrikerResponse) -> list[StrikerFault]:
    found = []
    if (
        one.buzz_db is not None
        and one.buzz_db > stroke_faults.BUZZ_DB
        and one.striker.kind
        not in (
            "block",
            "box",
        )
    ):
        text = f"it buzzes, {-one.buzz_db:.0f} dB under its tone: a loose part"
        found.append(StrikerFault(kind="loose", text=text))
    elif one.bounce_s is not None:
        text = f"it strikes twice, {1000 * one.bounce_s:.0f} ms apart: loose, or its pulse too long"
        found.append(StrikerFault(kind="loose", text=text))
    return found
