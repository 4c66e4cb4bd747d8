"""The session as the page is told it: state, heard notes, pitch tracks."""

from __future__ import annotations

import msgspec

from callresp.desk import messages
from callresp.desk.answers import RuleAnswer
from callresp.desk.session import DeskSession
from callresp.io.audio import BLOCK
from callresp.io.resources import shipped
from callresp.palette.model import Striker
from callresp.plots.excerpt import lane_order
from callresp.plots.excerpt_heard import frequency_range
from callresp.plots.excerpt_picture import readable
from callresp.plots.style import OTHER_VOICES, VOICE_COLOURS, pitch_name, voice_colours
from callresp.reply.selection import missing

# The same singers on a dark ground, chosen as the inks on light ground were: each at least
# 4.5 : 1 against it, and as far apart as they could be for every kind of colour vision.
DARK_COLOURS = ("#6781FF", "#E06E2E", "#30EA99", "#FFE12C", "#B06EA6", "#D0F1FF")
DARK_OTHERS = "#A9AEB5"
TRACKS_MAX = 4000
# After the recording ends, the last strokes ring out.
TAIL_S = 3.0


def inks_of(session: DeskSession) -> list[messages.Voice]:
    """The singers, the order that columns count them in."""
    counts = session.need_heard().voices
    light = voice_colours(name for name, count in counts.items() for _ in range(count))
    on_dark = dict(zip(VOICE_COLOURS, DARK_COLOURS, strict=True)) | {OTHER_VOICES: DARK_OTHERS}
    names = sorted(counts, key=lambda name: (len(name), name))
    return [
        messages.Voice(name=name, light=light[name], dark=on_dark[light[name]], notes=counts[name])
        for name in names
    ]


def state_of(session: DeskSession, answer: RuleAnswer | None, told: str = "") -> messages.State:
    """How the session stands."""
    offered, left = session.offered(), session.journal.left
    return messages.State(
        source=_source(session),
        sources=session.sources,
        rules=_rules(session),
        palette=_palette(session),
        shipped_rules=tuple(shipped("rules")),
        shipped_palettes=tuple(shipped("palettes")),
        own_rules=session.own_rules,
        own_palettes=session.own_palettes,
        distance_m=session.listening.distance_m or session.palette.distance_m,
        muted=tuple(sorted(session.listening.muted)),
        answer=0 if answer is None else answer.number,
        sound=0 if answer is None else session.sound_of(answer).number,
        whole=answer is not None and answer.whole,
        offered=None
        if offered is None
        else messages.Offered(at=offered.at, changes=len(left), did=offered.did),
        trouble=session.journal.trouble,
        told=told,
    )


def _source(session: DeskSession) -> messages.SourceState:
    source, chorus, heard = session.source, session.chorus, session.heard
    score = None if heard is None else heard.score
    duration_s = 0.0 if score is None else score.header.duration_s
    if chorus is not None:
        duration_s = max(duration_s, chorus.frames / chorus.rate_hz)
    low_hz, high_hz = frequency_range(score, None)
    if chorus is not None:
        low_hz, high_hz = chorus.low_hz, chorus.high_hz
    return messages.SourceState(
        name=readable(source.name),
        file=source.path.name,
        kind=source.kind,
        duration_s=duration_s,
        start=None if score is None else score.header.start,
        rate_hz=session.rate_hz,
        frames=round((duration_s + TAIL_S) * session.rate_hz) if duration_s else 0,
        chunk=BLOCK,
        low_hz=low_hz,
        high_hz=high_hz,
        has_sound=chorus is not None,
        ready=session.ready.is_set(),
        share=session.share,
        fault=session.trouble,
        warnings=() if score is None else score.header.warnings,
        voices=tuple(inks_of(session)) if heard is not None else (),
        notes=0 if score is None else len(score.notes),
        phrases=0 if heard is None else len(heard.phrases),
    )


def _rules(session: DeskSession) -> messages.RulesState:
    slot = session.slot
    rules = slot.text.rules
    return messages.RulesState(
        slot=session.active,
        names={name: own.text.rules.name for name, own in session.slots.items()},
        file=slot.file,
        values=msgspec.to_builtins(rules),
        given=slot.text.given(),
        off=tuple(n for n, rule in enumerate(rules.rule, 1) if rule.weight == 0),
        undo=len(slot.past),
        redo=len(slot.future),
        changed=slot.text.text != slot.saved,
        missing=tuple(missing(rules, session.palette)),
    )


def _palette(session: DeskSession) -> messages.PaletteState:
    palette = session.palette
    lanes = []
    for item in lane_order(palette):
        pitch = item.pitch_hz if isinstance(item, Striker) else None
        lanes.append(
            messages.Lane(
                name=item.name,
                kind=item.kind,
                pitch_hz=pitch,
                said=pitch_name(pitch) if pitch is not None else item.kind,
                damper=isinstance(item, Striker) and item.damper is not None,
                turner=not isinstance(item, Striker),
            )
        )
    return messages.PaletteState(
        name=session.palette_name,
        title=palette.name,
        distance_m=palette.distance_m,
        lanes=tuple(lanes),
    )


def heard_columns(session: DeskSession) -> messages.HeardColumns:
    """The heard notes and phrases as columns."""
    heard = session.need_heard()
    notes = heard.score.notes
    number = {voice.name: n for n, voice in enumerate(inks_of(session))}
    return messages.HeardColumns(
        id=[note.id for note in notes],
        onset_s=[note.onset_s for note in notes],
        offset_s=[note.offset_s for note in notes],
        pitch_hz=[note.pitch_hz for note in notes],
        low_hz=[note.low_hz for note in notes],
        high_hz=[note.high_hz for note in notes],
        level_db=[note.level_db for note in notes],
        voice=[number[note.voice] for note in notes],
        phrase=[note.phrase for note in notes],
        phrases=[
            (own.id, number[own.voice], own.onset_s, own.offset_s, len(own.notes))
            for own in heard.phrases.values()
        ],
    )


def tracks_in(session: DeskSession, from_s: float, to_s: float) -> dict[str, object]:
    """Pitch tracks of the notes that sound in a stretch, by the notes' numbers."""
    found: dict[str, object] = {}
    for note in session.need_heard().score.notes:
        if note.onset_s > to_s or len(found) >= TRACKS_MAX:
            break
        if note.offset_s >= from_s and len(note.track) > 1:
            found[str(note.id)] = note.track
    return {"from_s": from_s, "to_s": to_s, "tracks": found}
