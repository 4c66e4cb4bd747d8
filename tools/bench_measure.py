#!/usr/bin/env python3
"""How exact is the strike test? Our figures beside those of general methods, in one run.


    python tools/bench_measure.py                 20 dB over noise, five machines
    python tools/bench_measure.py --over-noise 20 --over-noise 50 --over-noise 70 --over-noise 90

Each machine has a tube, a bell and a block with figures drawn at random
(tools/strike_machine.py); it plays a strike test into a recorder with noise
and a clock of its own. Peers work on the same strokes: the peak of a long
spectrum, the same with a parabola, pYIN (librosa), a straight line on the log
energy, onset detection (librosa). Errors are the median and the worst.
"""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import click
import numpy as np
import numpy.typing as npt
import strike_machine as sm
from bench_table import Table

from callresp.commands.ui import emit, say
from callresp.io.settings import SettingsFile, convert
from callresp.palette.model import Palette
from callresp.plan.model import Plan
from callresp.strike_test import analysis, draft, protocol
from callresp.strike_test.capture import Capture
from callresp.strike_test.results import StrikerResult

Wave = npt.NDArray[np.float64]

RATE = 48000
OFFSET_S = 1.7
BAR = (1.0, 2.7565, 5.4039, 8.9330)
BELL = (0.5, 1.0, 1.2, 1.5, 2.0, 3.0)


@dataclass
class Errors:
    """Errors by (figure, method)."""

    rows: dict[tuple[str, str], list[float]] = field(default_factory=lambda: defaultdict(list))
    seconds: dict[str, float] = field(default_factory=lambda: defaultdict(float))

    def add(self, figure: str, method: str, error: float) -> None:
        """Put one error down."""
        self.rows[figure, method].append(abs(error))


def a_machine(rng: np.random.Generator) -> list[Any]:
    """A tube with a damper, a bell and a block, drawn at random."""
    f0, strike, low = rng.uniform(500, 1100), rng.uniform(400, 800), rng.uniform(700, 1000)
    t60 = rng.uniform(1.0, 2.5)
    return [
        sm.Striker(
            "tube",
            0,
            [f0 * r for r in BAR],
            [0, -6, -14, -24],
            [t60, 0.55 * t60, 0.25 * t60, 0.12 * t60],
            felt=sm.Felt(5, rng.uniform(20, 35), rng.uniform(15, 30), rng.uniform(0.15, 0.3)),
            back_ms=rng.uniform(60, 130),
            latency_ms=rng.uniform(9, 14),
        ),
        sm.Striker(
            "bell",
            1,
            [strike * r for r in BELL],
            [-10, -4, -3, -14, 0, -8],
            [1.2 * t60, 0.8 * t60, 0.7 * t60, 0.5 * t60, 0.5 * t60, 0.35 * t60],
            back_ms=rng.uniform(60, 150),
            latency_ms=rng.uniform(7, 12),
        ),
        sm.Striker(
            "block",
            2,
            [low, 1.47 * low, 2.09 * low],
            [0, -4, -8],
            [0.09, 0.07, 0.05],
            back_ms=rng.uniform(40, 70),
            latency_ms=rng.uniform(6, 9),
        ),
    ]


def drafted(machine: list[Any]) -> Palette:
    wired = [
        draft.WiredStriker(s.name, s.channel, s.felt.channel if s.felt else None) for s in machine
    ]
    text = draft.draft("bench", wired, draft.CoilSupply(soft_ms=4.5, hard_ms=12))
    return convert(SettingsFile(text, "bench"), Palette)


def try_one(seed: int, over_noise_db: float, errors: Errors) -> None:
    rng = np.random.default_rng(seed)
    machine = a_machine(rng)
    palette = drafted(machine)
    schedule = protocol.lay_out(palette, protocol.StrikeTestSettings(pulses=4, runs=2, known=False))
    recorder = sm.Recorder(
        offset_s=OFFSET_S,
        skew_ppm=float(rng.uniform(-60, 60)),
        noise_db=machine[0].loud_db - over_noise_db,
        seed=seed,
    )
    samples = sm.record(machine, schedule, recorder)
    asked = analysis.RecordingConditions(
        full_scale_db=94.0, known_latency=("tube", machine[0].latency_ms), drafted=True
    )
    before = time.process_time()
    found = analysis.measure(Capture(samples, RATE, np.zeros(0)), schedule, palette, asked)
    errors.seconds["strike test, ours"] += time.process_time() - before
    errors.seconds["recordings"] += len(samples) / RATE
    for truth in machine:
        one = next(s for s in found.strikers if s.name == truth.name)
        ours(truth, one, errors)
        peers(truth, samples, schedule, recorder, errors)


def ours(truth: Any, one: StrikerResult, errors: Errors) -> None:
    lead = int(np.argmax(truth.level_db))
    near = min(one.partials, key=lambda p: abs(p.hz.value - truth.hz[lead]))
    errors.add("strongest partial, cents", "ours", cents(near.hz.value, truth.hz[lead]))
    errors.add("its T60, %", "ours", 100 * (near.t60_s.value / truth.t60_s[lead] - 1))
    if near.schroeder_s is not None:
        off = 100 * (near.schroeder_s / truth.t60_s[lead] - 1)
        errors.add("its T60, %", "backward integration", off)
    if one.latency_ms is not None:
        errors.add("latency, ms", "ours", one.latency_ms.value - truth.latency_ms)
    limit = one.restrike_ms.value if one.restrike_ms else float("nan")
    errors.add("repeat limit, %", "ours", 100 * (limit / truth.back_ms - 1))
    felt, damper = truth.felt, one.damper
    if felt and damper and damper.damped_t60_s and damper.fall_ms and damper.lift_ms:
        errors.add(
            "damped T60, %", "ours", 100 * (damper.damped_t60_s.value / felt.damped_t60_s - 1)
        )
        errors.add("damper falls, ms", "ours", damper.fall_ms.value - felt.fall_ms)
        errors.add("damper lifts, ms", "ours", damper.lift_ms.value - felt.lift_ms)


