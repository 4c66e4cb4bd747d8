"""From a MIDI file to a reply score: what export wrote comes back, and obstacles have a bar."""

from __future__ import annotations

import random
from pathlib import Path

import mido
import msgspec
import pytest
from click.testing import CliRunner
from plan_helpers import random_palette, random_reply, reply_note

from callresp.cli import cli
from callresp.errors import UserError
from callresp.io.score import ReplyHeader, ReplyScore
from callresp.io.score_files import read_reply, write_reply
from callresp.midi.file import write_midi
from callresp.midi.imported import import_midi, obstacles_in_plan
from callresp.midi.keymap import KeyMap, force_for
from callresp.midi.tuning import hz_of, key_of
from callresp.palette.files import fingerprint, load_palette
from callresp.palette.model import MidiKey, Palette
from callresp.plan.planner import make_plan

TICK_S = 1 / 1920


def named_keys(*messages: mido.Message | mido.MetaMessage, beat: int = 480) -> mido.MidiFile:
    made = mido.MidiFile(type=1, ticks_per_beat=beat)
    made.tracks.append(mido.MidiTrack(messages))
    return made


def key(
    note: int, wait: int = 0, length: int = 100, velocity: int = 127, channel: int = 0
) -> tuple[mido.Message, mido.Message]:
    on = mido.Message("note_on", note=note, velocity=velocity, time=wait, channel=channel)
    return on, mido.Message("note_off", note=note, time=length, channel=channel)


def test_import_of_export_is_the_same_score(tmp_path: Path) -> None:
    rng = random.Random(5)
    for _ in range(25):
        palette = random_palette(rng)
        names = [item.name for item in palette.striker] + [item.name for item in palette.turner]
        asked = random_reply(rng, names)
        if not asked.notes:
            continue
        path = tmp_path / "x.mid"
        write_midi(path, reply=asked, palette=palette)
        back = import_midi(path, palette).reply
        by_name = {name: [n for n in asked.notes if n.instrument == name] for name in names}
        for name, wanted in by_name.items():
            got = [note for note in back.notes if note.instrument == name]
            assert len(got) == len(wanted)
            for own, other in zip(got, sorted(wanted, key=lambda n: n.onset_s), strict=True):
                # To the tick of the file: half of 0.52 ms.
                assert own.onset_s == pytest.approx(other.onset_s, abs=TICK_S / 2 + 1e-9)
        assert back.header.palette == palette.name


def test_a_plan_that_was_exported_and_imported_strikes_alike(tmp_path: Path) -> None:
    palette = load_palette("fettle")
    rng = random.Random(11)
    for _ in range(10):
        now, notes = 0.5, []
        for number in range(40):
            now += rng.choice([0.02, 0.15, 0.3, 1.1])
            item = rng.choice(palette.striker)
            notes.append(
                reply_note(number, now, now + rng.uniform(0.1, 2), item.name, rng.random())
            )
        plan = make_plan(ReplyScore(header=ReplyHeader(), notes=tuple(notes)), palette)
        path = tmp_path / "x.mid"
        write_midi(path, plan=plan.plan, palette=palette)
        again = make_plan(import_midi(path, palette).reply, palette)
        assert len(again.plan.strikes) == len(plan.plan.strikes)
        order = [sorted(p.plan.strikes, key=lambda s: (s.channel, s.at_s)) for p in (plan, again)]
        for own, other in zip(*order, strict=True):
            assert own.channel == other.channel
            assert own.at_s == pytest.approx(other.at_s, abs=3e-4)
            # A step of velocity, 0.3 dB at the loudest, is a little of the pulse.
            assert own.pulse_ms == pytest.approx(other.pulse_ms, rel=0.04)


def test_strikers_of_one_pitch_are_told_apart_in_one_track(tmp_path: Path) -> None:
    palette = load_palette("fettle")
    first, *rest = palette.striker
    twin = msgspec.structs.replace(rest[0], pitch_hz=first.pitch_hz)
    palette = msgspec.structs.replace(palette, striker=(first, twin, *rest[1:]))
    notes = tuple(reply_note(n, n / 2, None, item.name) for n, item in enumerate(palette.striker))
    path = tmp_path / "x.mid"
    write_midi(path, reply=ReplyScore(header=ReplyHeader(), notes=notes), palette=palette)
    one = mido.MidiFile(type=0, ticks_per_beat=1920)
    one.tracks.append(mido.merge_tracks(mido.MidiFile(path).tracks))
    one.tracks[0] = mido.MidiTrack(m for m in one.tracks[0] if m.type != "track_name")
    one.save(path)
    back = import_midi(path, palette)
    assert [n.instrument for n in back.reply.notes] == [n.instrument for n in notes]
    assert back.obstacles == ()


