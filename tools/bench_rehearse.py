#!/usr/bin/env python3
"""Bench of the rehearsal: speed, exactness, memory.


    python tools/bench_rehearse.py              about a minute
    python tools/bench_rehearse.py --minutes 60 --skip-memory

Speed is in times real time, from user time of this process on one core. The
peers render the same free strokes of the same partials in the two textbook
ways: a bank of two-pole resonators (scipy.signal.lfilter), and each stroke as
a sum of decaying sines (numpy). Exactness is the largest difference between us
and the sines.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import click
import numpy as np
import numpy.typing as npt
from scipy import signal

from callresp.commands.ui import say
from callresp.io.audio import BLOCK
from callresp.palette.files import load_palette
from callresp.palette.model import Palette, Striker
from callresp.plan.model import Hold, Plan, PlanHeader, Strike
from callresp.synthesis.execution import execute
from callresp.synthesis.levels import ListeningPoint
from callresp.synthesis.mixing import PlanRenderer, mix
from callresp.synthesis.modal import LN_1000, StrikerVoice, partial_amplitudes

Waves = npt.NDArray[np.float64]
RATE = 48000
NEAR = ListeningPoint(distance_m=1.0, air=False, travel=False)


def a_plan(palette: Palette, seconds: float, per_minute: float, seed: int = 1) -> Plan:
    """Strokes on every striker at random moments, dampers lifted all the while."""
    rng = np.random.default_rng(seed)
    commands: list[Strike | Hold] = []
    for item in palette.striker:
        count = int(seconds / 60 * per_minute / len(palette.striker))
        for at_s in np.sort(rng.uniform(0.5, seconds - 1, count)):
            pulse = rng.uniform(item.force[0].pulse_ms, item.force[-1].pulse_ms)
            commands.append(Strike(at_s=float(at_s), channel=item.coil.channel, pulse_ms=pulse))
        if item.damper is not None and item.damper.rest == "on":
            channel, length = item.damper.coil.channel, (seconds + 1) * 1000
            commands.append(
                Hold(at_s=-0.5, channel=channel, hold_ms=length, pull_ms=30, hold_duty=0.3)
            )
    commands.sort(key=lambda command: command.at_s)
    return Plan(header=PlanHeader(duration_s=seconds), commands=tuple(commands))


def blow(striker: Striker, level_db: float) -> Waves:
    """Amplitudes of the partials at 1 m, those above half the rate left out."""
    hz = np.array([p.ratio * striker.reference_hz for p in striker.partials])
    return partial_amplitudes(striker, level_db) * NEAR.peak_of(level_db) * (hz < 0.49 * RATE)


def by_sines(plan: Plan, palette: Palette, seconds: float) -> Waves:
    """Each stroke as a sum of decaying sines, until it has fallen by 120 dB."""
    out = np.zeros(round(seconds * RATE))
    for part in execute(plan, palette).strikers:
        item = part.striker
        for stroke in part.strokes:
            first = int(np.ceil(stroke.at_s * RATE))
            amplitudes = blow(item, stroke.level_db)
            for partial, amplitude in zip(item.partials, amplitudes, strict=True):
                count = min(int(2 * partial.t60_s * RATE), len(out) - first)
                time_s = (first + np.arange(max(count, 0))) / RATE - stroke.at_s
                decay = np.exp(-LN_1000 / partial.t60_s * time_s)
                hz = partial.ratio * item.reference_hz
                out[first : first + len(time_s)] += (
                    amplitude * decay * np.sin(2 * np.pi * hz * time_s)
                )
    return out


def by_resonators(plan: Plan, palette: Palette, seconds: float) -> Waves:
    """A bank of two-pole filters struck by impulses, to the nearest sample."""
    out = np.zeros(round(seconds * RATE))
    for part in execute(plan, palette).strikers:
        item = part.striker
        for index, partial in enumerate(item.partials):
            blows = np.zeros(len(out))
            for stroke in part.strokes:
                blows[round(stroke.at_s * RATE)] += blow(item, stroke.level_db)[index]
            angle = 2 * np.pi * partial.ratio * item.reference_hz / RATE
            radius = np.exp(-LN_1000 / partial.t60_s / RATE)
            feed = [0.0, radius * np.sin(angle)]
            back = [1.0, -2 * radius * np.cos(angle), radius**2]
            out += signal.lfilter(feed, back, blows)
    return out


def by_us(plan: Plan, palette: Palette, seconds: float) -> Waves:
    """Our partials alone, without the noises."""
    out = np.zeros(round(seconds * RATE))
    for part in execute(plan, palette).strikers:
        voice = StrikerVoice(part, NEAR, RATE, None)
        for at in range(0, len(out), 65536):
            voice.add_to(out[at : at + 65536])
    return out


def timed(work: object, *given: object) -> tuple[Waves, float]:
    """What it gives, and the user time that it took."""
    assert callable(work)
    began = time.process_time()
    made = np.asarray(work(*given))
    return made, time.process_time() - began


def memory_mb(minutes: float) -> float:
    """Peak memory of a fresh process that mixes so many minutes."""
    words = [sys.executable, __file__, "--mix-only", str(minutes)]
    return float(subprocess.run(words, capture_output=True, text=True, check=True).stdout)


def mixed_memory(minutes: float) -> None:
    """Mix, then print the peak memory of this process in MB."""
    palette = load_palette("fettle")
    plan = a_plan(palette, minutes * 60, 60)
    with tempfile.TemporaryDirectory() as folder:
        mix(None, plan, palette, Path(folder) / "x.wav")
    # Not getrusage: its peak lives on through exec, and would be the parent's.
    status = Path("/proc/self/status").read_text().splitlines()
    (line,) = (row for row in status if row.startswith("VmHWM"))
    say(f"{int(line.split()[1]) / 1024:.1f}")


@click.command()
@click.option("--minutes", default=10.0, show_default=True)
@click.option("--per-minute", default=60.0, show_default=True, help="Strokes a minute.")
@click.option("--palette", default="fettle", show_default=True)
@click.option("--skip-memory", is_flag=True)
@click.option("--mix-only", type=float, hidden=True)
def main(
    minutes: float, per_minute: float, palette: str, skip_memory: bool, mix_only: float | None
) -> None:
    """Print every figure beside its peer's."""
    if os.environ.get("OMP_NUM_THREADS") != "1":
        # Matrix products would use every core: begin again with one.
        os.execve(
            sys.executable, [sys.executable, *sys.argv], {**os.environ, "OMP_NUM_THREADS": "1"}
        )
    if mix_only is not None:
        mixed_memory(mix_only)
        return
    machine, seconds = load_palette(palette), minutes * 60
    plan = a_plan(machine, seconds, per_minute)
    strokes = sum(isinstance(command, Strike) for command in plan.commands)
    say(f"{palette}, {minutes:g} min at {RATE} Hz, {strokes} strokes, one core, user time")
    sines, slow = timed(by_sines, plan, machine, seconds)
    bank, middle = timed(by_resonators, plan, machine, seconds)
    ours, quick = timed(by_us, plan, machine, seconds)
    for name, spent in (("ours", quick), ("lfilter bank", middle), ("sum of sines", slow)):
        say(f"  partials, {name:13} {seconds / spent:8.0f} x real time")
    began = time.process_time()
    playing = PlanRenderer(plan, machine, RATE)
    for first in range(0, len(ours), BLOCK):
        playing.next(min(BLOCK, len(ours) - first))
    full = time.process_time() - began
    say(f"  with noises and air {seconds / full:8.0f} x real time")
    say(f"  ours - sines, largest      {np.abs(ours - sines).max():.2e} of full scale")
    say(f"  bank - sines, largest      {np.abs(bank - sines).max():.2e} of full scale")
    if not skip_memory:
        for length in (5.0, 60.0):
            say(f"  peak memory of a mix of {length:g} min: {memory_mb(length):.0f} MB")


if __name__ == "__main__":
    sys.exit(main())
