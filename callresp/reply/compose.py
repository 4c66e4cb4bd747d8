"""From a phrase and a rule to notes on strikers, each with its reason."""

from __future__ import annotations

import math
import random
import statistics
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from callresp.io.score import Note, Phrase
from callresp.palette.model import Palette, Striker
from callresp.reply import transformations
from callresp.reply.mapping import by_table, cents, choose, fitted
from callresp.reply.rules import Rule
from callresp.reply.transformations import ONE_TONE_S, TREATMENTS, Tone, Tones, from_phrase, settled

LOUDNESS_S = 60.0
SHORT_S = 0.12
LONG_S = 1.5
MUTED_S = 0.03
APART_OCTAVES = 0.5  # of brightness, within a phrase, that two drums can tell
ALIKE_OCTAVES = 0.1
NEARLY_AS_QUICK = 1.25


@dataclass(frozen=True, slots=True)
class Stroke:
    """A note to play, from the reply's start."""

    at_s: float
    length_s: float | None
    instrument: str
    force: float
    heard: int | None
    asked_hz: float | None
    why: str


class RecentPeak:
    """The loudest level of the last minute: full force is measured against it."""

    def __init__(self) -> None:
        self._recent: deque[tuple[float, float]] = deque()

    def heard(self, note: Note) -> None:
        """Take note of a note that has ended."""
        while self._recent and self._recent[-1][1] <= note.level_db:
            self._recent.pop()
        self._recent.append((note.onset_s, note.level_db))

    def top_db(self, at_s: float) -> float:
        """The loudest level in the minute before `at_s`."""
        while len(self._recent) > 1 and self._recent[0][0] < at_s - LOUDNESS_S:
            self._recent.popleft()
        return self._recent[0][1] if self._recent else 0.0


def compose(
    phrase: Phrase,
    rule: Rule,
    palette: Palette,
    top_db: float,
    rng: random.Random,
    worked: Mapping[str, int] | None = None,
) -> list[Stroke]:
    """The strokes that a rule answers a phrase with, in order; may be empty.

    Parameters
    ----------
    top_db
        The level that full force stands for.
    rng
        For choices that are left open.
    worked
        Strokes of each striker so far.
    """
    tones = considered(phrase, rule)
    strikers = _strikers(tones, rule, palette, rng, worked or {})
    tones, strikers = _once(tones, strikers)
    tones = transformations.scaled(tones, rule.stretch)
    if rule.rhythm == "pulse":
        tones = transformations.on_pulse(tones)
    elif rule.rhythm == "stretched":
        tones = transformations.scaled(tones, transformations.stretch_needed(tones, strikers))
    played = [
        (tone, striker)
        for tone, striker in zip(tones, strikers, strict=True)
        if striker is not None
    ]
    strokes = []
    for place, (tone, striker) in enumerate(played):
        share = place / max(len(played) - 1, 1)
        strokes.append(
            Stroke(
                at_s=tone.at_s,
                length_s=_length(tone, rule, share),
                instrument=striker.name,
                force=_force(tone, rule, share, top_db),
                heard=tone.heard,
                asked_hz=tone.pitch_hz,
                why=_why(tone, striker, rule),
            )
        )
    return strokes


def considered(phrase: Phrase, rule: Rule) -> Tones:
    """What of a phrase a rule wants to play, treated, before strikers are sought for it."""
    tones = from_phrase(phrase)
    for name in rule.treatments:
        tones = TREATMENTS[name](tones)
    return settled(tones[: rule.at_most])


def playable(rule: Rule, palette: Palette) -> list[Striker]:
    """Every striker that a rule may play, in the palette's order."""
    rows = {row.striker for row in rule.table}
    able = [
        s
        for s in _allowed(rule, palette)
        if (s.name in rows if rule.pitch == "table" else s.pitch_hz is not None)
    ]
    able += _drum_kit(rule, palette)
    return [striker for striker in palette.striker if striker in able]


def _allowed(rule: Rule, palette: Palette) -> list[Striker]:
    return [s for s in palette.striker if not rule.strikers or s.name in rule.strikers]


def _drum_kit(rule: Rule, palette: Palette) -> list[Striker]:
    """The strikers for what has no pitch."""
    if rule.unpitched:
        return [s for s in palette.striker if s.name in rule.unpitched]
    return [s for s in _allowed(rule, palette) if s.pitch_hz is None]


