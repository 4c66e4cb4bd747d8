"""Inks, paper and small tools that all our pictures share.

Choices
-------
- Warm paper, dark ink and a graphite wash: what matters is darker than what
  does not, so a grey print says the same.
- The six voice inks were searched for: as far apart as they could be for every
  kind of colour vision at once (as simulated after Machado, Oliveira &
  Fernandes, IEEE TVCG 15(6), 2009), in lightness too, and each at least 3 : 1
  against the paper (WCAG 2.1, 1.4.11). No two things are told apart by ink
  alone: letters, rows and shapes say it again.
- Type is that which the drawing library brings, so pictures look alike on every
  machine.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from callresp.errors import UserError
from callresp.io.files import whole_file

if TYPE_CHECKING:
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.figure import Figure

BACKGROUND = "#fbf9f3"
DARK = "#23272e"
MUTED = "#6d7178"
GRID = "#dcd8cc"
SHADE = "#efece2"
OTHER_VOICES = "#70757c"
CALL, ANSWER = "#003898", "#A83810"
VOICE_COLOURS = ("#003898", "#A83810", "#008860", "#C27C00", "#683868", "#8088C0")
ENDINGS = (".png", ".svg", ".pdf")
TITLE_FONT = ["STIXGeneral", "DejaVu Serif"]

STYLE: Any = {
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

    with mpl.rc_context(STYLE):
        yield


def new_figure(width_in: float, height_in: float) -> Figure:
    """A figure of its own canvas: no window, no global state."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in))
    FigureCanvasAgg(figure)
    return figure


def axes_in(figure: Figure, left: float, top: float, width: float, height: float) -> Any:
    """Axes at a place in inches, measured from the top left corner."""
    wide, high = figure.get_size_inches()
    return figure.add_axes((left / wide, 1 - (top + height) / high, width / wide, height / high))


def outline(text: Any, width: float = 2.2) -> None:
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
    """Paper to graphite: its lightness falls steadily, so that grey is grey."""
    from matplotlib.colors import LinearSegmentedColormap

    stops = [BACKGROUND, "#eceae3", "#cfcfcc", "#a3a7aa", "#71787f", "#4b535c"]
    return LinearSegmentedColormap.from_list("graphite", stops)


def voice_colours(voices: Iterable[str]) -> dict[str, str]:
    """An ink for each voice: the six that sing most have their own, others share a grey.

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
    inks = {name: VOICE_COLOURS[index] for index, name in enumerate(kept)}
    return {name: inks.get(name, OTHER_VOICES) for name in sorted(counts)}


def counted(count: int, what: str) -> str:
    """A count with its noun.

    Examples
    --------
    >>> counted(1, "voice"), counted(2, "voice")
    ('1 voice', '2 voices')
    """
    return f"{count:,} {what}" if count == 1 else f"{count:,} {what}s"


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