def peers(truth: Any, samples: Any, schedule: Plan, recorder: Any, errors: Errors) -> None:
    """The same figures by general methods; the peers are told where each stroke is."""
    lead = int(np.argmax(truth.level_db))
    own = [s for s in schedule.strikes if s.channel == truth.channel]
    rings = [a for a, b in zip(own, [*own[1:], None], strict=True) if b and b.at_s - a.at_s > 4]
    for strike in rings[:3]:
        when = OFFSET_S + (1 + recorder.skew_ppm * 1e-6) * (strike.at_s + truth.latency_ms / 1000)
        length_s = min(max(1.1 * truth.t60_s[lead], 0.1), 3.0)
        part = samples[round(when * RATE) : round((when + length_s) * RATE)].astype(np.float64)
        for method, hz in pitches(part, truth.hz[lead]):
            errors.add("strongest partial, cents", method, cents(hz, truth.hz[lead]))
        t60 = line_t60(part, truth.hz[lead])
        errors.add("its T60, %", "line on the log energy", 100 * (t60 / truth.t60_s[lead] - 1))
        near = samples[round((when - 0.3) * RATE) : round((when + 0.3) * RATE)]
        for method, late_s in onsets(near):
            errors.add("latency, ms", method, 1000 * (late_s - 0.3))


def pitches(part: Wave, about_hz: float) -> Iterator[tuple[str, float]]:
    import librosa

    power = np.abs(np.fft.rfft(part * np.hanning(len(part))))
    hertz = np.fft.rfftfreq(len(part), 1 / RATE)
    near = (hertz > 0.94 * about_hz) & (hertz < 1.06 * about_hz)
    top = int(np.argmax(np.where(near, power, 0)))
    yield "peak of the spectrum", float(hertz[top])
    a, b, c = np.log(power[top - 1 : top + 2] + 1e-12)
    yield "peak and parabola", float(hertz[top] + 0.5 * (a - c) / (a - 2 * b + c) * hertz[1])
    f0, voiced, _ = librosa.pyin(
        part, fmin=0.75 * about_hz, fmax=1.35 * about_hz, sr=RATE, frame_length=2048
    )
    if np.any(voiced):
        yield "pYIN (librosa)", float(np.nanmedian(f0))


def line_t60(part: Wave, hz: float) -> float:
    """A straight line on the log energy of the band, down to 20 dB: no thought of noise."""
    from scipy import signal

    sos = signal.butter(2, [0.9 * hz, 1.1 * hz], "band", fs=RATE, output="sos")
    power = signal.sosfilt(sos, part) ** 2
    frame = max(32, len(part) // 60)
    level = 10 * np.log10(power[: len(power) // frame * frame].reshape(-1, frame).mean(axis=1))
    top = int(np.argmax(level))
    under = np.flatnonzero(level[top:] < level[top] - 20)
    end = top + (int(under[0]) if len(under) else len(level) - top)
    if end - top < 3:
        return float("nan")
    slope = np.polyfit(np.arange(top, end) * frame / RATE, level[top:end], 1)[0]
    return float(-60 / slope)


def onsets(near: Any) -> Iterator[tuple[str, float]]:
    import librosa

    for method, back in (("onset (librosa)", False), ("onset, backtracked (librosa)", True)):
        found = librosa.onset.onset_detect(
            y=near, sr=RATE, hop_length=128, units="time", backtrack=back
        )
        if len(found):
            yield method, float(found[np.argmin(np.abs(found - 0.3))])


def cents(one_hz: float, other_hz: float) -> float:
    return float(1200 * np.log2(one_hz / other_hz))


@click.command(help=__doc__)
@click.option("--machines", default=5, show_default=True)
@click.option(
    "--over-noise",
    multiple=True,
    default=(20.0,),
    show_default=True,
    help="Hardest stroke over noise, dB; may be given several times.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a level.")
def main(machines: int, over_noise: tuple[float, ...], as_json: bool) -> None:
    for over_noise_db in over_noise:
        table = at_level(machines, over_noise_db)
        emit(table.plain()) if as_json else say(table.text())


def at_level(machines: int, over_noise_db: float) -> Table:
    """Measure every machine at one level over noise; a row for each figure and method."""
    errors = Errors()
    for seed in range(machines):
        try_one(seed, over_noise_db, errors)
    table = Table(f"{over_noise_db:g} dB over noise", ("figure", "method", "median", "worst", "n"))
    rows = sorted(errors.rows.items(), key=lambda row: (row[0][0], row[0][1] != "ours", row[0][1]))
    for (figure, method), values in rows:
        table.add(figure, method, float(np.median(values)), float(np.max(values)), len(values))
    took, length = errors.seconds["strike test, ours"], errors.seconds["recordings"]
    table.notes.append(f"{length:.0f} s of recordings measured in {took:.0f} s of one core's time")
    return table


if __name__ == "__main__":
    main()