def _strikers(
    tones: Tones, rule: Rule, palette: Palette, rng: random.Random, worked: Mapping[str, int]
) -> list[Striker | None]:
    allowed = _allowed(rule, palette)
    moved = 2 ** (rule.transpose_cents / 1200)
    asked = [None if tone.pitch_hz is None else tone.pitch_hz * moved for tone in tones]
    if rule.pitch == "table":
        chosen = by_table(asked, allowed, rule.table)
    elif rule.pitch == "fitted":
        chosen = fitted(asked, allowed)
    else:
        chosen = choose(asked, allowed, rule.pitch, worked, rule.spread_cents)
    drums = iter(_drums(tones, rule, palette, rng))
    return [
        next(drums) if tone.pitch_hz is None else striker
        for tone, striker in zip(tones, chosen, strict=True)
    ]


def _once(tones: Tones, strikers: list[Striker | None]) -> tuple[Tones, list[Striker | None]]:
    """What falls on one striker at nearly one time, such as two parts of a call, as one stroke."""
    last_s: dict[str, float] = {}
    kept = []
    for tone, striker in zip(tones, strikers, strict=True):
        name = striker.name if striker else ""
        if striker is not None and tone.at_s - last_s.get(name, -1.0) < ONE_TONE_S:
            continue
        last_s[name] = tone.at_s
        kept.append((tone, striker))
    return tuple(tone for tone, _ in kept), [striker for _, striker in kept]


def _drums(tones: Tones, rule: Rule, palette: Palette, rng: random.Random) -> list[Striker | None]:
    """A striker for each unpitched note of a phrase: brighter sounds go to higher ones.

    Where all are about as bright, or it is not known, one is drawn for all of
    them. Those too slow for most of the phrase are left out while a quick one is
    there.
    """
    able = _drum_kit(rule, palette)
    struck = [tone for tone in tones if tone.pitch_hz is None]
    if not able or not struck:
        return [None] * len(struck)
    steps = [b.at_s - a.at_s for a, b in pairwise(struck)]
    usual_ms = 1000 * (statistics.median(steps) if steps else 10.0) * rule.stretch
    quick = [striker for striker in able if striker.restrike_ms <= usual_ms]
    if not quick:
        quickest_ms = min(striker.restrike_ms for striker in able)
        quick = [s for s in able if s.restrike_ms <= NEARLY_AS_QUICK * quickest_ms]
    able = sorted(quick, key=lambda striker: striker.reference_hz)
    places = [math.log2(tone.bright_hz) for tone in struck if tone.bright_hz]
    if len(places) < len(struck) or max(places) - min(places) < APART_OCTAVES:
        return [rng.choice(able)] * len(struck)
    # By rank, not by octaves: one bright click would leave all the others on the lowest.
    below = [sum(other < place - ALIKE_OCTAVES for other in places) for place in places]
    return [able[round(count / max(below) * (len(able) - 1))] for count in below]


def _length(tone: Tone, rule: Rule, share: float) -> float | None:
    """How long a note sounds before its damper falls; `None` lets it ring."""
    if rule.damping == "ring":
        return None
    if rule.damping == "short":
        return SHORT_S
    if rule.damping == "as heard":
        return max(tone.length_s, 2 * MUTED_S)
    grown = share if rule.damping == "short to long" else 1 - share
    return float(SHORT_S * (LONG_S / SHORT_S) ** grown)


def _force(tone: Tone, rule: Rule, share: float, top_db: float) -> float:
    level = top_db if rule.dynamics == "even" else tone.level_db
    force = 1 + (level - rule.softer_db - top_db) / rule.range_db
    if rule.dynamics == "fade":
        force *= 1 - 0.7 * share
    elif rule.dynamics == "swell":
        force *= 0.3 + 0.7 * share
    return min(max(force, 0.0), 1.0)


def _why(tone: Tone, striker: Striker, rule: Rule) -> str:
    said = f", {tone.said}" if tone.said else ""
    source = f"note {tone.heard}" if tone.heard is not None else "an added note"
    if tone.pitch_hz is None or striker.pitch_hz is None:
        return f"{source}{said}: no pitch, so {striker.name}"
    off = cents(tone.pitch_hz, striker.pitch_hz)
    return (
        f"{source}{said}: {tone.pitch_hz:.0f} Hz to {striker.name}"
        f" ({striker.pitch_hz:.0f} Hz, {off:+.0f} cents) by {rule.pitch}"
    )


def ends_s(strokes: Sequence[Stroke], palette: Palette) -> float:
    """When the last stroke has been made and its damper fallen, or half its ring is over."""
    last = 0.0
    for stroke in strokes:
        striker = palette.striker_named(stroke.instrument)
        ring_s = min(striker.t60_s / 2, LONG_S) if striker is not None else 0.5
        length_s = ring_s if stroke.length_s is None else stroke.length_s
        last = max(last, stroke.at_s + length_s)
    return last
