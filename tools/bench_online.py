"""The part of the listening bench that hears block by block, as in the field.

Latency is from a note's start in the air (truth's onset) to the moment at which
its event comes out: the end of the block that brought it, plus the processor
time that this block took. A note is paired with the start told nearest to it:
a matching that only seeks to pair as many as it can pairs every note of a trill
with the next one's start once a single one was missed, and calls them all late
(the column "99 %, F's pairs" shows what that would read).

A start that came to nothing was told and ended without a note; it counts as
false in F unless a true onset is near.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass

import mir_eval
import numpy as np
import numpy.typing as npt
from bench_accuracy import SETS, Job
from bench_data import RenderedScene, scene
from bench_peers import read
from bench_scores import OnsetTally, distinct
from bench_table import Table

from callresp.listen.online import Listener, NoteEnd, NoteOnset

BLOCK = 256
CROAKS = "pond"  # a tuning scene: there is no other one with frogs
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Heard:
    """What came out online: onsets, when each came out, and the share of a core used."""

    onsets_s: Floats
    out_s: Floats
    core: float
    nothing: float  # share of the starts that came to nothing


def listen(made: RenderedScene) -> Heard:
    """Feed a scene to the online listener in small blocks."""
    samples, rate = read(made.path, None)
    listener = Listener(rate)
    onsets, out, keys, spent = [], [], [], 0.0
    nothing: set[int] = set()
    for start in range(0, len(samples), BLOCK):
        block = samples[start : start + BLOCK]
        began = time.process_time()
        events = listener.push(block)
        took = time.process_time() - began
        spent += took
        for event in events:
            if isinstance(event, NoteOnset):
                keys.append(event.key)
                onsets.append(event.onset_s)
                out.append((start + len(block)) / rate + took)
            elif isinstance(event, NoteEnd) and event.note is None:
                nothing.add(event.key)
    ends = (event for event in listener.finish() if isinstance(event, NoteEnd))
    nothing.update(end.key for end in ends if end.note is None)
    order = np.argsort(onsets)
    return Heard(
        np.array(onsets)[order],
        np.array(out)[order],
        spent * rate / len(samples),
        len(nothing) / max(1, len(keys)),
    )


def nearest(true_s: Floats, heard_s: Floats, within_s: float = 0.05) -> list[tuple[int, int]]:
    """Pairs of onsets, the nearest first, each onset in one pair at most."""
    away = np.abs(np.subtract.outer(true_s, heard_s))
    pairs: dict[int, int] = {}
    taken: set[int] = set()
    i, j = np.nonzero(away <= within_s)
    for k in np.argsort(away[i, j], kind="stable"):
        if i[k] not in pairs and j[k] not in taken:
            pairs[int(i[k])] = int(j[k])
            taken.add(int(j[k]))
    return list(pairs.items())


def _late_ms(true_s: Floats, heard: Heard, pairs: list[tuple[int, int]], share: float) -> float:
    """A percentile of the latencies of paired starts."""
    if not pairs:
        return float("nan")
    return float(np.percentile([1000 * (heard.out_s[j] - true_s[i]) for i, j in pairs], share))


def on_online(job: Job) -> Iterator[Table]:
    """Latency, cost, and what is lost by not looking ahead."""
    table = Table(
        f"Online form, blocks of {BLOCK} samples at 48 kHz",
        (
            "scene",
            "median ms",
            "99 % ms",
            "99 %, F's pairs",
            "F ±50 online",
            "F ±50 offline",
            "came to nothing %",
            "core %",
        ),
    )
    # Whoever listens all day pays once for loading the kernels, and so does this.
    Listener(48000).push(np.zeros(BLOCK, np.float32))
    names = (*SETS[job.use]["scenes"], *SETS[job.use]["rhythm"], CROAKS)
    for name, made in ((name, scene(name)) for name in names):
        true_s = distinct(np.array([note.onset_s for note in made.truth.notes]))
        heard, online, offline = listen(made), OnsetTally(), OnsetTally()
        online.add(true_s, distinct(heard.onsets_s))
        ours = np.array([note.onset_s for note in job.ours(made.path)])
        offline.add(true_s, distinct(ours))
        pairs = nearest(true_s, heard.onsets_s)
        as_scored = mir_eval.util.match_events(true_s, heard.onsets_s, 0.05)
        table.add(
            name,
            *(_late_ms(true_s, heard, pairs, share) for share in (50, 99)),
            _late_ms(true_s, heard, as_scored, 99),
            online.at[0.05].f,
            offline.at[0.05].f,
            100 * heard.nothing,
            100 * heard.core,
        )
    table.add("aim", 15.0, 25.0, None, None, None, None, 5.0)
    table.notes.append(job.about().replace(f"{job.seeds} seeds", "1 seed"))
    yield table
