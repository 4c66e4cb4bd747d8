"""Second opinions: the same interface for all, and the same answers as their own programs."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import itertools
import sys
from pathlib import Path

import numpy as np
import pytest
from conftest import need_madmom
from hypothesis import given
from hypothesis import strategies as st
from listen_helpers import RATE_HZ, calls, recorded

from callresp.errors import UserError
from callresp.io.audio import Recording, open_recording
from callresp.listen.detectors import madmom
from callresp.listen.detectors.chunks import chunks
from callresp.listen.detectors.energy import STEP_S, Envelope, ends_and_levels
from callresp.listen.detectors.madmom import MadmomOnsets
from callresp.listen.detectors.registry import detect_notes, detectors, find_detector
from callresp.listen.offline import transcribe

ONSETS_S = (0.6, 1.1, 1.35, 1.6, 2.4, 2.6, 3.0)
NEED_MADMOM = ("superflux", "cnn", "rnn", "rnn-online")


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    path = recorded(tmp_path_factory.mktemp("opinions"), calls(ONSETS_S, 4.0))
    return open_recording(path)


def need(name: str) -> None:
    if name in NEED_MADMOM:
        need_madmom()


# librosa scales its threshold to the loudest sound, so it finds onsets in faint noise too.
@pytest.mark.parametrize(
    ("name", "most"),
    [("superflux", 7), ("cnn", 7), ("rnn", 7), ("rnn-online", 7), ("librosa", 20), ("pyin", 7)],
)
def test_every_opinion_hears_calls(
    recording: Recording, tmp_path: Path, name: str, most: int
) -> None:
    need(name)
    if name == "cnn":  # knows the sounds of instruments, not pure whistles
        rich = calls(ONSETS_S, 4.0, 600.0, partials=10)
        recording = open_recording(recorded(tmp_path, 0.8 * rich / np.abs(rich).max()))
    notes = detect_notes(name, recording)
    found = np.array([note.onset_s for note in notes])
    assert all(np.min(np.abs(found - onset_s)) < 0.03 for onset_s in ONSETS_S)
    assert len(notes) <= most
    assert np.all(np.diff(found) >= 0)
    lengths = [note.length_s for note in notes if abs(note.onset_s - 1.1) < 0.03]
    assert any(0.03 <= length <= 0.2 for length in lengths)


def test_onset_methods_say_nothing_of_pitch_and_pyin_does(recording: Recording) -> None:
    assert {note.pitch_hz for note in detect_notes("librosa", recording)} == {None}
    pitches = [note.pitch_hz for note in detect_notes("pyin", recording)]
    assert np.allclose([p for p in pitches if p is not None], 3000, rtol=0.012)
    assert all(note.track for note in detect_notes("pyin", recording))


def test_superflux_is_that_of_madmoms_own_program(recording: Recording) -> None:
    # Outside: `bin/SuperFlux` of madmom 0.17, its processors built with its own defaults.
    need("superflux")
    onsets = madmom.madmom("features.onsets")
    filters = madmom.madmom("audio.filters")
    samples = np.concatenate(list(recording.blocks()))
    activation = onsets.SpectralOnsetProcessor(
        onset_method="superflux", sample_rate=44100, fps=200, num_bands=24, fmin=30, fmax=17000,
        norm_filters=False, filterbank=filters.LogarithmicFilterbank, log=np.log10, mul=1, add=1,
    )(samples)  # fmt: skip
    pick = onsets.OnsetPeakPickingProcessor(
        threshold=1.1, pre_max=0.01, post_max=0.05, pre_avg=0.15, post_avg=0, combine=0.03, fps=200
    )
    own = [note.onset_s for note in detect_notes("superflux", recording)]
    assert own == pytest.approx(list(pick(activation)))


def test_librosa_by_chunks_is_librosa_at_once(recording: Recording) -> None:
    import librosa

    samples = np.concatenate(list(recording.blocks()))
    at_once = librosa.onset.onset_detect(y=samples, sr=RATE_HZ, units="time")
    own = [note.onset_s for note in detect_notes("librosa", recording)]
    assert own == pytest.approx(at_once.tolist(), abs=1e-5)


@pytest.mark.parametrize("name", ["superflux", "rnn-online"])
def test_chunks_leave_no_seam(recording: Recording, name: str) -> None:
    need(name)
    at_once, in_parts = MadmomOnsets(name), MadmomOnsets(name)
    samples = np.concatenate(list(recording.blocks()))
    for method, middle in ((at_once, 30 * RATE_HZ), (in_parts, RATE_HZ)):
        for chunk in chunks(iter([samples]), middle, method.before, method.after):
            method.take(chunk)
    assert in_parts.onsets_s() == pytest.approx(at_once.onsets_s())


@given(
    st.lists(st.integers(0, 40), max_size=12),
    st.integers(1, 20),
    st.integers(0, 30),
    st.integers(0, 30),
)
def test_chunks_cover_everything_once(
    sizes: list[int], middle: int, before: int, after: int
) -> None:
    whole = np.arange(sum(sizes), dtype=np.float32)
    cuts = np.cumsum([0, *sizes])
    blocks = [whole[a:b] for a, b in itertools.pairwise(cuts)]
    found = list(chunks(iter(blocks), middle, before, after))
    own = [chunk.own for chunk in found]
    assert np.array_equal(np.concatenate([*own, np.zeros(0, np.float32)]), whole)
    for chunk in found:
        first = chunk.start - chunk.before
        assert chunk.before == min(before, chunk.start)
        last = min(len(whole), chunk.start + chunk.middle + after)
        assert np.array_equal(chunk.samples, whole[first:last])
    assert [chunk.last for chunk in found] == [i == len(found) - 1 for i in range(len(found))]


@given(st.lists(st.integers(1, 5000), min_size=1, max_size=20))
def test_the_envelope_does_not_hang_on_the_blocks(sizes: list[int]) -> None:
    rng = np.random.default_rng(1)
    samples = rng.standard_normal(sum(sizes)).astype(np.float32)
    whole, parts = Envelope(RATE_HZ, 400, 12000), Envelope(RATE_HZ, 400, 12000)
    whole.add(samples)
    cuts = np.cumsum([0, *sizes])
    for a, b in itertools.pairwise(cuts):
        parts.add(samples[a:b])
    assert np.allclose(whole.level_db(), parts.level_db(), atol=1e-3)
    assert len(whole.level_db()) == int(len(samples) / RATE_HZ / STEP_S)


@given(st.lists(st.floats(0, 3.9), min_size=1, max_size=30))
def test_notes_by_energy_end_after_they_start_and_before_the_next(onsets: list[float]) -> None:
    envelope = Envelope(RATE_HZ, 400, 12000)
    envelope.add(calls(ONSETS_S, 4.0).astype(np.float32))
    onsets_s = np.array(sorted(onsets))
    offsets_s, levels_db, above_db = ends_and_levels(onsets_s, envelope.level_db())
    assert np.all(offsets_s >= onsets_s)
    assert np.all(offsets_s[:-1] <= onsets_s[1:] + 1e-9)
    assert np.all(np.isfinite(levels_db)) and np.all(above_db >= 0)  # noqa: PT018


def test_silence_has_no_onsets(tmp_path: Path) -> None:
    silence = open_recording(recorded(tmp_path, np.zeros(RATE_HZ)))
    for detector in detectors()[1:]:
        if detector.missing is None and detector.name in ("superflux", "librosa", "pyin"):
            assert detect_notes(detector.name, silence) == []


def test_hear_takes_an_opinion_by_name_and_tells_the_licence(recording: Recording) -> None:
    need("cnn")
    heard = transcribe(recording, detector="cnn")
    assert heard.header.detector == "cnn"
    assert any("CC BY-NC-SA" in warning for warning in heard.header.warnings)
    assert not any(
        "CC BY" in warning
        for warning in transcribe(recording, detector="superflux").header.warnings
    )


def test_an_unknown_detector_is_answered_with_the_nearest() -> None:
    with pytest.raises(UserError, match="did you mean 'superflux'"):
        find_detector("superflex")


def test_where_madmom_is_missing_we_say_why_and_carry_on(
    monkeypatch: pytest.MonkeyPatch, recording: Recording
) -> None:
    real = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name: None if name == "madmom" else real(name)
    )
    monkeypatch.setattr(sys, "version_info", (3, 13, 0, "final", 0))
    monkeypatch.setattr("platform.machine", lambda: "aarch64")
    gone = [detector for detector in detectors() if detector.missing]
    assert {detector.name for detector in gone} == set(NEED_MADMOM)
    with pytest.raises(UserError, match=r"no wheel for Python 3\.13 on .*aarch64.*choose one of"):
        transcribe(recording, detector="superflux")


def test_the_shim_answers_one_name_and_only_while_importing() -> None:
    need("superflux")
    before = importlib.metadata.distribution
    madmom.madmom("features.onsets")
    assert importlib.metadata.distribution is before
    with pytest.raises(importlib.metadata.PackageNotFoundError):
        importlib.metadata.distribution("madmom")
