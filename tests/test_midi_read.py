"""Reading Standard MIDI Files: what other libraries write, and what is damaged.

References: the worked example of Standard MIDI Files 1.0 (RP-001; its bytes from
memory), mido, music21 and symusic, each with its own reading of the same file.
"""

from __future__ import annotations

import io
import random
from importlib import import_module
from pathlib import Path
from typing import Any, cast

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from callresp.errors import UserError
from callresp.midi.imported import import_midi
from callresp.midi.performance import KeyNote, perform
from callresp.midi.smf import META, SYSEX, Smf, parse_smf, read_smf
from callresp.midi.timing import MeterMap, TempoMap
from callresp.midi.tuning import hz_of
from callresp.palette.files import load_palette

FETTLE = load_palette("fettle")

# The example of the standard: 4/4 at 120, three channels, running status.
EXAMPLE = bytes.fromhex(
    "4d546864 00000006 0000 0001 0060 4d54726b 0000003b"
    "00ff580404021808 00ff510307a120 00c005 00c12e 00c246"
    "00923060 003c60 60914340 60904c40 8140823040 003c40 00814340 00804c40 00ff2f00"
)


def track(*events: str, end: str = "00 ff 2f 00") -> bytes:
    body = bytes.fromhex("".join([*events, end]))
    return b"MTrk" + len(body).to_bytes(4, "big") + body


def file(*tracks: bytes, form: int = 0, division: int = 96, promised: int | None = None) -> bytes:
    count = len(tracks) if promised is None else promised
    head = b"".join(n.to_bytes(2, "big") for n in (form, count, division))
    return b"MThd" + (6).to_bytes(4, "big") + head + b"".join(tracks)


def notes(data: bytes) -> list[KeyNote]:
    return perform(parse_smf(data))


def test_the_example_of_the_standard() -> None:
    smf = parse_smf(EXAMPLE)
    assert (smf.format, smf.ticks_per_beat, smf.remarks) == (0, 96, ())
    found = {(n.channel, n.key): (n.onset, n.offset, n.velocity) for n in perform(smf)}
    # From the standard's own table: C3 and C4 forte from 0, G4 from beat 2, E5 from beat 3.
    assert found == {
        (2, 0x30): (0, 384, 0x60),
        (2, 0x3C): (0, 384, 0x60),
        (1, 0x43): (96, 384, 0x40),
        (0, 0x4C): (192, 384, 0x40),
    }
    assert TempoMap(smf).seconds(192) == pytest.approx(1.0)
    assert MeterMap(smf).place(192) == "bar 1, beat 3"


def test_what_the_standard_asks_a_reader_to_pass_over() -> None:
    plain = track("00 90 3c 40", "60 80 3c 40")
    alien = b"XFIH" + (3).to_bytes(4, "big") + b"abc"
    unknown = track("00 ff 7e 02 aa bb", "00 90 3c 40", "60 80 3c 40")
    longer = file(plain)[:4] + (8).to_bytes(4, "big") + file(plain)[8:14] + b"\0\0" + plain
    for data in (file(plain)[:14] + alien + plain + alien, file(unknown), longer):
        smf = parse_smf(data)
        assert smf.remarks == ()
        assert [(n.onset, n.offset, n.key) for n in perform(smf)] == [(0, 96, 60)]


def test_what_breaks_the_standard_and_hurts_nothing_is_remarked() -> None:
    on_off = ("00 90 3c 40", "60 80 3c 40")
    assert parse_smf(file(track(*on_off, end=""))).remarks == ("track 1 lacks its end",)
    assert "promises 3 tracks" in parse_smf(file(track(*on_off), promised=3)).remarks[0]
    several = parse_smf(file(track(*on_off), track(*on_off)))
    assert several.remarks == ("format 0 with several tracks, read as format 1",)
    beyond = parse_smf(file(track(*on_off, "00 ff 2f 00", "00")))
    assert beyond.remarks == ("5 bytes after the end of track 1",)
    assert "3 bytes after its last chunk" in parse_smf(file(track(*on_off)) + b"abc").remarks


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"RIFFxxxx", "is no Standard MIDI File"),
        (b"MThd\0\0\0\6\0\0", "its header breaks off"),
        (file(track(), form=2), "don't belong together"),
        (file(track(), form=9), "of no known format"),
        (file(track(), division=0), "gives a beat no ticks"),
        (file(track(), division=0x8000 | 99), "frames a second"),
        (file(), "holds no track"),
        (file(track("00 90 3c 40"))[:-3], "track 1: breaks off: 5 of 8 bytes"),
        (file(track("00 3c 40")), "track 1: a data byte without a status at byte 24"),
        (file(track("00 ff 01 00", "00 90 3c 40 00 ff 01 00 00 3c 40")), "without a status"),
        (file(track("00 90 3c c0")), "a message 90 without its data"),
        (file(track("00 f4")), "a status F4, which has no place in a file"),
        (file(track("ff ff ff ff 7f 90 3c 40")), "a number of more than four bytes"),
        (file(track("00 ff 03 20 41")), "32 bytes of data"),
        (file(track("00", end="")), "it breaks off within an event"),
    ],
)
def test_damage_is_told_with_its_place(data: bytes, told: str) -> None:
    with pytest.raises(UserError, match=r"x\.mid") as fault:
        parse_smf(data, "x.mid")
    assert told in str(fault.value)


