"""The listener against exact truth: shipped scenes, sounds made here, blocks of any size."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import mir_eval
import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from listen_helpers import heard, online, recorded, sung, tone

import callresp
from callresp.io.audio import open_recording
from callresp.listen.kernels import frame
from callresp.listen.note_stream import NoteStream, StreamOutput
from callresp.listen.offline import note_table
from callresp.listen.online import SETTLE_S, NoteEnd, NoteOnset
from callresp.listen.profile import Profile
from callresp.scene.recipe import load_recipe
from callresp.scene.render import Scene, render

RATE_HZ = 48000


@cache
def scene(name: str) -> Scene:
    """A shipped scene, rendered once."""
    return render(load_recipe(name))


def onset_f(made: Scene, onsets_s: np.ndarray, within_s: float) -> float:
    """F-measure as mir_eval counts it: the reference library of the field."""
    true_s = np.array([note.onset_s for note in made.truth.notes])
    return float(mir_eval.onset.f_measure(np.unique(true_s), np.sort(onsets_s), within_s)[0])


@pytest.mark.parametrize(("name", "least"), [("rhythm", 0.95), ("solo", 0.95), ("duet", 0.95)])
def test_a_shipped_scene_is_heard_as_it_is(name: str, least: float, tmp_path: Path) -> None:
    made = scene(name)
    notes = heard(made.samples, tmp_path)
    assert onset_f(made, notes["onset_s"], 0.05) >= least


def test_knocks_shorter_than_the_shortest_note_are_heard(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    wave = 0.001 * rng.standard_normal(6 * RATE_HZ)
    at_s = np.arange(1.0, 5.5, 0.3)
    knock = np.sin(2 * np.pi * 640 * np.arange(300) / RATE_HZ) + 0.3 * rng.standard_normal(300)
    for moment in at_s:
        first = round(moment * RATE_HZ)
        wave[first : first + 300] += 0.2 * knock * np.exp(-np.arange(300) / 90)
    notes = heard(wave, tmp_path)
    assert len(notes) == len(at_s)
    assert np.abs(notes["onset_s"] - at_s).max() < 0.01


@pytest.mark.parametrize("gust_db", [4.0, 8.0, 12.0])
def test_a_gust_makes_no_notes_and_hides_no_bird(gust_db: float, tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    seconds = 8.0
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    # Rises within 0.2 s, stays for a second: quicker than any floor should follow.
    gust = np.interp(time_s, (4.0, 4.2, 5.2, 5.6), (0.0, gust_db, gust_db, 0.0))
    wave = 0.01 * rng.standard_normal(len(time_s)) * 10 ** (gust / 20)
    assert len(heard(wave, tmp_path)) <= 1
    whistle = tone(3100, 0.08, RATE_HZ, 0.3) * np.hanning(round(0.08 * RATE_HZ))
    for moment in (2.0, 4.5, 5.0):
        first = round(moment * RATE_HZ)
        wave[first : first + len(whistle)] += whistle
    notes = heard(wave, tmp_path)
    pitched = notes[np.abs(notes["pitch_hz"] - 3100) < 10]
    assert len(pitched) == 3
    assert len(notes) <= 4


def test_bounds_of_every_note_lie_in_the_band(tmp_path: Path) -> None:
    notes = heard(scene("pond").samples, tmp_path)
    assert (notes["low_hz"] <= notes["high_hz"]).all()
    assert (notes["low_hz"] >= 0).all()
    assert (notes["high_hz"] < RATE_HZ / 2).all()


@settings(max_examples=6)
@given(st.integers(1, 5000))
def test_blocks_of_any_size_are_heard_alike(size: int) -> None:
    samples = scene("solo").samples[: 3 * RATE_HZ]
    whole = _notes(NoteStream(RATE_HZ, Profile()), samples, len(samples))
    parts = _notes(NoteStream(RATE_HZ, Profile()), samples, max(size, 37))
    assert (whole == parts).all()


def _notes(engine: NoteStream, samples: np.ndarray, size: int) -> np.ndarray:
    outputs: list[StreamOutput] = []
    for start in range(0, len(samples), size):
        outputs += engine.push(samples[start : start + size])
    outputs += engine.push(np.zeros(0, np.float32), last=True)
    rows = np.concatenate([out.notes.notes for out in outputs])
    return np.stack([rows["onset_s"], rows["offset_s"], rows["level_db"]])


@pytest.mark.parametrize("name", ["solo", "duet", "rhythm"])
def test_the_online_form_hears_what_the_offline_form_hears(name: str, tmp_path: Path) -> None:
    made = scene(name)
    events = online(made.samples)
    began = np.array([event.onset_s for _, event in events if isinstance(event, NoteOnset)])
    ended = [event.note for _, event in events if isinstance(event, NoteEnd) and event.note]
    offline = onset_f(made, heard(made.samples, tmp_path)["onset_s"], 0.05)
    assert onset_f(made, began, 0.05) >= offline - 0.02
    assert onset_f(made, np.array([note.onset_s for note in ended]), 0.05) >= offline - 0.02


def test_a_start_is_told_before_its_note_could_be_over() -> None:
    made = scene("solo")
    told = [(at_s, e.onset_s) for at_s, e in online(made.samples) if isinstance(e, NoteOnset)]
    true_s = np.array([note.onset_s for note in made.truth.notes])
    # Counted in samples heard, so that the machine it runs on has no say.
    pairs = mir_eval.util.match_events(true_s, np.array([onset for _, onset in told]), 0.05)
    late_ms = 1000 * np.array([told[j][0] - true_s[i] for i, j in pairs])
    assert np.median(late_ms) <= 15.0
    assert np.percentile(late_ms, 99) <= 25.0


def test_every_start_ends_once_and_no_end_comes_first() -> None:
    made = scene("chorus")
    open_keys: set[int] = set()
    seen: set[int] = set()
    phrases: dict[str, list[int]] = {}
    for _, event in online(made.samples[: 15 * RATE_HZ], 1000):
        if isinstance(event, NoteOnset):
            assert event.key not in seen
            assert event.onset_s >= SETTLE_S
            assert event.low_hz <= event.high_hz
            open_keys.add(event.key)
            seen.add(event.key)
            continue
        if not isinstance(event, NoteEnd):
            continue
        assert event.key in open_keys or event.key not in seen
        open_keys.discard(event.key)
        seen.add(event.key)
        if event.note:
            phrases.setdefault(event.note.voice, []).append(event.note.phrase)
    assert not open_keys
    assert phrases


def test_silence_and_noise_alone_begin_nothing() -> None:
    assert online(np.zeros(RATE_HZ, np.float32)) == []
    noise = 0.01 * np.random.default_rng(2).standard_normal(10 * RATE_HZ)
    assert len(online(noise.astype(np.float32))) <= 2


@pytest.mark.parametrize("gap_s", [1.0, 3.0])
def test_after_a_gap_of_digital_silence_the_place_is_as_quiet_as_before(gap_s: float) -> None:
    """A recorder's lost card writes zeros; noise that comes back is no sound of its own."""
    sound = 0.003 * np.random.default_rng(5).standard_normal(int((22 + gap_s) * RATE_HZ))
    sound[15 * RATE_HZ : int((15 + gap_s) * RATE_HZ)] = 0
    calls_s = [5.0, 16 + gap_s, 18 + gap_s]
    for at_s in calls_s:
        call = 0.02 * tone(3000.0, 0.2, RATE_HZ) * np.hanning(int(0.2 * RATE_HZ))
        sound[int(at_s * RATE_HZ) :][: len(call)] += call
    notes = callresp.transcribe(sound.astype(np.float32), sample_rate_hz=RATE_HZ).notes
    assert [note.onset_s for note in notes] == pytest.approx(calls_s, abs=0.03)


