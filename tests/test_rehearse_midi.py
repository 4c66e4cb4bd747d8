"""MIDI files that we write, parsed back by our own reader and by mido.

Our reader shares no code with what writes them, mido, and is held against three others' in
`test_midi_read`.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_helpers import reply_note
from rehearse_helpers import bar, bent_hz, damper, hold, machine, plan, shaker, strike, turn

from callresp.errors import UserError
from callresp.io.score import HeardHeader, HeardScore, Note, ReplyHeader, ReplyScore
from callresp.midi.file import TEMPO_US, TICKS_PER_BEAT, tick_of, tracks_of, write_midi
from callresp.midi.notes import MELODIC, velocity_of
from callresp.midi.out import play
from callresp.midi.ports import open_port
from callresp.midi.smf import META, METER, TEMPO, Event, Smf, parse_smf, read_smf
from callresp.midi.tuning import key_of
from callresp.palette.files import load_palette

TICK_S = TEMPO_US / 1e6 / TICKS_PER_BEAT


def heard_of(*notes: Note) -> HeardScore:
    header = HeardHeader(recording="dawn.wav", start="2026-05-12T04:15:00+01:00")
    return HeardScore(header=header, notes=notes)


def note(
    id: int, onset_s: float, offset_s: float, pitch_hz: float | None, voice: str = "A", **rest: Any
) -> Note:
    return Note(
        id=id,
        onset_s=onset_s,
        offset_s=offset_s,
        pitch_hz=pitch_hz,
        level_db=rest.pop("level_db", -30.0),
        voice=voice,
        **rest,
    )


def read_midi(path: Path) -> Smf:
    midi = read_smf(path)
    assert midi.remarks == (), "breaks the standard"
    return midi


def named(midi: Smf, name: str) -> Sequence[Event]:
    return next(track for track in midi.tracks if track.name == name).events


def notes_of(track: Sequence[Event]) -> list[tuple[float, float, int, int, int]]:
    """(onset, offset, channel, key, velocity) of each note; ends must match begins."""
    open_notes: dict[tuple[int, int], tuple[float, int]] = {}
    found = []
    for event in track:
        kind, channel = event.status & 0xF0, event.status & 0x0F
        if kind == 0x90 and event.data[1] > 0:
            key = (channel, event.data[0])
            assert key not in open_notes, "begun again before its end"
            open_notes[key] = (event.tick * TICK_S, event.data[1])
        elif kind in (0x80, 0x90):
            onset, velocity = open_notes.pop((channel, event.data[0]))
            end = event.tick * TICK_S
            found.append((onset, end, channel, event.data[0], velocity))
    assert not open_notes, "never ended"
    return sorted(found)


def test_the_reader_knows_the_quantities_of_the_standard() -> None:
    # RP-001, examples of variable-length quantities.
    for text, value in (
        ("00", 0),
        ("40", 0x40),
        ("7f", 0x7F),
        ("81 00", 0x80),
        ("c0 00", 0x2000),
        ("ff 7f", 0x3FFF),
        ("81 80 00", 0x4000),
        ("ff ff 7f", 0x1FFFFF),
        ("ff ff ff 7f", 0xFFFFFFF),
    ):
        # Before a note, and the end of its track.
        body = bytes.fromhex(f"{text} 90 3c 40 00 ff 2f 00")
        track = b"MTrk" + len(body).to_bytes(4, "big") + body
        (one,) = parse_smf(bytes.fromhex("4d546864 00000006 0000 0001 0060") + track).tracks
        assert one.events == (Event(value, 0x90, b"\x3c\x40"),)


def test_a_file_byte_by_byte(tmp_path: Path) -> None:
    path = tmp_path / "one.mid"
    write_midi(path, plan=plan(strike(0.49)), palette=machine(bar(440.0, t60_s=(1.0,))))
    data = path.read_bytes()
    # MThd, length 6, format 1, two tracks, 1920 ticks to the quarter note.
    assert data[:14] == bytes.fromhex("4d546864 00000006 0001 0002 0780")
    head, track = (one.events for one in read_midi(path).tracks)
    tempo = next(e for e in head if e.data[0] == TEMPO)
    assert (tempo.tick, tempo.data[1:]) == (0, bytes.fromhex("0f4240")), "1,000,000 µs: 60 a minute"
    signature = next(e for e in head if e.data[0] == METER)
    assert signature.data[1:] == bytes.fromhex("04 02 18 08"), "4/4, 24 clocks, 8 32nds a quarter"
    messages = [(e.tick, f"{e.status:02x} {e.data.hex(' ')}") for e in track if e.status != META]
    assert messages == [
        (0, "c0 09"),
        (0, "b0 65 00"),
        (0, "b0 64 00"),
        (0, "b0 06 02"),
        (0, "b0 26 00"),
        (0, "b0 65 7f"),
        (0, "b0 64 7f"),
        (0, "e0 00 40"),
        (960, "90 45 70"),
        (2880, "80 45 40"),
    ]


def test_mido_reads_the_same(tmp_path: Path) -> None:
    path = tmp_path / "both.mid"
    heard = heard_of(note(1, 0.25, 0.5, 2000.0), note(2, 1.0, 1.1, None, "K"))
    palette = load_palette("fettle")
    score = plan(*(strike(0.5 * i, 10.0, i) for i in range(5)))
    write_midi(path, heard=heard, plan=score, palette=palette)
    ours, theirs = read_midi(path), mido.MidiFile(path)
    assert theirs.type == ours.format == 1
    assert theirs.ticks_per_beat == ours.ticks_per_beat == TICKS_PER_BEAT
    for own, other in zip(ours.tracks, theirs.tracks, strict=True):
        tick, messages = 0, []
        for message in other:
            tick += message.time
            if not message.is_meta:
                messages.append((tick, bytes(message.bytes())))
        mine = [(e.tick, bytes([e.status]) + e.data) for e in own.events if e.status != META]
        assert mine == messages
    assert theirs.length == pytest.approx(max(track.end_tick for track in ours.tracks) * TICK_S)


def test_a_damped_note_ends_and_a_free_note_rings_its_time(tmp_path: Path) -> None:
    path = tmp_path / "x.mid"
    palette = machine(bar(440.0, t60_s=(3.0,), damper=damper("on", 0.2)))
    score = plan(hold(0.9, 1.47), strike(0.99), hold(2.9, 9.0), strike(2.99), duration_s=9.0)
    write_midi(path, plan=score, palette=palette)
    damped, free = notes_of(named(read_midi(path), "reply: bar"))
    assert damped[:2] == pytest.approx((1.0, 1.5), abs=TICK_S), "felt down 30 ms after 1.47 s"
    assert free[:2] == pytest.approx((3.0, 6.0), abs=TICK_S), "T60 of 3 s"


def test_a_note_struck_again_ends_first(tmp_path: Path) -> None:
    path = tmp_path / "x.mid"
    palette = machine(bar(440.0, t60_s=(3.0,)))
    write_midi(path, plan=plan(strike(0.99), strike(1.49), strike(1.99)), palette=palette)
    track = named(read_midi(path), "reply: bar")
    assert [n[:2] for n in notes_of(track)] == [
        pytest.approx(pair, abs=TICK_S) for pair in ((1.0, 1.5), (1.5, 2.0), (2.0, 5.0))
    ]


@given(at_s=st.floats(0.0, 86400.0))
def test_times_are_within_half_a_tick(at_s: float) -> None:
    assert TICK_S <= 0.001
    assert abs(tick_of(at_s) * TICK_S - at_s) <= TICK_S / 2 + 1e-9


@pytest.mark.parametrize("name", ["fettle", "ladder", "pocket"])
def test_every_striker_sounds_at_its_own_pitch(tmp_path: Path, name: str) -> None:
    palette = load_palette(name)
    score = plan(
        *(
            strike(float(i), s.force[-1].pulse_ms, s.coil.channel)
            for i, s in enumerate(palette.striker)
        )
    )
    path = tmp_path / "x.mid"
    write_midi(path, plan=score, palette=palette)
    midi = read_midi(path)
    for striker in palette.striker:
        track = named(midi, f"reply: {striker.name}")
        ((_, _, channel, key, _),) = notes_of(track)
        if striker.pitch_hz is None:
            assert channel == 9
            continue
        wheel = next(e for e in track if e.status & 0xF0 == 0xE0)
        bend = wheel.data[0] + 128 * wheel.data[1] - 8192
        found = bent_hz(key, bend, 2)
        assert key_of(found) == pytest.approx(key_of(striker.pitch_hz), abs=2e-4)


def test_strikers_without_pitch_have_percussion_keys_of_their_own(tmp_path: Path) -> None:
    palette = load_palette("ladder")
    unpitched = [s for s in palette.striker if s.pitch_hz is None]
    assert len(unpitched) >= 2
    score = plan(*(strike(1.0, s.force[-1].pulse_ms, s.coil.channel) for s in unpitched))
    path = tmp_path / "x.mid"
    write_midi(path, plan=score, palette=palette, heard=heard_of(note(1, 0.1, 0.2, None)))
    midi = read_midi(path)
    keys = [notes_of(track.events)[0][3] for track in midi.tracks[1:]]
    assert len(set(keys)) == len(keys)
    # General MIDI Level 1 percussion map: keys 35 to 81.
    assert all(35 <= key <= 81 for key in keys)


def test_a_glide_is_bent_along_its_track(tmp_path: Path) -> None:
    track = tuple((0.5 + i * 0.01, 2000.0 * 2 ** (i / 20)) for i in range(21))
    heard = heard_of(note(1, 0.5, 0.7, 2828.0, track=track))
    path = tmp_path / "x.mid"
    write_midi(path, heard=heard)
    events = named(read_midi(path), "heard: A")
    ((onset, _, _, key, _),) = notes_of(events)
    wheels = [
        (e.tick * TICK_S, bent_hz(key, e.data[0] + 128 * e.data[1] - 8192, 24))
        for e in events
        if e.status & 0xF0 == 0xE0
    ]
    assert wheels[0][0] == pytest.approx(onset)
    for (at_s, hz), (there_s, meant) in zip(wheels, track, strict=True):
        assert at_s == pytest.approx(there_s, abs=TICK_S)
        assert hz == pytest.approx(meant, rel=2e-4)


def test_notes_that_overlap_in_one_voice_take_channels_apart(tmp_path: Path) -> None:
    heard = heard_of(note(1, 0.0, 1.0, 2000.0), note(2, 0.5, 1.5, 2010.0))
    path = tmp_path / "x.mid"
    write_midi(path, heard=heard)
    first, second = notes_of(named(read_midi(path), "heard: A"))
    assert first[2] != second[2]


@given(voices=st.integers(1, 30), strikers=st.integers(1, 14))
def test_channels_never_run_out(voices: int, strikers: int) -> None:
    palette = machine(*(bar(300.0 + 60 * i, channel=i, name=f"bar {i}") for i in range(strikers)))
    heard = heard_of(*(note(i, i * 0.1, i * 0.1 + 0.5, 2000.0, f"v{i}") for i in range(voices)))
    score = plan(*(strike(0.2 * i, channel=i) for i in range(strikers)))
    tracks = tracks_of(heard, None, score, palette)
    used = {
        message.channel
        for track in tracks
        for _, _, message in track.events
        if message.type == "note_on"
    }
    assert used <= set(MELODIC)
    assert sum(track.notes for track in tracks) == voices + strikers


def test_a_turner_is_percussion_for_as_long_as_it_runs(tmp_path: Path) -> None:
    path = tmp_path / "x.mid"
    write_midi(path, plan=plan(turn(1.0, 3.0, 2.0)), palette=machine(turner=shaker()))
    ((onset, end, channel, key, _),) = notes_of(named(read_midi(path), "reply: shaker"))
    assert (onset, end) == pytest.approx((1.0, 3.0), abs=TICK_S)
    # General MIDI: 70 is maracas.
    assert (channel, key) == (9, 70)


def test_a_reply_is_written_as_asked(tmp_path: Path) -> None:
    reply = ReplyScore(
        header=ReplyHeader(recording="dawn.wav"),
        notes=(reply_note(0, 1.0, 1.4, "bar"), reply_note(1, 2.0, None, "bar", 0.0)),
    )
    path = tmp_path / "x.mid"
    palette = machine(bar(440.0, t60_s=(3.0,), damper=damper()))
    write_midi(path, reply=reply, palette=palette)
    first, second = notes_of(named(read_midi(path), "reply: bar"))
    assert first[:2] == pytest.approx((1.0, 1.4), abs=TICK_S)
    assert second[:2] == pytest.approx((2.0, 5.0), abs=TICK_S)
    assert first[4] > second[4]


def test_velocity_follows_the_square_law() -> None:
    # General MIDI guidelines: a level of 40 log10(velocity / 127) dB.
    assert velocity_of(0.0, 0.0) == 112
    assert velocity_of(-12.04, 0.0) == 56
    assert velocity_of(-200.0, 0.0) == 1


def test_what_is_missing_is_said() -> None:
    with pytest.raises(UserError, match="nothing to export"):
        tracks_of(None, None, None, None)
    with pytest.raises(UserError, match="strikers without a palette"):
        tracks_of(None, None, plan(strike(0.0)), None)


class FakePort:
    """Keeps what it is sent, and when."""

    def __init__(self) -> None:
        self.now = 100.0
        self.sent: list[tuple[float, Any]] = []

    def send(self, message: Any) -> None:
        self.sent.append((self.now, message))

    def close(self) -> None:
        """As a port has it."""

    def clock(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        assert seconds > 0
        self.now += seconds


def test_live_notes_go_out_at_the_times_of_the_file() -> None:
    palette = machine(bar(440.0, t60_s=(1.0,)))
    tracks = tracks_of(None, None, plan(strike(0.49), strike(2.24)), palette)
    port = FakePort()
    assert play(tracks, port, clock=port.clock, sleep=port.sleep) == 2
    ons = [at - 100.0 for at, message in port.sent if message.type == "note_on"]
    offs = [at - 100.0 for at, message in port.sent if message.type == "note_off"]
    assert ons == pytest.approx([0.5, 2.25])
    assert offs == pytest.approx([1.5, 3.25])


def test_live_from_the_middle_sets_channels_up_and_skips_what_is_past() -> None:
    palette = machine(bar(440.0, t60_s=(1.0,)))
    tracks = tracks_of(None, None, plan(strike(0.49), strike(2.24)), palette)
    port = FakePort()
    assert play(tracks, port, from_s=2.0, clock=port.clock, sleep=port.sleep) == 1
    assert port.sent[0][1].type == "program_change"
    (on,) = [at - 100.0 for at, message in port.sent if message.type == "note_on"]
    assert on == pytest.approx(0.25)


def test_live_always_ends_in_silence() -> None:
    tracks = tracks_of(None, None, plan(strike(0.49)), machine(bar()))
    port = FakePort()

    def interrupted(seconds: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        play(tracks, port, clock=port.clock, sleep=interrupted)
    hushed = {m.channel for _, m in port.sent if m.type == "control_change" and m.control == 123}
    assert hushed == set(range(16))


def test_a_missing_backend_is_told_plainly(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(*args: object, **values: object) -> None:
        raise ModuleNotFoundError("No module named 'rtmidi'")

    monkeypatch.setattr(mido, "Backend", missing)
    with pytest.raises(UserError, match="pip install python-rtmidi"):
        open_port("Synth")


def test_an_unknown_port_is_told_with_those_there_are(monkeypatch: pytest.MonkeyPatch) -> None:
    class Backend:
        def __init__(self, *args: object, **values: object) -> None:
            self.opened: list[tuple[str, bool]] = []

        def get_output_names(self) -> list[str]:
            return ["Synth 20:0", "Through 14:0"]

        def open_output(self, name: str, virtual: bool) -> tuple[str, bool]:
            return name, virtual

    monkeypatch.setattr(mido, "Backend", Backend)
    with pytest.raises(UserError, match="'Synth 20:0', 'Through 14:0'"):
        open_port("Bells")
    opened: list[object] = [open_port("Synth"), open_port("Ours", virtual=True)]
    assert opened == [("Synth 20:0", False), ("Ours", True)]
