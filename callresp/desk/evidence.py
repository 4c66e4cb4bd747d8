"""Why a note was heard as it was, and who sang it: the evidence of `callresp explain`.

It is gathered again from the stretch about the note. Kept apart from `facts`, since the
listener takes a second and more to load, and the page's first picture does not need it.
"""

from __future__ import annotations

import numpy as np

from callresp.desk.answers import HeardIndex
from callresp.desk.chorus import Chorus
from callresp.errors import UserError
from callresp.io.audio import Waveform
from callresp.io.resources import shipped
from callresp.io.score import Note
from callresp.listen.diagnostics import AFTER_S, BEFORE_S, collect_evidence
from callresp.listen.explanation import SAME_S, SingerValues, singer_values
from callresp.listen.explanation import as_values as evidence_values
from callresp.listen.notes import NoteTable, Rows, voice_name
from callresp.listen.offline import note_table
from callresp.listen.profile import Profile, load_profile
from callresp.listen.voices.assign import singer_settings, why

ABOUT_S = 0.6
LONGEST_S = 12.0
# Who sang is weighed among the notes so near.
SINGERS_S = 45.0
POINTS_MAX = 6000


def evidence_of(heard: HeardIndex, chorus: Chorus, number: int) -> dict[str, object]:
    """What a note was decided by: partials, edges, what was left out about it, and who sang."""
    place = heard.place.get(number)
    if place is None:
        raise UserError(f"no note {number}", remedy="ask for one that was heard")
    note = heard.score.notes[place]
    profile = _profile(heard)
    from_s = max(note.onset_s - ABOUT_S, 0.0)
    to_s = min(note.offset_s + ABOUT_S, from_s + LONGEST_S)
    base_s = _on_a_sample(max(from_s - BEFORE_S, 0.0), chorus.rate_hz)
    found = collect_evidence(
        _stretch(chorus, base_s, to_s + AFTER_S + 0.1), profile, from_s - base_s, to_s - base_s
    )
    values = evidence_values(found)
    points = found.points[:: max(1, len(found.points) // POINTS_MAX)]
    return {
        "from_s": from_s,
        "to_s": to_s,
        "base_s": base_s,
        "notes": values["notes"],
        "left_out": values["left_out"],
        "points": np.round(points, 4).tolist(),
        "floor_asked_db": found.asked_db,
        "profile": profile.name,
        "singer": _singer(heard, chorus, note, profile),
    }


def _profile(heard: HeardIndex) -> Profile:
    name = heard.score.header.profile
    return load_profile(name if name in shipped("profiles") else None)


def _on_a_sample(at_s: float, rate_hz: int) -> float:
    return int(at_s * rate_hz) / rate_hz


def _stretch(chorus: Chorus, from_s: float, to_s: float) -> Waveform:
    last = min(round(to_s * chorus.rate_hz), chorus.frames)
    samples = chorus.samples(round(from_s * chorus.rate_hz), last)
    return Waveform(samples, chorus.rate_hz)


def _singer(heard: HeardIndex, chorus: Chorus, note: Note, profile: Profile) -> SingerValues | None:
    """Who sang, and what speaks for that against each other singer, in nats."""
    from_s = _on_a_sample(max(note.onset_s - SINGERS_S, 0.0), chorus.rate_hz)
    table, _ = note_table(_stretch(chorus, from_s, note.offset_s + SINGERS_S), profile)
    rows = table.notes.copy()
    rows["onset_s"] += from_s
    rows["offset_s"] += from_s
    names = sorted({own.voice for own in heard.score.notes}, key=lambda name: (len(name), name))
    kept = _as_scored(rows, heard, names)
    own = np.flatnonzero(np.abs(rows["onset_s"][kept] - note.onset_s) < SAME_S)
    if len(own) == 0:
        return None
    apart = np.abs(rows["low_hz"][kept][own] - note.low_hz)
    some = NoteTable(rows[kept], table.features[kept], table.track)
    at = int(own[apart.argmin()])
    told = singer_values(why(some.notes, some.features, at, singer_settings(profile)))
    return _renamed(told, names)


def _as_scored(rows: Rows, heard: HeardIndex, names: list[str]) -> list[int]:
    """The rows that the score has too, with the score's own singers written into them."""
    number = {name: n for n, name in enumerate(names)}
    onsets = np.array([note.onset_s for note in heard.score.notes])
    kept = []
    for n, row in enumerate(rows):
        low, high = np.searchsorted(onsets, [row["onset_s"] - SAME_S, row["onset_s"] + SAME_S])
        near = heard.score.notes[int(low) : int(high)]
        if near:
            same = min(near, key=lambda note: abs(note.low_hz - float(row["low_hz"])))
            rows["voice"][n] = number[same.voice]
            kept.append(n)
    return kept


def _renamed(told: SingerValues, names: list[str]) -> SingerValues:
    """The singers' names of the score in place of the table's."""
    swap = {voice_name(n): name for n, name in enumerate(names)}
    for row in told["against"]:
        row["instead"] = swap.get(row["instead"], row["instead"])
    return {"voice": swap.get(told["voice"], told["voice"]), "against": told["against"]}
