"""Presence: the wanted sound is found where it is, and not in other birds, noise or weather."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import scipy.signal
from click.testing import CliRunner
from threadpoolctl import threadpool_info

from callresp.cli import cli
from callresp.errors import UserError
from callresp.io.audio import Waveform, write_wav
from callresp.scout import odds, presence, spectra
from callresp.scout.evidence import CELL, KINDS, Likeness
from callresp.scout.examples import make_example
from callresp.scout.matches import best_matches
from callresp.scout.odds import Wanted, wanted
from callresp.scout.presence import scan, search
from callresp.scout.roadside import Roadside
from callresp.scout.strangers import pink_noise, strangers
from callresp.scout.survey import Tables, Unit, listen, tables

RATE_HZ = 24_000
Wave = npt.NDArray[np.float32]


def song(pace: float = 1.0, pitch: float = 1.0) -> Wave:
    """Five sweeps and a trill, 1.4 s."""
    notes = []
    for first_hz, last_hz, length_s in (
        (3000, 5000, 0.15), (5000, 3200, 0.12), (2500, 2500, 0.2), (4000, 6000, 0.1),
        (6000, 4200, 0.14), (3500, 3600, 0.2),
    ):  # fmt: skip
        count = int(length_s * pace * RATE_HZ)
        hertz = pitch * np.linspace(first_hz, last_hz, count)
        tone = np.sin(2 * np.pi * np.cumsum(hertz) / RATE_HZ) * np.hanning(count) ** 0.5
        notes += [tone, np.zeros(int(0.08 * pace * RATE_HZ))]
    return np.concatenate(notes).astype(np.float32)


def stranger() -> Wave:
    """Another song in the same band, 1.5 s."""
    time_s = np.arange(int(1.5 * RATE_HZ)) / RATE_HZ
    hertz = 4200 + 900 * np.sin(2 * np.pi * 9 * time_s)
    on = np.sin(2 * np.pi * 2.2 * time_s) > -0.3
    return np.asarray(np.sin(2 * np.pi * np.cumsum(hertz) / RATE_HZ) * on, dtype=np.float32)


def place(seconds: float, snr_db: float, calls: dict[float, Wave], seed: int = 1) -> Wave:
    """Calls at their seconds over pink noise; the SNR is that of a call over the whole band."""
    noise = pink_noise(int(seconds * RATE_HZ), RATE_HZ, seed)
    for at_s, call in calls.items():
        first = int(at_s * RATE_HZ)
        power = float(np.mean(call.astype(float) ** 2))
        noise[first : first + len(call)] += call * np.float32(np.sqrt(10 ** (snr_db / 10) / power))
    return noise * np.float32(0.5 / np.abs(noise).max())


@cache
def sought() -> Wanted:
    return wanted(make_example(song(), RATE_HZ))


def survey(day: Unit, sought: Sequence[Wanted]) -> Tables:
    """A day looked through in one piece, not in parts."""
    return tables(listen(day, sought))


def blas_threads() -> list[int]:
    """How many threads each library of linear algebra may use now."""
    return [one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"]


def found(samples: Wave) -> presence.Presence:
    return scan(Waveform(samples, RATE_HZ), [sought()])


@pytest.mark.parametrize(("snr_db", "pace", "pitch"), [
    (0, 1, 1), (-10, 1, 1), (-15, 1, 1), (0, 1.15, 1), (0, 0.87, 1), (0, 1, 2 ** (2 / 12)),
])  # fmt: skip
def test_a_call_is_found_where_it_is(snr_db: float, pace: float, pitch: float) -> None:
    told = found(place(12, snr_db, {3.0: song(pace, pitch)}))
    assert told.present
    assert [call.onset_s for call in told.calls] == [pytest.approx(3.0, abs=0.25)]
    assert told.calls[0].offset_s == pytest.approx(3.0 + 1.4 * pace, abs=0.35)


def test_no_one_kind_decides_alone() -> None:
    """By hand: six spreads below what strangers reach at most, and ten above."""
    one = Wanted(sought().example, np.zeros(len(KINDS)), np.full(len(KINDS), 0.95))
    plain = one.odds(np.zeros((1, len(KINDS))))
    for number, weight in enumerate(odds.WEIGHTS.values()):
        for given, counted in ((-9.0, -6.0), (12.0, 10.0), (2.0, 2.0)):
            evidence = np.zeros((1, len(KINDS)))
            evidence[0, number] = given
            assert one.odds(evidence) - plain == pytest.approx(counted * weight)


def test_every_call_is_counted_once_across_chunks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(presence, "CHUNK", 5 * CELL)
    at = [2.0, 11.9, 25.2, 38.0, 44.0]
    told = found(place(50, 3, dict.fromkeys(at, song())))
    assert [round(call.onset_s) for call in told.calls] == [round(one) for one in at]


def test_what_is_here_has_a_call_though_every_place_alone_is_doubted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As in a trill without an end, which fits everywhere alike."""
    samples = place(12, 0, {3.0: song()})
    monkeypatch.setattr(Likeness, "near", lambda *_: np.full(len(KINDS), -1.0))
    told = found(samples)
    assert told.present
    assert [call.onset_s for call in told.calls] == [pytest.approx(3.0, abs=0.25)]


