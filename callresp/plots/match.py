"""A match beside its example: two spectrograms on one scale of time and of frequency."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from callresp.io.audio import Recording, Waveform
from callresp.plots import style
from callresp.plots.spectrogram import Spectrogram, grey_range, log_spectrogram
from callresp.scout.matches import Match

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_IN, PANEL_IN = 7.2, 1.9
LEFT_IN, RIGHT_IN = 0.75, 0.3
COLUMNS, ROWS = 900, 200
MOST_DB = 40.0
LOWEST_HZ = 100.0


def draw_match(
    path: Path,
    match: Match,
    example: Recording,
    band_hz: tuple[float, float],
    title: str,
) -> None:
    """Draw the example above and the match below it.

    Parameters
    ----------
    path
        The picture to write.
    match
        What was found, with the sound around it.
    example
        What was looked for.
    band_hz
        The band that the example uses.
    title
        Names the recording and the time.
    """
    sound = Waveform(match.samples, match.sample_rate_hz)
    longest_s = max(example.duration_s, sound.duration_s)
    half_hz = 0.49 * min(example.sample_rate_hz, sound.sample_rate_hz)
    low_hz = max(band_hz[0] / 1.3, LOWEST_HZ)
    high_hz = max(min(band_hz[1] * 1.3, half_hz), 2 * low_hz)
    parts = [("title", 0.25, 0.75), ("example", 0.3, PANEL_IN), ("match", 0.45, PANEL_IN)]
    parts.append(("foot", 0.0, 0.55))
    with style.drawing_style():
        figure, axes = style.stacked(parts, WIDTH_IN, LEFT_IN, RIGHT_IN)
        axes["foot"].axis("off")
        facts = [
            f"probability {match.call.score:.2f}",
            f"{match.above_db:.0f} dB over the place",
            f"looked for: {example.path.name}",
        ]
        style.draw_title(axes["title"], title, facts)
        for name, recording, begins_s in (
            ("example", example, 0.0), ("match", sound, match.begins_s),
        ):  # fmt: skip
            shown = log_spectrogram(
                recording, 0.0, recording.duration_s, low_hz, high_hz, COLUMNS, ROWS
            )
            _panel(axes[name], shown, begins_s, longest_s)
        axes["example"].set_title("the example", fontsize=8.5, loc="left")
        axes["match"].set_title("the match, between the lines", fontsize=8.5, loc="left")
        axes["match"].set_xlabel("seconds from the start of the recording")
        for at_s in (match.call.onset_s, match.call.offset_s):
            axes["match"].axvline(at_s, color=style.CALL, lw=1.2)
        style.save(figure, path, title, dpi=150)


def _panel(axes: Axes, shown: Spectrogram, begins_s: float, longest_s: float) -> None:
    least, most = grey_range(shown.above_db, MOST_DB)
    low, high = np.log2(shown.low_hz), np.log2(shown.high_hz)
    axes.imshow(
        shown.above_db, origin="lower", aspect="auto", cmap=style.grey_scale(), vmin=least,
        vmax=most, extent=(begins_s, begins_s + shown.to_s, low, high), interpolation="nearest",
    )  # fmt: skip
    style.draw_frequencies(axes, shown.low_hz, shown.high_hz)
    axes.set_xlim(begins_s, begins_s + longest_s)
