"""A workshop sheet: one printable page that says what a palette is.

From the top: the strikers on a pitch axis, each partial a wedge as long as it
rings (the dark wedge within it: with its damper down); how fast each may be
struck again, as ticks over a second; how long from command to sound; the force
curve; coil and damper in figures; what drives and feeds them, and cautions.

The page has the proportions of ISO 216 (A4, A3), lying.

The rows of a workshop sheet below its pitch panel; see `sheet`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from callresp.palette.model import Palette, Striker, Turner
from callresp.plots import style
from callresp.plots.excerpt import lane_order
from callresp.plots.style import ANSWER, BACKGROUND, DARK, GRID, MUTED, SHADE
from callresp.synthesis.execution import strike_partial
from callresp.synthesis.modal import LN_1000, decay_rates

WIDTH_IN, HEIGHT_IN = 14.14, 10.0
LEFT_IN, RIGHT_IN = 1.55, 0.45
MARGIN_PT = 14
COLUMN_MAX_IN = 4.1
CAUTIONS = (
    "Coils get hot and strikers and turners move without warning: keep fingers, hair and cloth"
    " away, switch off before you reach in, and fuse the battery at its terminal."
)


def _grid(palette: Palette) -> SheetColumns:
    order = lane_order(palette)
    pitched = [i for i in order if isinstance(i, Striker) and i.pitch_hz is not None]
    items = (*reversed(pitched), *(item for item in order if item not in pitched))
    longest = max((item.t60_s for item in palette.striker), default=1.0)
    steps = (0.5, 1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 30, 60, 120)
    ring_s = next(step for step in steps if step >= longest)
    room = WIDTH_IN - LEFT_IN - RIGHT_IN
    return SheetColumns(items, min(room, COLUMN_MAX_IN * len(items)), float(ring_s))


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
    path = Path(path)
    style.check_ending(path)
    grid = _grid(palette)
    with style.drawing_style():
        figure = style.new_figure(WIDTH_IN, HEIGHT_IN)
        _title(figure, palette)
        rows = (
            ("pitch and ring", 4.55, _pitches),
            ("ring", 0.62, names),
            ("struck again", 0.46, repeats),
            ("latency", 0.46, latencies),
            ("force", 0.95, forces),
            ("coils", 0.72, coils),
        )
        top = 1.12
        for name, height, fill in rows:
            axes = style.axes_in(figure, LEFT_IN, top, grid.width_in, height)
            axes.set_xlim(0, len(grid.items))
            _bare(axes)
            fill(axes, grid)
            _row_name(axes, name)
            top += height + 0.10
        _foot(figure, palette)
        style.save(figure, path, f"{palette.name}: workshop sheet")


def _bare(axes: Any) -> None:
    axes.set_xticks([])
    axes.set_yticks([])
    axes.patch.set_alpha(0)
    for side in axes.spines.values():
        side.set_visible(False)


def _row_name(axes: Any, name: str) -> None:
    if name and name != "pitch and ring":
        axes.annotate(
            name,
            (0, 0.22 if name == "ring" else 0.5),
            xycoords=axes.get_yaxis_transform(),
            xytext=(-MARGIN_PT, 0),
            textcoords="offset points",
            annotation_clip=False,
            ha="right",
            va="center",
            fontsize=8.5,
            color=DARK,
        )


def _title(figure: Any, palette: Palette) -> None:
    axes = style.axes_in(figure, 0.45, 0.30, WIDTH_IN - 0.9, 0.72)
    axes.axis("off")
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    axes.text(0, 1.0, palette.name, fontsize=27, family=style.TITLE_FONT, va="top", color=DARK)
    if palette.description:
        axes.text(0, 0.02, palette.description, fontsize=9, va="bottom", color=MUTED)
    facts = (
        f"levels at 1 m, listener at {palette.distance_m:g} m, {palette.ambient_c:g} °C",
        "wedge: rings free to −60 dB    within it: with its damper down",
    )
    for y, text in zip((0.44, 0.02), facts, strict=True):
        axes.text(1, y, text, fontsize=8.5, va="bottom", ha="right", color=MUTED)


def _band(palette_items: tuple[Striker | Turner, ...]) -> tuple[float, float]:
    lows, highs = [], []
    for item in palette_items:
        if isinstance(item, Striker):
            hz = [p.ratio * item.reference_hz for p in item.partials]
            lows.append(min(hz))
            highs.append(max(hz))
        else:
            lows.append(item.band_hz[0])
            highs.append(item.band_hz[1])
    return max(min(lows) * 0.75, 20.0), min(max(highs) * 1.2, 20000.0)


def _pitches(axes: Any, grid: SheetColumns) -> None:
    low, high = _band(grid.items)
    axes.set_ylim(np.log2(low), np.log2(high))
    _pitch_lines(axes, low, high, len(grid.items))
    tall = (np.log2(high) - np.log2(low)) * 0.016
    for column, striker in grid.strikers:
        _column(axes, grid, column)
        if striker.band_hz is not None:
            _soft_band(axes, grid, column, striker.band_hz)
        _partials(axes, grid, column, striker, tall)
    for column, turner in grid.turners:
        _column(axes, grid, column)
        _grains(axes, grid, column, turner)
    _ring_scale(axes, grid)


def _pitch_lines(axes: Any, low: float, high: float, columns: int) -> None:
    for octave in range(0, 11):
        hz = 440.0 * 2 ** (octave - 4 - 9 / 12)
        if not low < hz < high:
            continue
        y = float(np.log2(hz))
        axes.plot([0, columns], [y, y], color=GRID, lw=0.6, zorder=0)
        for text, down, size, ink in ((f"C{octave}", 0, 9, DARK), (f"{hz:.0f} Hz", 9, 6.3, MUTED)):
            axes.annotate(
                text,
                (0, y),
                xytext=(-MARGIN_PT, -down),
                textcoords="offset points",
                ha="right",
                va="center",
                fontsize=size,
                color=ink,
                annotation_clip=False,
            )


def _column(axes: Any, grid: SheetColumns, column: int) -> None:
    low, high = axes.get_ylim()
    x = grid.at(column, 0.0)
    axes.plot([x, x], [low, high], color=GRID, lw=0.8, zorder=0.5)


def _soft_band(axes: Any, grid: SheetColumns, column: int, band_hz: tuple[float, float]) -> None:
    from matplotlib.patches import Rectangle

    low, high = np.log2(band_hz[0]), np.log2(band_hz[1])
    x = grid.at(column, 0.0)
    axes.add_patch(
        Rectangle((x, low), grid.at(column, 1.0) - x, high - low, fc=SHADE, ec="none", zorder=0.2)
    )


def _partials(axes: Any, grid: SheetColumns, column: int, striker: Striker, tall: float) -> None:
    from matplotlib.patches import Polygon

    x = grid.at(column, 0.0)
    _, damped = decay_rates(striker)
    for index, partial in enumerate(striker.partials):
        y = float(np.log2(partial.ratio * striker.reference_hz))
        half = tall * max(0.3, 1 + partial.level_db / 36)
        lengths = [(partial.t60_s, DARK, 0.26)]
        if striker.damper is not None:
            lengths.append((LN_1000 / damped[index], ANSWER, 0.95))
        for t60_s, ink, alpha in lengths:
            wedge = [(x, y - half), (grid.ring_at(column, t60_s), y), (x, y + half)]
            axes.add_patch(Polygon(wedge, closed=True, fc=ink, alpha=alpha, ec="none", zorder=3))
    own = striker.partials[strike_partial(striker)]
    y = float(np.log2(own.ratio * striker.reference_hz))
    pitched = striker.pitch_hz is not None
    axes.plot(
        x, y, marker="o" if pitched else "d", ms=7.5, color=DARK, mec=BACKGROUND, mew=0.8, zorder=5
    )
    if pitched:
        name = style.pitch_name(striker.reference_hz)
        axes.text(
            x + 0.05,
            y + tall * 2.1,
            f"{name} ct" if " " in name else name,
            fontsize=7.4,
            va="bottom",
            ha="left",
            color=DARK,
            zorder=6,
            # A partial may lie just there: the name stays legible over it.
            bbox={"boxstyle": "square,pad=0.15", "fc": BACKGROUND, "ec": "none", "alpha": 0.75},
        )


def _grains(axes: Any, grid: SheetColumns, column: int, turner: Turner) -> None:
    _soft_band(axes, grid, column, turner.band_hz)
    rng = np.random.default_rng(turner.channel)
    low, high = np.log2(turner.band_hz)
    many = rng.uniform(low, high, 170)
    axes.scatter(
        grid.at(column, 0.0) + 0.80 * rng.random(170),
        many,
        s=2.6,
        c=DARK,
        alpha=0.7,
        lw=0,
        zorder=3,
    )


def _ring_scale(axes: Any, grid: SheetColumns) -> None:
    """The time scale of the wedges, once, under the first column."""
    low, _ = axes.get_ylim()
    marks = [t for t in (0.1, 0.5, 1, 2, 5, 10, 20, 60) if t <= 0.75 * grid.ring_s]
    for ring_s in (0.0, *marks, grid.ring_s):
        x = grid.ring_at(0, ring_s)
        axes.plot([x, x], [low, low + 0.05], color=MUTED, lw=0.7, clip_on=False)
        unit = " s" if ring_s == grid.ring_s else ""
        axes.text(
            x,
            low - 0.03,
            f"{ring_s:g}{unit}",
            ha="center",
            va="top",
            fontsize=6.3,
            color=MUTED,
            clip_on=False,
        )


def _foot(figure: Any, palette: Palette) -> None:
    axes = style.axes_in(figure, 0.45, HEIGHT_IN - 0.62, WIDTH_IN - 0.9, 0.42)
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
    axes.plot([0, 1], [1.1, 1.1], color=GRID, lw=0.6, clip_on=False)
    axes.text(0, 0.66, text, fontsize=7.6, va="center", color=DARK)
    axes.text(0, 0.14, CAUTIONS, fontsize=7.6, va="center", color=MUTED)


@dataclass(frozen=True, slots=True)
class SheetColumns:
    """Columns of the sheet: one an instrument."""

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


def names(axes: Any, grid: SheetColumns) -> None:
    """Names, and how long they ring."""
    axes.set_ylim(0, 1)
    for column, item in enumerate(grid.items):
        x = grid.at(column, 0.0)
        axes.text(x, 0.66, item.name, fontsize=11, va="center", ha="left", color=DARK)
        axes.text(x, 0.22, _rings(item), fontsize=7.2, va="center", ha="left", color=MUTED)


def _rings(item: Striker | Turner) -> str:
    if isinstance(item, Turner):
        return f"{item.slowest_rps:g} to {item.fastest_rps:g} turns a second"
    free = f"{item.t60_s:.2g} s"
    return f"{free}, damped {item.damper.damped_t60_s:.2g} s" if item.damper else free


def repeats(axes: Any, grid: SheetColumns) -> None:
    """Strokes at the fastest clean repeat, over a second."""
    axes.set_ylim(0, 1)
    for column, striker in grid.strikers:
        times_s = np.arange(0, 1.0 + 1e-9, striker.restrike_ms / 1000)
        axes.plot(
            [grid.at(column, 0), grid.at(column, 1)], [0.36] * 2, color=GRID, lw=0.7, zorder=0
        )
        axes.vlines(grid.at(column, 0.0) + 0.80 * times_s, 0.36, 0.74, color=DARK, lw=1.2)
        text = f"{striker.restrike_ms:g} ms, {1000 / striker.restrike_ms:.3g} a second"
        axes.text(grid.at(column, 0), 0.06, text, fontsize=7, va="center", color=MUTED)
    for column, turner in grid.turners:
        text = f"up in {turner.spin_up_s:g} s, down in {turner.slow_down_s:g} s"
        axes.text(grid.at(column, 0), 0.06, text, fontsize=7, va="center", color=MUTED)
        curve = [(0.0, 0.36), (0.3, 0.74), (0.6, 0.74), (1.0, 0.36)]
        axes.plot([grid.at(column, x) for x, _ in curve], [y for _, y in curve], color=DARK, lw=1.2)


def latencies(axes: Any, grid: SheetColumns) -> None:
    """From command to sound, with its spread."""
    axes.set_ylim(0, 1)
    longest = max((s.latency_ms for _, s in grid.strikers), default=1.0) * 1.25
    for column, striker in grid.strikers:
        x, y = grid.at(column, striker.latency_ms / longest), 0.52
        start = grid.at(column, 0.0)
        axes.plot([start, x], [y, y], color=MUTED, lw=0.9, zorder=1)
        axes.plot([start, start], [y - 0.14, y + 0.14], color=MUTED, lw=0.9)
        spread = 0.80 * striker.latency_spread_ms / longest
        axes.plot(
            [x - spread, x + spread], [y, y], color=DARK, lw=3.4, solid_capstyle="butt", alpha=0.4
        )
        axes.plot(x, y, marker="o", ms=4.6, color=DARK, mec=BACKGROUND, mew=0.5)
        text = f"{striker.latency_ms:g} ± {striker.latency_spread_ms:g} ms"
        axes.text(start, 0.06, text, fontsize=7, va="center", color=MUTED)


def forces(axes: Any, grid: SheetColumns) -> None:
    """The force curve: pulse length to level."""
    axes.set_ylim(-0.45, 1.12)
    points = [point for _, s in grid.strikers for point in s.force]
    if not points:
        return
    longest = max(point.pulse_ms for point in points)
    low, high = min(p.level_db for p in points) - 4, max(p.level_db for p in points)
    for column, striker in grid.strikers:
        xs = [grid.at(column, p.pulse_ms / longest) for p in striker.force]
        ys = [(p.level_db - low) / (high - low) for p in striker.force]
        axes.plot(
            [grid.at(column, 0), grid.at(column, 1)], [-0.02] * 2, color=GRID, lw=0.7, zorder=0
        )
        axes.plot(xs, ys, color=DARK, lw=1.2, marker="o", ms=3.2)
        first, last = striker.force[0], striker.force[-1]
        text = (
            f"{first.pulse_ms:g} to {last.pulse_ms:g} ms:"
            f" {first.level_db:.0f} to {last.level_db:.0f} dB"
        )
        axes.text(grid.at(column, 0), -0.28, text, fontsize=7, va="center", color=MUTED)
    for column, turner in grid.turners:
        text = f"{turner.level_min_db:.0f} to {turner.level_max_db:.0f} dB"
        axes.text(grid.at(column, 0), -0.28, text, fontsize=7, va="center", color=MUTED)


def coils(axes: Any, grid: SheetColumns) -> None:
    """Coil, damper and motor in figures."""
    axes.set_ylim(0, 1)
    for column, item in enumerate(grid.items):
        for y, text in zip((0.88, 0.64, 0.40, 0.16), _coil_lines(item), strict=False):
            axes.text(grid.at(column, 0), y, text, fontsize=7, va="center", color=MUTED)


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
