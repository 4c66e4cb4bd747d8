"""What a person should know about a strike test, one finding a line."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from callresp.io.wording import counted
from callresp.palette.model import Palette
from callresp.palette.similarity import SoundPair
from callresp.reply.mapping import cents
from callresp.strike_test import stroke_faults
from callresp.strike_test.capture import Capture
from callresp.strike_test.per_striker import StrikerSound
from callresp.strike_test.results import Finding, StrikerResult
from callresp.strike_test.strokes import HeardStroke

SWAPPED_CENTS = 60.0
OWN_CENTS, LOUD_DB = 40.0, -20.0
DISAGREE = 0.12
LATE_BY_FORCE_MS = 1.5


def findings(
    capture: Capture,
    palette: Palette,
    sounds: Sequence[StrikerSound],
    measured: Sequence[StrikerResult],
    pairs: Sequence[SoundPair],
    *,
    drafted: bool,
) -> list[Finding]:
    """All findings about strikers and strokes.

    `sounds` are in the palette's order, `measured` are those of them that were heard. Nothing
    can be told from the pitches of a drafted palette: they are placeholders.
    """
    found: list[Finding] = []
    for striker, sound in zip(palette.striker, sounds, strict=True):
        found += _strokes(striker.name, sound.strokes)
        if not sound.modes and any(s.spoke for s in sound.strokes):
            text = f"{striker.name} was heard, but no partial stands out of the noise"
            if not sound.clips:
                text = f"{striker.name} never rings alone for long enough to measure its sound"
            found.append(Finding(kind="partials", striker=striker.name, text=text))
    found += _order(capture, palette, sounds)
    if not drafted:
        found += _swapped(palette, measured)
    for one in measured:
        found += _stroke_faults(one)
        found += _figures(one)
    for pair in pairs:
        if pair.too_alike:
            how = "" if pair.cents is None else f", {abs(pair.cents):.0f} cents apart"
            text = f"{pair.one} and {pair.other} sound too alike for different pitches{how}"
            found.append(Finding(kind="alike", text=text, grave=False))
    return found


def _strokes(name: str, strokes: Sequence[HeardStroke]) -> Iterator[Finding]:
    if not strokes:
        yield Finding(kind="missing", striker=name, text=f"the plan never strikes {name}")
        return
    if not any(s.spoke for s in strokes):
        text = f"{name} was never heard: check its coil, its channel and the gain"
        yield Finding(kind="silent", striker=name, text=text)
        return
    clipped = [s for s in strokes if s.clipped]
    if clipped:
        yield Finding(
            kind="clipped",
            striker=name,
            at_s=round(clipped[0].expected_s, 3),
            text=f"clipped: {len(clipped)} of {counted(len(strokes), 'stroke')} of {name}, left out"
            " of its levels and partials; record with a lower gain",
            grave=len(clipped) > 0.3 * len(strokes),
        )
    speaking = _speaking_from(strokes)
    for stroke in strokes:
        if stroke.alone and not stroke.spoke and stroke.take.pulse_ms >= speaking:
            yield Finding(
                kind="missed",
                striker=name,
                at_s=round(stroke.expected_s, 3),
                text=f"{name} missed a stroke of {stroke.take.pulse_ms:g} ms",
                grave=False,
            )


def _speaking_from(strokes: Sequence[HeardStroke]) -> float:
    """The shortest pulse from which on most strokes sound."""
    pulses = sorted({s.take.pulse_ms for s in strokes if s.alone})
    for number, pulse_ms in enumerate(pulses):
        rest = [s for s in strokes if s.alone and s.take.pulse_ms in pulses[number:]]
        own = [s for s in rest if s.take.pulse_ms == pulse_ms]
        if sum(s.spoke for s in own) > 0.5 * len(own):
            return pulse_ms
    return math.inf


def _order(capture: Capture, palette: Palette, sounds: Sequence[StrikerSound]) -> Iterator[Finding]:
    """Strokes at which another striker sounded than was struck."""
    for number, sound in enumerate(sounds):
        if not sound.modes:
            continue
        for stroke in sound.strokes:
            if not (stroke.alone and stroke.spoke and stroke.at_s is not None):
                continue
            own = stroke_faults.explained(capture, stroke, sound.modes)
            if own > 0.5:
                continue
            other = [
                stroke_faults.explained(capture, stroke, rest.modes) if n != number else 0.0
                for n, rest in enumerate(sounds)
            ]
            best = int(np.argmax(other))
            if other[best] > max(0.6, own + 0.3):
                yield Finding(
                    kind="order",
                    at_s=round(stroke.at_s, 3),
                    striker=palette.striker[number].name,
                    text=f"{palette.striker[best].name} sounds where"
                    f" {palette.striker[number].name} was struck",
                )


def _swapped(palette: Palette, measured: Sequence[StrikerResult]) -> Iterator[Finding]:
    """Strikers that lack their own pitch but have another striker's.

    Partials are compared, not judged pitches, since the pitch was judged by the
    kind of the striker that should have been there.
    """
    for one in measured:
        own = palette.striker_named(one.name)
        if own is None or own.pitch_hz is None or _sounds(one, own.pitch_hz, SWAPPED_CENTS):
            continue
        for other in palette.striker:
            if other.name == one.name or other.pitch_hz is None:
                continue
            if _sounds(one, other.pitch_hz, OWN_CENTS):
                yield Finding(
                    kind="order",
                    striker=one.name,
                    text=f"{one.name} sounds as {other.name} should: wrong order, or their"
                    " channels are swapped",
                )


def _sounds(one: StrikerResult, hz: float, within: float) -> bool:
    """Whether a pitch is a striker's own, or that of one of its loud partials."""
    heard = [p.hz.value for p in one.partials if p.level_db > LOUD_DB]
    heard += [one.pitch_hz.value] if one.pitch_hz is not None else []
    return any(abs(cents(hz, own)) < within for own in heard)


