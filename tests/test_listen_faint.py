"""Faint sounds: real ones in calm noise, and what windows, codecs and converters leave.

Every sound is made here, so that its truth is exact.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import scipy.signal
import soundfile
from listen_helpers import heard, sung, tone

from callresp.io.audio import open_recording, write_wav
from callresp.listen.diagnostics import collect_evidence
from callresp.listen.kernels import noise_floor
from callresp.listen.note_stream import NoteStream
from callresp.listen.offline import note_table
from callresp.listen.profile import Profile

Wave = npt.NDArray[np.float64]
RATE_HZ = 48000


def test_an_opening_full_of_sound_does_not_hide_the_noise() -> None:
    """Exponential powers: what a spectrum of Gaussian noise has in every bin."""
    rng = np.random.default_rng(4)
    power = rng.exponential(1.0, (800, 60)).astype(np.float32)
    quartile = noise_floor.opening_quantile(power)
    assert np.mean(quartile) == pytest.approx(-np.log(0.75), rel=0.05)
    power[: round(0.85 * 800), 20:40] += 1000.0
    filled = noise_floor.opening_quantile(power)
    # 35 dB too high by the quartile, less than 10 dB by the lowest frames.
    assert np.mean(filled[22:38]) < 10 * -np.log(0.75)


def hiss(rng: np.random.Generator, low_hz: float, high_hz: float, seconds: float) -> Wave:
    """Noise in a band, soft at both ends, RMS 1."""
    count = round(seconds * RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hertz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    spectrum[(hertz < low_hz) | (hertz > high_hz)] = 0
    part = np.fft.irfft(spectrum, count)
    ends = np.minimum(np.arange(count), np.arange(count)[::-1])
    return np.asarray(part / part.std() * np.minimum(1.0, ends / (0.003 * RATE_HZ)))


def test_a_faint_hiss_in_a_quiet_place_is_heard_and_steady_noise_is_not(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    noise = 1e-3 * rng.standard_normal(20 * RATE_HZ)
    assert len(heard(noise, tmp_path)) == 0
    # Noise of RMS 1e-3 over 24 kHz has 0.0005 in 6 kHz; 9.5 dB over that.
    size = 1e-3 * np.sqrt(6000 / 24000) * 10 ** (9.5 / 20)
    wave, true_s = noise.copy(), np.arange(3.0, 19.0, 1.0)
    for at_s in true_s:
        part = size * hiss(rng, 1000.0, 7000.0, 0.09)
        first = round(at_s * RATE_HZ)
        wave[first : first + len(part)] += part
    onsets_s = heard(wave, tmp_path)["onset_s"]
    found = [bool(np.any(np.abs(onsets_s - at_s) < 0.02)) for at_s in true_s]
    assert sum(found) >= 14
    assert len(onsets_s) <= len(true_s) + 2


def test_a_faint_hiss_is_heard_in_the_first_second_too(tmp_path: Path) -> None:
    """While no seconds have gone by yet to tell how the noise wavers."""
    rng = np.random.default_rng(5)
    wave = 1e-3 * rng.standard_normal(6 * RATE_HZ)
    size = 1e-3 * np.sqrt(6000 / 24000) * 10 ** (9.5 / 20)
    true_s = (0.2, 0.4, 0.6, 0.8)
    for at_s in true_s:
        part = size * hiss(rng, 1000.0, 7000.0, 0.09)
        first = round(at_s * RATE_HZ)
        wave[first : first + len(part)] += part
    onsets_s = heard(wave, tmp_path)["onset_s"]
    assert sum(bool(np.any(np.abs(onsets_s - at_s) < 0.02)) for at_s in true_s) >= 3


def test_a_hiss_counts_by_all_its_bands_where_the_noise_lies_in_a_few(tmp_path: Path) -> None:
    """A stream below a kilohertz, 25 dB over the noise where the hiss is."""
    rng = np.random.default_rng(8)
    low = scipy.signal.butter(4, 1200, fs=RATE_HZ, output="sos")
    wave = 2e-2 * scipy.signal.sosfilt(low, rng.standard_normal(14 * RATE_HZ))
    wave += 1e-3 * rng.standard_normal(len(wave))
    size = 1e-3 * np.sqrt(7000 / 24000) * 10 ** (13 / 20)
    true_s = np.arange(5.0, 13.0, 1.0)
    for at_s in true_s:
        part = size * hiss(rng, 700.0, 8000.0, 0.09)
        first = round(at_s * RATE_HZ)
        wave[first : first + len(part)] += part
    onsets_s = heard(wave, tmp_path)["onset_s"]
    assert sum(bool(np.any(np.abs(onsets_s - at_s) < 0.02)) for at_s in true_s) >= 7
    assert len(onsets_s) <= len(true_s) + 1


def test_a_hiss_after_a_louder_call_of_its_band_has_an_attack_and_is_no_tail(
    tmp_path: Path,
) -> None:
    rng = np.random.default_rng(6)
    wave = 1e-4 * rng.standard_normal(6 * RATE_HZ)
    true_s = np.arange(1.0, 5.0, 0.5)
    for at_s in true_s:
        for order in range(1, 9):
            sung(wave, at_s, 800.0 * order, 790.0 * order, 0.08, 0.1 / order, RATE_HZ)
            sung(wave, at_s + 0.16, 800.0 * order, 790.0 * order, 0.05, 0.02 / order, RATE_HZ)
    onsets_s = heard(wave, tmp_path)["onset_s"]
    for at_s in true_s:
        assert np.abs(onsets_s - at_s - 0.16).min() < 0.01


def calls_in_noise(noise_db: float, low_hz: float, white: bool = False) -> Wave:
    """Fourteen notes, in calls of two, in steady noise, 12 s."""
    wave = np.random.default_rng(7).standard_normal(12 * 44100)
    if not white:
        wave = scipy.signal.lfilter([1.0], [1.0, -0.98], wave)
    wave *= 10 ** (noise_db / 20) / wave.std()
    size = 0.2 if low_hz < 1000 else 0.9
    for at_s in np.arange(1.0, 11.0, 1.5):
        sung(wave, at_s, 1.2 * low_hz, 1.19 * low_hz, 0.2, size, 44100, edge_s=0.02)
        sung(wave, at_s + 0.35, low_hz, 0.997 * low_hz, 0.3, size, 44100, edge_s=0.02)
    return wave


@pytest.mark.parametrize(
    ("ending", "container", "codec", "noise_db", "low_hz"),
    [
        ("wav", "OGG", "VORBIS", -80.0, 550.0),
        ("wav", "OGG", "VORBIS", -90.0, 550.0),
        ("wav", "MP3", "MPEG_LAYER_III", -80.0, 550.0),
        ("ogg", "OGG", "VORBIS", -70.0, 550.0),
        ("mp3", "MP3", "MPEG_LAYER_III", -70.0, 550.0),
        ("ogg", "OGG", "VORBIS", -50.0, 4000.0),
        ("wav", "OGG", "VORBIS", -50.0, 4000.0),
    ],
)
def test_what_a_codec_leaves_beside_calls_is_no_note(
    ending: str, container: str, codec: str, noise_db: float, low_hz: float, tmp_path: Path
) -> None:
    """Two-note calls in a quiet place: the codec lets its noise through in blocks beside them.

    Coded and, where the ending says so, written again as 16 bits.
    """
    wave = calls_in_noise(noise_db, low_hz)
    path = tmp_path / f"coded.{ending}"
    soundfile.write(path, wave, 44100, format=container, subtype=codec)
    if ending == "wav":
        write_wav(path, soundfile.read(path)[0], 44100, "PCM_16")
    notes = note_table(open_recording(path), Profile())[0].notes
    assert 14 <= len(notes) <= 20


def coded(
    wave: Wave, folder: Path, codec: str, level: float, mode: str | None = "CONSTANT"
) -> Path:
    """A file coded with loss; MP3 at a constant rate, or else at one that varies.

    The level that libsndfile takes is, of MP3, linear from 320 to 32 kbit/s, and of
    Vorbis 1 less a tenth of the quality (from memory).
    """
    path = folder / f"coded.{codec.lower()}"
    subtype = "MPEG_LAYER_III" if codec == "MP3" else "VORBIS"
    soundfile.write(
        path,
        wave,
        44100,
        format=codec,
        subtype=subtype,
        compression_level=level,
        bitrate_mode=mode if codec == "MP3" else None,
    )
    return path


@pytest.mark.parametrize(
    ("codec", "level", "noise_db", "low_hz", "white"),
    [
        ("OGG", 1.0, -50.0, 550.0, False),
        ("OGG", 1.0, -60.0, 550.0, False),
        ("OGG", 0.6, -65.0, 550.0, False),
        ("OGG", 0.6, -75.0, 550.0, True),
        ("MP3", 0.889, -60.0, 4000.0, False),
        ("MP3", 0.889, -65.0, 550.0, False),
        ("MP3", 0.944, -60.0, 550.0, False),
    ],
)
def test_noise_that_a_codec_cut_holes_into_is_no_note(
    codec: str, level: float, noise_db: float, low_hz: float, white: bool, tmp_path: Path
) -> None:
    """For more than a quarter of the time some bands are empty, so that their quartile is, too."""
    path = coded(calls_in_noise(noise_db, low_hz, white), tmp_path, codec, level)
    notes = note_table(open_recording(path), Profile())[0].notes
    assert 14 <= len(notes) <= 18


@pytest.mark.parametrize("white", [True, False])
def test_calls_of_two_pitches_over_a_converters_noise_are_no_noise_with_holes(
    white: bool, tmp_path: Path
) -> None:
    """Each holds its level for a good part of the time, and there is nothing else."""
    path = coded(calls_in_noise(-90.0, 550.0, white), tmp_path, "MP3", 0.889)
    assert len(note_table(open_recording(path), Profile())[0].notes) == 14


@pytest.mark.parametrize("seed", [1, 2])
def test_what_a_codec_lets_through_while_a_call_dies_away_is_no_note(
    seed: int, tmp_path: Path
) -> None:
    """Six calls with eight harmonics in a place that rings for 0.8 s, at some 50 kbit/s."""
    rng, rate_hz, at_s = np.random.default_rng(seed), 44100, np.arange(6) * 1.4 + 0.6
    time_s = np.arange(int(0.18 * rate_hz)) / rate_hz
    phase = 2 * np.pi * np.cumsum(900 + 300 * np.sin(np.pi * time_s / 0.18)) / rate_hz
    call = 0.3 * np.hanning(time_s.size) ** 0.5 * sum(np.sin(k * phase) / k for k in range(1, 9))
    ring_s = np.arange(int(1.2 * rate_hz)) / rate_hz
    wave = np.zeros(int(9.2 * rate_hz))
    for onset_s in at_s:
        at = int(onset_s * rate_hz)
        ring = 0.05 * rng.standard_normal(ring_s.size) * 10 ** (-3 * ring_s / 0.8)
        wave[at : at + call.size] += call
        wave[at + call.size // 2 :][: ring.size] += ring
    wave += 10 ** (-88 / 20) * rng.standard_normal(wave.size)
    path = coded(np.clip(wave, -0.99, 0.99), tmp_path, "MP3", 0.5, None)
    notes = note_table(open_recording(path), Profile())[0].notes
    away_s = np.abs(notes["onset_s"][:, None] - at_s)
    # Every call is heard, and nothing but the calls.
    assert away_s.min(axis=0).max() < 0.02
    assert away_s.min(axis=1).max() < 0.25


@pytest.mark.parametrize("size", [1000, 65536])
def test_holes_are_found_while_listening_too_however_the_sound_comes(
    size: int, tmp_path: Path
) -> None:
    recording = open_recording(coded(calls_in_noise(-60.0, 550.0), tmp_path, "OGG", 1.0))
    stream = NoteStream(44100, Profile(), lossy=True)
    outputs = [out for block in recording.blocks(size) for out in stream.push(block)]
    outputs += stream.push(np.zeros(0, np.float32), last=True)
    onsets_s = np.sort(np.concatenate([out.notes.notes["onset_s"] for out in outputs]))
    later_s = [7.0, 7.35, 8.5, 8.85, 10.0, 10.35]
    assert len(onsets_s[onsets_s > 6.0]) <= len(later_s) + 1
    assert all(np.abs(onsets_s - at_s).min() < 0.01 for at_s in later_s)


@pytest.mark.parametrize("subtype", ["PCM_24", "FLOAT"])
def test_a_recording_of_24_bits_is_heard_alike_60_db_fainter(subtype: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    wave = 1e-4 * rng.standard_normal(6 * RATE_HZ)
    for n, at_s in enumerate(np.arange(1.0, 5.0, 0.4)):
        sung(wave, at_s, 3000.0 + 200 * n, 3100.0, 0.1, 0.01 if n % 2 else 0.1, RATE_HZ)
    loud = heard(wave, tmp_path, subtype=subtype)
    faint = heard(1e-3 * wave, tmp_path, subtype=subtype)
    assert len(loud) == 10
    np.testing.assert_allclose(faint["onset_s"], loud["onset_s"], atol=0.001)
    np.testing.assert_allclose(faint["level_db"], loud["level_db"] - 60, atol=0.5)


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_16", 16), ("PCM_24", 24)])
def test_no_tone_stands_farther_out_of_silence_than_its_converter_lets_it(
    subtype: str, bits: int, tmp_path: Path
) -> None:
    """Else a faint call in a silenced recording is told to stand 150 dB over the place.

    A converter of n bits lets a full-scale sine stand 6.02 n + 1.76 dB out of its noise (Bennett
    1948), which is spread evenly up to half the sample rate; a Hann window of 10.7 ms takes 1.5
    times 94 Hz of it (Harris 1978).
    """
    wave = np.zeros(5 * 48000)
    for n in range(6):
        sung(wave, 1.0 + 0.6 * n, 3000.0, 3000.0, 0.15, 1e-3, 48000)
    snr_db = heard(wave, tmp_path, subtype=subtype)["snr_db"]
    most_db = 6.02 * bits + 1.76 + 10 * np.log10(24000 / (1.5 * 93.75)) - 60.0
    assert len(snr_db) >= 5
    assert (snr_db > most_db - 15.0).all()
    assert (snr_db < most_db).all()


def test_where_a_recording_is_cut_off_nothing_begins(tmp_path: Path) -> None:
    """Low noise that stops at once would be a click, were silence thought to follow."""
    for seed in range(8):
        rng = np.random.default_rng(seed)
        wave = scipy.signal.lfilter([1.0], [1.0, -0.995], rng.standard_normal(3 * RATE_HZ))
        assert len(heard(0.003 * wave / wave.std(), tmp_path)) == 0


def test_harsh_syllables_close_to_a_loud_stack_are_heard(tmp_path: Path) -> None:
    """The stack is nearly all the power of the three, which one group may hold."""
    rng = np.random.default_rng(10)
    wave = 3e-4 * rng.standard_normal(9 * RATE_HZ)
    true_s = []
    for at_s in np.arange(1.0, 8.0, 0.7):
        for late_s in (0.0, 0.151):
            part = 0.01 * hiss(rng, 800.0, 9000.0, 0.055)
            first = round((at_s + late_s) * RATE_HZ)
            wave[first : first + len(part)] += part
            true_s.append(at_s + late_s)
        for order in range(1, 9):
            size = 0.15 / order
            sung(wave, at_s + 0.075, 1150.0 * order, 1140.0 * order, 0.06, size, RATE_HZ, 0.002)
        true_s.append(at_s + 0.075)
    onsets_s = heard(wave, tmp_path)["onset_s"]
    # The second one may seem to begin with the end of the stack, 15 ms before.
    assert max(np.abs(onsets_s - at_s).min() for at_s in true_s) < 0.025
    assert len(onsets_s) <= len(true_s) + 2


def test_a_call_whose_tone_comes_a_little_before_its_hiss_is_one_note(tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    wave = 3e-4 * rng.standard_normal(9 * RATE_HZ)
    true_s = np.arange(1.0, 8.0, 0.5)
    for at_s in true_s:
        sung(wave, at_s, 1100.0, 1090.0, 0.1, 0.008, RATE_HZ, 0.004)
        part = 0.008 * hiss(rng, 1500.0, 9000.0, 0.084)
        first = round((at_s + 0.016) * RATE_HZ)
        wave[first : first + len(part)] += part
    onsets_s = heard(wave, tmp_path)["onset_s"]
    assert len(onsets_s) == len(true_s)
    assert np.median(np.abs(onsets_s - true_s)) < 0.005


def test_explain_names_the_level_that_is_asked_and_the_setting_it_comes_from(
    tmp_path: Path,
) -> None:
    wave = 2e-3 * np.random.default_rng(5).standard_normal(8 * RATE_HZ)
    for second, peak in enumerate((0.0008, 0.0010, 0.0012, 0.0014, 0.0016), 2):
        whistle = tone(3000.0, 0.15, RATE_HZ, peak) * np.hanning(round(0.15 * RATE_HZ))
        wave[second * RATE_HZ : second * RATE_HZ + len(whistle)] += whistle
    write_wav(tmp_path / "faint.wav", wave, RATE_HZ)
    found = collect_evidence(open_recording(tmp_path / "faint.wav"), Profile(), 1.0, 8.0)
    faint = [one for one in found.left_out if "over the floor" in one.why]
    assert faint
    assert all("12.0 dB here: floor_db, 10 dB, and 2.0 dB more" in one.why for one in faint)


@pytest.mark.filterwarnings("error")
def test_bins_without_any_sound_count_for_no_spread() -> None:
    """As in a recording that was low-passed, or of a steady offset."""
    power = np.random.default_rng(3).exponential(1.0, (200, 64)).astype(np.float32)
    quantile = noise_floor.opening_quantile(power)
    known = noise_floor.opening_spread_db(power, quantile)
    assert 0.3 < known < 1.0
    half = np.hstack([power, np.zeros_like(power)])
    silent = np.zeros_like(quantile)
    assert noise_floor.opening_spread_db(half, np.append(quantile, silent)) == known
    assert noise_floor.opening_spread_db(np.zeros_like(power), silent) == 0.0


@pytest.mark.parametrize(
    ("steps", "subtype", "count"), [(1.0, "PCM_16", 0), (4.0, "PCM_16", 10), (1.0, "PCM_24", 10)]
)
def test_what_is_fainter_than_a_step_of_the_converter_is_no_note(
    tmp_path: Path, steps: float, subtype: str, count: int
) -> None:
    """What rounding makes of a distant call, or of a fade: with more bits the same is one.

    A sine of one step of 16 bits has a level of -90.3 dB: 20 log10(2**-15).
    """
    wave = np.zeros(12 * RATE_HZ)
    length = round(0.1 * RATE_HZ)
    for k in range(10):
        whistle = tone(3000.0 + 100 * k, 0.1, RATE_HZ, steps / 32768) * np.hanning(length)
        wave[(1 + k) * RATE_HZ :][:length] += whistle
    assert len(heard(wave, tmp_path, subtype=subtype)) == count
