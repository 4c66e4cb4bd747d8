"""Draw several detectors under one spectrogram, on one time axis.

Readable in print and by the colour-blind: the spectrogram is grey on white,
colours are Okabe & Ito's (2008, "Color Universal Design", from memory), and
every difference that matters is one of shape too: an onset that others share
is a full bar, one that stands alone is a hollow bar with a tick above.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from callresp.evaluate import scoring
from callresp.evaluate.compare import Comparison
from callresp.io.audio import stretch_of
from callresp.io.files import whole_file

SHARED = "#0072B2"  # blue
ALONE = "#D55E00"  # vermilion
MARKED = "#000000"
_RANGE_DB = 60.0
_COLUMNS = 1600


def spectrogram_db(
    samples: npt.NDArray[np.float32], rate_hz: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Hertz, seconds and levels ``(frequency, time)`` of a stretch, dB re its loudest."""
    from scipy import signal

    size = 1 << int(np.ceil(np.log2(0.012 * rate_hz)))
    samples = np.pad(samples, (0, max(0, size - len(samples))))
    hop = max(size // 4, len(samples) // _COLUMNS)
    hertz, at_s, power = signal.spectrogram(
        samples, rate_hz, "hann", nperseg=size, noverlap=max(0, size - hop), mode="psd"
    )
    level = 10 * np.log10(power + 1e-20)
    return hertz, at_s, level - level.max()


def draw_comparison(
    path: Path,
    recording: Any,
    found: Comparison,
    stretch_s: tuple[float, float],
    band_hz: tuple[float, float] = (0.0, 12000.0),
) -> None:
    """Draw a comparison over a stretch of its recording to PNG, PDF or SVG."""
    from matplotlib.figure import Figure

    start_s, end_s = stretch_s
    rows = len(found.heard) + (found.marks is not None)
    figure = Figure(figsize=(11, 3.4 + 0.42 * rows), dpi=150, layout="constrained")
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3.0, 0.42 * rows + 0.3))
    _draw_sound(upper, recording, stretch_s, band_hz)
    names = _draw_rows(lower, found, start_s, end_s)
    lower.set_yticks(range(len(names)), names)
    lower.set_ylim(len(names) - 0.4, -0.6)
    lower.set_xlim(start_s, end_s)
    lower.set_xlabel("seconds from the start of the recording")
    lower.grid(axis="x", color="0.85", linewidth=0.6)
    lower.set_axisbelow(True)
    figure.suptitle(
        f"{recording.path.name}: {start_s:.1f} to {end_s:.1f} s", fontsize=11, x=0.01, ha="left"
    )
    _draw_key(figure, found)
    with whole_file(path) as part:
        figure.savefig(part, format=path.suffix.lstrip(".").lower() or "png")


def _draw_sound(
    axes: Any, recording: Any, stretch_s: tuple[float, float], band_hz: tuple[float, float]
) -> None:
    samples = stretch_of(recording, *stretch_s)
    hertz, at_s, level = spectrogram_db(samples, recording.sample_rate_hz)
    top_hz = min(band_hz[1], recording.sample_rate_hz / 2)
    kept = (hertz >= band_hz[0]) & (hertz <= top_hz)
    quiet = float(np.quantile(level[kept], 0.5)) if kept.any() else -_RANGE_DB
    axes.pcolormesh(
        at_s + stretch_s[0],
        hertz[kept] / 1000,
        level[kept],
        cmap="Greys",
        vmin=max(quiet, -_RANGE_DB),
        vmax=-3,
        shading="nearest",
        rasterized=True,
    )
    axes.set_ylabel("kHz")


def _draw_rows(axes: Any, found: Comparison, start_s: float, end_s: float) -> list[str]:
    names = []
    backed = scoring.backing([own.onsets_s for own in found.heard])
    for row, own in enumerate(found.heard):
        seen = [
            (note, count > 0 or len(found.heard) == 1)
            for note, count in zip(own.score.notes, backed[row], strict=True)
            if note.onset_s < end_s and note.offset_s > start_s
        ]
        _bars(axes, row, [note for note, shared in seen if shared], SHARED, hollow=False)
        _bars(axes, row, [note for note, shared in seen if not shared], ALONE, hollow=True)
        name = own.name
        if own.against is not None:
            name += f"\nF {own.against.onsets[0].f:.3f} at ±50 ms"
        names.append(name)
    if found.marks is not None:
        row = len(found.heard)
        for span in found.spans or ():
            axes.axvspan(span.onset_s, span.offset_s, color="0.93", zorder=0)
        shown = [m for m in found.marks if m.onset_s < end_s and m.offset_s > start_s]
        _bars(axes, row, shown, MARKED, hollow=False)
        names.append("marked by hand")
    return names


def _bars(axes: Any, row: int, things: list[Any], colour: str, *, hollow: bool) -> None:
    if not things:
        return
    spans = [(thing.onset_s, max(thing.offset_s - thing.onset_s, 1e-3)) for thing in things]
    axes.broken_barh(
        spans,
        (row - 0.22, 0.5),
        facecolors="white" if hollow else colour,
        edgecolors=colour,
        linewidth=0.8,
        alpha=1.0 if hollow else 0.55,
    )
    onsets = [span[0] for span in spans]
    low = row - (0.45 if hollow else 0.22)
    axes.vlines(onsets, low, row + 0.28, colors=colour, linewidth=1.2)


def _draw_key(figure: Any, found: Comparison) -> None:
    from matplotlib.patches import Patch

    if len(found.heard) < 2:
        return
    key = [
        Patch(facecolor=SHARED, alpha=0.55, edgecolor=SHARED, label="another has it within 25 ms"),
        Patch(facecolor="white", edgecolor=ALONE, label="this one alone (tick above)"),
    ]
    figure.legend(handles=key, loc="upper right", ncols=2, fontsize=8, frameon=False)
