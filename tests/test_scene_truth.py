"""Truth held against the sound itself: edges, levels, pitches, ratios."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import settings as example_settings
from hypothesis import strategies as st
from scene_helpers import ANOTHER, DRUMMER, ONE_SINGER, direct_sound, noise_of, recipe
from scipy import signal

from callresp.io.audio import level_db
from callresp.io.score import Note, phrases
from callresp.scene.recipe import Recipe
from callresp.scene.render import PreparedScene, render

RATE_HZ = 48000
Wave = npt.NDArray[np.float64]


def _true(prepared: PreparedScene) -> list[Note]:
    notes: list[Note] = []
    for _ in prepared.blocks(hear=notes.append):
        pass
    return sorted(notes, key=lambda note: note.onset_s)


def _alone(notes: list[Note], gap_s: float = 0.004) -> list[Note]:
    """Notes with no other sounding within `gap_s`."""
    return [
        note
        for note in notes
        if all(
            other is note
            or other.offset_s < note.onset_s - gap_s
            or other.onset_s > note.offset_s + gap_s
            for other in notes
        )
    ]


@pytest.mark.parametrize("singer", [ONE_SINGER, ANOTHER, DRUMMER])
@pytest.mark.parametrize("seed", [1, 2])
def test_edges_lie_where_the_direct_sound_crosses_20_db_below_its_peak(
    singer: dict[str, object], seed: int
) -> None:
    calm = singer | {"shapes": [s for s in singer["shapes"] if s != "buzz"]}  # type: ignore[attr-defined]
    prepared = PreparedScene(recipe(calm, noise=(), seed=seed))
    sound, notes = direct_sound(prepared), _alone(_true(prepared))
    assert len(notes) > 5
    late = []
    for note in notes:
        first, last = (round(t * RATE_HZ) for t in (note.onset_s, note.offset_s))
        around = sound[max(first - 150, 0) : last + 150]
        # The analytic signal's magnitude is the envelope of a narrow-band sound.
        loud = np.flatnonzero(np.abs(signal.hilbert(around)) > 0.1 * np.abs(around).max())
        late.append((loud[0] - 150) / RATE_HZ)
        late.append((loud[-1] + 1 + 150 - len(around)) / RATE_HZ)
    assert np.median(np.abs(late)) < 0.0005
    assert np.max(np.abs(late)) < 0.004


def test_levels_are_those_of_the_direct_sound_in_the_mix() -> None:
    prepared = PreparedScene(recipe(ONE_SINGER, ANOTHER, noise=()))
    sound = direct_sound(prepared)
    notes = _alone(_true(prepared))
    assert len(notes) > 5
    for note in notes:
        span = slice(round(note.onset_s * RATE_HZ), round(note.offset_s * RATE_HZ))
        assert level_db(sound[span]) == pytest.approx(note.level_db, abs=0.05)


def test_pitch_tracks_are_those_of_the_sound() -> None:
    """The phase of the analytic signal turns at the pitch (Boashash 1992, Proc. IEEE 80(4))."""
    prepared = PreparedScene(recipe(ONE_SINGER, noise=()))
    sound, cents = direct_sound(prepared), []
    for note in _alone(_true(prepared)):
        times, pitches = np.array(note.track).T
        assert np.diff(times).max() <= 0.005
        assert note.pitch_hz == pytest.approx(float(np.median(pitches)), rel=1e-6)
        first, last = round(note.onset_s * RATE_HZ), round(note.offset_s * RATE_HZ)
        phase = np.unwrap(np.angle(signal.hilbert(sound[first:last])))
        found = np.gradient(phase) * RATE_HZ / (2 * np.pi)
        expected = np.interp((np.arange(first, last) + 0.5) / RATE_HZ, times, pitches)
        middle = slice(len(found) // 4, -len(found) // 4)
        cents.append(1200 * np.log2(np.median(found[middle] / expected[middle])))
    assert len(cents) > 5
    assert np.max(np.abs(cents)) < 5


def _measured_snr_db(scene: Recipe) -> float:
    """The ratio by its definition, from the sounds themselves."""
    prepared = PreparedScene(scene)
    notes = _true(prepared)
    sound, noise = direct_sound(prepared), noise_of(prepared)
    sounding = np.zeros(len(sound), dtype=bool)
    for note in notes:
        sounding[round(note.onset_s * RATE_HZ) : round(note.offset_s * RATE_HZ)] = True
    low, high = min(n.low_hz for n in notes), max(n.high_hz for n in notes)
    hertz, density = signal.welch(noise, RATE_HZ, nperseg=8192)
    inside = (hertz >= low) & (hertz <= high)
    noise_power = float(np.sum(density[inside]) * (hertz[1] - hertz[0]))
    return float(10 * np.log10(np.mean(sound[sounding] ** 2) / noise_power))


@pytest.mark.parametrize(
    ("kind", "snr_db"), [("wind", 0), ("water", -5), ("rain", 12), ("traffic", 20)]
)
def test_measured_ratio_is_the_stated_one(kind: str, snr_db: float) -> None:
    scene = recipe(ONE_SINGER, ANOTHER, noise=(kind,), snr_db=snr_db, seconds=20)
    assert _measured_snr_db(scene) == pytest.approx(snr_db, abs=0.5)


@given(seed=st.integers(0, 2**40), distance=st.floats(1, 150), snr_db=st.floats(-10, 40))
@example_settings(max_examples=8)
def test_truth_is_sound_for_any_seed(seed: int, distance: float, snr_db: float) -> None:
    near = ONE_SINGER | {"distance_m": distance, "note_ms": [10, 400]}
    scene = render(
        recipe(near, ANOTHER, DRUMMER, noise=("rain",), seed=seed, snr_db=snr_db, seconds=4)
    )
    assert np.abs(scene.samples).max() < 1.0
    notes = scene.truth.notes
    assert [note.id for note in notes] == list(range(len(notes)))
    for note in notes:
        assert 0 <= note.onset_s < note.offset_s < 4
        assert 0.002 < note.length_s < 0.5
        assert note.low_hz < note.high_hz
        assert (note.pitch_hz is None) == (note.tonality == 0.0) == (not note.track)
        if note.track:
            assert note.track[0][0] == pytest.approx(note.onset_s, abs=1e-5)
            assert note.track[-1][0] == pytest.approx(note.offset_s, abs=1e-5)
            pitches = [hz for _, hz in note.track]
            assert note.low_hz * 0.999 <= min(pitches)
            assert max(pitches) <= note.high_hz * 1.001
    for phrase in phrases(notes):
        assert len({note.voice for note in phrase.notes}) == 1
    starts = [phrase.onset_s for phrase in sorted(phrases(notes), key=lambda p: p.id)]
    assert starts == pytest.approx(sorted(starts), abs=0.05)


def test_note_ratio_is_that_over_the_noise_in_its_band() -> None:
    prepared = PreparedScene(recipe(DRUMMER, noise=("rain",), snr_db=10, seconds=20))
    noise = noise_of(prepared)
    note = _true(prepared)[0]
    hertz, density = signal.welch(noise, RATE_HZ, nperseg=8192)
    inside = (hertz >= note.low_hz) & (hertz <= note.high_hz)
    power = float(np.sum(density[inside]) * (hertz[1] - hertz[0]))
    assert note.snr_db == pytest.approx(note.level_db - 10 * np.log10(power / 0.5), abs=0.7)
