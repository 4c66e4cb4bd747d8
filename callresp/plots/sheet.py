"""A workshop sheet: one printable page that says what a palette is.

From the top: the strikers on a pitch axis, each partial a wedge as long as it
rings (the dark wedge within it: with its damper down); how fast each may be
struck again, as ticks over a second; how long from command to sound; the force
curve; coil and damper in figures; what drives and feeds them, and cautions.

The page has the proportions of ISO 216 (A4, A3), lying. A large machine takes several such
blocks, one below the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from callresp.palette.model import Palette, Striker, Turner
from callresp.plots import style
from callresp.plots.excerpt import lane_order
from callresp.plots.style import ANSWER, BACKGROUND, DARK, GRID, MUTED, SHADE, dot, label, line
from callresp.synthesis.execution import strike_partial
from callresp.synthesis.modal import LN_1000, decay_rates

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN, HEIGHT_IN = 14.14, 10.0
LEFT_IN, RIGHT_IN = 1.55, 0.45
MARGIN_PT = 14
ROW_GAP_IN, BLOCK_GAP_IN = 0.10, 0.45
COLUMN_MAX_IN, COLUMNS_MAX = 4.1, 10
CAUTIONS = (
    "Coils get hot and strikers and turners move without warning: keep fingers, hair and cloth"
    " away, switch off before you reach in, and fuse the battery at its terminal."
)


@dataclass(frozen=True, slots=True)
class SheetColumns:
    """Columns of the sheet: one an instrument; x counts columns from the left."""

    items: tuple[Striker | Turner, ...]
    width_in: float
    ring_s: float

    @property
    def strikers(self) -> list[tuple[int, Striker]]:
        """Columns of strikers."""
        return [(i, item) for i, item in enumerate(self.items) if isinstance(item, Striker)]

    @property
    def turners(self) -> list[tuple[int, Turner]]:
        """Columns of turners."""
        return [(i, item) for i, item in enumerate(self.items) if isinstance(item, Turner)]

    def at(self, column: int, share: float) -> float:
        """x of a share (0 to 1) of a column's inner width."""
        return column + 0.10 + 0.80 * share

    def ring_at(self, column: int, t60_s: float) -> float:
        """x of a ring time. By its root, so that damped rings are seen beside free ones."""
        return self.at(column, (t60_s / self.ring_s) ** 0.5)


def _blocks(palette: Palette) -> list[SheetColumns]:
    """Instruments from low to high, at most `COLUMNS_MAX` beside each other."""
    order = lane_order(palette)
    pitched = [i for i in order if isinstance(i, Striker) and i.pitch_hz is not None]
    items = (*reversed(pitched), *(item for item in order if item not in pitched))
    longest = max((item.t60_s for item in palette.striker), default=1.0)
    steps = (0.5, 1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 30, 60, 120)
    ring_s = next(step for step in steps if step >= longest)
    each = math.ceil(len(items) / math.ceil(len(items) / COLUMNS_MAX))
    wide = min((WIDTH_IN - LEFT_IN - RIGHT_IN) / each, COLUMN_MAX_IN)
    parts = [items[first : first + each] for first in range(0, len(items), each)]
    return [SheetColumns(part, wide * len(part), float(ring_s)) for part in parts]


def draw_sheet(path: Path, palette: Palette) -> None:
    """Draw the workshop sheet of a palette.

    Parameters
    ----------
    path
        The file to write: .png, .svg or .pdf.
    palette
        What is drawn.

    Raises
    ------
    UserError
        For another ending, or a folder that can't be written.
    """
    style.check_ending(path)
    blocks = _blocks(palette)
    rows = (
        ("pitch and ring", 4.55, _pitches),
        ("ring", 0.62, _names),
        ("struck again", 0.46, _repeats),
        ("latency", 0.46, _latencies),
        ("force", 0.95, _forces),
        ("coils", 0.72, _coils),
    )
    block_in = sum(height + ROW_GAP_IN for _, height, _ in rows) + BLOCK_GAP_IN
    with style.drawing_style():
        figure = style.new_figure(WIDTH_IN, HEIGHT_IN + (len(blocks) - 1) * block_in)
        _title(figure, palette)
        drawn = ((columns, *row) for columns in blocks for row in rows)
        top = 1.12
        for columns, name, height, fill in drawn:
            axes = style.axes_in(figure, LEFT_IN, top, columns.width_in, height)
            axes.set_xlim(0, len(columns.items))
            axes.set_ylim(0, 1)
            style.no_frame(axes)
            fill(axes, columns)
            if name != "pitch and ring":
                share = 0.22 if name == "ring" else 0.5
                low, high = axes.get_ylim()
                _beside(axes, low + share * (high - low), name)
            top += height + ROW_GAP_IN + (BLOCK_GAP_IN if fill is _coils else 0.0)
        _foot(figure, palette)
        style.save(figure, path, f"{palette.name}: workshop sheet")