def test_a_beat_of_smpte_time_has_seconds_and_no_bars() -> None:
    # 25 frames of 40 ticks: a tick is a millisecond (RP-001). 29 is 29.97 frames.
    smf = parse_smf(file(track("81 00 90 3c 40", "60 80 3c 40"), division=0xE728))
    assert TempoMap(smf).seconds(1000) == pytest.approx(1.0)
    assert MeterMap(smf).place(1000) == ""
    drop = parse_smf(file(track(), division=0xE364))
    assert TempoMap(drop).seconds(2997) == pytest.approx(1.0, abs=1e-5)


def test_bars_follow_the_meter() -> None:
    three_four, six_eight = "00 ff 58 04 03 02 18 08", "84 40 ff 58 04 06 03 18 08"
    meter = MeterMap(parse_smf(file(track(three_four, six_eight))))
    # Two bars of three quarters (576 ticks), then bars of six eighths of 48 ticks.
    assert meter.place(0) == "bar 1, beat 1"
    assert meter.place(575) == "bar 2, beat 3.99"
    assert meter.place(576) == "bar 3, beat 1"
    assert meter.place(576 + 48 * 5) == "bar 3, beat 6"
    assert meter.place(576 + 48 * 6 + 24) == "bar 4, beat 1.5"


def test_the_pedal_holds_and_running_status_ends_with_a_meta_event() -> None:
    down, up = "00 b0 40 7f", "60 b0 40 00"
    held = notes(file(track(down, "00 90 3c 40", "60 90 3c 00", up)))
    assert [(n.onset, n.offset) for n in held] == [(0, 192)]
    half = notes(file(track("00 b0 40 3f", "00 90 3c 40", "60 90 3c 00", up)))
    assert [(n.onset, n.offset) for n in half] == [(0, 96)]


def test_two_notes_of_one_key_end_first_in_first_out_and_what_is_left_with_the_file() -> None:
    twice = notes(
        file(track("00 90 3c 40", "10 3c 41", "10 80 3c 40", "10 3c 40", "00 90 3e 10", "20 3e 00"))
    )
    assert [(n.onset, n.offset, n.velocity) for n in twice[:2]] == [(0, 32, 64), (16, 48, 65)]
    left = notes(file(track("00 90 3c 40", "60 90 3e 40", end="20 ff 2f 00")))
    assert [(n.key, n.offset) for n in left] == [(60, 128), (62, 128)]
    silenced = notes(file(track("00 90 3c 40", "10 b0 7b 00", end="20 ff 2f 00")))
    assert [n.offset for n in silenced] == [16]


def test_tuning_and_bend_make_the_pitch() -> None:
    # MIDI Tuning Standard: 45 00 00 is 440 Hz; a fraction of 40 00 is half a semitone.
    tuned = "00 f0 0b 7f 7f 08 02 00 01 3c 45 40 00 f7"
    assert notes(file(track(tuned, "00 90 3c 40")))[0].hz == pytest.approx(hz_of(69.5))
    unchanged = "00 f0 0b 7f 7f 08 02 00 01 3c 7f 7f 7f f7"
    assert notes(file(track(unchanged, "00 90 3c 40")))[0].hz == pytest.approx(hz_of(60))
    other = "00 b0 65 00 00 64 03 00 06 05"
    assert notes(file(track(other, tuned, "00 90 3c 40")))[0].hz == pytest.approx(hz_of(60))
    # Registered parameter 0: a range of 12 semitones and 50 cents; then 3/4 of the way up.
    bent = "00 b0 65 00 00 64 00 00 06 0c 00 26 32 00 e0 00 70"
    assert notes(file(track(bent, "00 90 3c 40")))[0].hz == pytest.approx(hz_of(60 + 9.375))
    coarse_fine = "00 b0 65 00 00 64 02 00 06 41 00 64 01 00 06 60 00 26 00"
    assert notes(file(track(coarse_fine, "00 90 3c 40")))[0].hz == pytest.approx(hz_of(61.5))


events = st.lists(
    st.tuples(st.integers(0, 500), st.integers(0, 15), st.integers(0, 127), st.integers(0, 127)),
    max_size=30,
)