def test_keys_go_by_table_then_by_name_then_by_drum_key_then_by_pitch() -> None:
    palette = load_palette("fettle")
    tube_3 = palette.striker[2]
    near = key_of(tube_3.pitch_hz or 0)
    keys = KeyMap(palette)
    found = keys.find(0, round(near), hz_of(near + 0.2))
    assert found is not None
    assert (found.instrument.name, round(found.off_cents)) == ("tube 3", -20)
    by_name = keys.find(0, 1, 30.0, "Tin Box")
    assert by_name is not None
    assert by_name.instrument.name == "tin box"
    # General MIDI percussion: 76 is the high wood block, 70 maracas, 56 a cow bell, 36 a bass drum.
    drums = [keys.find(9, number, 0.1) for number in (76, 70, 56, 36)]
    assert [d and d.instrument.name for d in drums] == ["oak block", "bead shaker", "tin box", None]
    table = (MidiKey(plays="tube 1", key=36, channel=10), MidiKey(plays="tube 2", track="Bass"))
    told = KeyMap(msgspec.structs.replace(palette, midi=table))
    rows = [told.find(9, 36, 60.0), told.find(3, 99, 60.0, "bass"), told.find(0, 36, 3000.0)]
    # Key 36 of another channel goes by its pitch.
    assert [r and r.instrument.name for r in rows] == ["tube 1", "tube 2", "tube 5"]


def test_velocity_asks_for_a_level_by_the_square_law() -> None:
    # General MIDI guidelines: 40 log10(velocity / 127) dB; tube 1 spans 58 to 79 dB.
    tube = load_palette("fettle").striker[0]
    assert force_for(tube, 127) == 1.0
    assert force_for(tube, 64) == pytest.approx((21 - 11.905) / 21, abs=1e-3)
    assert force_for(tube, 1) == 0.0
    assert force_for(tube, 112, loudest_db=68.5) == pytest.approx(0.5)


def test_obstacles_have_their_bar_and_beat(tmp_path: Path) -> None:
    palette = load_palette("fettle")
    tube = round(key_of(palette.striker[0].pitch_hz or 0))
    path = tmp_path / "x.mid"
    named_keys(
        mido.MetaMessage("track_name", name="Lead"),
        mido.MetaMessage("time_signature", numerator=3, denominator=4),
        *key(tube, wait=480),
        # 48 ticks are 50 ms, and the tube needs 110 ms between strokes.
        *key(tube, wait=1440 - 580, length=10),
        *key(tube, wait=38, length=10),
        *key(36, wait=3120 - 1498, channel=9),
        *key(60, wait=140),
    ).save(path)
    done = import_midi(path, palette)
    rows = [(o.place, o.track, o.key, o.kind) for o in done.obstacles]
    assert rows == [
        ("bar 3, beat 1.5", "Lead", "drum key 36", "left out"),
        ("bar 3, beat 2", "Lead", "C4", "other pitch"),
    ]
    assert "cents higher" in done.obstacles[1].why
    planned = obstacles_in_plan(done, make_plan(done.reply, palette).plan.changes)
    assert [(o.place, o.kind) for o in planned] == [("bar 2, beat 1.1", "dropped")]
    assert "restrike_ms" in planned[0].why
    nearer = import_midi(path, palette, within_cents=100)
    assert [o.kind for o in nearer.obstacles] == ["left out", "left out"]
    # C4 is 24 semitones below C6, 45 cents from the lowest tube.
    raised = import_midi(path, palette, within_cents=100, transpose=24)
    assert [o.key for o in raised.obstacles if o.kind == "left out"] != ["drum key 36", "C4"]


