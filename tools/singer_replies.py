"""What shipped rule sets make of real song: whole answers, or crumbs.

Three recordings: one bird alone, two in turns, two who overlap. Each is heard
by our own listener and answered by each rule set as ``callresp reply`` does.
A reply begins too early where its first stroke falls into a bout of the very
bird it answers, as truth has it: notes of one bird with gaps below a second.
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np
from bench_table import Table
from singer_cases import BOUT_REST_S, RATE_HZ, Case, Truth, alone, in_turns
from singer_rows import Job

from callresp.io.resources import shipped
from callresp.io.score import HeardHeader, HeardScore, Note, ReplyNote, phrases
from callresp.palette.files import load_palette
from callresp.reply.metrics import measure
from callresp.reply.replier import answer
from callresp.reply.rules import load_rules
from callresp.reply.silences import tally

HEADER = (
    *("rules", "calls", "answered", "notes a reply", "too early", "strikers", "commonest"),
    *("repeats", "picked", "by chance", "commonest silence"),
)


def on_replies(job: Job) -> Iterator[Table]:
    """A table a recording, a row a rule set."""
    palette = load_palette("fettle")
    for case in _recordings(job):
        notes = job.hear(case)
        header = HeardHeader(duration_s=len(case.samples) / RATE_HZ, recording=case.name)
        heard = HeardScore(header=header, notes=notes)
        who, bouts = _true_bouts(case, notes)
        table = Table(f"Replies to {case.name}: {len(notes)} notes, {case.bouts} bouts", HEADER)
        table.add("wanted", None, None, ">= 3", "<= 0.10", *[None] * 6)
        for name in shipped("rules"):
            reply = answer(heard, palette, load_rules(name))
            figures = measure(heard, reply, palette)
            replies = _by_reply(reply.notes)
            lines = [tuple(note.instrument for note in own) for own in replies]
            strikers = Counter(note.instrument for note in reply.notes)
            silences = tally(silence.why for silence in reply.unanswered)
            table.add(
                name,
                len(phrases(notes)),
                figures.answered_share,
                float(statistics.median(map(len, replies))) if replies else None,
                _too_early(replies, heard, who, bouts),
                len(strikers),
                max(strikers.values()) / len(reply.notes) if reply.notes else None,
                sum(line in lines[:place] for place, line in enumerate(lines)),
                figures.picked,
                figures.picked_chance,
                next((f"{count} {why}" for why, count in silences.items()), None),
            )
        table.notes.append("notes a reply: the median; commonest: its share of all strokes")
        yield table


def _recordings(job: Job) -> Iterator[Case]:
    pairs = list(job.pairs())
    if not pairs:
        return
    first, second = pairs[0]
    yield from alone(first)[:1]
    yield in_turns(first, second, 1.5)
    third, fourth = pairs[-1]
    yield in_turns(third, fourth, -1.0)


def _true_bouts(
    case: Case, notes: Sequence[Note]
) -> tuple[dict[int, str], dict[str, list[tuple[float, float]]]]:
    """The true singer of each note by its number, and each singer's bouts."""
    truth = Truth(case)
    who: dict[int, str] = {}
    bouts: dict[str, list[tuple[float, float]]] = {}
    for note in notes:
        name = truth.of(note)
        if name is None:
            continue
        who[note.id] = name
        own = bouts.setdefault(name, [])
        if own and note.onset_s - own[-1][1] < BOUT_REST_S:
            own[-1] = (own[-1][0], max(own[-1][1], note.offset_s))
        else:
            own.append((note.onset_s, note.offset_s))
    return who, bouts


def _by_reply(notes: Sequence[ReplyNote]) -> list[list[ReplyNote]]:
    found: dict[int, list[ReplyNote]] = {}
    for note in notes:
        found.setdefault(note.phrase, []).append(note)
    return list(found.values())


def _too_early(
    replies: Sequence[Sequence[ReplyNote]],
    heard: HeardScore,
    who: dict[int, str],
    bouts: dict[str, list[tuple[float, float]]],
) -> float | None:
    """Share of replies that begin while the bird that they answer still sings."""
    singers = {
        phrase.id: Counter(who[note.id] for note in phrase.notes if note.id in who)
        for phrase in phrases(heard.notes)
    }
    early = []
    for own in replies:
        named = singers.get(own[0].heard_phrase)
        if not named:
            continue
        start_s = own[0].onset_s
        spans = bouts[named.most_common(1)[0][0]]
        early.append(any(begin < start_s < end for begin, end in spans))
    return float(np.mean(early)) if early else None
