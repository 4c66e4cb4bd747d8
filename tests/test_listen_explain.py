"""`callresp explain`: each reason for leaving something out, and what would change it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from listen_helpers import tone

from callresp.cli import cli
from callresp.commands.explain import print_singers, print_summary
from callresp.errors import UserError
from callresp.io.audio import open_recording, write_wav
from callresp.listen.diagnostics import LONGEST_S, _why, collect_evidence
from callresp.listen.explanation import TERMS
from callresp.listen.kernels import layout
from callresp.listen.offline import note_table
from callresp.listen.profile import Profile
from callresp.listen.voices.assign import VoiceEvidence, VoiceReasons

RATE_HZ = 48000


def recording(folder: Path, *parts: tuple[float, float, float, float]) -> Path:
    """Whistles (second, length, hertz, peak) over steady noise, six seconds."""
    wave = 0.002 * np.random.default_rng(5).standard_normal(6 * RATE_HZ)
    for at_s, length_s, hertz, peak in parts:
        whistle = tone(hertz, length_s, RATE_HZ, peak) * np.hanning(round(length_s * RATE_HZ))
        first = round(at_s * RATE_HZ)
        wave[first : first + len(whistle)] += whistle
    path = folder / "stretch.wav"
    write_wav(path, wave, RATE_HZ)
    return path


def test_it_hears_what_transcribing_hears(tmp_path: Path) -> None:
    path = recording(tmp_path, (1.0, 0.1, 3000, 0.3), (2.0, 0.1, 4000, 0.3), (4.5, 0.1, 2500, 0.3))
    whole = note_table(open_recording(path), Profile())[0].notes
    found = collect_evidence(open_recording(path), Profile(), 0.5, 3.0)
    assert len(whole) == 3
    np.testing.assert_allclose(found.notes["onset_s"], whole["onset_s"][:2], atol=1e-6)
    assert found.power_db.shape == (len(found.at_s), len(found.hertz)) == found.floor_db.shape
    near = np.abs(found.points[:, 0] - 1.05) < 0.02
    assert np.abs(found.points[near, 1] - 3000).min() < 20


def test_a_short_whistle_is_told_and_its_setting_brings_it_back(tmp_path: Path) -> None:
    path = recording(tmp_path, (2.0, 0.06, 3000, 0.2))
    strict = Profile(shortest_note_ms=200)
    found = collect_evidence(open_recording(path), strict, 1.5, 3.0)
    assert len(found.notes) == 0
    (one,) = [one for one in found.left_out if one.low_hz - 100 < 3000 < one.high_hz + 100]
    assert one.setting == "shortest_note_ms"
    assert abs(one.onset_s - 2.01) < 0.03
    assert len(collect_evidence(open_recording(path), Profile(), 1.5, 3.0).notes) == 1


def test_a_faint_whistle_is_told_and_its_setting_brings_it_back(tmp_path: Path) -> None:
    path = recording(tmp_path, (2.0, 0.15, 3000, 0.002))
    strict = collect_evidence(open_recording(path), Profile(floor_db=16), 1.9, 2.3)
    assert len(strict.notes) == 0
    (one,) = [one for one in strict.left_out if one.low_hz < 3000 < one.high_hz]
    assert one.setting == "floor_db"
    assert abs(one.onset_s - 2.01) < 0.03
    (note,) = collect_evidence(open_recording(path), Profile(floor_db=10), 1.9, 2.3).notes
    assert abs(note["pitch_hz"] - 3000) < 30


def test_a_note_without_pitch_says_which_setting_took_it(tmp_path: Path) -> None:
    path = recording(tmp_path, (2.0, 0.1, 3000, 0.3))
    found = collect_evidence(open_recording(path), Profile(least_tonality=1.0), 1.5, 3.0)
    assert "least_tonality" in found.remarks[0]


@pytest.mark.parametrize(
    ("from_s", "to_s", "words"),
    [(2.0, 1.0, "no stretch"), (0.0, LONGEST_S + 1, "too long"), (90.0, 91.0, "lasts 6.00 s")],
)
def test_a_stretch_that_is_none_is_refused(
    from_s: float, to_s: float, words: str, tmp_path: Path
) -> None:
    path = recording(tmp_path)
    with pytest.raises(UserError, match=words):
        collect_evidence(open_recording(path), Profile(), from_s, to_s)


def test_the_picture_says_how_far_it_goes(tmp_path: Path) -> None:
    noise = 1e-3 * np.random.default_rng(0).standard_normal(round(1.5 * RATE_HZ))
    write_wav(tmp_path / "short.wav", noise, RATE_HZ)
    picture = tmp_path / "why.svg"
    words = ["explain", str(tmp_path / "short.wav"), "-o", str(picture)]
    assert CliRunner().invoke(cli, words).exit_code == 0
    assert "short.wav, 0 to 1.5 s" in picture.read_text(encoding="utf-8")


def test_the_command_draws_tells_and_speaks_to_machines(tmp_path: Path) -> None:
    path = recording(tmp_path, (2.0, 0.1, 3000, 0.3))
    run = CliRunner()
    told = run.invoke(cli, ["explain", str(path), "--from", "1"])
    assert told.exit_code == 0, told.output
    assert "3000 Hz" in told.output
    assert (tmp_path / "stretch.explain.png").read_bytes().startswith(b"\x89PNG")
    asked = run.invoke(cli, ["explain", str(path), "--from", "1", "--json"])
    (note,) = json.loads(asked.stdout)["notes"]
    assert abs(note["pitch_hz"] - 3000) < 5


def test_it_tells_who_sang_what_and_why(tmp_path: Path) -> None:
    whistles = [(0.5 + 0.3 * n, 0.1, 3000 + 500 * (n % 2), 0.3) for n in range(8)]
    path = recording(tmp_path, *whistles)
    words = ["explain", str(path), "--from", "0.4", "--to", "2.0", "--json"]
    notes = json.loads(CliRunner().invoke(cli, words).stdout)["notes"]
    assert len(notes) > 3
    for note in notes:
        singer = note["singer"]
        assert singer["voice"] == "A"
        for other in singer["against"]:
            terms = [other[term] for term in TERMS]
            assert other["nats"] == pytest.approx(sum(terms), abs=0.05)
        assert singer["against"][0]["nats"] > 0
    told = CliRunner().invoke(cli, [*words[:-1], "-o", str(tmp_path / "why.png")]).output
    assert "voice A, by" in told


def test_transcribe_can_be_told_how_many_singers_there_are(tmp_path: Path) -> None:
    path = recording(tmp_path, *[(0.5 + 0.4 * n, 0.1, 3000, 0.3) for n in range(6)])
    done = CliRunner().invoke(cli, ["transcribe", str(path), "--singers", "one", "--json"])
    assert {json.loads(row)["voice"] for row in done.stdout.splitlines()} == {"A"}
    wrong = ["transcribe", str(path), "--singers", "one", "--most-singers", "3"]
    assert CliRunner().invoke(cli, wrong).exit_code != 0


def test_of_silence_nothing_became_the_floor(tmp_path: Path) -> None:
    path = tmp_path / "silence.wav"
    soundfile.write(path, np.zeros(48_000, np.int16), 48_000, subtype="PCM_16")
    assert collect_evidence(open_recording(path), Profile(), 0.0, 1.0).left_out == ()


def test_a_singer_that_another_outweighs_is_told_by_its_piece_of_song(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = recording(tmp_path, (1.0, 0.1, 3000, 0.3), (2.0, 0.1, 4000, 0.3))
    found = collect_evidence(open_recording(path), Profile(), 0.5, 3.0)
    instead = VoiceEvidence(1, gap=-1.4, overlap=0, level=0, repertoire=1.0, prior=0, bouts=0)
    print_singers(found, {0: VoiceReasons(0, (instead,))})
    first, second = capsys.readouterr().out.splitlines()[1:]
    assert "voice A, with its piece of song; by itself B is likelier by 0.4 (gap -1.4" in first
    assert second.endswith("heard otherwise in the whole recording")


def test_what_hardly_falls_short_does_not_read_as_loud_enough() -> None:
    faint = _why(layout.FAINT, 50.0, 11.96, 12.04, Profile())[0]
    assert faint.startswith("hardly less than 12.0 dB over the floor")
    assert _why(layout.FAINT, 50.0, 11.8, 12.0, Profile())[0].startswith("11.8 dB over")


def test_where_more_partials_sound_than_can_be_followed_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As in a loud rattle or a dense chorus: nothing of it that begins later is in the picture."""
    rng = np.random.default_rng(5)
    wave = 1e-4 * rng.standard_normal(6 * RATE_HZ)
    wave[2 * RATE_HZ : 4 * RATE_HZ] += 0.1 * rng.standard_normal(2 * RATE_HZ)
    write_wav(tmp_path / "rattle.wav", wave, RATE_HZ)
    found = collect_evidence(open_recording(tmp_path / "rattle.wav"), Profile(), 0.0, 6.0)
    assert found.full_s
    assert all(2.0 < at_s < 4.5 for at_s in found.full_s)
    print_summary(found)
    assert "more partials sound than can be followed" in capsys.readouterr().out
    calm = collect_evidence(open_recording(recording(tmp_path)), Profile(), 0.0, 6.0)
    assert calm.full_s == ()
