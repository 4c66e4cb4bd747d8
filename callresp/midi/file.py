"""Standard MIDI Files of what was heard and what is played.

Conventions
-----------
- Format 1. Track 0 holds the tempo map: one tempo of 60 beats a minute in 4/4,
  so that a beat is a second; 1920 ticks to the beat, so that a tick is 0.52 ms
  and no time is off by more than 0.26 ms.
- Tick 0 is the start of the recording.
- Then one track per heard voice ("heard: A") and one per striker or turner
  ("reply: tube 1"). How notes become keys stands in `callresp.midi.notes`.
- A text in track 0 says what level velocity 112 stands for, so that what reads
  the file back (`callresp.midi.imported`) knows each stroke's force.

Source: Standard MIDI Files 1.0 (MIDI Manufacturers Association, RP-001).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from callresp.errors import UserError
from callresp.io.files import whole_file
from callresp.io.score import HeardScore, ReplyScore
from callresp.midi.notes import (
    LOUDEST,
    Track,
    heard_tracks,
    played_notes,
    reply_tracks,
    requested_notes,
    striker_channels,
)
from callresp.palette.model import Palette
from callresp.plan.model import Plan

if TYPE_CHECKING:
    import mido

TICKS_PER_BEAT = 1920
TEMPO_US = 1_000_000
LEVEL_TEXT = re.compile(rf"velocity {LOUDEST} is (-?\d+\.\d+) dB SPL at 1 m")


@dataclass(frozen=True, slots=True)
class MidiWritten:
    """What a MIDI file holds."""

    path: str
    tracks: tuple[str, ...]
    heard_notes: int
    reply_notes: int
    length_s: float


def tracks_of(
    heard: HeardScore | None,
    reply: ReplyScore | None,
    plan: Plan | None,
    palette: Palette | None,
) -> list[Track]:
    """The tracks of what is given; a plan goes before the reply it was made from.

    Parameters
    ----------
    heard, reply, plan
        What is to be told; at least one of them.
    palette
        The machine of the reply or plan.

    Returns
    -------
    list of Track
        What was heard first, by voice.

    Raises
    ------
    UserError
        When there is nothing, or a reply or plan without its palette.
    """
    if heard is None and reply is None and plan is None:
        raise UserError("nothing to export", remedy="give a heard score, a reply or a plan")
    tracks: list[Track] = []
    if heard is not None:
        used = striker_channels(palette) if (reply or plan) else 0
        tracks += heard_tracks(heard, used)
    if reply is None and plan is None:
        return tracks
    if palette is None:
        raise UserError("strikers without a palette", argument="palette", remedy="name the palette")
    if plan is not None:
        notes = played_notes(plan, palette)
    else:
        assert reply is not None
        notes = requested_notes(reply, palette)
    return tracks + reply_tracks(notes, palette)


def write_midi(
    path: Path,
    heard: HeardScore | None = None,
    reply: ReplyScore | None = None,
    plan: Plan | None = None,
    palette: Palette | None = None,
) -> MidiWritten:
    """Write heard notes and replies as a Standard MIDI File, whole or not at all.

    Parameters
    ----------
    path
        The file to write.
    heard
        Notes that were heard: one track per voice.
    reply, plan
        What is asked of the machine, or better what it will play; of both, the
        plan is taken.
    palette
        Needed with `reply` or `plan`; pitches off the tempered scale are reached by pitch bend.

    Raises
    ------
    UserError
        Nothing to write, no palette, or a folder that can't be written.
    """
    tracks = tracks_of(heard, reply, plan, palette)
    header = next(item.header for item in (heard, reply, plan) if item is not None)
    file = _file(tracks, header.recording, header.start)
    with whole_file(Path(path)) as part:
        file.save(part)
    counts = {"heard": 0, "reply": 0}
    for track in tracks:
        counts[track.name.split(":")[0]] += track.notes
    return MidiWritten(
        path=str(path),
        tracks=tuple(track.name for track in tracks),
        heard_notes=counts["heard"],
        reply_notes=counts["reply"],
        length_s=round(max((e[0] for t in tracks for e in t.events), default=0.0), 3),
    )


def tick_of(at_s: float) -> int:
    """The nearest tick."""
    return round(at_s * TICKS_PER_BEAT * 1e6 / TEMPO_US)


def level_text(loudest_db: float) -> str:
    """The text that says what level a velocity stands for; `LEVEL_TEXT` reads it back."""
    return f"velocity {LOUDEST} is {loudest_db:.2f} dB SPL at 1 m"


def _file(tracks: list[Track], title: str, start: str | None) -> mido.MidiFile:
    import mido

    file = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_BEAT, charset="utf-8")
    head = mido.MidiTrack()
    head.append(mido.MetaMessage("track_name", name=title or "callresp"))
    said = "a beat is a second; tick 0 is the start of the recording"
    head.append(mido.MetaMessage("text", text=f"{said}{f' ({start})' if start else ''}"))
    loudest_db = next((t.loudest_db for t in tracks if t.loudest_db is not None), None)
    if loudest_db is not None:
        head.append(mido.MetaMessage("text", text=level_text(loudest_db)))
    head.append(mido.MetaMessage("set_tempo", tempo=TEMPO_US))
    head.append(mido.MetaMessage("time_signature", numerator=4, denominator=4))
    head.append(mido.MetaMessage("end_of_track"))
    file.tracks.append(head)
    for track in tracks:
        rows = mido.MidiTrack()
        rows.append(mido.MetaMessage("track_name", name=track.name))
        now = 0
        ordered = sorted(
            ((tick_of(at_s), order, message) for at_s, order, message in track.events),
            key=lambda event: event[:2],
        )
        for tick, _, message in ordered:
            rows.append(message.copy(time=tick - now))
            now = tick
        rows.append(mido.MetaMessage("end_of_track"))
        file.tracks.append(rows)
    return file
