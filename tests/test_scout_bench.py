"""The cases of the scout bench: noise at the level that a row says, and noise alone for silence."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scout_cases
import soundfile as sf

RATE_HZ = scout_cases.RATE_HZ


@pytest.mark.parametrize("snr_db", [0.0, -10.0, -15.0])
def test_a_clip_stands_over_noise_by_what_is_asked(snr_db: float) -> None:
    """Powers of the two parts, told apart by least squares; common practice, no source."""
    clip = (np.sqrt(2) * np.sin(np.arange(2 * RATE_HZ))).astype(np.float32)
    mixed, noise = (
        scout_cases.in_noise(one, snr_db, np.random.default_rng(1)) for one in (clip, 0 * clip)
    )
    rim = (len(mixed) - len(clip)) // 2
    parts = np.stack([np.pad(clip, rim), noise])
    share = np.linalg.lstsq(parts.T, mixed, rcond=None)[0]
    of_clip, of_noise = np.mean((share[:, None] * parts)[:, rim:-rim] ** 2, axis=1)
    assert 10 * np.log10(of_clip / of_noise) == pytest.approx(snr_db, abs=0.5)


def test_of_digital_silence_the_noise_is_left() -> None:
    silence = np.zeros(RATE_HZ, np.float32)
    mixed = scout_cases.in_noise(silence, -60.0, np.random.default_rng(1))
    assert np.abs(mixed).max() == pytest.approx(0.5)
    assert mixed.std() > 0.05


def test_the_level_of_a_clip_is_that_of_its_marked_notes_and_not_of_rumble_or_knocks(
    tmp_path: Path,
) -> None:
    """A tone of 1 s in 5, a rumble and a knock marked as noise 26 dB above it: by hand."""
    time_s = np.arange(5 * RATE_HZ) / RATE_HZ
    tone = 0.01 * np.sin(2 * np.pi * 3000 * time_s) * ((time_s >= 3.5) & (time_s < 4.5))
    rumble = 0.2 * np.sin(2 * np.pi * 40 * time_s)
    knock = 0.2 * np.sin(2 * np.pi * 2000 * time_s) * (time_s < 0.5)
    sf.write(tmp_path / "sparrow-x.wav", tone + rumble + knock, RATE_HZ, subtype="FLOAT")
    (tmp_path / "sparrow-x.csv").write_text("onset_s,offset_s,label\n0,0.5,n\n3.5,4.5,s\n")
    (caller,) = scout_cases.callers([], [tmp_path], "scoring")
    (clip,), (example,) = caller.clips, caller.examples
    of_tone = np.fft.rfft(clip[int(3.5 * RATE_HZ) : int(4.5 * RATE_HZ)])[3000]
    amplitude = 2 * abs(of_tone) / RATE_HZ
    assert amplitude**2 / 2 * 1 / 5 == pytest.approx(1.0, rel=0.03)
    assert len(example) == 3 * RATE_HZ


def test_of_marked_notes_an_example_is_cut_though_a_knock_is_louder() -> None:
    clip = np.full(5 * RATE_HZ, 0.01, np.float32)
    clip[: RATE_HZ // 10] = 1.0  # the knock
    clip[int(3.5 * RATE_HZ) : int(4.5 * RATE_HZ)] = 0.1  # the song
    sung = scout_cases.called(clip, np.array([[3.5, 4.5]]), True)
    assert scout_cases.loudest(clip, clip).max() == 1.0
    cut = scout_cases.loudest(clip, sung)
    assert (len(cut), cut.max()) == (3 * RATE_HZ, pytest.approx(0.1))
    assert (cut > 0.05).sum() == RATE_HZ
