"""The rows of the bench of singers: what is heard, held against who sang it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile as sf
from bench_scores import Tally, match_notes, pairwise
from bench_table import Table
from singer_cases import (
    CALLERS,
    RATE_HZ,
    Case,
    Clip,
    Truth,
    alone,
    at_once,
    crowd,
    in_turns,
    pairs_of_birds,
    pink,
    reverberated,
    wind,
    with_noise,
)
from singer_peers import METHODS, OURS

from callresp.io.audio import open_recording
from callresp.io.score import Note
from callresp.listen.offline import transcribe
from callresp.listen.profile import Profile, load_profile


@dataclass(slots=True)
class Job:
    """What a run is asked for, and what it found to hear."""

    birds: dict[str, list[Clip]] = field(default_factory=dict)
    choruses: list[Case] = field(default_factory=list)
    use: str = "scoring"
    most_pairs: int = 9
    seeds: int = 1
    profile: Profile | None = None
    place: Path = Path()
    mixes: tuple[str, ...] = ()

    def hear(self, case: Case, profile: Profile | None = None) -> tuple[Note, ...]:
        """The notes of a case by our listener."""
        path = self.place / "case.wav"
        peak = float(np.abs(case.samples).max())
        sf.write(path, case.samples * min(1.0, 0.9 / max(peak, 1e-9)), RATE_HZ, subtype="FLOAT")
        return transcribe(open_recording(path), profile or self.profile).notes

    def pairs(self) -> Iterator[tuple[list[Clip], list[Clip]]]:
        """Pairs of birds to mix."""
        songs = {bird: clips for bird, clips in self.birds.items() if bird not in CALLERS}
        return pairs_of_birds(songs, self.most_pairs)


@dataclass(slots=True)
class Score:
    """F by method, a value a case, and how many notes had a known singer."""

    f: dict[str, list[float]] = field(default_factory=lambda: {name: [] for name in METHODS})
    singers: dict[str, list[int]] = field(default_factory=lambda: {name: [] for name in METHODS})
    phrases: list[int] = field(default_factory=list)
    rand: list[float] = field(default_factory=list)
    notes: int = 0
    known: int = 0

    def add(self, case: Case, notes: Sequence[Note]) -> None:
        """Hold the groupings of a case against its truth."""
        truth = Truth(case)
        who = [truth.of(note) for note in notes]
        kept = [k for k, name in enumerate(who) if name is not None]
        self.notes += len(notes)
        self.known += len(kept)
        for name, group in METHODS.items():
            voices = [str(voice) for voice in group(notes)]
            tally = pairwise([str(who[k]) for k in kept], [voices[k] for k in kept])
            self.f[name].append(f_or_one(tally))
            self.singers[name].append(len({voices[k] for k in kept}))
            if name == OURS:
                self.rand.append(beyond_chance(tally, len(kept)))
        self.phrases.append(len({notes[k].phrase for k in kept}))

    def cells(self) -> list[float]:
        """The mean of each method."""
        return [float(np.mean(values)) for values in self.f.values()]


def f_or_one(tally: Tally) -> float:
    """F of pairs, 1 where there are none."""
    return tally.f if tally.true or tally.heard else 1.0


def beyond_chance(tally: Tally, notes: int) -> float:
    """Rand index adjusted for chance (Hubert & Arabie 1985): 0 by chance, 1 as in truth."""
    pairs = notes * (notes - 1) / 2
    by_chance = tally.true * tally.heard / max(pairs, 1.0)
    best = 0.5 * (tally.true + tally.heard)
    return (tally.matched - by_chance) / (best - by_chance) if best > by_chance else 1.0


HEADER = (
    *("row", "wanted", *METHODS, "our adj. Rand", "worst of ours"),
    *("our singers", "cases", "notes", "known %"),
)


def add_row(table: Table, name: str, wanted: str, score: Score) -> None:
    """A row of pairwise F."""
    if not score.phrases:
        table.add(name, wanted, *[None] * (len(HEADER) - 2))
        return
    table.add(
        name,
        wanted,
        *score.cells(),
        float(np.mean(score.rand)),
        float(min(score.f[OURS])),
        f"{np.mean(score.singers[OURS]):.1f}",
        len(score.phrases),
        score.notes,
        f"{100 * score.known / max(1, score.notes):.0f}",
    )


def scored(job: Job, cases: Iterable[Case]) -> Score:
    """Hear and score some cases."""
    score = Score()
    for case in cases:
        score.add(case, job.hear(case))
    return score


def on_alone(job: Job) -> Iterator[Table]:
    """One bird: how many of its pairs of notes are one voice, how many singers and phrases."""
    table = Table(
        "One bird alone",
        (
            *("bird", "recordings", "notes"),
            *(f"same voice, {name}" for name in METHODS),
            *("singers", "singers, gaps", "phrases", "bouts marked"),
        ),
    )
    table.add("wanted", None, None, ">= .95", None, None, None, "<= 1.3", None, "<= 2", None)
    pooled: list[tuple[float, ...]] = []
    for bird, clips in job.birds.items():
        rows = []
        for case in alone(clips):
            score = Score()
            score.add(case, job.hear(case))
            same = [_same(score, name) for name in METHODS]
            ours, gaps = score.singers[OURS][0], score.singers["gaps and level"][0]
            rows.append((float(score.known), *same, ours, gaps, score.phrases[0], case.bouts))
        mean = np.mean(np.array(rows, dtype=np.float64), axis=0)
        table.add(bird, len(rows), *[float(v) for v in mean])
        pooled += rows if bird not in CALLERS else []
    if pooled:
        table.add("all songbirds", len(pooled), *[float(v) for v in np.mean(pooled, axis=0)])
    table.notes.append("mean over recordings; notes within the marked bouts where there are marks")
    yield table


def _same(score: Score, name: str) -> float:
    """Share of pairs in one voice: F of one true group is 2 r / (1 + r)."""
    f = score.f[name][0]
    return f / (2 - f)


def on_mixes(job: Job) -> Iterator[Table]:
    """Two real birds: in turns, overlapping, at once, with reverberation and noise."""
    table = Table("Two real birds", HEADER)
    if len(job.birds) < 2:
        table.notes.append("skipped: needs two birds; give --bird or --birds")
        yield table
        return
    if "turns" in job.mixes:
        for db in (0.0, -6.0):
            cases = (in_turns(a, b, 1.5, db) for a, b in job.pairs())
            add_row(table, f"in turns, {db:g} dB", ">= .90", scored(job, cases))
    if "overlap" in job.mixes:
        cases = (in_turns(a, b, -1.0) for a, b in job.pairs())
        add_row(table, "each 1 s before the other's end", ">= .80", scored(job, cases))
    if "at-once" in job.mixes:
        for db in (0.0, -6.0, -12.0):
            cases = (at_once(a, b, db) for a, b in job.pairs())
            add_row(table, f"at once, {db:g} dB", "", scored(job, cases))
    if "reverb" in job.mixes:
        cases = (reverberated(in_turns(a, b, 1.5)) for a, b in job.pairs())
        add_row(table, "in turns, reverberation", ">= .90", scored(job, cases))
    if "noise" in job.mixes:
        for name, make in (("pink noise", pink), ("wind", wind)):
            for below in (40.0, 20.0):
                mixes = (in_turns(a, b, 1.5) for a, b in job.pairs())
                cases = (with_noise(m, make(len(m.samples), 5), below) for m in mixes)
                add_row(table, f"in turns, {name} {below:g} dB below", "", scored(job, cases))
    if "crowd" in job.mixes:
        cases = (crowd(job.birds, seed) for seed in range(CROWDS))
        add_row(table, f"{CROWDS} crowds of 3 to 6 kinds", "", scored(job, cases))
    table.notes.append("mean over pairs of birds; a note is whose part is 6 dB stronger in it")
    table.notes.append("pairs: " + ", ".join(f"{a[0].bird}+{b[0].bird}" for a, b in job.pairs()))
    yield table


def on_before(job: Job) -> Iterator[Table]:
    """Voices before against after faint noise: the same notes should go together."""
    table = Table(
        "Noise 40 dB below added: voices before against after",
        ("row", "wanted", *METHODS, "cases", "worst of ours"),
    )
    found: dict[str, dict[str, list[float]]] = {}
    cases = [("alone", case) for clips in job.birds.values() for case in alone(clips)[:4]]
    cases += (
        [("in turns", in_turns(a, b, 1.5)) for a, b in job.pairs()] if len(job.birds) > 1 else []
    )
    cases += [("marked", case) for case in job.choruses]
    for kind, case in cases:
        before = job.hear(case)
        after = job.hear(with_noise(case, pink(len(case.samples), 3), 40.0))
        pairs = same_notes(before, after)
        for name, group in METHODS.items():
            first, second = group(before), group(after)
            tally = pairwise([str(first[i]) for i, _ in pairs], [str(second[j]) for _, j in pairs])
            found.setdefault(kind, {}).setdefault(name, []).append(f_or_one(tally))
    for kind, by in found.items():
        means = [float(np.mean(by[name])) for name in METHODS]
        table.add(kind, ">= .95", *means, len(by[OURS]), float(min(by[OURS])))
    yield table


def same_notes(before: Sequence[Note], after: Sequence[Note]) -> list[tuple[int, int]]:
    """Notes heard twice: onsets within 30 ms and bands that overlap, the nearest first."""
    near = sorted(
        (abs(a.onset_s - b.onset_s), i, j)
        for i, a in enumerate(before)
        for j, b in enumerate(after)
        if abs(a.onset_s - b.onset_s) <= 0.03
        and min(a.high_hz, b.high_hz) > max(a.low_hz, b.low_hz)
    )
    pairs: dict[int, int] = {}
    for _, i, j in near:
        if i not in pairs and j not in pairs.values():
            pairs[i] = j
    return sorted(pairs.items())


def on_marked(job: Job) -> Iterator[Table]:
    """Marked choruses."""
    table = Table("Marked choruses: voices against marks", HEADER)
    for case in job.choruses:
        add_row(table, case.name, ">= .80", scored(job, [case]))
    table.notes.append("notes whose middle lies inside one mark only")
    if not job.choruses:
        table.notes.append("skipped: no recording with marks of who (NAME.txt) was given")
    yield table


def on_toad(job: Job) -> Iterator[Table]:
    """A toad's trill is one caller."""
    table = Table("A toad alone", ("profile", "wanted", "notes", "singers", "phrases"))
    for case in alone(job.birds.get("toad", [])):
        for name in ("none", "frog"):
            notes = job.hear(case, None if name == "none" else load_profile(name))
            voices, phrases = {n.voice for n in notes}, {n.phrase for n in notes}
            table.add(name, "1 singer", len(notes), len(voices), len(phrases))
    if not table.rows:
        table.notes.append("skipped: no toad.flac was given")
    yield table


