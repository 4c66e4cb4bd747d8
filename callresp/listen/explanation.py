"""Why a stretch was heard as it was, as plain values: for `explain`, and for pages."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, NotRequired, TypedDict

import numpy as np

from callresp.listen.diagnostics import Evidence, LeftOut
from callresp.listen.notes import NoteTable, Rows, voice_name
from callresp.listen.profile import Profile
from callresp.listen.voices.assign import VoiceEvidence, VoiceReasons, singer_settings, why

SAME_S = 0.02
Term = Literal["gap", "overlap", "level", "repertoire", "prior", "bouts"]
TERMS: tuple[Term, ...] = ("gap", "overlap", "level", "repertoire", "prior", "bouts")


def singers_of(notes: Rows, table: NoteTable, profile: Profile) -> dict[int, VoiceReasons]:
    """Why each note of the stretch went to its singer, by row; those heard alike in the whole.

    Parameters
    ----------
    notes
        Rows of the stretch.
    table
        The whole recording's notes, by which singers are told apart.
    profile
        With which it was heard.

    Returns
    -------
    dict of int to VoiceReasons
        By row of `notes`.
    """
    found, singers = {}, singer_settings(profile)
    onsets_s = table.notes["onset_s"]
    for n, note in enumerate(notes):
        near = np.flatnonzero(np.abs(onsets_s - note["onset_s"]) < SAME_S)
        apart = np.abs(table.notes["low_hz"][near] - note["low_hz"])
        if len(near):
            found[n] = why(table.notes, table.features, int(near[apart.argmin()]), singers)
    return found


class AgainstValues(TypedDict):
    """What tells for a note's singer and against another one, in nats, in all and by terms."""

    instead: str
    nats: float
    gap: float
    overlap: float
    level: float
    repertoire: float
    prior: float
    bouts: float


class SingerValues(TypedDict):
    """Who sang a note, and why nobody else."""

    voice: str
    against: list[AgainstValues]


class NoteValues(TypedDict):
    """A note of the stretch; without a pitch `pitch_hz` is `None`."""

    onset_s: float
    offset_s: float
    low_hz: float
    high_hz: float
    level_db: float
    snr_db: float
    tonality: float
    pitch_hz: float | None
    remark: str | None
    singer: NotRequired[SingerValues]


class EvidenceValues(TypedDict):
    """All that is to be told of a stretch."""

    notes: list[NoteValues]
    left_out: list[LeftOut]
    full_s: tuple[float, ...]


def singer_values(one: VoiceReasons) -> SingerValues:
    """Who sang a note, and the nats for that against each other singer, by their terms."""

    def against(other: VoiceEvidence) -> AgainstValues:
        who = "a singer not heard otherwise" if other.instead < 0 else voice_name(other.instead)
        return {
            "instead": who,
            "nats": round(other.nats, 2),
            "gap": round(other.gap, 2),
            "overlap": round(other.overlap, 2),
            "level": round(other.level, 2),
            "repertoire": round(other.repertoire, 2),
            "prior": round(other.prior, 2),
            "bouts": round(other.bouts, 2),
        }

    return {"voice": voice_name(one.voice), "against": [against(other) for other in one.against]}


def as_values(found: Evidence, sung: dict[int, VoiceReasons] | None = None) -> EvidenceValues:
    """The evidence as plain values for machines."""

    def note_of(n: int) -> NoteValues:
        note = found.notes[n]
        pitch_hz = float(note["pitch_hz"])
        row: NoteValues = {
            "onset_s": round(float(note["onset_s"]), 4),
            "offset_s": round(float(note["offset_s"]), 4),
            "low_hz": round(float(note["low_hz"]), 4),
            "high_hz": round(float(note["high_hz"]), 4),
            "level_db": round(float(note["level_db"]), 4),
            "snr_db": round(float(note["snr_db"]), 4),
            "tonality": round(float(note["tonality"]), 4),
            "pitch_hz": None if np.isnan(pitch_hz) else round(pitch_hz, 2),
            "remark": found.remarks.get(n),
        }
        if sung and n in sung:
            row["singer"] = singer_values(sung[n])
        return row

    return {
        "notes": [note_of(n) for n in range(len(found.notes))],
        "left_out": [
            replace(
                one,
                onset_s=round(one.onset_s, 4),
                offset_s=round(one.offset_s, 4),
                low_hz=round(one.low_hz, 1),
                high_hz=round(one.high_hz, 1),
                snr_db=round(one.snr_db, 2),
            )
            for one in found.left_out
        ],
        "full_s": found.full_s,
    }
