"""Fitting phrases to a palette: which mapping keeps most of them.

Goal
----
A default that is good before any tuning: try every mapping and transposition,
score each by a stated measure, and say what was lost.

Measure
-------
``fit = 0.6 contour + 0.25 distinct + 0.15 near``: contour is Marvin and
Laprade's CSIM between the heard line and the struck one; distinct the share of
different heard pitches (a semitone or more apart) that got different strikers;
near is 1 for strikers on pitch (octaves apart count as on pitch), 0 for a
quarter octave off or more. The weights are a choice of ours: what a listener
misses first is the shape of a call.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from callresp.palette.model import Striker
from callresp.reply.contours import csim
from callresp.reply.pitch import cents, choose
from callresp.reply.rules import PitchMapping
from callresp.score import Phrase

MAPPINGS: tuple[PitchMapping, ...] = ("nearest", "folded", "rank", "contour")
TRANSPOSITIONS = tuple(range(-600, 601, 100))
FAR_CENTS = 300.0


@dataclass(frozen=True, slots=True)
class Fit:
    """A mapping with its score; all shares are 0 to 1."""

    mapping: PitchMapping
    transpose_cents: float
    fit: float
    contour: float
    distinct: float
    near: float
    strikers: int


def measure(heard_hz: Sequence[float], struck: Sequence[Striker]) -> tuple[float, float, float]:
    """Contour, distinct and near of a struck line against the heard one."""
    struck_hz = [striker.pitch_hz or 0.0 for striker in struck]
    contour = csim(heard_hz, struck_hz)
    pairs = [
        (i, j)
        for i in range(len(heard_hz))
        for j in range(i + 1, len(heard_hz))
        if abs(cents(heard_hz[i], heard_hz[j])) >= 100
    ]
    apart = sum(struck[i].name != struck[j].name for i, j in pairs)
    distinct = apart / len(pairs) if pairs else 1.0
    off = [octave_off_cents(a, b) for a, b in zip(heard_hz, struck_hz, strict=True)]
    near = sum(max(0.0, 1 - abs(cents_off) / FAR_CENTS) for cents_off in off) / max(len(off), 1)
    return contour, distinct, near


def octave_off_cents(heard_hz: float, struck_hz: float) -> float:
    """How far a strike pitch is off the heard one, octaves aside: -600 to 600."""
    return (cents(heard_hz, struck_hz) + 600) % 1200 - 600


def fits(
    phrases: Iterable[Phrase],
    strikers: Sequence[Striker],
    transpositions: Sequence[float] = TRANSPOSITIONS,
) -> list[Fit]:
    """Every mapping and transposition, best first; notes without pitch are left out."""
    lines = [
        [note.pitch_hz for note in phrase.notes if note.pitch_hz is not None] for phrase in phrases
    ]
    lines = [line for line in lines if line]
    able = [striker for striker in strikers if striker.pitch_hz is not None]
    if not lines or not able:
        return []
    found = [
        _fit(lines, able, mapping, transposed)
        for mapping in MAPPINGS
        # Rank asks only for order, which no transposition changes.
        for transposed in ((0.0,) if mapping == "rank" else transpositions)
    ]
    return sorted(found, key=lambda one: (-one.fit, abs(one.transpose_cents)))


def _fit(
    lines: Sequence[Sequence[float]],
    strikers: Sequence[Striker],
    mapping: PitchMapping,
    transpose_cents: float,
) -> Fit:
    moved = 2 ** (transpose_cents / 1200)
    totals, notes = [0.0, 0.0, 0.0], 0
    used: set[str] = set()
    for line in lines:
        struck = [s for s in choose([hz * moved for hz in line], strikers, mapping) if s]
        for number, share in enumerate(measure(line, struck)):
            totals[number] += share * len(line)
        notes += len(line)
        used.update(striker.name for striker in struck)
    contour, distinct, near = (total / notes for total in totals)
    return Fit(
        mapping=mapping,
        transpose_cents=transpose_cents,
        fit=0.6 * contour + 0.25 * distinct + 0.15 * near,
        contour=contour,
        distinct=distinct,
        near=near,
        strikers=len(used),
    )


def fitted(pitches_hz: Sequence[float | None], strikers: Sequence[Striker]) -> list[Striker | None]:
    """The strikers of the mapping that keeps most of one line, without transposing it."""
    line = [pitch for pitch in pitches_hz if pitch is not None]
    able = [striker for striker in strikers if striker.pitch_hz is not None]
    if not line or not able:
        return [None] * len(pitches_hz)
    best = max((_fit([line], able, mapping, 0.0) for mapping in MAPPINGS), key=lambda f: f.fit)
    return choose(pitches_hz, able, best.mapping)
