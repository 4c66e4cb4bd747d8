"""Rules of the listener, each by a sound made here that it decides.

What is true of each sound is known exactly. tools/bench_switches.py turns each rule off.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from listen_helpers import heard, online, rung, sung, tone

from callresp.listen.online import NoteOnset
from callresp.listen.profile import Profile

Wave = npt.NDArray[np.float64]
RATE_HZ = 48000


def begun(wave: Wave) -> list[NoteOnset]:
    """The onsets that are told online."""
    return [event for _, event in online(wave) if isinstance(event, NoteOnset)]


def quiet(seconds: float, seed: int = 1) -> Wave:
    return 3e-4 * np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))


def harsh(seed: int, low_hz: float, high_hz: float, seconds: float) -> Wave:
    """Noise in a band, soft at both ends, RMS 1."""
    count = round(seconds * RATE_HZ)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(count))
    hertz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    spectrum[(hertz < low_hz) | (hertz > high_hz)] = 0
    part = np.fft.irfft(spectrum, count)
    ends = np.minimum(np.arange(count), np.arange(count)[::-1])
    return np.asarray(part / part.std() * np.minimum(1.0, ends / (0.003 * RATE_HZ)))


def put(wave: Wave, at_s: float, part: Wave) -> None:
    first = round(at_s * RATE_HZ)
    wave[first : first + len(part)] += part


@pytest.mark.parametrize(("faint_beside_loud_db", "notes"), [(10.0, 4), (60.0, 8)])
def test_a_faint_knock_beside_a_loud_whistle_is_a_note_if_the_profile_says_so(
    faint_beside_loud_db: float, notes: int, tmp_path: Path
) -> None:
    wave = quiet(5.0)
    for n in range(4):
        sung(wave, 1.0 + n, 3000.0, 3050.0, 0.25, 0.1, RATE_HZ)
        put(wave, 1.34 + n, 0.02 * harsh(n, 500.0, 12000.0, 0.004))
    profile = Profile(faint_beside_loud_db=faint_beside_loud_db)
    assert len(heard(wave, tmp_path, profile)) == notes


@pytest.mark.parametrize(
    ("hertz", "peak"),
    [
        (2100.0, 0.016),  # 15 dB out of the bands about it, less than half of the power
        (3500.0, 0.03),  # so far out that it is taken for another's, but for its length
    ],
)
def test_a_harsh_call_keeps_a_tone_that_lasts_as_long(
    hertz: float, peak: float, tmp_path: Path
) -> None:
    wave = quiet(6.5)
    for n in range(8):
        put(wave, 0.6 + 0.7 * n, 0.02 * harsh(n, 1000.0, 9000.0, 0.09))
        sung(wave, 0.6 + 0.7 * n, hertz, hertz, 0.09, peak, RATE_HZ, 0.003)
    assert len(heard(wave, tmp_path)) == 8


def test_a_yard_rings_on_and_little_of_it_is_reported() -> None:
    """Four whistles that rise, 10 dB over what the yard gives back."""
    wave = quiet(5.0)
    for n in range(4):
        sung(wave, 0.6 + n, 3000.0, 3500.0, 0.15, 0.3, RATE_HZ)
    assert 4 <= len(begun(wave + rung(wave - quiet(5.0), 10.0, RATE_HZ))) <= 6


def test_a_harsh_call_with_a_tone_in_a_yard_that_rings_is_reported_once() -> None:
    """The yard goes on with the tone when the call is over, amid what is left of the noise."""
    wave = quiet(5.0)
    for n in range(4):
        put(wave, 0.6 + n, 0.05 * harsh(n, 1000.0, 9000.0, 0.1))
        sung(wave, 0.6 + n, 3000.0, 3100.0, 0.1, 0.3, RATE_HZ)
    assert len(begun(wave + rung(wave - quiet(5.0), 10.0, RATE_HZ))) == 4


def test_a_stack_that_begins_beside_a_whistle_is_reported_once() -> None:
    """Its second harmonic lies by the whistle: else it is told twice, and breaks a reply off."""
    wave = quiet(6.0)
    for n in range(6):
        sung(wave, 0.93 + 0.7 * n, 1596.0, 1600.0, 0.15, 0.03, RATE_HZ, 0.01)
        for order in range(1, 7):
            sung(wave, 1.0 + 0.7 * n, 919.0 * order, 919.0 * order, 0.05, 0.02, RATE_HZ, 0.002)
    assert len(begun(wave)) == 12


def test_a_tone_of_another_that_crosses_a_harsh_call_is_a_note(tmp_path: Path) -> None:
    wave = quiet(6.0)
    for n in range(6):
        put(wave, 1.0 + 0.7 * n, 0.02 * harsh(n, 1000.0, 9000.0, 0.12))
        sung(wave, 1.06 + 0.7 * n, 2100.0, 2100.0, 0.25, 0.02, RATE_HZ, 0.005)
    notes = heard(wave, tmp_path)
    tones = notes[np.abs(notes["pitch_hz"] - 2100) < 30]
    assert len(tones) == 6
    assert (tones["offset_s"] - tones["onset_s"] > 0.15).all()


def test_what_a_place_gives_back_after_a_gap_is_no_start() -> None:
    """A fainter tone of the same pitch, 15 ms after a loud one, that only fades."""
    wave = quiet(6.0)
    for n in range(6):
        sung(wave, 1.0 + 0.7 * n, 3000.0, 3000.0, 0.15, 0.2, RATE_HZ)
        fading = tone(3000.0, 0.12, RATE_HZ, 0.04) * 10 ** (-np.arange(5760) / 5760)
        ends = np.minimum(np.arange(5760), np.arange(5760)[::-1])
        put(wave, 1.165 + 0.7 * n, fading * np.minimum(1.0, ends / 960))
    starts = [event for event in begun(wave) if abs((event.pitch_hz or 0.0) - 3000) < 100]
    assert len(starts) == 6


@pytest.mark.parametrize(("gust_db", "rise_s"), [(6.0, 0.2), (10.0, 0.2), (10.0, 0.02)])
def test_a_gust_begins_nothing(gust_db: float, rise_s: float) -> None:
    """Else a squall is told as a crowd that begins, and every reply breaks off for it."""
    time_s = np.arange(8 * RATE_HZ) / RATE_HZ
    gust_at_db = np.interp(time_s, (4.0, 4.0 + rise_s, 5.6, 6.0), (0.0, gust_db, gust_db, 0.0))
    noise = 0.01 * np.random.default_rng(12).standard_normal(len(time_s))
    assert len(begun(noise * 10 ** (gust_at_db / 20))) <= 2


def test_the_breath_in_a_long_call_is_part_of_it(tmp_path: Path) -> None:
    """Hiss 20 dB below a stack: else each call is heard as two notes, and answered by two."""
    wave = quiet(6.0)
    for n in range(5):
        for order in range(1, 5):
            sung(wave, 1.0 + 0.9 * n, 900.0 * order, 918.0 * order, 0.5, 0.1 / order, RATE_HZ)
        put(wave, 1.15 + 0.9 * n, 0.01 * harsh(n, 2200.0, 10000.0, 0.1))
    assert len(heard(wave, tmp_path)) == 5


def test_vibrato_begins_no_note_within_a_note(tmp_path: Path) -> None:
    wave = quiet(6.0)
    time_s = np.arange(round(0.6 * RATE_HZ)) / RATE_HZ
    hertz = 4000 + 400 * np.sin(2 * np.pi * 14 * time_s)
    whistle = 0.1 * np.sin(2 * np.pi * np.cumsum(hertz) / RATE_HZ)
    whistle *= np.minimum(1.0, np.minimum(time_s, time_s[::-1]) / 0.02)
    for at_s in (1.0, 2.5, 4.0):
        put(wave, at_s, whistle)
    assert len(heard(wave, tmp_path)) == 3
    assert len(begun(wave)) == 3


@pytest.mark.parametrize("edge_s", [0.006, 0.04])  # attacks that rise together, and none
def test_two_tones_that_begin_and_end_together_as_harmonics_are_one(
    edge_s: float, tmp_path: Path
) -> None:
    """Else a call without its fundamental is heard twice, and answered by two strokes."""
    wave = quiet(6.0)
    for n in range(6):
        for order in (2, 3):
            sung(wave, 1.0 + 0.7 * n, 1500.0 * order, 1540.0 * order, 0.15, 0.05, RATE_HZ, edge_s)
    assert len(heard(wave, tmp_path)) == 6


def test_a_sweep_that_beats_with_its_own_echo_is_one_note(tmp_path: Path) -> None:
    """Half as loud, 30 ms later, 60 Hz beside: else each sweep is heard as four notes and more."""
    wave = np.zeros(6 * RATE_HZ)
    for n in range(6):
        sung(wave, 1.0 + 0.7 * n, 3000.0, 3500.0, 0.25, 0.1, RATE_HZ, 0.01)
    wave[round(0.03 * RATE_HZ) :] += 0.5 * wave[: -round(0.03 * RATE_HZ)]
    assert len(heard(wave + quiet(6.0), tmp_path)) == 6


def fading(below_db: float, db_a_second: float, size: float) -> Wave:
    """0.4 s of a tone that fades evenly from so far below `size` on."""
    time_s = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    level_db = -below_db - db_a_second * time_s
    return tone(3000.0, 0.4, RATE_HZ, size) * 10 ** (level_db / 20)


def test_a_note_in_the_fading_tail_of_another_begins_where_it_leaves_it(tmp_path: Path) -> None:
    """Else it is told, and answered, 5 ms before it begins."""
    wave = quiet(6.0)
    true_s = []
    for n in range(6):
        at_s = 1.0 + 0.7 * n
        put(wave, at_s, fading(0.0, 40.0, 0.1) * np.minimum(1.0, np.arange(19200) / 240))
        sung(wave, at_s + 0.2, 3000.0, 3000.0, 0.1, 0.2, RATE_HZ, 0.002)
        true_s += [at_s, at_s + 0.2]
    onsets_s = heard(wave, tmp_path)["onset_s"]
    assert len(onsets_s) == len(true_s)
    assert np.abs(onsets_s - true_s).max() < 0.003


@pytest.mark.parametrize("below_db", [10.0, 20.0])
def test_a_note_ends_where_its_place_begins_to_ring(below_db: float, tmp_path: Path) -> None:
    """A reverberation time of 0.6 s: else replies are held back 40 to 200 ms after its end."""
    wave = quiet(6.0)
    for n in range(6):
        sung(wave, 1.0 + 0.7 * n, 3000.0, 3000.0, 0.12, 0.2, RATE_HZ)
        put(wave, 1.117 + 0.7 * n, fading(below_db, 100.0, 0.2))
    ends_s = heard(wave, tmp_path)["offset_s"]
    assert len(ends_s) == 6
    assert np.abs(ends_s - (1.12 + 0.7 * np.arange(6))).max() < 0.01


def test_what_sounds_before_a_knock_in_its_bands_is_no_note_of_it(tmp_path: Path) -> None:
    wave = quiet(6.0)
    for n in range(6):
        sung(wave, 1.0 + 0.7 * n, 3000.0, 3000.0, 0.15, 0.2, RATE_HZ)
        put(wave, 1.168 + 0.7 * n, 0.1 * harsh(n, 500.0, 9000.0, 0.05))
    assert len(heard(wave, tmp_path)) == 12


def test_a_knock_just_as_a_whistle_ends_is_a_note(tmp_path: Path) -> None:
    wave = quiet(6.0)
    for n in range(6):
        sung(wave, 1.0 + 0.7 * n, 3000.0, 3050.0, 0.15, 0.1, RATE_HZ)
        put(wave, 1.146 + 0.7 * n, 0.1 * harsh(n, 500.0, 12000.0, 0.004))
    assert len(heard(wave, tmp_path)) == 12