def _beside(
    axes: Axes, y: float, text: str, size: float = 8.5, colour: str = DARK, down_pt: float = 0
) -> None:
    """A text left of a row."""
    axes.annotate(
        text,
        (0, y),
        (-MARGIN_PT, -down_pt),
        textcoords="offset points",
        annotation_clip=False,
        ha="right",
        va="center",
        fontsize=size,
        color=colour,
    )


def _title(figure: Figure, palette: Palette) -> None:
    axes = style.axes_in(figure, 0.45, 0.30, WIDTH_IN - 0.9, 0.72)
    axes.axis("off")
    label(axes, 0, 1.0, palette.name, 27, family=style.TITLE_FONT, va="top")
    label(axes, 0, 0.02, palette.description, 9, MUTED, va="bottom")
    facts = (
        f"levels at 1 m, listener at {palette.distance_m:g} m, {palette.ambient_c:g} °C",
        "wedge: rings free to −60 dB    within it: with its damper down",
    )
    for y, text in zip((0.44, 0.02), facts, strict=True):
        label(axes, 1, y, text, 8.5, MUTED, va="bottom", ha="right")


def _band(items: tuple[Striker | Turner, ...]) -> tuple[float, float]:
    lows, highs = [], []
    for item in items:
        if isinstance(item, Striker):
            hz = [p.ratio * item.reference_hz for p in item.partials]
            lows.append(min(hz))
            highs.append(max(hz))
        else:
            lows.append(item.band_hz[0])
            highs.append(item.band_hz[1])
    return max(min(lows) * 0.75, 20.0), min(max(highs) * 1.2, 20000.0)


def _pitches(axes: Axes, columns: SheetColumns) -> None:
    low, high = _band(columns.items)
    axes.set_ylim(np.log2(low), np.log2(high))
    for octave in range(11):
        hz = 440.0 * 2 ** (octave - 4 - 9 / 12)
        if low < hz < high:
            y = float(np.log2(hz))
            line(axes, [0, len(columns.items)], [y, y], GRID, 0.6, zorder=0)
            _beside(axes, y, f"C{octave}", 9)
            _beside(axes, y, f"{hz:.0f} Hz", 6.3, MUTED, 9)
    tall = (np.log2(high) - np.log2(low)) * 0.016
    for column in range(len(columns.items)):
        x = columns.at(column, 0.0)
        line(axes, [x, x], axes.get_ylim(), GRID, 0.8, zorder=0.5)
    for column, striker in columns.strikers:
        if striker.band_hz is not None:
            _shaded_band(axes, columns, column, striker.band_hz)
        _partials(axes, columns, column, striker, tall)
    for column, turner in columns.turners:
        _grains(axes, columns, column, turner)
    _ring_scale(axes, columns)


def _shaded_band(
    axes: Axes, columns: SheetColumns, column: int, band_hz: tuple[float, float]
) -> None:
    ends = columns.at(column, 0.0), columns.at(column, 1.0)
    axes.fill_between(ends, *np.log2(band_hz), fc=SHADE, ec="none", zorder=0.2)


