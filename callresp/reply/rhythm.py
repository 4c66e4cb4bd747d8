"""Rhythm of a reply: kept, stretched to what the strikers can repeat, or on the pulse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from callresp.palette.model import Striker
from callresp.reply.material import Tone, Tones


def scaled(tones: Sequence[Tone], factor: float) -> Tones:
    """All times, `factor` times as long (augmentation above 1, diminution below)."""
    return tuple(
        replace(tone, at_s=tone.at_s * factor, length_s=tone.length_s * factor) for tone in tones
    )


def stretch_needed(tones: Sequence[Tone], strikers: Sequence[Striker | None]) -> float:
    """The least factor at which every striker can repeat as asked; at least 1."""
    last: dict[str, float] = {}
    factor = 1.0
    for tone, striker in zip(tones, strikers, strict=True):
        if striker is None:
            continue
        before_s = last.get(striker.name)
        if before_s is not None and tone.at_s > before_s:
            factor = max(factor, striker.restrike_ms / 1000 * 1.001 / (tone.at_s - before_s))
        last[striker.name] = tone.at_s
    return factor


def on_pulse(tones: Sequence[Tone], period_s: float | None) -> Tones:
    """Onsets moved to the nearest quarter of a pulse of `period_s`; unmoved without one."""
    if not period_s:
        return tuple(tones)
    grid_s = period_s / 4
    return tuple(replace(tone, at_s=round(tone.at_s / grid_s) * grid_s) for tone in tones)


def pulse_of(tones: Sequence[Tone]) -> float | None:
    """Period of a steady beat among the onsets, or `None`.

    A candidate period is taken if the onsets lie within a tenth of it from a
    grid of that period; the longest such of the times between neighbours wins.
    """
    onsets = [tone.at_s for tone in tones]
    if len(onsets) < 4:
        return None
    steps = sorted({round(b - a, 3) for a, b in pairwise(onsets)})
    for period in reversed([step for step in steps if step >= 0.04]):
        off = [abs(at / period - round(at / period)) for at in onsets]
        if sum(off) / len(off) <= 0.1:
            return period
    return None
