"""The rows of a workshop sheet below its pitch panel; see `sheet`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from callresp.palette.model import Striker, Turner
from callresp.rehearse.look import INK, PAPER, RULE, SOFT


@dataclass(frozen=True, slots=True)
class Grid:
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


def names(axes: Any, grid: Grid) -> None:
    """Names, and how long they ring."""
    axes.set_ylim(0, 1)
    for column, item in enumerate(grid.items):
        x = grid.at(column, 0.0)
        axes.text(x, 0.66, item.name, fontsize=11, va="center", ha="left", color=INK)
        axes.text(x, 0.22, _rings(item), fontsize=7.2, va="center", ha="left", color=SOFT)


def _rings(item: Striker | Turner) -> str:
    if isinstance(item, Turner):
        return f"{item.slowest_rps:g} to {item.fastest_rps:g} turns a second"
    free = f"{item.t60_s:.2g} s"
    return f"{free}, damped {item.damper.damped_t60_s:.2g} s" if item.damper else free


def repeats(axes: Any, grid: Grid) -> None:
    """Strokes at the fastest clean repeat, over a second."""
    axes.set_ylim(0, 1)
    for column, striker in grid.strikers:
        times_s = np.arange(0, 1.0 + 1e-9, striker.restrike_ms / 1000)
        axes.plot(
            [grid.at(column, 0), grid.at(column, 1)], [0.36] * 2, color=RULE, lw=0.7, zorder=0
        )
        axes.vlines(grid.at(column, 0.0) + 0.80 * times_s, 0.36, 0.74, color=INK, lw=1.2)
        text = f"{striker.restrike_ms:g} ms, {1000 / striker.restrike_ms:.3g} a second"
        axes.text(grid.at(column, 0), 0.06, text, fontsize=7, va="center", color=SOFT)
    for column, turner in grid.turners:
        text = f"up in {turner.spin_up_s:g} s, down in {turner.slow_down_s:g} s"
        axes.text(grid.at(column, 0), 0.06, text, fontsize=7, va="center", color=SOFT)
        curve = [(0.0, 0.36), (0.3, 0.74), (0.6, 0.74), (1.0, 0.36)]
        axes.plot([grid.at(column, x) for x, _ in curve], [y for _, y in curve], color=INK, lw=1.2)


def latencies(axes: Any, grid: Grid) -> None:
    """From command to sound, with its spread."""
    axes.set_ylim(0, 1)
    longest = max((s.latency_ms for _, s in grid.strikers), default=1.0) * 1.25
    for column, striker in grid.strikers:
        x, y = grid.at(column, striker.latency_ms / longest), 0.52
        start = grid.at(column, 0.0)
        axes.plot([start, x], [y, y], color=SOFT, lw=0.9, zorder=1)
        axes.plot([start, start], [y - 0.14, y + 0.14], color=SOFT, lw=0.9)
        spread = 0.80 * striker.latency_spread_ms / longest
        axes.plot(
            [x - spread, x + spread], [y, y], color=INK, lw=3.4, solid_capstyle="butt", alpha=0.4
        )
        axes.plot(x, y, marker="o", ms=4.6, color=INK, mec=PAPER, mew=0.5)
        text = f"{striker.latency_ms:g} ± {striker.latency_spread_ms:g} ms"
        axes.text(start, 0.06, text, fontsize=7, va="center", color=SOFT)


def forces(axes: Any, grid: Grid) -> None:
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
            [grid.at(column, 0), grid.at(column, 1)], [-0.02] * 2, color=RULE, lw=0.7, zorder=0
        )
        axes.plot(xs, ys, color=INK, lw=1.2, marker="o", ms=3.2)
        first, last = striker.force[0], striker.force[-1]
        text = (
            f"{first.pulse_ms:g} to {last.pulse_ms:g} ms:"
            f" {first.level_db:.0f} to {last.level_db:.0f} dB"
        )
        axes.text(grid.at(column, 0), -0.28, text, fontsize=7, va="center", color=SOFT)
    for column, turner in grid.turners:
        text = f"{turner.level_min_db:.0f} to {turner.level_max_db:.0f} dB"
        axes.text(grid.at(column, 0), -0.28, text, fontsize=7, va="center", color=SOFT)


def coils(axes: Any, grid: Grid) -> None:
    """Coil, damper and motor in figures."""
    axes.set_ylim(0, 1)
    for column, item in enumerate(grid.items):
        for y, text in zip((0.88, 0.64, 0.40, 0.16), _coil_lines(item), strict=False):
            axes.text(grid.at(column, 0), y, text, fontsize=7, va="center", color=SOFT)


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