OWN_BIRDS = ("soloist", "turns", "counter-singing", "crowd")


def on_synthetic(job: Job) -> Iterator[Table]:
    """Our own scenes: singers as birds are, and choruses whose singers keep to a band."""
    from bench_accuracy import SETS
    from bench_data import scene

    header = ("scene", "wanted", *METHODS, "our adj. Rand", "singers", "phrases", "true phrases")
    table = Table("Our own scenes: voices of matched notes", header)
    before = "score-" if job.use == "scoring" else ""
    for name in (*(before + own for own in OWN_BIRDS), *SETS[job.use]["choruses"]):
        tallies = {method: Tally() for method in METHODS}
        counts, rand = [], []
        for step in range(job.seeds):
            made = scene(name, seed_step=step)
            true = made.truth.notes
            heard = transcribe(open_recording(made.path)).notes
            pairs = match_notes(true, heard, offsets=False)
            for method, group in METHODS.items():
                voices = group(heard)
                found = pairwise(
                    [true[i].voice for i, _ in pairs], [str(voices[j]) for _, j in pairs]
                )
                tallies[method].add(found.matched, found.true, found.heard)
                if method == OURS:
                    rand.append(beyond_chance(found, len(pairs)))
            phrases = (len({note.phrase for note in notes}) for notes in (heard, true))
            counts.append((len({note.voice for note in heard}), *phrases))
        means = [float(value) for value in np.mean(counts, axis=0)]
        f = [tally.f for tally in tallies.values()]
        table.add(name, ">= .95", *f, float(np.mean(rand)), *means)
    table.notes.append("singers and phrases: all that were heard; a match is onset and pitch")
    yield table


MIXED = ("turns", "overlap", "at-once", "reverb", "noise", "crowd")
CROWDS = 12
