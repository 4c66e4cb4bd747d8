"""How well the self-test names what is wrong, beside a plain spectrum-and-level check.

A synthetic machine (three tubes, a bell, a block) is varied as real ones vary
from day to day: levels by 1 dB, T60 by 8 %, latencies by 0.4 ms, pitches by
2 cents (standard deviations), with noise and, in every other run, a bird
singing into it. In each run one striker has one fault. Counted are faults
named on the right striker, and strikers blamed that are well.

The plain check takes the same strokes at their true times, compares the largest
peak of an FFT with the palette's strongest partial (30 cents), and RMS levels
with those of a machine that is well (8 dB).

    python tools/bench_self_test.py [RUNS]
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import strike_machine as sm

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from bench_table import Table
from field_machine import known, machine, recorded
from measure_helpers import capture_of

from callresp.errors import UserError
from callresp.field.self_test import judge, measure
from callresp.field.self_test.schedule import self_test_schedule
from callresp.palette.model import Striker

FAULTS: dict[str, dict[str, Any]] = {
    "dead": {"t60": 0.25},
    "short": {"t60": 0.6},
    "pitch": {"cents": 30.0},
    "silent": {"speaks_ms": 50.0},
    "weak": {"loud": -10.0},
    "latency": {"late": 12.0},
    "loose": {"buzz_db": -8.0},
}
PITCHED = 4


def varied(rng: np.random.Generator, bad: int, fault: dict[str, Any]) -> list[Any]:
    """The machine on some day, with one striker at fault."""
    out = []
    for number, one in enumerate(machine()):
        own = fault if number == bad else {}
        cents = 2 * rng.standard_normal() + own.get("cents", 0.0)
        share = (1 + 0.08 * rng.standard_normal()) * own.get("t60", 1.0)
        plain = {k: v for k, v in own.items() if k in ("speaks_ms", "buzz_db")}
        out.append(
            replace(
                one,
                hz=[hz * 2 ** (cents / 1200) for hz in one.hz],
                t60_s=[share * t for t in one.t60_s],
                loud_db=one.loud_db + rng.standard_normal() + own.get("loud", 0.0),
                latency_ms=one.latency_ms + 0.4 * rng.standard_normal() + own.get("late", 0.0),
                **plain,
            )
        )
    return out


def plain_check(samples: Any, at_s: float, striker: Striker, well_db: float) -> bool:
    """Whether the plain check blames a striker, told where its stroke is."""
    part = samples[round((at_s + 0.01) * 48000) : round((at_s + 0.26) * 48000)].astype(float)
    level_db = 10 * np.log10(2 * np.mean(part**2) + 1e-20)
    top = np.argmax(np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 18))) * 48000 / (1 << 18)
    loudest = max(striker.partials, key=lambda p: p.level_db)
    cents = 1200 * np.log2(max(top, 1.0) / (striker.reference_hz * loudest.ratio))
    off = striker.pitch_hz is not None and abs(cents) > 30
    return bool(off or level_db < well_db - 8)


def main(runs: int) -> None:
    """Run, and print a table."""
    palette = known()
    schedule = self_test_schedule(palette)
    at_s = [s.at_s + 2.345 + 0.011 for s in schedule.strikes]
    quiet = recorded(machine(), schedule)
    well_db = [
        10 * np.log10(2 * np.mean(quiet[round((a + 0.01) * 48000) :][:12000].astype(float) ** 2))
        for a in at_s
    ]
    table = Table(
        f"{runs} machines with each fault, of five strikers",
        ("fault", "named", "others blamed", "plain check", "others blamed by it"),
    )
    total_s = 0.0
    for fault, what in FAULTS.items():
        counts = np.zeros(4, int)
        for run in range(runs):
            rng = np.random.default_rng(1000 * run + len(fault))
            bad = int(rng.integers(PITCHED))
            strikers = varied(rng, bad, what)
            recorder = sm.Recorder(noise_db=-42.0, seed=run)
            extra = None
            if run % 2:
                length_s = schedule.end_s + 4
                extra = sm.bird(48000, length_s, float(rng.uniform(3, schedule.end_s)), -34.0)
            samples = recorded(strikers, schedule, recorder, extra=extra)
            begun = time.process_time()
            try:
                heard = measure.measure_strokes(capture_of(samples), schedule, palette)
                found = judge.judge(heard, palette)
            except UserError:
                found = []
            total_s += time.process_time() - begun
            blamed = [n for n, one in enumerate(found) if not one.well]
            named = [f.kind for f in found[bad].faults] if found else []
            right = fault in named or (fault == "short" and "dead" in named)
            plain = [
                n
                for n, striker in enumerate(palette.striker)
                if plain_check(samples, at_s[n], striker, well_db[n])
            ]
            counts += (right, sum(n != bad for n in blamed), bad in plain,
                       sum(n != bad for n in plain))  # fmt: skip
        table.add(fault, *map(int, counts))
    table.notes.append(
        f"{total_s / runs / len(FAULTS):.2f} s of processor time a test of five strikers"
    )
    print(table.text())


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