def test_a_striker_without_a_damper_rings_and_a_damped_one_ends_with_its_key(
    tmp_path: Path,
) -> None:
    palette = load_palette("fettle")
    path = tmp_path / "x.mid"
    tube = round(key_of(palette.striker[0].pitch_hz or 0))
    named_keys(*key(tube, length=240), *key(76, length=240, channel=9)).save(path)
    first, second = import_midi(path, palette).reply.notes
    assert first.instrument == "tube 1"
    assert first.offset_s == pytest.approx(0.25)
    assert (second.instrument, second.offset_s) == ("oak block", None)
    assert first.asked_hz == pytest.approx(hz_of(tube))
    assert second.asked_hz is None


def test_what_was_heard_is_left_out_and_a_piece_of_days_refused(tmp_path: Path) -> None:
    palette = load_palette("fettle")
    path = tmp_path / "x.mid"
    named_keys(mido.MetaMessage("track_name", name="heard: A"), *key(90)).save(path)
    with pytest.raises(UserError, match="holds no notes to play"):
        import_midi(path, palette)
    named_keys(*key(90, wait=268_000_000), beat=1).save(path)
    with pytest.raises(UserError, match="lasts 37222 h"):
        import_midi(path, palette)


def test_a_table_of_keys_is_no_part_of_the_machine_and_names_what_there_is(
    tmp_path: Path,
) -> None:
    palette = load_palette("fettle")
    table = (MidiKey(plays="tube 1", key=36),)
    assert fingerprint(msgspec.structs.replace(palette, midi=table)) == fingerprint(palette)
    shipped = Path(__file__).parent.parent / "corpus" / "palettes" / "fettle.toml"
    own = tmp_path / "mine.toml"
    own.write_text(shipped.read_text() + '\n[[midi]]\nkey = 36\nplays = "tube 9"\n')
    with pytest.raises(UserError, match=r"midi\[1\]\.plays: no 'tube 9' here; allowed: tube 1"):
        load_palette(own)


def imported(tmp_path: Path, *words: str) -> tuple[int, str]:
    done = CliRunner().invoke(cli, ["import", str(tmp_path / "x.mid"), *words])
    return done.exit_code, done.output


def test_the_command_writes_a_score_that_can_be_checked(tmp_path: Path) -> None:
    tube = round(key_of(load_palette("fettle").striker[0].pitch_hz or 0))
    named_keys(*key(tube), *key(tube, wait=600)).save(tmp_path / "x.mid")
    status, told = imported(tmp_path)
    assert status == 0
    assert "all can be played as written" in told
    score = read_reply(tmp_path / "x.reply.jsonl")
    assert [note.instrument for note in score.notes] == ["tube 1", "tube 1"]
    # The same piece again replaces it, but what was exported from a reply does not replace that.
    assert imported(tmp_path)[0] == 0
    header = msgspec.structs.replace(score.header, recording="dawn.wav")
    kept = msgspec.structs.replace(score, header=header)
    write_reply(tmp_path / "x.reply.jsonl", kept)
    refused = CliRunner().invoke(cli, ["import", str(tmp_path / "x.mid")]).exception
    assert isinstance(refused, UserError)
    assert "holds the reply to 'dawn.wav'; name another file by --output" in str(refused)
    assert read_reply(tmp_path / "x.reply.jsonl") == kept
    assert imported(tmp_path, "-o", str(tmp_path / "x.reply.jsonl"))[0] == 0
    checked = CliRunner().invoke(cli, ["check", str(tmp_path / "x.reply.jsonl")])
    assert checked.exit_code == 0
    # The piece is no recording: nothing is looked for beside it.
    words = ["rehearse", str(tmp_path / "x.plan.jsonl"), "--picture"]
    assert CliRunner().invoke(cli, words).exit_code == 0
    assert (tmp_path / "x.rehearsal.wav").exists()
    named_keys(*key(40), *key(40, wait=600)).save(tmp_path / "x.mid")
    status, told = imported(tmp_path)
    assert status == 1
    assert "2 E2 other pitch: the nearest, tube 1, is" in told
    assert "first at bar 1, beat 1, track 1" in told
    status, told = imported(tmp_path, "--json", "--list")
    rows = msgspec.json.decode(told)["obstacles"]
    assert [(row["place"], row["kind"]) for row in rows] == [
        ("bar 1, beat 1", "other pitch"), ("bar 1, beat 2.46", "other pitch")
    ]  # fmt: skip


def test_a_palette_has_room_for_a_table() -> None:
    assert Palette.__struct_fields__[-1] == "midi"
