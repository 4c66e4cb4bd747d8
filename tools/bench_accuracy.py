"""The parts of the listening bench that count what was heard right."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
from bench_data import RenderedScene, labelled, scene
from bench_peers import OURS, Peer, hear_ours, read, scaled
from bench_scores import (
    OnsetTally,
    PitchErrors,
    Tally,
    distinct,
    match_notes,
    offsets_within,
    pairwise,
    spans,
    within,
)
from bench_table import Table

from callresp.io.audio import open_recording
from callresp.io.score import Note
from callresp.listen.offline import transcribe
from callresp.scene.recipe import load_recipe

Floats = npt.NDArray[np.float64]
Say = Callable[[str], None]

EVERYWHERE = [(0.0, float("inf"))]
BETTER = "each peer's better row: the recording as it is, or scaled to a peak of 0.9"

SETS = {
    "scoring": {
        "scenes": ("score-solo", "score-duet", "score-chorus-10db", "score-neighbours"),
        "choruses": (
            "score-chorus",
            "score-chorus-10db",
            "score-chorus-5db",
            "score-chorus-0db",
        ),
        "rhythm": ("score-rhythm",),
        "weather": ("score-weather",),
    },
    "tuning": {
        "scenes": ("solo", "duet", "chorus", "neighbours", "chorus-in-wind"),
        "choruses": ("chorus-15db", "chorus", "chorus-5db", "chorus-0db"),
        "rhythm": ("rhythm",),
        "weather": ("weather-hour",),
    },
}


@dataclass(frozen=True, slots=True)
class Job:
    """What a run of the bench is asked for."""

    use: str = "scoring"
    seeds: int = 2
    peers: tuple[Peer, ...] = ()
    folders: tuple[Path, ...] = ()
    singers: tuple[Path, ...] = ()
    noise_minutes: float = 60.0
    hours: float = 1.0
    say: Say = print
    _heard: dict[Path, tuple[Note, ...]] = field(default_factory=dict)

    def scenes(self, kind: str) -> Iterator[tuple[str, list[RenderedScene]]]:
        """Scenes of a kind, each with as many seeds as asked for."""
        for name in SETS[self.use][kind]:
            yield name, [scene(name, seed_step=step) for step in range(self.seeds)]

    def ours(self, path: Path) -> tuple[Note, ...]:
        """What we hear in a file, heard once a run."""
        if path not in self._heard:
            self._heard[path] = hear_ours(path).notes
        return self._heard[path]

    def about(self) -> str:
        """A line on the set that was used."""
        return f"the {self.use} set, {self.seeds} seeds a scene, counts pooled"


def _onsets(notes: tuple[Note, ...]) -> Floats:
    return distinct(np.array([note.onset_s for note in notes], dtype=np.float64))


def on_labelled(job: Job) -> Iterator[Table]:
    """Onsets (and our offsets) on recordings marked by hand, inside their spans."""
    for folder in job.folders:
        recordings = labelled(folder)
        table = Table(
            f"Onsets on {folder.name}: {len(recordings)} recordings, inside their spans",
            ("detector", "F ±50 ms", "F ±25 ms", "F ±10 ms", "P ±25", "R ±25", "offsets ±25 ms"),
        )
        tally, near, matched = OnsetTally(), 0, 0
        for item in recordings:
            notes = spans(job.ours(item.path))
            inside = notes[within(notes[:, 0], item.spans_s)]
            true = item.marks_s[within(item.marks_s[:, 0], item.spans_s)]
            tally.add(true[:, 0], distinct(inside[:, 0]))
            good, pairs = offsets_within(true, inside)
            near, matched = near + good, matched + pairs
        table.add(OURS, *_three(tally), near / max(matched, 1))
        table.add("aim", 0.985, 0.98, 0.95, None, None, 0.90)
        for peer in job.peers:
            job.say(f"{folder.name}: {peer.name}")
            heard = [(item.path, item.marks_s[:, 0], item.spans_s) for item in recordings]
            table.add(peer.name, *_three(_better(peer, heard)), None)
        table.notes += ["marks are rounded to 1 ms; counts pooled over the recordings", BETTER]
        yield table


def _better(peer: Peer, heard: list[tuple[Path, Floats, list[tuple[float, float]]]]) -> OnsetTally:
    """A peer's counts over files, their true onsets and spans: as they are or scaled."""
    detect = peer.prepare()
    plain, full = OnsetTally(), OnsetTally()
    for path, true_s, spans_s in heard:
        samples, rate = read(path, peer.rate_hz)
        true_s = true_s[within(true_s, spans_s)]
        for tally, wave in ((plain, samples), (full, scaled(samples))):
            found = detect(wave, rate)
            tally.add(true_s, found[within(found, spans_s)])
    return max(plain, full, key=lambda tally: tally.at[0.025].f)


def _three(tally: OnsetTally) -> tuple[float, ...]:
    middle = tally.at[0.025]
    return (*(part.f for part in tally.at.values()), middle.precision, middle.recall)


def on_scenes(job: Job) -> Iterator[Table]:
    """Onsets on our own scenes."""
    yield from _onset_tables(job, "scenes", "Onsets on scenes")


