"""Kinds of evidence: time warping against librosa over the whole, and voices told apart."""

from __future__ import annotations

import itertools

import librosa
import numpy as np
import numpy.typing as npt
import pytest
import scipy.ndimage
from test_scout_presence import RATE_HZ, place, song, sought, stranger

from callresp.scout import order, pieces
from callresp.scout.evidence import KINDS, Likeness
from callresp.scout.examples import make_example
from callresp.scout.modulation import RATES_HZ, RIPPLES, WIDE, alike, modulation
from callresp.scout.pieces import SLACK
from callresp.scout.spectra import Grid
from callresp.scout.stretches import whole

Values = npt.NDArray[np.float64]


def sequence(count: int, seed: int) -> Grid:
    """Moments that change smoothly, 12 bands."""
    rough = np.random.default_rng(seed).normal(0, 3, (count, 12))
    return np.asarray(scipy.ndimage.gaussian_filter1d(rough, 2, axis=0), dtype=np.float32)


def test_warping_in_pieces_is_librosas_over_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    example, recording = sequence(20, 1), sequence(260, 2)
    recording[120:160] = np.repeat(example, 2, axis=0)
    monkeypatch.setattr(order, "PIECE", 50)
    found = order.costs(example, recording)
    sizes = np.linalg.norm(example, axis=1, keepdims=True)
    cosine = (
        1
        - librosa.util.normalize(example, norm=2, axis=1)
        @ (recording / np.maximum(np.linalg.norm(recording, axis=1, keepdims=True), np.sqrt(3.0))).T
    )
    whole = librosa.sequence.dtw(
        C=(cosine * sizes / sizes.mean()).astype(float), subseq=True, backtrack=False,
        step_sizes_sigma=np.array([[1, 1], [1, 2], [2, 1]]), weights_mul=np.array([1.0, 1.0, 2.0]),
    )[-1] / len(example)  # fmt: skip
    settled = slice(2 * len(example), None)
    np.testing.assert_allclose(found[settled], np.minimum(whole, 1.5)[settled], atol=1e-5)
    assert found.argmin() == pytest.approx(159, abs=2)


@pytest.mark.parametrize("pace", [0.6, 1.0, 1.8])
def test_another_pace_costs_little_and_another_order_much(pace: float) -> None:
    example = sequence(40, 3)
    at = np.linspace(0, 39, round(40 * pace)).round().astype(int)
    rest = np.zeros((60, 12), np.float32)
    kept = order.costs(example, np.concatenate([rest, example[at], rest])).min()
    swapped = order.costs(example, np.concatenate([rest, example[at][::-1], rest])).min()
    assert kept < 0.15
    assert swapped > kept + 0.3


def test_a_recording_shorter_than_the_example_matches_nothing() -> None:
    assert (order.costs(sequence(40, 3), sequence(10, 3)) == order.WORST).all()


def test_a_piece_fits_as_numpy_correlates(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pieces, "AT_ONCE", 64)
    example, recording = sequence(12, 4), sequence(300, 5)
    own = pieces.cut(example, 12)
    (track,) = pieces.found(own, recording, 1).max(axis=0)
    moved = [np.zeros_like(example) for _ in pieces.SHIFTS]
    for shift, one in zip(pieces.SHIFTS, moved, strict=True):
        kept = slice(max(0, shift), 12 + min(0, shift))
        one[:, kept] = np.roll(example, shift, axis=1)[:, kept]
    for at in (0, 63, 64, 200, 288):
        there = recording[at : at + 12].ravel()
        known = max(np.corrcoef(one.ravel(), there)[0, 1] for one in moved)
        assert track[at] == pytest.approx(known, abs=1e-5)
    (best,) = pieces.found(own, recording, 4).max(axis=0)
    assert best[5] == track[20:24].max()


@pytest.mark.parametrize("pace", [0.87, 1.0, 1.15])
def test_a_song_is_found_by_its_notes_in_their_places(pace: float) -> None:
    notes = [sequence(16, seed) for seed in range(6)]
    rest = np.zeros((6, 12), np.float32)
    example, other = (
        np.concatenate([part for n in turns for part in (notes[n], rest)])
        for turns in ((0, 1, 2, 3, 4, 5), (4, 1, 5, 3, 0, 2))
    )
    # Another pace leaves the notes as they are, and moves them.
    paced = np.zeros((400, 12), np.float32)
    for number, note in enumerate(notes):
        first = 100 + round(22 * number * pace)
        paced[first : first + 16] = note
    own = pieces.cut(example, pieces.NOTE)

    def song_in(recording: Grid) -> Grid:
        return pieces.in_place(own, pieces.found(own, recording, SLACK), SLACK)

    same = song_in(paced)
    best, step = np.unravel_index(same.argmax(), same.shape)
    assert pieces.PACES[best] == pace
    assert step == pytest.approx(100 / SLACK, abs=1)
    assert same.max() > 0.8
    assert song_in(other).max() < 0.6


def test_a_song_is_at_one_pitch_and_what_comes_after_the_end_is_noise() -> None:
    """By hand: two pieces, the second two steps after the first and twice as heavy."""
    weights = np.array([1 / 3, 2 / 3], np.float32)
    own = pieces.Pieces(4, (0, 8), np.zeros((2 * len(pieces.SHIFTS), 4), np.float32), weights)
    fits = np.zeros((len(pieces.SHIFTS), 2, 12), np.float32)
    fits[0, 0, 2], fits[0, 1, 4] = 0.9, 0.6
    fits[1, 0, 6], fits[3, 1, 8] = 0.9, 0.6
    song = pieces.in_place(own, fits, 4).max(axis=0)
    assert song[[2, 6]] == pytest.approx([0.7, 0.4])
    fits[:, 0, 11] = 0.3
    assert pieces.in_place(own, fits, 4).max(axis=0)[10:] == pytest.approx([0.0, 0.1])