@settings(max_examples=40, deadline=None)
@given(st.lists(events, min_size=1, max_size=4), st.integers(1, 2000))
def test_events_are_those_that_mido_reads(tracks: list[list[tuple[int, ...]]], beat: int) -> None:
    made = mido.MidiFile(type=1, ticks_per_beat=beat)
    for rows in tracks:
        made.tracks.append(mido.MidiTrack())
        for wait, channel, key, velocity in rows:
            made.tracks[-1].append(
                mido.Message("note_on", channel=channel, note=key, velocity=velocity, time=wait)
            )
            made.tracks[-1].append(mido.Message("sysex", data=(channel, key)))
            made.tracks[-1].append(mido.MetaMessage("set_tempo", tempo=1 + 1000 * velocity))
    kept = io.BytesIO()
    made.save(file=kept)
    kept.seek(0)
    read = parse_smf(kept.getvalue())
    for ours, theirs in zip(read.tracks, mido.MidiFile(file=kept).tracks, strict=True):
        tick, told = 0, []
        for message in theirs:
            tick += message.time
            if message.type == "note_on":
                data = bytes((message.note, message.velocity))
                told.append((tick, 0x90 | message.channel, data))
            elif message.type == "sysex":
                told.append((tick, SYSEX, bytes((*message.data, 0xF7))))
            elif message.type == "set_tempo":
                told.append((tick, META, b"\x51" + message.tempo.to_bytes(3, "big")))
        assert list(ours.events) == told


def seconds_of(smf: Smf) -> list[tuple[float, float, int, int]]:
    tempo = TempoMap(smf)
    return [
        (tempo.seconds(n.onset), tempo.seconds(n.offset), n.key, n.velocity) for n in perform(smf)
    ]


def test_a_file_of_symusic_sounds_when_symusic_says(tmp_path: Path) -> None:
    symusic: Any = import_module("symusic")
    rng = random.Random(3)
    score = symusic.Score(480)
    for name in ("tubes", "block"):
        part = symusic.Track(name, 14, False)
        for n in range(60):
            part.notes.append(symusic.Note(n * 240 + rng.randrange(60), 120, 60 + n, 1 + n * 2))
        score.tracks.append(part)
    for n in range(12):
        score.tempos.append(symusic.Tempo(n * 1000, rng.uniform(30, 300)))
    path = tmp_path / "symusic.mid"
    score.dump_midi(str(path))
    theirs = [
        (note.time, note.time + note.duration, note.pitch, note.velocity)
        for part in symusic.Score(str(path), ttype="second").tracks
        for note in part.notes
    ]
    ours = read_smf(path)
    assert ours.remarks == ()
    assert {part.name for part in ours.tracks} >= {"tubes", "block"}
    for own, other in zip(sorted(seconds_of(ours)), sorted(theirs), strict=True):
        # Its seconds are 32-bit floats.
        assert own == pytest.approx(other, abs=1e-4)


def test_a_file_of_music21_sounds_when_music21_says(tmp_path: Path) -> None:
    meter, note, stream, tempo = (
        cast("Any", import_module(f"music21.{name}"))
        for name in ("meter", "note", "stream", "tempo")
    )
    part = stream.Part()
    part.append(meter.TimeSignature("3/4"))
    written = [(84, 1.0), (86, 0.5), (88, 1.5), (90, 1 / 3), (91, 2 / 3), (93, 2.0)]
    for number, (key, beats) in enumerate(written):
        if number % 2 == 0:
            part.append(tempo.MetronomeMark(number=60 + 30 * number))
        made = note.Note(key)
        made.quarterLength = beats
        made.volume.velocity = 40 + number
        part.append(made)
    score = stream.Score()
    score.insert(0, part)
    path = Path(str(score.write("midi", fp=tmp_path / "music21.mid")))
    rows = [row for row in score.flatten().secondsMap if isinstance(row["element"], note.Note)]
    ours = sorted(seconds_of(read_smf(path)))
    assert [(key, velocity) for _, _, key, velocity in ours] == [
        (key, 40 + n) for n, (key, _) in enumerate(written)
    ]
    for (onset_s, offset_s, _, _), row in zip(ours, rows, strict=True):
        # It writes tempi as whole microseconds a beat.
        assert onset_s == pytest.approx(row["offsetSeconds"], abs=1e-4)
        assert offset_s == pytest.approx(row["endTimeSeconds"], abs=1e-4)
    place = MeterMap(read_smf(path)).place
    assert [place(n.onset) for n in perform(read_smf(path))][2] == "bar 1, beat 2.5"


def test_damaged_files_are_read_or_refused_in_one_line(tmp_path: Path) -> None:
    rng, told, path = random.Random(1), [], tmp_path / "x.mid"
    whole = EXAMPLE + track("00 ff 58 04 03 02 18 08", "00 f0 03 7f 01 f7", "00 e0 00 70")
    for _ in range(400):
        data = bytearray(whole)
        for _ in range(rng.randrange(1, 6)):
            place = rng.randrange(len(data))
            how = rng.random()
            if how < 0.6:
                data[place] = rng.randrange(256)
            elif how < 0.8:
                del data[place:]
                data += b"MTrk" * (not data)
            else:
                data[place:place] = rng.randbytes(rng.randrange(1, 4))
        try:
            smf = parse_smf(bytes(data))
            tempo, meter = TempoMap(smf), MeterMap(smf)
            for one in perform(smf):
                assert tempo.seconds(one.offset) >= tempo.seconds(one.onset) >= 0
                meter.place(one.onset)
            path.write_bytes(data)
            import_midi(path, FETTLE)
        except UserError as fault:
            told.append(str(fault))
    assert len(told) > 100
    assert not any("\n" in text for text in told)


def test_a_file_that_is_missing_is_told(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="can't be read"):
        read_smf(tmp_path / "none.mid")