def _partials(
    axes: Axes, columns: SheetColumns, column: int, striker: Striker, tall: float
) -> None:
    from matplotlib.patches import Polygon

    x = columns.at(column, 0.0)
    _, damped = decay_rates(striker)
    for index, partial in enumerate(striker.partials):
        y = float(np.log2(partial.ratio * striker.reference_hz))
        half = tall * max(0.3, 1 + partial.level_db / 36)
        lengths = [(partial.t60_s, DARK, 0.26)]
        if striker.damper is not None:
            lengths.append((LN_1000 / damped[index], ANSWER, 0.95))
        for t60_s, colour, alpha in lengths:
            wedge = [(x, y - half), (columns.ring_at(column, t60_s), y), (x, y + half)]
            axes.add_patch(Polygon(wedge, closed=True, fc=colour, alpha=alpha, ec="none", zorder=3))
    own = striker.partials[strike_partial(striker)]
    y = float(np.log2(own.ratio * striker.reference_hz))
    pitched = striker.pitch_hz is not None
    edge = {"color": DARK, "mec": BACKGROUND, "mew": 0.8, "zorder": 5}
    dot(axes, x, y, "o" if pitched else "d", 7.5, **edge)
    if pitched:
        name = style.pitch_name(striker.reference_hz)
        name += " ct" if " " in name else ""
        # A partial may lie just there: the name stays legible over it.
        ground = {"boxstyle": "square,pad=0.15", "fc": BACKGROUND, "ec": "none", "alpha": 0.75}
        label(axes, x + 0.05, y + tall * 2.1, name, 7.4, va="bottom", zorder=6, bbox=ground)


def _grains(axes: Axes, columns: SheetColumns, column: int, turner: Turner) -> None:
    _shaded_band(axes, columns, column, turner.band_hz)
    rng = np.random.default_rng(turner.channel)
    low, high = np.log2(turner.band_hz)
    many = rng.uniform(low, high, 170)
    across = columns.at(column, 0.0) + 0.80 * rng.random(170)
    axes.scatter(across, many, s=2.6, c=DARK, alpha=0.7, lw=0, zorder=3)


def _ring_scale(axes: Axes, columns: SheetColumns) -> None:
    """The time scale of the wedges, once, under the first column."""
    low, _ = axes.get_ylim()
    marks = [t for t in (0.1, 0.5, 1, 2, 5, 10, 20, 60) if t <= 0.75 * columns.ring_s]
    for ring_s in (0.0, *marks, columns.ring_s):
        x = columns.ring_at(0, ring_s)
        line(axes, [x, x], [low, low + 0.05], MUTED, 0.7, clip_on=False)
        text = f"{ring_s:g}{' s' if ring_s == columns.ring_s else ''}"
        label(axes, x, low - 0.03, text, 6.3, MUTED, ha="center", va="top", clip_on=False)


def _foot(figure: Figure, palette: Palette) -> None:
    high_in = figure.get_figheight()
    axes = style.axes_in(figure, 0.45, high_in - 0.62, WIDTH_IN - 0.9, 0.42)
    axes.axis("off")
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    supply = palette.supply
    feeds = f"{supply.nominal_v:g} V {supply.chemistry}"
    if supply.chemistry != "mains":
        feeds += f", {supply.capacity_ah:g} Ah, stops at {supply.cutoff_v:g} V"
    drivers = "; ".join(f"{d.name} {d.current_max_a:g} A" for d in palette.driver)
    text = (
        f"Fed by {feeds}, {supply.current_max_a:g} A at most.   Drivers: {drivers}.  "
        f" Board: {palette.board.name}, all off after {palette.board.silence_ms:g} ms of silence."
    )
    line(axes, [0, 1], [1.1, 1.1], GRID, 0.6, clip_on=False)
    label(axes, 0, 0.66, text, 7.6)
    label(axes, 0, 0.14, CAUTIONS, 7.6, MUTED)


def _note(axes: Axes, columns: SheetColumns, column: int, y: float, text: str) -> None:
    """Figures in small type at the left of a column."""
    label(axes, columns.at(column, 0.0), y, text, 7, MUTED)


def _base_line(axes: Axes, columns: SheetColumns, column: int, y: float) -> None:
    ends = [columns.at(column, 0), columns.at(column, 1)]
    line(axes, ends, [y, y], GRID, 0.7, zorder=0)


def _names(axes: Axes, columns: SheetColumns) -> None:
    """Names, and how long they ring."""
    for column, item in enumerate(columns.items):
        x = columns.at(column, 0.0)
        wide_in = 0.9 * columns.width_in / len(columns.items)
        label(axes, x, 0.66, style.shortened(item.name, wide_in, 11), 11)
        label(axes, x, 0.22, _rings(item), 7.2, MUTED)


def _rings(item: Striker | Turner) -> str:
    if isinstance(item, Turner):
        return f"{item.slowest_rps:g} to {item.fastest_rps:g} turns a second"
    free = f"{item.t60_s:.2g} s"
    return f"{free}, damped {item.damper.damped_t60_s:.2g} s" if item.damper else free