def voice(ripples: float, noisy: float, seed: int) -> Grid:
    """A singer with so many ripples over 64 bands, at random pitches, in one rhythm for all."""
    rng = np.random.default_rng(seed)
    bands, frames = np.arange(64), np.arange(512)
    pitch = scipy.ndimage.gaussian_filter1d(rng.normal(0, 60, 512), 12)[:, None]
    tone = 6 * np.maximum(np.cos(2 * np.pi * ripples * (bands - pitch) / 64), 0) ** 4
    on = (np.sin(frames / 7) > 0)[:, None]
    hiss = noisy * rng.exponential(3, (512, 64))
    sound = ((1 - noisy) * tone + hiss) * on + rng.normal(0, 1, (512, 64))
    return np.asarray(sound, dtype=np.float32)


def test_a_voice_is_known_by_other_notes_and_told_from_another_voice() -> None:
    """Harmonics four to the compass, nine to it, and a hiss: other notes each time."""
    singers = [(4.0, 0.0), (9.0, 0.0), (4.0, 1.0)]
    given, again = (
        modulation(np.stack([voice(*one, first + n) for n, one in enumerate(singers)]))
        for first in (0, 9)
    )
    for number, own in enumerate(given):
        assert alike(again, own).argmax() == number


def test_modulation_is_the_power_of_numpys_transform_in_two_dimensions() -> None:
    frames = np.random.default_rng(3).normal(1, 2, (1, 200, 40)).astype(np.float32)
    window = np.hanning(200)[:, None]
    moving = (frames[0] - frames[0].mean(axis=0)) * window
    powers = np.abs(np.fft.fft2(moving, (200, WIDE))) ** 2 / (np.sum(window**2) * 40)
    hertz = np.fft.fftfreq(200, 0.01)
    expected = [
        np.log1p(powers[(low <= way * hertz) & (way * hertz < high), a:b].mean())
        for a, b in itertools.pairwise(RIPPLES)
        for way in (1, -1)
        for low, high in itertools.pairwise(RATES_HZ)
    ]
    assert modulation(frames)[0] == pytest.approx(expected, rel=1e-4)


def test_noise_moves_as_much_at_every_rate_and_a_rise_otherwise_than_a_fall() -> None:
    noise = np.random.default_rng(5).standard_normal((40, 512, 70)).astype(np.float32)
    assert np.expm1(modulation(noise)).mean(axis=0) == pytest.approx(1.0, abs=0.15)
    # A comb, eight bands apart, that rises by as much three times a second.
    time_s, bands = np.arange(512)[:, None] / 100, np.arange(64)
    rise = np.cos(2 * np.pi * (bands / 8 - 3 * time_s)).astype(np.float32)[None]
    up, down = (
        modulation(one)[0].reshape(len(RIPPLES) - 1, 2, -1) for one in (rise, rise[..., ::-1])
    )
    density, rate = 3, 1  # 8 to 64 bands, 3 Hz
    assert np.unravel_index(up.argmax(), up.shape) in [(density, 0, rate), (density, 1, rate)]
    assert up[:, ::-1] == pytest.approx(down, abs=0.05)
    assert np.abs(up[density, :, rate][0] - up[density, :, rate][1]) > 1
    assert not modulation(noise[:1, :2]).any()


def test_likeness_to_several_is_numpys_correlation_with_each() -> None:
    rng = np.random.default_rng(4)
    rows, given = rng.normal(size=(5, 20)), rng.normal(size=(3, 20))
    assert alike(rows, given) == pytest.approx(np.corrcoef(rows, given)[:5, 5:])
    assert alike(rows, given[1]) == pytest.approx(np.corrcoef(rows, given)[:5, 6])


def likeness(samples: npt.NDArray[np.float32]) -> Likeness:
    return Likeness(sought().example, whole(samples, RATE_HZ))


def evidence(samples: npt.NDArray[np.float32]) -> dict[str, float]:
    return dict(zip(KINDS, likeness(samples).windows().max(axis=0), strict=True))


@pytest.mark.filterwarnings("error")
def test_a_place_past_the_last_frame_has_evidence() -> None:
    fit = likeness(place(5, 5, {3.4: song()}))
    assert np.isfinite(fit.near(fit.song.shape[1] + 20)).all()


def test_every_kind_speaks_for_the_sound_and_against_another() -> None:
    here, other = (evidence(place(6, 5, {2.0: call})) for call in (song(), stranger()))
    assert [kind for kind in KINDS if here[kind] <= other[kind]] == []


def test_rhythm_and_song_bear_another_pitch() -> None:
    same, higher = (evidence(place(6, 5, {2.0: song(pitch=of)})) for of in (1.0, 2 ** (2 / 12)))
    # By correlation, since z is cut off where all is alike.
    assert np.tanh(higher["rhythm"]) > 0.7 * np.tanh(same["rhythm"])
    # Bands of pieces are moved whole.
    assert higher["song"] > 0.55 * same["song"]


def test_a_brief_call_has_its_rhythm_though_five_seconds_are_mostly_noise() -> None:
    """Over five seconds the same call reaches .95."""
    brief = song()[: int(0.42 * RATE_HZ)]
    around = whole(place(5, -16, {2.0: brief}), RATE_HZ)
    found = Likeness(make_example(brief, RATE_HZ), around).windows().max(axis=0)
    assert found[KINDS.index("rhythm")] > 1.2