def _stroke_faults(one: StrikerResult) -> Iterator[Finding]:
    buzzes = one.buzz_db is not None and one.buzz_db > stroke_faults.BUZZ_DB and one.kind != "block"
    if one.doubles and not buzzes:
        text = f"{one.name} strikes twice at times: shorten its pulse or its reach"
        yield Finding(kind="double", striker=one.name, text=text)
    if buzzes and one.buzz_db is not None:
        text = f"{one.name} buzzes, {-one.buzz_db:.0f} dB under its sound: look for a loose part"
        yield Finding(kind="buzz", striker=one.name, text=text)


def _figures(one: StrikerResult) -> Iterator[Finding]:
    for partial in one.partials:
        other = partial.schroeder_s
        if other is None or partial.level_db < -12 or partial.t60_s.value < 0.15:
            continue
        off = abs(other / partial.t60_s.value - 1)
        if off > DISAGREE:
            text = (
                f"{one.name} at {partial.hz.value:.0f} Hz: T60 {partial.t60_s.value:.2f} s by fit,"
                f" {other:.2f} s by integration; it does not decay evenly (beats?)"
            )
            yield Finding(kind="decay", striker=one.name, text=text, grave=False)
    late = [f.latency_ms for f in one.force if f.latency_ms is not None]
    if len(late) > 1 and max(late) - min(late) > LATE_BY_FORCE_MS:
        text = f"{one.name}: soft strokes come {max(late) - min(late):.1f} ms after hard ones"
        yield Finding(kind="latency", striker=one.name, text=text, grave=False)
    if one.restrike_ms is None and one.shortest_tried_ms is not None:
        text = f"{one.name}: no stroke failed down to {one.shortest_tried_ms:.0f} ms apart"
        yield Finding(kind="repeat", striker=one.name, text=text, grave=False)
    tops = [f.fitted_db for f in one.force if f.fitted_db is not None]
    if len(tops) >= 3 and tops[-1] - tops[-2] < 0.3:
        text = f"{one.name}: the longest pulses hit no harder than shorter ones"
        yield Finding(kind="force", striker=one.name, text=text, grave=False)