def cut_apart(kind: str) -> tuple[np.ndarray, np.ndarray]:
    """Calls of one kind with exact silence between, as an editor leaves it, and their onsets."""
    at_s = 1.0 + 0.8 * np.arange(24)
    wave = np.zeros(21 * RATE_HZ)
    for moment in at_s:
        if kind == "stack":
            for order in range(1, 9):
                sung(wave, moment, 800.0 * order, 790.0 * order, 0.1, 0.02 / order, RATE_HZ)
        else:
            sung(wave, moment, 3000.0, 3000.0, 0.15 if kind == "tone" else 0.6, 0.02, RATE_HZ)
    return wave, at_s


@pytest.mark.parametrize("kind", ["tone", "long tone", "stack"])
def test_calls_of_one_pitch_in_digital_silence_are_heard_to_the_last(
    kind: str, tmp_path: Path
) -> None:
    """Else they become the floor: nothing but they sounds where there is any sound."""
    wave, at_s = cut_apart(kind)
    offline = heard(wave, tmp_path)
    assert offline["onset_s"] == pytest.approx(at_s, abs=0.01)
    assert np.ptp(offline["level_db"]) < 0.5
    ends = [event for _, event in online(wave.astype(np.float32)) if isinstance(event, NoteEnd)]
    assert [end.note.onset_s for end in ends if end.note] == pytest.approx(at_s, abs=0.01)


