#!/usr/bin/env python3
"""Measure rhythm and voices: shape of drummed phrases, pulses beside peers, cost of voices.


    python tools/bench_rhythm.py
    python tools/bench_rhythm.py --seeds 4 --json

One set of defaults; scenes of other seeds than any test uses. Peers are
madmom's comb filters and librosa's tempogram (`pulse_peers` of the tests),
asked for the same phrases in the same run.
"""

from __future__ import annotations

import itertools
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import click
import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from pulse_peers import period_opinions

from callresp.commands.ui import emit, say
from callresp.evaluate.scoring import match_onsets
from callresp.io.audio import open_recording, write_wav
from callresp.io.score import phrases
from callresp.io.score_files import read_heard, write_heard
from callresp.listen.notes import FEATURES, NOTE
from callresp.listen.offline import transcribe
from callresp.listen.voices.assign import assign_voices
from callresp.rhythm import find_pulse
from callresp.scene.recipe import load_recipe, vary
from callresp.scene.render import render

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[threads] = "1"


FIRST_SEED = 7100
NEAR = 0.05  # of the true period


def drummed(seeds: int) -> dict[str, float]:
    """Error of the intervals of drummed phrases, from the sound into a score file and back."""
    errors: list[npt.NDArray[np.float64]] = []
    strokes = heard_strokes = 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(FIRST_SEED, FIRST_SEED + seeds):
            scene = render(vary(load_recipe("rhythm"), seed=seed))
            path = Path(folder) / "drum.wav"
            write_wav(path, scene.samples, scene.sample_rate_hz)
            score_path = Path(folder) / "drum.heard.jsonl"
            write_heard(score_path, transcribe(open_recording(path)))
            heard_s = np.array([note.onset_s for note in read_heard(score_path).notes])
            for phrase in phrases(scene.truth.notes):
                true_s = np.array([note.onset_s for note in phrase.notes])
                pairs = match_onsets(true_s, heard_s, 0.02)
                strokes += len(true_s)
                heard_strokes += len(pairs)
                next_to = [
                    (a, b, c, d) for (a, b), (c, d) in itertools.pairwise(pairs)
                    if c == a + 1
                ]  # fmt: skip
                errors.append(
                    np.array([heard_s[d] - heard_s[b] - (true_s[c] - true_s[a])
                              for a, b, c, d in next_to])
                )  # fmt: skip
    gaps = 1000 * np.abs(np.concatenate(errors))
    return {
        "strokes": strokes,
        "heard": heard_strokes,
        "median_error_ms": float(np.median(gaps)),
        "p95_error_ms": float(np.quantile(gaps, 0.95)),
    }


def pulses(seeds: int) -> dict[str, dict[str, float]]:
    """Share of made-up phrases whose period each method finds within 5 %."""
    right: dict[str, int] = {}
    cost_s: dict[str, float] = {}
    rng = np.random.default_rng(FIRST_SEED)
    count = 50 * seeds
    for _ in range(count):
        period_s = float(np.exp(rng.uniform(np.log(0.05), np.log(0.5))))
        beats = np.cumsum(rng.choice([1, 1, 1, 2], rng.integers(7, 24)))
        onsets_s = beats * period_s + rng.normal(0, 0.02 * period_s, len(beats))
        before = time.process_time()
        own = find_pulse(onsets_s)
        cost_s["ours"] = cost_s.get("ours", 0.0) + time.process_time() - before
        found = {"ours": own.period_s if own else None}
        before = time.process_time()
        found |= period_opinions(onsets_s)
        cost_s["peers"] = cost_s.get("peers", 0.0) + time.process_time() - before
        for name, value in found.items():
            near = value is not None and abs(value / period_s - 1) <= NEAR
            right[name] = right.get(name, 0) + near
    shares = {name: {"within_5_percent": hits / count} for name, hits in right.items()}
    shares["ours"]["ms_a_phrase"] = 1000 * cost_s["ours"] / count
    return shares


def voices_cost() -> list[dict[str, Any]]:
    """Time to give notes to singers, against their number: true notes of an hour of dawn."""
    truth = render(vary(load_recipe("chorus"), seed=FIRST_SEED, seconds=60)).truth.notes
    table = np.zeros(len(truth), NOTE)
    for i, note in enumerate(truth):
        table[i]["onset_s"], table[i]["offset_s"] = note.onset_s, note.offset_s
        table[i]["pitch_hz"] = np.nan if note.pitch_hz is None else note.pitch_hz
        table[i]["level_db"], table[i]["tonality"] = note.level_db, note.tonality
        table[i]["low_hz"], table[i]["high_hz"] = note.low_hz, note.high_hz
    assign_voices(table, np.zeros(len(table), FEATURES))
    rows = []
    for notes in (5000, 10000, 20000):
        times = -(-notes // len(table))
        many = np.tile(table, times)
        shift = np.repeat(60.0 * np.arange(times), len(table))
        many["onset_s"] += shift
        many["offset_s"] += shift
        before = time.process_time()
        assign_voices(many[:notes], np.zeros(notes, FEATURES))
        rows.append({"notes": notes, "seconds": time.process_time() - before})
    return rows


@click.command()
@click.option("--seeds", type=click.IntRange(1), default=3, show_default=True)
@click.option("--json", "as_json", is_flag=True, help="One JSON object, nothing else.")
def main(seeds: int, as_json: bool) -> None:
    """Print the figures."""
    shape, beat, cost = drummed(seeds), pulses(seeds), voices_cost()
    if as_json:
        emit({"drummed": shape, "pulses": beat, "voices": cost})
        return
    say(
        f"drummed phrases, {seeds} scenes: {shape['heard']} of {shape['strokes']} strokes heard;"
        f" intervals off by {shape['median_error_ms']:.2f} ms (median),"
        f" {shape['p95_error_ms']:.2f} ms (95 %)"
    )
    for name, row in beat.items():
        say(f"pulse by {name:<10} within 5 % of the true period: {row['within_5_percent']:.3f}")
    say(f"our pulse takes {beat['ours']['ms_a_phrase']:.2f} ms a phrase")
    for row in cost:
        say(f"voices of {row['notes']:>6} notes: {row['seconds']:.2f} s")


if __name__ == "__main__":
    sys.exit(main())
