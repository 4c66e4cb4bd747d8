"""Singers and phrase ends as they are told while they happen.

A phrase's end is told too late where the machine could have answered long
before, and wrongly where the bird sings on: its next note, by truth, comes
within the listening profile's `rest_s` of the phrase's last (or within
`BOUT_REST_S`, the longer rest by which bouts are told apart here). Lateness is from the end of
the phrase's last note to the block that brought the word; the listener's own
time for computing is not in it (tools/bench_listening.py has that).

A phrase that nobody answered may still be given to another voice. So voices are
scored twice: as they were when the phrase's end was told, which is what a reply
goes by, and as they stand at last, where nothing was answered.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from bench_scores import pairwise
from bench_table import Table
from singer_cases import BOUT_REST_S, CALLERS, RATE_HZ, Case, Truth, alone, in_turns
from singer_rows import Job, beyond_chance, f_or_one

from callresp.io.score import Note
from callresp.listen.online import Listener, NoteEnd
from callresp.listen.profile import Profile

BLOCK = 256


@dataclass(slots=True)
class Told:
    """What came out online."""

    notes: dict[int, Note] = field(default_factory=dict)
    voice: dict[int, str] = field(default_factory=dict)
    at_end: dict[int, str] = field(default_factory=dict)  # when its phrase ended
    # When a note was last renamed after its phrase had ended.
    renamed: dict[int, float] = field(default_factory=dict)
    # When each phrase's end was told, its notes, and whether it was cut in song.
    ends: list[tuple[float, tuple[int, ...], bool]] = field(default_factory=list)


def listened(case: Case, profile: Profile | None) -> Told:
    """Feed a case to the online listener in small blocks."""
    peak = float(np.abs(case.samples).max())
    samples = (case.samples * min(1.0, 0.9 / max(peak, 1e-9))).astype(np.float32)
    listener, told = Listener(RATE_HZ, profile), Told()
    for start in range(0, len(samples) + BLOCK, BLOCK):
        block = samples[start : start + BLOCK]
        events = listener.push(block) if len(block) else listener.finish()
        for event in events:
            _take(event, (start + len(block)) / RATE_HZ, told)
    return told


def _take(event: object, now_s: float, told: Told) -> None:
    if isinstance(event, NoteEnd):
        if event.note is not None:
            told.notes[event.note.id] = event.note
            told.voice[event.note.id] = event.note.voice
        return
    kind = type(event).__name__
    if kind == "VoiceChange":
        told.voice[event.note] = event.voice  # type: ignore[attr-defined]
        if event.note in told.at_end:  # type: ignore[attr-defined]
            told.renamed[event.note] = now_s  # type: ignore[attr-defined]
    elif kind == "PhraseEnd":
        told.at_end |= {n: told.voice[n] for n in event.notes}  # type: ignore[attr-defined]
        told.ends.append((now_s, event.notes, event.goes_on))  # type: ignore[attr-defined]


HEADER = (
    *("row", "voices F", "adj. Rand", "F at the end", "F offline", "singers"),
    *("renamed later %", "by s, 90 %"),
    *("phrases", "bouts", "late s, median", "late s, 90 %", "wrong %", "within 1 s %"),
)


def on_online(job: Job) -> Iterator[Table]:
    """Voices and phrase ends online, beside the same recordings offline."""
    table = Table(f"Online, blocks of {BLOCK} samples", HEADER)
    table.add("wanted", ">= .90", *[None] * 12)
    songbirds = [clips for bird, clips in job.birds.items() if bird not in CALLERS]
    rows = {
        "alone": [case for clips in songbirds for case in alone(clips)[:3]],
        "in turns": [in_turns(a, b, 1.5) for a, b in job.pairs()],
        "1 s before the other's end": [in_turns(a, b, -1.0) for a, b in job.pairs()],
    }
    for name, cases in rows.items():
        if cases:
            table.add(name, *_row(job, cases))
    table.notes.append(
        "wrong: the same bird sings on within the profile's rest_s, by truth; or within 1 s"
    )
    yield table


def _row(job: Job, cases: Sequence[Case]) -> list[float | None]:
    online, rand, at_end, offline, singers = [], [], [], [], []
    late_s, renamed_s = list[float](), list[float]()
    rest_s = (job.profile or Profile()).rest_s
    wrong = soon = ends = phrases = notes = 0
    for case in cases:
        told = listened(case, job.profile)
        truth = Truth(case)
        who = {number: truth.of(note) for number, note in told.notes.items()}
        kept = [number for number, name in who.items() if name is not None]
        found = pairwise([str(who[k]) for k in kept], [told.voice[k] for k in kept])
        online.append(f_or_one(found))
        rand.append(beyond_chance(found, len(kept)))
        singers.append(len({told.voice[k] for k in kept}))
        ended = pairwise([str(who[k]) for k in kept], [told.at_end[k] for k in kept])
        at_end.append(f_or_one(ended))
        renamed_s += [at_s - told.notes[k].offset_s for k, at_s in told.renamed.items()]
        notes += len(told.notes)
        heard = job.hear(case)
        true = [truth.of(note) for note in heard]
        sure = [k for k, name in enumerate(true) if name is not None]
        offline.append(
            f_or_one(pairwise([str(true[k]) for k in sure], [heard[k].voice for k in sure]))
        )
        for now_s, members, goes_on in told.ends:
            known = [number for number in members if who.get(number) is not None]
            if not known:
                continue
            phrases += 1
            if goes_on:
                continue
            last_s = max(told.notes[number].offset_s for number in known)
            late_s.append(now_s - last_s)
            ends += 1
            bird = who[max(known, key=lambda number: told.notes[number].offset_s)]
            after = [
                note.onset_s - last_s
                for number, note in told.notes.items()
                if who[number] == bird and note.onset_s > last_s
            ]
            wrong += bool(after) and min(after) < rest_s
            soon += bool(after) and min(after) < BOUT_REST_S
    means = [float(np.mean(values)) for values in (online, rand, at_end, offline, singers)]
    return [
        *means,
        100 * len(renamed_s) / max(notes, 1),
        float(np.percentile(renamed_s, 90)) if renamed_s else None,
        phrases / len(cases) if ends else None,
        float(np.mean([case.bouts for case in cases])),
        float(np.median(late_s)) if late_s else None,
        float(np.percentile(late_s, 90)) if late_s else None,
        100 * wrong / ends if ends else None,
        100 * soon / ends if ends else None,
    ]