def test_other_birds_and_noise_are_not_it() -> None:
    assert not found(place(20, 5, {2.0: stranger(), 9.0: stranger()})).present
    assert not found(place(30, 0, {})).present
    assert not found(np.zeros(5 * RATE_HZ, np.float32)).present


def test_a_call_under_another_bird_is_found() -> None:
    both = song() + 0.8 * stranger()[: len(song())]
    assert found(place(8, 0, {3.0: both})).present


@pytest.mark.parametrize("hiss", [0.0, 0.03])
def test_a_steady_whistle_cut_out_closely_is_found(hiss: float) -> None:
    """Its clip has no rest in which it could be told from a floor."""
    whistle = np.sin(2 * np.pi * 3000 * np.arange(RATE_HZ // 2) / RATE_HZ).astype(np.float32)
    noise = hiss * np.random.default_rng(1).standard_normal(len(whistle)).astype(np.float32)
    example = make_example(whistle + noise, RATE_HZ)
    low_hz, high_hz = example.band_hz
    assert low_hz < 3000 < high_hz < 2 * low_hz
    faded = whistle * np.hanning(len(whistle)).astype(np.float32) ** 0.25
    told = scan(Waveform(place(12, 0, {3.0: faded}), RATE_HZ), [wanted(example)])
    assert told.present
    assert told.calls[0].onset_s == pytest.approx(3.0, abs=0.25)


def drum(hertz: float, first_s: float, ratio: float, noise: float = 0.003) -> Wave:
    """Beats that come sooner and sooner, in a clip's faint noise."""
    begins_s = np.cumsum([0.0, *np.maximum(first_s * ratio ** np.arange(13), 0.05)])
    samples = noise * pink_noise(int((begins_s[-1] + 0.3) * RATE_HZ), RATE_HZ, 9)
    time_s = np.arange(RATE_HZ // 4) / RATE_HZ
    beat = np.sin(2 * np.pi * hertz * time_s) * np.exp(-time_s / 0.05)
    for begin_s in begins_s:
        samples[int(begin_s * RATE_HZ) :][: len(beat)] += beat.astype(np.float32)
    return samples


def rumble(seconds: float) -> Wave:
    """Wind in a microphone: noise that falls by 6 dB an octave, in gusts; its power is 1."""
    rng = np.random.default_rng(5)
    noise = np.cumsum(rng.standard_normal(int(seconds * RATE_HZ)))
    noise -= np.convolve(noise, np.ones(RATE_HZ // 5) / (RATE_HZ // 5), mode="same")
    knots = 10 ** (rng.uniform(-12, 12, int(2 * seconds) + 1) / 20)
    noise *= np.interp(np.arange(len(noise)), np.arange(len(knots)) * RATE_HZ / 2, knots)
    return np.asarray(noise / noise.std(), dtype=np.float32)


def test_a_drum_below_other_voices_is_found_and_not_another() -> None:
    drums = [wanted(make_example(drum(60, 0.45, 0.86), RATE_HZ))]
    assert drums[0].example.band_hz[0] < 72
    windy = place(12, 0, {3.0: drum(60, 0.45, 0.86)}) + 0.1 * rumble(12)
    told = scan(Waveform(windy, RATE_HZ), drums)
    assert [call.onset_s for call in told.calls] == [pytest.approx(3.0, abs=0.25)]
    for other in (drum(95, 0.2, 0.95), song()):
        assert not scan(Waveform(place(10, 5, {3.0: other}), RATE_HZ), drums).present
    assert not scan(Waveform(rumble(12), RATE_HZ), drums).present


def test_a_song_in_the_wind_or_before_faint_beats_is_no_drum() -> None:
    own = drum(60, 0.45, 0.86)
    for clean in (own, drum(60, 0.45, 0.86, 0.0)):
        assert make_example(clean, RATE_HZ).band_hz[0] == spectra.DRUM_HZ
    clip = np.concatenate([np.zeros(4000, np.float32), song()])
    hiss = np.random.default_rng(1).normal(0, 0.3, len(clip)).astype(np.float32)
    wind = rumble(len(clip) / RATE_HZ)[: len(clip)]
    for _ in range(3):  # deep wind, of which little reaches the song's bands
        wind = np.convolve(wind, np.ones(80) / 80, mode="same").astype(np.float32)
    swelling = wind * np.linspace(0, 1, len(wind), dtype=np.float32) ** 2
    for behind in (25 * wind, 15 * swelling, hiss + 0.4 * own[: len(clip)]):
        assert make_example(clip + behind, RATE_HZ).band_hz[0] >= spectra.LOW_HZ


def test_strangers_of_a_drum_sound_as_low() -> None:
    samples, rate_hz = next(strangers((40.0, 136.0)))
    powers = np.abs(np.fft.rfft(samples)) ** 2
    assert powers[: int(250 * len(samples) / rate_hz)].sum() > 0.7 * powers.sum()


def test_what_began_before_the_recording_is_found() -> None:
    samples = place(8, 5, {2.0: song()})
    assert found(samples[int(2.5 * RATE_HZ) :]).present


def test_no_example_is_looked_for_above_what_the_sample_rate_holds() -> None:
    """A high call was found in nearly anything that was recorded at a low rate."""
    low, high = (wanted(make_example(song(pitch=pitch), RATE_HZ)) for pitch in (0.4, 1.8))
    sound = scipy.signal.resample_poly(place(9, 5, {3.0: song(pitch=0.4)}), 1, RATE_HZ // 8000)
    recording = Waveform(sound, 8000)
    with pytest.raises(UserError, match="nothing above 3920 Hz"):
        search(recording, [high])
    with pytest.raises(UserError, match="record at a higher rate"):
        Roadside([high], 8000)
    found = search(recording, [high, low])
    assert found.presence.present
    assert set(found.by) == {1}


def test_a_longer_recording_takes_more_to_be_sure() -> None:
    faint = place(240, -22, {2.0: song()}, seed=5)
    short, long = found(faint[: 6 * RATE_HZ]), found(faint)
    assert short.confidence > 0.5
    assert long.confidence < short.confidence - 0.1


@pytest.mark.parametrize(("hertz", "drums"), [(120, 1.5), (1120, 0), (3000, 0)])
def test_band_powers_agree_with_parseval_and_with_any_blocks(hertz: float, drums: float) -> None:
    """A full-scale sine has power 1 by our convention, whatever blocks it comes in."""
    sine = np.sin(2 * np.pi * hertz * np.arange(RATE_HZ) / RATE_HZ).astype(np.float32)
    source = spectra.BandPowers(RATE_HZ)
    whole = source.push(sine)
    # Hann spreads a sine over bins: their powers sum to 1.5 times the peak's (Harris 1978).
    assert whole[4:-4].sum(axis=1) == pytest.approx(1.5, rel=0.02)
    # A tone that the lower rate would fold onto a drum is 60 dB down.
    lowest = whole[4:-4, : spectra.DRUM_BANDS].sum(axis=1)
    assert lowest == pytest.approx(drums, rel=0.02, abs=1.5e-6)
    pieces = spectra.BandPowers(RATE_HZ)
    parts = np.concatenate([pieces.push(part) for part in np.array_split(sine, 37)])
    np.testing.assert_allclose(parts, whole, rtol=1e-4, atol=1e-12)


def test_the_floor_of_noise_is_its_mean_and_a_steady_caller_is_none_of_it() -> None:
    noise = pink_noise(20 * RATE_HZ, RATE_HZ, 3)
    (powers,) = spectra.powers_of([noise], RATE_HZ, 10_000)
    # Every window that lies within the sound is taken, though longer ones reach beyond its end.
    assert len(powers) == 1 + (len(noise) - spectra.analysis(RATE_HZ).size) * 100 // RATE_HZ
    degrees = spectra.analysis(RATE_HZ).degrees
    floor = spectra.noise_model(powers, degrees).floor
    heard = spectra.analysis(RATE_HZ).heard
    np.testing.assert_allclose(floor[heard], powers.mean(axis=0)[heard], rtol=0.3)
    without = powers.copy()
    without[:, : spectra.DRUM_BANDS] *= 1e-3  # as by a microphone's low cut
    kept = spectra.noise_model(without, degrees).floor
    np.testing.assert_array_equal(kept[spectra.DRUM_BANDS :], floor[spectra.DRUM_BANDS :])
    steady = noise + np.sin(2 * np.pi * 4000 * np.arange(len(noise)) / RATE_HZ, dtype=np.float32)
    (louder,) = spectra.powers_of([steady], RATE_HZ, 10_000)
    model = spectra.noise_model(louder, degrees)
    assert model.above(louder).mean(axis=0).max() > 5


@pytest.mark.parametrize(("samples", "what"), [
    (np.zeros(100, np.float32), "shorter"), (np.zeros(RATE_HZ, np.float32), "no sound"),
])  # fmt: skip
def test_what_is_no_example_is_refused(samples: Wave, what: str) -> None:
    with pytest.raises(UserError, match=what):
        make_example(samples, RATE_HZ)


def test_silence_between_calls_leaves_their_background_out_of_an_example() -> None:
    """An editor's clip: each call with the noise behind it, and nothing recorded between."""
    behind = 0.02 * pink_noise(len(song()), RATE_HZ, 3)
    call = song() + behind
    gap = np.zeros(RATE_HZ // 4, np.float32)
    cut = make_example(np.concatenate([call, gap, call]).astype(np.float32), RATE_HZ)
    plain = make_example(np.concatenate([call, behind[: len(gap)], call]), RATE_HZ)
    assert cut.active.sum() == pytest.approx(plain.active.sum(), abs=3)


def test_a_tone_that_is_cut_off_at_both_ends_is_no_click() -> None:
    tone = np.cos(2 * np.pi * 2000 * np.arange(RATE_HZ // 2) / RATE_HZ).astype(np.float32)
    low_hz, high_hz = make_example(tone, RATE_HZ).band_hz
    assert 1700 < low_hz < 2000 < high_hz < 2300


def side_by_side(first: Wave, second: Wave) -> Wave:
    rest = np.zeros(RATE_HZ // 3, np.float32)
    sound = np.concatenate([rest, first, rest, second])
    return np.asarray(sound + 0.02 * pink_noise(len(sound), RATE_HZ, 4), dtype=np.float32)


def test_the_longest_rest_of_an_example_is_told_where_sound_is_on_both_sides() -> None:
    """By hand: a third of a second, 1.8 s of song with .08 s at its end, the middle of the rest."""
    rest_s = make_example(side_by_side(song(), stranger()), RATE_HZ).rest_s
    assert rest_s == pytest.approx(1 / 3 + len(song()) / RATE_HZ + 1 / 6, abs=0.06)
    assert make_example(song(), RATE_HZ).rest_s is None
    # A click after the rest is no sound to be found by.
    clicked = side_by_side(song(), np.zeros(RATE_HZ // 2, np.float32))
    clicked[-RATE_HZ // 4] = 1.0
    assert make_example(clicked, RATE_HZ).rest_s is None


def test_an_example_of_two_sounds_is_told(tmp_path: Path) -> None:
    again = side_by_side(song(), song(pace=1.1))
    low = side_by_side(song(pitch=0.6), stranger())
    for clip, two in ((low, True), (again, False)):
        path = tmp_path / "call.wav"
        write_wav(path, 0.5 * clip, RATE_HZ)
        write_wav(tmp_path / "place.wav", place(6, 0, {2.0: song()}), RATE_HZ)
        _, _, told = run(str(tmp_path / "place.wav"), "--like", str(path))
        assert ("before 1.8 s and after it is not alike" in told) == two


def run(*words: str) -> tuple[int, list[dict[str, object]], str]:
    done = CliRunner().invoke(cli, ["scout", *words])
    rows = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    return done.exit_code, rows, done.stderr


def test_the_command_tells_each_recording_and_keeps_matches(tmp_path: Path) -> None:
    folder = tmp_path / "carr"
    folder.mkdir()
    write_wav(tmp_path / "call.wav", song(), RATE_HZ)
    write_wav(folder / "a_20260512_041500.wav", place(9, 5, {3.0: song()}), RATE_HZ)
    write_wav(folder / "b.wav", place(9, 5, {3.0: stranger()}), RATE_HZ)
    like = ["--like", str(tmp_path / "call.wav")]
    status, rows, _ = run(str(folder), *like, "--json", "--matches", str(tmp_path / "best"))
    assert status == 0
    assert set(rows[0]) == {
        "path", "place", "start", "duration_s", "present", "confidence", "calls",
    }  # fmt: skip
    assert [row["present"] for row in rows] == [True, False]
    assert rows[0]["place"] == "carr"
    assert rows[0]["start"] == "2026-05-12T04:15:00"
    kept = {path.name for path in (tmp_path / "best").iterdir()}
    assert kept == {"a_20260512_041500.match-1.png", "a_20260512_041500.match-1.wav"}


def test_a_folder_of_examples_stands_for_its_clips(tmp_path: Path) -> None:
    write_wav(tmp_path / "clips" / "call.wav", song(), RATE_HZ)
    write_wav(tmp_path / "clips" / "other.wav", stranger(), RATE_HZ)
    write_wav(tmp_path / "a.wav", place(9, 5, {3.0: song()}), RATE_HZ)
    given = [str(tmp_path / "clips" / name) for name in ("call.wav", "other.wav")]
    clips = run(str(tmp_path / "a.wav"), "--json", "--like", given[0], "--like", given[1])
    assert run(str(tmp_path / "a.wav"), "--json", "--like", str(tmp_path / "clips")) == clips
    assert clips[1][0]["present"]
    (tmp_path / "none").mkdir()
    empty = CliRunner().invoke(cli, ["scout", "--like", str(tmp_path / "none")]).exception
    assert "holds no sound files" in str(empty)


def test_where_matches_can_not_be_kept_is_told_before_a_night_is_looked_through(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_wav(tmp_path / "a.wav", place(4, 5, {1.0: song()}), RATE_HZ)
    own = str(tmp_path / "a.wav")
    # Read only: whoever is root may write anywhere.
    monkeypatch.setattr("callresp.commands.ui.os.access", lambda _, mode: mode == os.R_OK)
    words = ["scout", own, "--like", own, "--matches", str(tmp_path / "best"), "--json"]
    refused = CliRunner().invoke(cli, words)
    assert "can't write here" in str(refused.exception)
    assert not refused.stdout


def test_no_matches_are_promised_of_sound_that_is_heard_as_it_comes(tmp_path: Path) -> None:
    write_wav(tmp_path / "call.wav", song(), RATE_HZ)
    words = ["scout", "-", "--like", str(tmp_path / "call.wav"), "--matches", str(tmp_path / "m")]
    refused = CliRunner().invoke(cli, words)
    assert "not of sound that is heard as it comes" in str(refused.exception)


def test_each_match_is_shown_with_the_example_that_it_is_like_and_its_level() -> None:
    other = wanted(make_example(stranger(), RATE_HZ))
    samples = place(16, 10, {3.0: song(), 10.0: stranger()})
    told = search(Waveform(samples, RATE_HZ), [other, sought()])
    assert told.by == (1, 0)
    # The loudest tenth of a second of the song alone, over the noise alone, in its bands.
    noise = place(16, 10, {}, seed=1)
    tenth = np.ones(RATE_HZ // 10) / (RATE_HZ // 10)
    peak = np.convolve(song() ** 2, tenth).max() / np.mean(song() ** 2)
    expected_db = 10 + 10 * np.log10(peak) + in_band_db(song()) - in_band_db(noise)
    assert told.above_db[0] == pytest.approx(expected_db, abs=1.5)
    first, second = best_matches(Waveform(samples, RATE_HZ), told)
    assert {(round(one.call.onset_s), one.example) for one in (first, second)} == {(3, 1), (10, 0)}
    assert first.above_db == told.above_db[[3, 10].index(round(first.call.onset_s))]


def in_band_db(samples: Wave) -> float:
    """Power from 2.5 to 6 kHz of samples brought to power 1, dB."""
    bins = np.abs(np.fft.rfft(samples / samples.std())) ** 2
    hertz = np.fft.rfftfreq(len(samples), 1 / RATE_HZ)
    return float(10 * np.log10(bins[(hertz > 2400) & (hertz < 6200)].sum() / bins.sum()))


def test_the_command_ends_with_1_where_it_is_nowhere_and_2_without_an_example(
    tmp_path: Path,
) -> None:
    write_wav(tmp_path / "call.wav", song(), RATE_HZ)
    write_wav(tmp_path / "b.wav", place(9, 5, {3.0: stranger()}), RATE_HZ)
    like = ["--like", str(tmp_path / "call.wav")]
    assert run(str(tmp_path / "b.wav"), *like)[0] == 1
    # A bad file beside others is told and passed over; alone, it is refused.
    (tmp_path / "a.wav").write_bytes(b"no sound")
    status, rows, told = run(str(tmp_path / "a.wav"), str(tmp_path / "b.wav"), *like, "--json")
    assert (status, len(rows)) == (1, 1)
    assert f"passed over: {tmp_path / 'a.wav'}" in told
    alone = CliRunner().invoke(cli, ["scout", str(tmp_path / "a.wav"), *like]).exception
    assert isinstance(alone, UserError)
    for words, option in (([str(tmp_path / "b.wav")], "like"), (["--like", "x.wav"], "")):
        fault = CliRunner().invoke(cli, ["scout", *words]).exception
        assert isinstance(fault, UserError)
        assert option in str(fault)


def test_an_example_of_noise_alone_is_told(tmp_path: Path) -> None:
    """And a song over a hiss 7 dB below it is not taken for noise."""
    write_wav(tmp_path / "hiss.wav", 0.1 * pink_noise(RATE_HZ, RATE_HZ, 4), RATE_HZ)
    write_wav(tmp_path / "call.wav", song() + 0.18 * pink_noise(len(song()), RATE_HZ, 5), RATE_HZ)
    write_wav(tmp_path / "a.wav", place(4, 5, {1.0: stranger()}), RATE_HZ)
    told = run(str(tmp_path / "a.wav"), "--like", str(tmp_path / "hiss.wav"))[2]
    assert "hiss.wav: hardly anything in it stands over its own noise" in told
    assert (
        "stands over" not in run(str(tmp_path / "a.wav"), "--like", str(tmp_path / "call.wav"))[2]
    )