def _repeats(axes: Axes, columns: SheetColumns) -> None:
    """Strokes at the fastest clean repeat, over a second."""
    for column, striker in columns.strikers:
        times_s = np.arange(0, 1.0 + 1e-9, striker.restrike_ms / 1000)
        _base_line(axes, columns, column, 0.36)
        axes.vlines(columns.at(column, 0.0) + 0.80 * times_s, 0.36, 0.74, color=DARK, lw=1.2)
        text = f"{striker.restrike_ms:g} ms, {1000 / striker.restrike_ms:.3g} a second"
        _note(axes, columns, column, 0.06, text)
    for column, turner in columns.turners:
        text = f"up in {turner.spin_up_s:g} s, down in {turner.slow_down_s:g} s"
        _note(axes, columns, column, 0.06, text)
        across = [columns.at(column, x) for x in (0.0, 0.3, 0.6, 1.0)]
        line(axes, across, [0.36, 0.74, 0.74, 0.36], DARK, 1.2)


def _latencies(axes: Axes, columns: SheetColumns) -> None:
    """From command to sound, with its spread."""
    longest = max((s.latency_ms for _, s in columns.strikers), default=1.0) * 1.25
    for column, striker in columns.strikers:
        x, y = columns.at(column, striker.latency_ms / longest), 0.52
        start = columns.at(column, 0.0)
        line(axes, [start, x], [y, y], MUTED, 0.9, zorder=1)
        line(axes, [start, start], [y - 0.14, y + 0.14], MUTED, 0.9)
        spread = 0.80 * striker.latency_spread_ms / longest
        line(axes, [x - spread, x + spread], [y, y], DARK, 3.4, alpha=0.4)
        dot(axes, x, y, "o", 4.6, color=DARK, mec=BACKGROUND, mew=0.5)
        text = f"{striker.latency_ms:g} ± {striker.latency_spread_ms:g} ms"
        _note(axes, columns, column, 0.06, text)


def _forces(axes: Axes, columns: SheetColumns) -> None:
    """The force curve: pulse length to level."""
    axes.set_ylim(-0.45, 1.12)
    points = [point for _, s in columns.strikers for point in s.force]
    if not points:
        return
    longest = max(point.pulse_ms for point in points)
    low, high = min(p.level_db for p in points) - 4, max(p.level_db for p in points)
    for column, striker in columns.strikers:
        across = [columns.at(column, p.pulse_ms / longest) for p in striker.force]
        levels = [(p.level_db - low) / (high - low) for p in striker.force]
        _base_line(axes, columns, column, -0.02)
        line(axes, across, levels, DARK, 1.2, marker="o", ms=3.2)
        first, last = striker.force[0], striker.force[-1]
        text = (
            f"{first.pulse_ms:g} to {last.pulse_ms:g} ms:"
            f" {first.level_db:.0f} to {last.level_db:.0f} dB"
        )
        _note(axes, columns, column, -0.28, text)
    for column, turner in columns.turners:
        text = f"{turner.level_min_db:.0f} to {turner.level_max_db:.0f} dB"
        _note(axes, columns, column, -0.28, text)


def _coils(axes: Axes, columns: SheetColumns) -> None:
    """Coil, damper and motor in figures."""
    for column, item in enumerate(columns.items):
        for y, text in zip((0.88, 0.64, 0.40, 0.16), _coil_lines(item), strict=False):
            _note(axes, columns, column, y, text)


def _coil_lines(item: Striker | Turner) -> list[str]:
    if isinstance(item, Turner):
        return [
            f"motor {item.channel}: {item.current_a:g} A",
            f"{item.start_current_a:g} A to start",
            f"runs {item.run_max_s:g} s at most",
            f"{item.store_turns:g} turns in store" if item.store_turns else "",
        ]
    coil = item.coil
    lines = [
        f"coil {coil.channel}: {coil.resistance_ohm:g} Ω",
        f"on {coil.on_max_ms:g} ms, {coil.duty_max:.0%} at most",
    ]
    if item.damper is None:
        return [*lines, "no damper"]
    damper = item.damper
    lines.append(f"damper {damper.coil.channel}: rests {damper.rest}")
    lines.append(f"clear in {damper.lift_ms:g}, back in {damper.fall_ms:g} ms")
    return lines