def gated(bed: float, bed_s: float, hiss_s: float, edge_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Hisses 1.2 s apart, each amid `bed_s` of noise, with exact silence between; their onsets."""
    rng = np.random.default_rng(1)
    at_s = 1.0 + 1.2 * np.arange(20)
    wave = np.zeros(26 * RATE_HZ)
    for moment in at_s:
        first = round((moment - bed_s / 2) * RATE_HZ)
        length = round(max(bed_s, hiss_s) * RATE_HZ)
        wave[first : first + length] += bed * rng.standard_normal(length)
        first, length = round(moment * RATE_HZ), round(hiss_s * RATE_HZ)
        ends = np.minimum(np.arange(length), np.arange(length)[::-1]) + 1
        size = np.minimum(1.0, ends / (1 + edge_s * RATE_HZ))
        wave[first : first + length] += 0.02 * size * rng.standard_normal(length)
    return wave, at_s


@pytest.mark.parametrize("edge_s", [0.0, 0.003, 0.006])
@pytest.mark.parametrize("hiss_s", [0.15, 0.6])
def test_hisses_out_of_digital_silence_are_heard(
    edge_s: float, hiss_s: float, tmp_path: Path
) -> None:
    """All but the first or two, of which it isn't known yet that nothing sounds beneath them."""
    wave, at_s = gated(0.0, 0.0, hiss_s, edge_s)
    offline = heard(wave, tmp_path)
    assert offline["onset_s"][-19:] == pytest.approx(at_s[1:], abs=0.01)
    assert len(offline) <= 20
    ends = [event for _, event in online(wave.astype(np.float32)) if isinstance(event, NoteEnd)]
    noted = [end.note.onset_s for end in ends if end.note]
    assert noted[-17:] == pytest.approx(at_s[3:], abs=0.01)
    assert 18 <= len(noted) <= 20


@pytest.mark.parametrize(("bed", "bed_s", "hiss_s"), [(0.0005, 0.6, 0.1), (0.002, 0.9, 0.03)])
def test_noise_that_a_gate_lets_through_about_each_call_is_no_call(
    bed: float, bed_s: float, hiss_s: float, tmp_path: Path
) -> None:
    wave, at_s = gated(bed, bed_s, hiss_s, 0.003)
    assert heard(wave, tmp_path)["onset_s"] == pytest.approx(at_s, abs=0.01)


def test_noise_with_short_dropouts_is_no_call(tmp_path: Path) -> None:
    wave = 0.003 * np.random.default_rng(5).standard_normal(20 * RATE_HZ)
    for gap_s in np.arange(0.8, 20.0, 0.8):
        wave[round(gap_s * RATE_HZ) :][: round(0.08 * RATE_HZ)] = 0
    assert len(heard(wave, tmp_path)) == 0


def test_a_place_that_sounds_on_after_hisses_in_silence_is_noise(tmp_path: Path) -> None:
    wave, _ = gated(0.0, 0.0, 0.15, 0.003)
    place = 0.003 * np.random.default_rng(5).standard_normal(20 * RATE_HZ)
    sung(place, 15.0, 3000.0, 3000.0, 0.2, 0.02, RATE_HZ)
    onsets_s = heard(np.concatenate([wave, place]), tmp_path)["onset_s"]
    assert onsets_s[onsets_s > 31.0] == pytest.approx([41.0], abs=0.01)


def test_what_comes_back_after_a_muted_gap_is_no_sound_of_its_own(tmp_path: Path) -> None:
    """Nor is a steady whine in it, which has long been told from a call by its length."""
    wave = 0.003 * np.random.default_rng(5).standard_normal(40 * RATE_HZ)
    wave += tone(5000.0, 40.0, RATE_HZ, 0.003)
    wave[15 * RATE_HZ : 25 * RATE_HZ] = 0
    calls_s = [10.0, 25.3, 27.0, 35.0]
    for at_s in calls_s:
        sung(wave, at_s, 3000.0, 3000.0, 0.2, 0.02, RATE_HZ)
    notes = heard(wave, tmp_path)
    assert notes["onset_s"] == pytest.approx(calls_s, abs=0.01)
    assert notes["level_db"] == pytest.approx(-34.0, abs=0.5)  # 20 lg 0.02
    starts = [event for _, event in online(wave.astype(np.float32)) if isinstance(event, NoteOnset)]
    assert [start.onset_s for start in starts] == pytest.approx(calls_s, abs=0.01)


@pytest.mark.parametrize("rate_hz", [16000, 32000, 44100, 48000, 96000])
@pytest.mark.parametrize("profile", [Profile(), Profile(band_low_hz=200, window_ms=21.3)])
def test_one_compiled_form_serves_every_rate_and_profile(rate_hz: int, profile: Profile) -> None:
    band_high_hz = min(profile.band_high_hz, 0.45 * rate_hz)
    engine = NoteStream(rate_hz, msgspec.structs.replace(profile, band_high_hz=band_high_hz))
    list(engine.push(np.zeros(rate_hz // 4, np.float32), last=True))
    # Forms kept by several processes under like names would be taken for one another.
    assert len(frame.analyse.signatures) == 1  # type: ignore[attr-defined]


def test_a_recording_at_any_rate_gives_the_same_pitch(tmp_path: Path) -> None:
    for rate_hz in (16000, 44100, 96000, 192000):
        rng = np.random.default_rng(1)
        wave = 1e-3 * rng.standard_normal(3 * rate_hz)
        whistle = tone(3000, 0.2, rate_hz, 0.3) * np.hanning(round(0.2 * rate_hz))
        wave[rate_hz : rate_hz + len(whistle)] += whistle
        path = recorded(tmp_path, wave, rate_hz, f"{rate_hz}.wav")
        (note,) = note_table(open_recording(path), Profile())[0].notes
        assert abs(1200 * np.log2(note["pitch_hz"] / 3000)) < 3
