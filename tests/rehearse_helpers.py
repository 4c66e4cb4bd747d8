"""Small machines and plans for the tests of rehearsal."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from callresp.palette.model import (
    Board,
    Coil,
    Damper,
    Driver,
    ForcePoint,
    Palette,
    Partial,
    Striker,
    Supply,
    Turner,
)
from callresp.plan.model import Command, Hold, Plan, PlanHeader, Strike, Turn
from callresp.synthesis.levels import ListeningPoint
from callresp.synthesis.mixing import PlanRenderer

Waves = npt.NDArray[np.float64]

# Free-free bar, Fletcher & Rossing, The Physics of Musical Instruments, chapter 2.
BAR_RATIOS = (1.0, 2.756, 5.404, 8.933)


def bent_hz(key: int, bend: int, range_semitones: float) -> float:
    """Frequency of a key bent by so many of 8192 steps: 440 Hz is key 69 (MIDI 1.0)."""
    return float(440.0 * 2 ** ((key - 69 + bend / 8192 * range_semitones) / 12))


def render(
    score: Plan,
    palette: Palette,
    rate_hz: int,
    duration_s: float,
    start_s: float = 0.0,
    place: ListeningPoint | None = None,
    seed: int = 0,
) -> npt.NDArray[np.float32]:
    """What a machine sounds like while it plays a plan."""
    playing = PlanRenderer(score, palette, rate_hz, start_s, place, seed)
    return playing.next(round(duration_s * rate_hz)).astype(np.float32)


def coil(channel: int) -> Coil:
    return Coil(channel=channel, resistance_ohm=8.0, on_max_ms=60000.0, duty_max=1.0)


def bar(
    pitch_hz: float = 600.0,
    t60_s: Sequence[float] = (3.0, 2.0, 1.2, 0.7),
    levels_db: Sequence[float] = (0.0, -6.0, -10.0, -16.0),
    damper: Damper | None = None,
    channel: int = 0,
    name: str = "bar",
    latency_ms: float = 10.0,
) -> Striker:
    """A striker with the partials of a free bar."""
    partials = tuple(
        Partial(ratio=ratio, level_db=level, t60_s=t60)
        for ratio, level, t60 in zip(BAR_RATIOS, levels_db, t60_s, strict=False)
    )
    return Striker(
        name=name,
        kind="bar",
        coil=coil(channel),
        latency_ms=latency_ms,
        restrike_ms=50.0,
        pitch_hz=pitch_hz,
        force=(ForcePoint(pulse_ms=4.0, level_db=60.0), ForcePoint(pulse_ms=8.0, level_db=80.0)),
        partials=partials,
        damper=damper,
    )


def damper(rest: str = "on", t60_s: float = 0.2, channel: int = 7, noise_db: float = 0.0) -> Damper:
    return Damper(
        coil=coil(channel),
        lift_ms=20.0,
        fall_ms=30.0,
        damped_t60_s=t60_s,
        rest="on" if rest == "on" else "off",
        noise_db=noise_db,
    )


def shaker(kind: str = "shaker") -> Turner:
    return Turner(
        name="shaker",
        kind="wound" if kind == "wound" else "shaker",
        channel=0,
        slowest_rps=1.0,
        fastest_rps=4.0,
        spin_up_s=0.4,
        slow_down_s=0.6,
        current_a=0.2,
        start_current_a=0.5,
        level_min_db=50.0,
        level_max_db=62.0,
        grains_per_rev=40.0,
        band_hz=(2000.0, 8000.0),
    )


def machine(*strikers: Striker, turner: Turner | None = None, distance_m: float = 1.0) -> Palette:
    """A palette of the given strikers."""
    return Palette(
        name="Test",
        board=Board(name="board", coil_channels=16, motor_channels=1),
        supply=Supply(chemistry="mains", nominal_v=12.0, current_max_a=50.0),
        driver=(Driver(name="all", channels=tuple(range(16)), current_max_a=50.0),),
        striker=strikers,
        turner=() if turner is None else (turner,),
        distance_m=distance_m,
    )


def plan(*commands: Command, duration_s: float = 5.0) -> Plan:
    """A plan of commands in any order."""
    ordered = tuple(sorted(commands, key=lambda command: command.at_s))
    return Plan(header=PlanHeader(palette="Test", duration_s=duration_s), commands=ordered)


def strike(
    at_s: float, pulse_ms: float = 8.0, channel: int = 0, reply: int | None = None
) -> Strike:
    return Strike(at_s=at_s, channel=channel, pulse_ms=pulse_ms, reply=reply)


def hold(at_s: float, until_s: float, channel: int = 7) -> Hold:
    length_ms = (until_s - at_s) * 1000
    return Hold(at_s=at_s, channel=channel, hold_ms=length_ms, pull_ms=5.0, hold_duty=0.3)


def turn(at_s: float, until_s: float, speed_rps: float) -> Turn:
    return Turn(at_s=at_s, channel=0, speed_rps=speed_rps, run_ms=(until_s - at_s) * 1000)


def schroeder_t60_s(
    wave: npt.ArrayLike,
    sample_rate_hz: int,
    hz: float,
    fall_db: tuple[float, float] = (-5.0, -35.0),
) -> float:
    """T60 of the partial at `hz` by backward integration.

    Source: M. R. Schroeder, "New method of measuring reverberation time",
    J. Acoust. Soc. Am. 37, 409 (1965); the range of -5 to -35 dB is that of T30
    in ISO 3382-1.
    """
    from scipy import signal

    sos = signal.butter(2, (0.8 * hz, 1.25 * hz), "bandpass", fs=sample_rate_hz, output="sos")
    energy = signal.sosfiltfilt(sos, np.asarray(wave, dtype=np.float64)) ** 2
    left = np.cumsum(energy[::-1])[::-1]
    curve_db = 10 * np.log10(np.maximum(left / left[0], 1e-12))
    first, last = (int(np.argmax(curve_db <= edge)) for edge in fall_db)
    slope = np.polyfit(np.arange(first, last) / sample_rate_hz, curve_db[first:last], 1)[0]
    return float(-60.0 / slope)


def peak_hz(wave: npt.ArrayLike, sample_rate_hz: int, near_hz: float, width: float = 0.05) -> float:
    """Frequency of the highest spectral peak near `near_hz`, between bins by a parabola."""
    values = np.asarray(wave, dtype=np.float64)
    spectrum = np.log(np.abs(np.fft.rfft(values * np.hanning(len(values)))) + 1e-30)
    step = sample_rate_hz / len(values)
    low, high = int((1 - width) * near_hz / step), int((1 + width) * near_hz / step) + 2
    top = low + int(np.argmax(spectrum[low:high]))
    before, at, after = spectrum[top - 1 : top + 2]
    return float((top + 0.5 * (before - after) / (before - 2 * at + after)) * step)
