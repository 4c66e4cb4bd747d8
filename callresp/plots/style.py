"""Colours, text and page layout that all pictures share.

Choices
-------
- A warm off-white background, dark lines, a grey spectrogram: what matters is
  darker than what does not, so a grey print says the same.
- The six voice colours were searched for: as far apart as they could be for
  every kind of colour vision at once (as simulated after Machado, Oliveira &
  Fernandes, IEEE TVCG 15(6), 2009), in lightness too, and each at least 3 : 1
  against the background (WCAG 2.1, 1.4.11). Nothing is told apart by colour
  alone: letters, rows and shapes say it again.
- Fonts are those that matplotlib brings, so pictures look alike on every
  machine.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.io.files import whole_file

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.figure import Figure
    from matplotlib.text import Text

BACKGROUND = "#fbf9f3"
DARK = "#23272e"
MUTED = "#6d7178"
GRID = "#dcd8cc"
SHADE = "#efece2"
OTHER_VOICES = "#70757c"
CALL, ANSWER = "#003898", "#A83810"
CHANGED = "#A3123A"
VOICE_COLOURS = ("#003898", "#A83810", "#008860", "#C27C00", "#683868", "#8088C0")
ENDINGS = (".png", ".svg", ".pdf")
TITLE_FONT = ["STIXGeneral", "DejaVu Serif"]
OCTAVES_HZ = (62.5, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)

STYLE = {
    "font.family": ["DejaVu Sans"],
    "font.size": 8.5,
    "text.color": DARK,
    "axes.edgecolor": GRID,
    "axes.labelcolor": DARK,
    "axes.linewidth": 0.6,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": DARK,
    "ytick.labelcolor": DARK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "figure.facecolor": BACKGROUND,
    "axes.facecolor": BACKGROUND,
    "savefig.facecolor": BACKGROUND,
    "svg.fonttype": "none",
    "pdf.fonttype": 42,
    "svg.hashsalt": "callresp",
    "path.simplify": True,
}


@contextmanager
def drawing_style() -> Iterator[None]:
    """Draw in our style, off screen, without touching the caller's settings."""
    import matplotlib as mpl

    with mpl.rc_context(STYLE):  # type: ignore[arg-type]
        yield


def new_figure(width_in: float, height_in: float) -> Figure:
    """Make a figure with a canvas of its own: no window, no global state."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in))
    FigureCanvasAgg(figure)
    return figure


def axes_in(figure: Figure, left: float, top: float, width: float, height: float) -> Axes:
    """Add axes at a place in inches, measured from the top left corner."""
    wide, high = figure.get_size_inches()
    return figure.add_axes((left / wide, 1 - (top + height) / high, width / wide, height / high))


def stacked(
    parts: Sequence[tuple[str, float, float]], width_in: float, left_in: float, right_in: float
) -> tuple[Figure, dict[str, Axes]]:
    """Lay out axes from the top down, and give them by name.

    Parts are (name, gap above it, height), in inches. All but the title share a left and a right
    edge.
    """
    figure = new_figure(width_in, sum(gap + height for _, gap, height in parts))
    axes: dict[str, Axes] = {}
    at = 0.0
    for name, gap, height in parts:
        left, right = (0.32, 0.32) if name == "title" else (left_in, right_in)
        axes[name] = axes_in(figure, left, at + gap, width_in - left - right, height)
        at += gap + height
    return figure, axes


def label(
    axes: Axes, x: float, y: float, text: str, size: float = 8.5, colour: str = DARK, **more: object
) -> Text:
    """Set a text in data units, left of the point and centred in height unless told otherwise."""
    given: dict[str, Any] = {"ha": "left", "va": "center", "fontsize": size, "color": colour}
    return axes.text(x, y, text, **(given | more))


def side_label(
    axes: Axes, x: float, y: float, text: str, size: float = 8.5, colour: str = DARK, **more: object
) -> Text:
    """Set a text whose x is a share of the axes' width: beside a row, out of the data.

    Beside the axes it is shortened to the room that is left to the picture's edge.
    """
    place, wide = axes.get_position(), axes.figure.bbox.width / axes.figure.dpi
    across = place.x0 + x * place.width
    if not 0 <= x <= 1:
        text = shortened(text, wide * (across if x < 0 else 1 - across) - EDGE_IN, size)
    given = {"ha": "right" if x < 0.5 else "left", "transform": axes.get_yaxis_transform()}
    return label(axes, x, y, text, size, colour, **(given | more))


EDGE_IN = 0.06  # kept free at a picture's edge


def shortened(text: str, width_in: float, size: float) -> str:
    """A line that fits into a width, in the picture's own font of `size` points.

    A longer one loses its middle, since names differ at the end, and has an ellipsis there.
    """
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(size=size)
    wide_of = text_to_path.get_text_width_height_descent
    short, kept = text, len(text)
    while kept > 2 and wide_of(short, font, ismath=False)[0] > 72 * width_in:
        kept -= 1
        short = f"{text[: (kept + 1) // 2].rstrip()}…{text[len(text) - kept // 2 :].lstrip()}"
    return short


def line(
    axes: Axes, x: npt.ArrayLike, y: npt.ArrayLike, colour: str, width: float, **more: object
) -> None:
    """Draw a line in data units; it ends where it ends, without a cap."""
    given: dict[str, Any] = {"color": colour, "lw": width, "solid_capstyle": "butt"}
    axes.plot(x, y, **(given | more))


def dot(axes: Axes, x: float, y: float, marker: str | int, size: float, **more: object) -> None:
    """Draw one marker."""
    given: dict[str, Any] = {"marker": marker, "ms": size}
    axes.plot([x], [y], **(given | more))


def dots(axes: Axes, places: npt.NDArray[np.float64], areas: npt.ArrayLike, **more: object) -> None:
    """Draw many markers at places of shape ``(n, 2)``, with areas in square points."""
    given: dict[str, Any] = {"s": areas}
    axes.scatter(places[:, 0], places[:, 1], **(given | more))


def no_frame(axes: Axes) -> None:
    """Take off ticks, edges and ground."""
    axes.set_xticks([])
    axes.set_yticks([])
    axes.patch.set_alpha(0)
    for side in axes.spines.values():
        side.set_visible(False)


def draw_title(axes: Axes, title: str, facts: Sequence[str]) -> None:
    """Set the title in large type, with what the picture is of below it."""
    axes.axis("off")
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    label(axes, -0.001, 1.05, title, 25, family=TITLE_FONT, va="top")
    label(axes, 0, 0.0, "   ·   ".join(facts), 8.5, MUTED, va="bottom")


def draw_frequencies(axes: Axes, low_hz: float, high_hz: float) -> None:
    """Make the y axis log2 of hertz, with a line and a name at each octave of 1 kHz."""
    axes.set_ylim(np.log2(low_hz), np.log2(high_hz))
    shown = [hz for hz in OCTAVES_HZ if low_hz <= hz <= high_hz]
    names = [f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz" for hz in shown]
    axes.set_yticks(np.log2(shown), names)
    axes.tick_params(axis="y", length=3)
    for hz in shown:
        axes.axhline(np.log2(hz), color=GRID, lw=0.5, zorder=0.5, alpha=0.8)


def outline(text: Text, width: float = 2.2) -> None:
    """Let a text stand out from what it lies on."""
    from matplotlib.patheffects import withStroke

    text.set_path_effects([withStroke(linewidth=width, foreground=BACKGROUND)])


def check_ending(path: Path) -> None:
    """Raise `UserError` for a picture format that we don't draw."""
    if path.suffix.lower() not in ENDINGS:
        raise UserError(
            f"can't draw a '{path.suffix or path.name}' picture",
            where=str(path),
            remedy=f"end its name in {', '.join(ENDINGS)}",
        )


