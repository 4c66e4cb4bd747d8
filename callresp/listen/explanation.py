"""Why a stretch was heard as it was, as plain values: for `explain`, and for pages."""

from __future__ import annotations

from typing import Any

import numpy as np

from callresp.listen.diagnostics import Evidence
from callresp.listen.notes import NoteTable, Rows, voice_name
from callresp.listen.profile import Profile
from callresp.listen.voices.assign import Weighed, Why, singer_settings, why

SAME_S = 0.02
TERMS = ("gap", "overlap", "level", "repertoire", "prior")


def singers_of(notes: Rows, table: NoteTable, profile: Profile) -> dict[int, Why]:
    """Why each note of the stretch went to its singer, by row; those heard alike in the whole."""
    found, singers = {}, singer_settings(profile)
    onsets_s = table.notes["onset_s"]
    for n, note in enumerate(notes):
        near = np.flatnonzero(np.abs(onsets_s - note["onset_s"]) < SAME_S)
        apart = np.abs(table.notes["low_hz"][near] - note["low_hz"])
        if len(near):
            found[n] = why(table.notes, table.features, int(near[apart.argmin()]), singers)
    return found


def singer_values(one: Why) -> dict[str, Any]:
    """Who sang a note, and the nats for that against each other singer, by their terms."""

    def against(other: Weighed) -> dict[str, Any]:
        who = "a singer not heard otherwise" if other.instead < 0 else voice_name(other.instead)
        row: dict[str, Any] = {"instead": who, "nats": round(other.nats, 2)}
        return row | {term: round(getattr(other, term), 2) for term in TERMS}

    return {"voice": voice_name(one.voice), "against": [against(other) for other in one.against]}


def as_values(found: Evidence, sung: dict[int, Why] | None = None) -> dict[str, Any]:
    """The evidence as plain values for machines."""

    def note_of(n: int) -> dict[str, Any]:
        note = found.notes[n]
        pitch_hz = float(note["pitch_hz"])
        names = ("onset_s", "offset_s", "low_hz", "high_hz", "level_db", "snr_db", "tonality")
        row: dict[str, Any] = {name: round(float(note[name]), 4) for name in names}
        row["pitch_hz"] = None if np.isnan(pitch_hz) else round(pitch_hz, 2)
        row["remark"] = found.remarks.get(n)
        if sung and n in sung:
            row["singer"] = singer_values(sung[n])
        return row

    return {
        "notes": [note_of(n) for n in range(len(found.notes))],
        "left_out": [
            {
                "onset_s": round(one.onset_s, 4),
                "offset_s": round(one.offset_s, 4),
                "low_hz": round(one.low_hz, 1),
                "high_hz": round(one.high_hz, 1),
                "snr_db": round(one.snr_db, 2),
                "why": one.why,
                "setting": one.setting,
            }
            for one in found.left_out
        ],
    }
