"""The upper part of a passage picture: the wash, and the heard notes on it."""

from __future__ import annotations

from typing import Any

import numpy as np

from callresp.io.score import HeardScore, Note, phrases
from callresp.palette.model import Palette
from callresp.plots.spectrogram import Spectrogram
from callresp.plots.style import BACKGROUND, DARK, GRID, MUTED, OTHER_VOICES, grey_scale, outline

WASH_FROM_DB, WASH_TO_DB = 2.5, 34.0
OCTAVES_HZ = (62.5, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)


def frequency_range(heard: HeardScore | None, sample_rate_hz: int | None) -> tuple[float, float]:
    """The frequency axis that holds all that was heard, within the recording's band."""
    notes = heard.notes if heard is not None else ()
    lows = [note.pitch_hz for note in notes if note.pitch_hz is not None]
    tops = [max(note.high_hz, note.pitch_hz or 0.0) for note in notes]
    low = min(max(0.7 * min(lows), 80.0), 300.0) if lows else 200.0
    high = min(max(1.2 * max(tops), 8000.0), 16000.0) if tops else 11000.0
    if sample_rate_hz is not None:
        high = min(high, 0.49 * sample_rate_hz)
    return min(low, high / 4), high


def draw_spectrogram(axes: Any, wash: Spectrogram) -> None:
    """The spectrogram as a graphite wash."""
    shade = (wash.above_db - WASH_FROM_DB) / (WASH_TO_DB - WASH_FROM_DB)
    axes.imshow(
        np.clip(shade, 0.0, 1.0),
        origin="lower",
        aspect="auto",
        extent=(wash.from_s, wash.to_s, np.log2(wash.low_hz), np.log2(wash.high_hz)),
        cmap=grey_scale(),
        vmin=0.0,
        vmax=1.0,
        interpolation="bilinear",
        zorder=0,
        rasterized=True,
    )


def draw_frequencies(axes: Any, low_hz: float, high_hz: float) -> None:
    """Octaves of 1 kHz, and a name for the axis."""
    axes.set_ylim(np.log2(low_hz), np.log2(high_hz))
    shown = [hz for hz in OCTAVES_HZ if low_hz <= hz <= high_hz]
    axes.set_yticks(np.log2(shown), [_hertz(hz) for hz in shown])
    axes.tick_params(axis="y", length=3)
    for hz in shown:
        axes.axhline(np.log2(hz), color=GRID, lw=0.5, zorder=0.5, alpha=0.8)


def _hertz(hz: float) -> str:
    return f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"


def draw_notes(
    axes: Any, heard: HeardScore, inks: dict[str, str], from_s: float, to_s: float
) -> None:
    """Pitch tracks in the voices' inks; what has no pitch as an upright stroke."""
    shown = [note for note in heard.notes if note.offset_s > from_s and note.onset_s < to_s]
    pitched = [note for note in shown if note.pitch_hz is not None]
    _tracks(axes, pitched, inks)
    _knocks(axes, [note for note in shown if note.pitch_hz is None], inks)
    _letters(axes, shown, inks, from_s, to_s)


def _tracks(axes: Any, notes: list[Note], inks: dict[str, str]) -> None:
    from matplotlib.collections import LineCollection

    lines, widths, colours = [], [], []
    loudest = max((note.level_db for note in notes), default=0.0)
    for note in notes:
        points = note.track or ((note.onset_s, note.pitch_hz), (note.offset_s, note.pitch_hz))
        if len(points) == 1:
            points = ((note.onset_s, points[0][1]), (note.offset_s, points[0][1]))
        path = np.array(points, dtype=np.float64)
        path[:, 1] = np.log2(path[:, 1])
        lines.append(path)
        widths.append(float(np.clip(2.6 + (note.level_db - loudest) / 14, 1.1, 2.6)))
        colours.append(inks.get(note.voice, OTHER_VOICES))
    halo = LineCollection(
        lines, linewidths=[w + 1.8 for w in widths], colors=BACKGROUND, capstyle="round", zorder=3
    )
    ink = LineCollection(lines, linewidths=widths, colors=colours, capstyle="round", zorder=4)
    axes.add_collection(halo)
    axes.add_collection(ink)


def _knocks(axes: Any, notes: list[Note], inks: dict[str, str]) -> None:
    """A lozenge with a hair through its band: a knock has a moment and a band, but no pitch."""
    from matplotlib.collections import LineCollection

    low, high = axes.get_ylim()
    lines, colours, middles = [], [], []
    for note in notes:
        floor = float(np.clip(np.log2(max(note.low_hz, 1.0)), low, high))
        top = float(np.clip(np.log2(max(note.high_hz, 2.0)), low, high))
        lines.append([(note.onset_s, floor), (note.onset_s, top)])
        middles.append((floor + top) / 2)
        colours.append(inks.get(note.voice, OTHER_VOICES))
    axes.add_collection(
        LineCollection(lines, linewidths=0.7, colors=colours, zorder=3.5, alpha=0.4)
    )
    axes.scatter(
        [note.onset_s for note in notes],
        middles,
        s=22,
        marker="d",
        c=colours,
        edgecolors=BACKGROUND,
        linewidths=0.6,
        zorder=4.5,
    )


def _letters(
    axes: Any, notes: list[Note], inks: dict[str, str], from_s: float, to_s: float
) -> None:
    """The voice's letter above the start of each phrase, where there is room."""
    low, high = axes.get_ylim()
    taken: list[tuple[float, float]] = []
    wide, tall = (to_s - from_s) * 0.013, (high - low) * 0.045
    for phrase in phrases(notes):
        first = phrase.notes[0]
        tops = [_height(note) for note in phrase.notes[:3]]
        at = max(first.onset_s, from_s + wide)
        y = float(np.clip(np.log2(max(max(tops), 1.0)), low, high - 1.7 * tall) + tall * 0.55)
        if any(abs(at - x) < wide and abs(y - other) < tall for x, other in taken):
            continue
        taken.append((at, y))
        text = axes.text(
            at,
            y,
            phrase.voice,
            ha="center",
            va="bottom",
            fontsize=8,
            fontweight="bold",
            color=inks.get(phrase.voice, OTHER_VOICES),
            zorder=6,
            clip_on=True,
        )
        outline(text)


def _height(note: Note) -> float:
    """Where the eye finds a note: its pitch, or the middle of its band."""
    if note.pitch_hz is not None:
        return max((hz for _, hz in note.track), default=note.pitch_hz)
    return float(np.sqrt(max(note.low_hz, 1.0) * max(note.high_hz, 1.0)))


def draw_strikers(axes: Any, palette: Palette) -> None:
    """At the right edge, where the strikers' pitches lie among the calls."""
    low, high = axes.get_ylim()
    across = axes.get_yaxis_transform()
    last = high + 1.0
    least = (high - low) * 0.034
    pitched = [item for item in palette.striker if item.pitch_hz is not None]
    for item in sorted(pitched, key=lambda item: -item.reference_hz):
        y = float(np.log2(item.reference_hz))
        if not low < y < high:
            continue
        axes.plot(1.0, y, transform=across, marker=4, ms=5, color=DARK, clip_on=False, mew=0)
        at = min(y, last - least)
        axes.text(1.010, at, item.name, transform=across, fontsize=6.2, va="center", color=MUTED)
        last = at