def save(figure: Figure, path: Path, title: str, dpi: int = 200) -> None:
    """Save a figure by the ending of its name, whole or not at all."""
    check_ending(path)
    # Dates would make the same picture differ from run to run.
    undated: dict[str, dict[str, str | None]] = {
        ".png": {"Title": title, "Software": None},
        ".svg": {"Title": title, "Date": None},
        ".pdf": {"Title": title, "CreationDate": None},
    }
    ending = path.suffix.lower()
    with whole_file(path) as part:
        figure.savefig(part, dpi=dpi, format=ending[1:], metadata=undated[ending])


def grey_scale() -> LinearSegmentedColormap:
    """The spectrogram's colours: lightness falls steadily from the background to dark grey."""
    from matplotlib.colors import LinearSegmentedColormap

    stops = [BACKGROUND, "#eceae3", "#cfcfcc", "#a3a7aa", "#71787f", "#4b535c"]
    return LinearSegmentedColormap.from_list("greys", stops)


def voice_colours(voices: Iterable[str]) -> dict[str, str]:
    """A colour for each voice: the six that sing most have their own, others share a grey.

    Parameters
    ----------
    voices
        The voice of every note.

    Examples
    --------
    >>> voice_colours(["A", "B", "A"])["A"]
    '#003898'
    """
    counts = Counter(voices)
    busiest = [name for name, _ in sorted(counts.items(), key=lambda item: (-item[1], item[0]))]
    kept = sorted(busiest[: len(VOICE_COLOURS)])
    own = dict(zip(kept, VOICE_COLOURS, strict=False))
    return {name: own.get(name, OTHER_VOICES) for name in sorted(counts)}


def format_time(seconds: float) -> str:
    """Seconds as minutes and seconds, or hours.

    Examples
    --------
    >>> format_time(75)
    '1:15'
    >>> format_time(3675)
    '1:01:15'
    """
    whole = round(seconds)
    sign, whole = ("-", -whole) if whole < 0 else ("", whole)
    hours, rest = divmod(whole, 3600)
    text = f"{rest // 60}:{rest % 60:02d}"
    if hours:
        text = f"{hours}:{rest // 60:02d}:{rest % 60:02d}"
    return sign + text


NOTE_NAMES = ("C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B")


def pitch_name(hz: float) -> str:
    """Nearest note of the tempered scale, with the cents from it.

    Examples
    --------
    >>> pitch_name(440.0)
    'A4'
    >>> pitch_name(1049.2)
    'C6 +4'
    """
    from callresp.midi.tuning import key_of

    key = key_of(hz)
    nearest = round(key)
    cents = round(100 * (key - nearest))
    name = f"{NOTE_NAMES[nearest % 12]}{nearest // 12 - 1}"
    return name if cents == 0 else f"{name} {'+' if cents > 0 else '−'}{abs(cents)}"


def nice_step(span: float, about: int) -> float:
    """A step that divides a span of seconds into about `about` parts."""
    steps = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400)
    return next((step for step in steps if span / step <= about), 14400.0)