def on_drumming(job: Job) -> Iterator[Table]:
    """Strokes of drummers on wood, from slow to fast."""
    yield from _onset_tables(job, "rhythm", "Drumming, 2 to 25 strokes a second")


_ONSET_AIMS: dict[str, tuple[float | None, ...]] = {
    "score-solo": (0.95, None, None),
    "score-duet": (0.95, None, None),
    "score-chorus-10db": (0.85, None, None),
    "score-rhythm": (None, None, 0.98),
}


def _onset_tables(job: Job, kind: str, title: str) -> Iterator[Table]:
    for name, made in job.scenes(kind):
        table = Table(
            f"{title}: {name}", ("detector", "F ±50 ms", "F ±25 ms", "F ±10 ms", "P ±25", "R ±25")
        )
        tally = OnsetTally()
        for item in made:
            tally.add(_onsets(item.truth.notes), _onsets(job.ours(item.path)))
        table.add(OURS, *_three(tally))
        if aim := _ONSET_AIMS.get(name):
            table.add("aim", *aim, None, None)
        for peer in job.peers:
            job.say(f"{name}: {peer.name}")
            heard = [(item.path, _onsets(item.truth.notes), EVERYWHERE) for item in made]
            table.add(peer.name, *_three(_better(peer, heard)))
        table.notes += [job.about(), BETTER]
        yield table


_NOTE_COLUMNS = (
    "detector",
    "note F",
    "P",
    "R",
    "F no offset",
    "cents",
    "within 50",
    "octave slips",
    "voices F",
)
# What we aim at, by the number of decibels in the scene's SNR.
_NOTE_AIMS = {15.0: 0.90, 5.0: 0.80, 0.0: 0.65}


@dataclass(slots=True)
class _NoteCounts:
    """Everything that is counted about notes, pooled over scenes."""

    whole: Tally = field(default_factory=Tally)
    begun: Tally = field(default_factory=Tally)
    voices: Tally = field(default_factory=Tally)
    pitches: PitchErrors = field(default_factory=PitchErrors)

    def add(self, true: tuple[Note, ...], heard: tuple[Note, ...]) -> None:
        pairs = match_notes(true, heard, offsets=False)
        self.whole.add(len(match_notes(true, heard, offsets=True)), len(true), len(heard))
        self.begun.add(len(pairs), len(true), len(heard))
        self.pitches.add(true, heard)
        singers = [true[i].voice for i, _ in pairs]
        grouped = pairwise(singers, [heard[j].voice for _, j in pairs])
        self.voices.add(grouped.matched, grouped.true, grouped.heard)

    def row(self) -> tuple[float, ...]:
        found = self.pitches.summary()
        return (
            self.whole.f,
            self.whole.precision,
            self.whole.recall,
            self.begun.f,
            found["median_cents"],
            found["within_50"],
            found["octave_slips"],
            self.voices.f,
        )


def on_notes(job: Job) -> Iterator[Table]:
    """Notes, pitches and voices on the choruses: ours, and pYIN's where peers are wanted."""
    rows: dict[str, Callable[[Path], tuple[Note, ...]]] = {OURS: job.ours}
    if any(peer.name.startswith("librosa") for peer in job.peers):
        rows["pYIN"] = lambda path: transcribe(open_recording(path), detector="pyin").notes
    for name, made in job.scenes("choruses"):
        snr_db = load_recipe(name).snr_db
        table = Table(f"Notes: {name}, five singers at {snr_db:g} dB", _NOTE_COLUMNS)
        for detector, heard in rows.items():
            job.say(f"{name}: {detector}")
            counts = _NoteCounts()
            for item in made:
                counts.add(item.truth.notes, heard(item.path))
            table.add(detector, *counts.row())
        aim = _NOTE_AIMS.get(snr_db or 0.0)
        voices = 0.90 if snr_db == 15 else None
        table.add("aim", aim, None, None, None, 10.0, 0.95, 0.01, voices)
        table.notes += [job.about(), *_ABOUT_NOTES]
        yield table


_ABOUT_NOTES = (
    "a note matches by onset (50 ms), pitch (50 cents) and offset (20 % or 50 ms)",
    "its pitch is the median of its track; what has none must be heard as having none",
    "cents: median error along the tracks; slips: notes off by more than 600 cents",
    "voices: pairs of matched notes put with one singer",
)


def on_noise(job: Job) -> Iterator[Table]:
    """False notes in weather in which nothing sings."""
    (name,) = SETS[job.use]["weather"]
    made = scene(name, seconds=60 * job.noise_minutes)
    table = Table(
        f"False notes in {job.noise_minutes:g} minutes of {name}",
        ("detector", "notes", "an hour"),
        places=1,
    )
    an_hour = 60 / job.noise_minutes
    count = len(job.ours(made.path))
    table.add(OURS, count, count * an_hour)
    table.add("aim", None, 6.0)
    for peer in job.peers:
        job.say(f"{name}: {peer.name}")
        detect, (samples, rate) = peer.prepare(), read(made.path, peer.rate_hz)
        # By pieces of five minutes: an hour at once would ask for many gigabytes.
        starts = range(0, len(samples), 300 * rate)
        count = sum(len(detect(samples[start : start + 300 * rate], rate)) for start in starts)
        table.add(peer.name, count, count * an_hour)
    yield table
