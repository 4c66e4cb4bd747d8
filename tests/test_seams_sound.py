"""Sound: every kind of file is read, every fault is told, levels are right."""

from __future__ import annotations

import os
import re
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile as sf
from hypothesis import given
from hypothesis import strategies as st

from callresp.errors import UserError
from callresp.io.audio import Recording, level_db, open_recording, write_wav
from callresp.io.kinds import kind_of
from callresp.io.starttime import start_of

RATE = 48000
SINE = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(2 * RATE) / RATE)


def whole(recording: Recording, block: int = 4096) -> npt.NDArray[np.float32]:
    return np.concatenate(list(recording.blocks(block)))


def opened(path: Path, samples: npt.ArrayLike, rate: int = RATE, **how: str) -> Recording:
    sf.write(path, np.asarray(samples), rate, **how)
    return open_recording(path)


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("rate", [8000, 44100, 192000])
def test_wav_of_every_depth_and_rate(tmp_path: Path, subtype: str, rate: int) -> None:
    recording = opened(tmp_path / "a.wav", SINE, rate, subtype=subtype)
    assert recording.sample_rate_hz == rate
    depth = {"PCM_U8": 1 / 100, "PCM_16": 1 / 30000}.get(subtype, 1e-6)
    assert np.max(np.abs(whole(recording) - SINE)) < depth
    assert recording.warnings == []


@pytest.mark.parametrize("ending", ["flac", "ogg", "mp3"])
def test_packed_formats(tmp_path: Path, ending: str) -> None:
    heard = whole(opened(tmp_path / f"a.{ending}", SINE))
    # An MP3 encoder adds a delay of its own (from memory: up to three frames of 1152).
    assert abs(len(heard) - len(SINE)) <= 3 * 1152
    steady = heard[RATE // 2 : RATE]
    assert level_db(steady) == pytest.approx(level_db(SINE), abs=0.3)
    strongest = np.argmax(np.abs(np.fft.rfft(steady)))
    assert strongest * RATE / len(steady) == pytest.approx(1000)


def test_the_content_counts_not_the_ending(tmp_path: Path) -> None:
    sf.write(tmp_path / "a.flac", SINE, RATE)
    for name in ("a.wav", "a.raw", "a.txt"):
        (tmp_path / name).write_bytes((tmp_path / "a.flac").read_bytes())
        assert len(whole(open_recording(tmp_path / name))) == len(SINE)


@given(st.integers(1, 100_000))
def test_any_block_size_gives_the_same_sound(
    tmp_path_factory: pytest.TempPathFactory, block: int
) -> None:
    path = tmp_path_factory.getbasetemp() / "blocks.wav"
    if not path.exists():
        write_wav(path, np.c_[SINE, -0.5 * SINE][:9000], RATE)
    recording = open_recording(path)
    np.testing.assert_array_equal(whole(recording, block), whole(recording, 9000))


def test_a_file_that_tells_no_length_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "x.flac"
    sf.write(path, SINE, RATE)
    whole = bytearray(path.read_bytes())
    # RFC 9639, 8.2: the last 36 bits before the checksum of the stream information count samples;
    # 0 says that the encoder didn't know.
    whole[21] &= 0xF0
    whole[22:26] = bytes(4)
    path.write_bytes(whole)
    recording = open_recording(path)
    assert recording.frames == len(SINE)
    assert sum(len(block) for block in recording.blocks()) == len(SINE)
    assert recording.warnings == [
        "its header tells no exact length: took all that follows as sound"
    ]


@pytest.mark.parametrize(
    ("told_s", "tag", "unread"), [(1, b"", True), (4, b"TAG" + bytes(125), False)]
)
def test_what_lies_behind_the_length_that_a_flac_tells_is_no_secret(
    tmp_path: Path, told_s: int, tag: bytes, unread: bool
) -> None:
    """RFC 9639, 8.2, as above. ID3v1's 128 bytes at the end, from memory, are no sound."""
    path = tmp_path / "short.flac"
    sf.write(path, np.random.default_rng(1).uniform(-0.5, 0.5, 4 * RATE), RATE)
    raw = bytearray(path.read_bytes())
    raw[22:26] = (told_s * RATE).to_bytes(4, "big")
    path.write_bytes(raw + tag)
    recording = open_recording(path)
    assert len(whole(recording)) == told_s * RATE
    told = "".join(recording.warnings)
    found = re.findall(r"too short a length \(1.000 s\): (\d+)% of the file", told)
    assert [60 < int(share) <= 75 for share in found] == [True] * unread


def test_a_damaged_flac_is_not_said_to_tell_too_short_a_length(tmp_path: Path) -> None:
    path = tmp_path / "damaged.flac"
    sf.write(path, np.random.default_rng(1).uniform(-0.5, 0.5, 4 * RATE), RATE)
    raw = path.read_bytes()
    for at in range(0x4000, len(raw) - 0x4000, 0x2000):
        path.write_bytes(raw[:at] + bytes(0x2000) + raw[at + 0x2000 :])
        recording = open_recording(path)
        whole(recording)
        (told,) = recording.warnings
        assert told.startswith("breaks off after")


def test_full_scale_sine_reads_zero() -> None:
    """AES17-2015: the level of a full-scale sine is 0 dB FS."""
    assert level_db(2 * SINE) == pytest.approx(0.0, abs=0.001)
    assert level_db(0.2 * SINE) == pytest.approx(-20.0, abs=0.001)
    assert level_db(np.zeros(9)) == -200.0


def test_channels(tmp_path: Path) -> None:
    sf.write(tmp_path / "two.wav", np.c_[SINE, 0 * SINE], RATE, subtype="FLOAT")
    np.testing.assert_allclose(whole(open_recording(tmp_path / "two.wav")), SINE / 2, atol=1e-7)
    np.testing.assert_allclose(whole(open_recording(tmp_path / "two.wav", 1)), SINE, atol=1e-7)
    with pytest.raises(UserError, match="has no channel 3; choose one from 1 to 2"):
        open_recording(tmp_path / "two.wav", 3)


def test_channels_that_cancel_are_told(tmp_path: Path) -> None:
    recording = opened(tmp_path / "inverted.wav", np.c_[SINE, -SINE])
    whole(recording)
    assert "cancel each other" in recording.warnings[0]


@pytest.mark.parametrize(
    ("samples", "told"),
    [
        (np.where(np.arange(len(SINE)) % 999 == 5, np.nan, SINE), "97 samples without a number"),
        (np.where(np.arange(len(SINE)) == 5, np.inf, SINE), "1 sample without a number"),
        (np.clip(4 * SINE, -1, 1), "clipped in"),
        (0.5 * SINE + 0.2, "steady offset of 20.0% of full scale"),
        (0 * SINE, "silent"),
        (40 * SINE, "peaks at 20 times full scale"),
    ],
)
def test_faults_in_the_sound_are_told(
    tmp_path: Path, samples: npt.NDArray[np.float64], told: str
) -> None:
    recording = opened(tmp_path / "bad.wav", samples, subtype="FLOAT")
    assert np.all(np.isfinite(whole(recording)))
    assert any(told in warning for warning in recording.warnings), recording.warnings


@pytest.mark.parametrize("ending", ["wav", "flac", "mp3"])
def test_a_truncated_file_is_used_as_far_as_it_goes(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"cut.{ending}"
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, 4 * RATE)
    sf.write(path, noise, RATE)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    recording = open_recording(path)
    heard = whole(recording)
    assert 1.0 < len(heard) / RATE < 2.5
    (told,) = recording.warnings
    found = re.fullmatch(r"breaks off after (\S+) of (\S+) s: used what is there", told)
    assert found
    after, of = found.groups()
    assert float(after) == pytest.approx(len(heard) / RATE, abs=1e-3)
    assert float(of) == pytest.approx(4.0, abs=0.1)


def test_a_pipe_is_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "dawn.wav"
    os.mkfifo(path)
    both = os.open(path, os.O_RDWR | os.O_NONBLOCK)
    try:
        os.write(both, b"MThd" + bytes(4092))
        with pytest.raises(UserError, match=r"dawn\.wav: is a pipe, and is to be read twice"):
            open_recording(path)
        # Nor is it read, which would wait for whoever writes, to tell what it holds, or from when.
        assert (kind_of(path), start_of(path)) == (None, None)
        assert len(os.read(both, 8192)) == 4096
    finally:
        os.close(both)


def test_a_cut_flac_that_tells_no_length_is_as_long_as_what_is_heard(tmp_path: Path) -> None:
    """RFC 9639, 8.2: 36 bits of the first metadata block, 0 where the length is not known."""
    path = tmp_path / "cut.flac"
    sf.write(path, np.random.default_rng(1).uniform(-0.5, 0.5, 4 * RATE), RATE)
    raw = bytearray(path.read_bytes())
    raw[21:26] = bytes([raw[21] & 0xF0, 0, 0, 0, 0])
    path.write_bytes(raw[: len(raw) // 2])
    recording = open_recording(path)
    heard = whole(recording)
    assert recording.frames == len(heard) > 2 * RATE - 2 * 4096
    assert any("breaks off after" in told for told in recording.warnings)


def test_a_cut_flac_is_used_to_its_last_whole_frame(tmp_path: Path) -> None:
    """Each frame is decoded by itself (RFC 9639, 9); noise takes as many bytes in each."""
    path = tmp_path / "cut.flac"
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, 4 * RATE)
    sf.write(path, noise, RATE)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    heard = whole(open_recording(path))
    np.testing.assert_allclose(heard, noise[: len(heard)], atol=2**-15)
    assert 2 * RATE - 2 * 4096 < len(heard) <= 2 * RATE  # libFLAC's frames hold 4096


_READ_DAMAGED = """
import os, sys, threading
from callresp.io.audio import COMPUTING, open_recording
for name in {"beside": ["another"], "computing": [COMPUTING + "_0"]}.get(sys.argv[2], []):
    threading.Thread(target=threading.Event().wait, name=name, daemon=True).start()
recording = open_recording(sys.argv[1])
for block in recording.blocks():
    os.write(2, b"ours")
print(recording.warnings[0], flush=True)
os._exit(0)
"""


@pytest.mark.parametrize("others", ["none", "computing", "beside"])
def test_a_damaged_mp3_is_told_in_our_words_alone(tmp_path: Path, others: str) -> None:
    path = tmp_path / "damaged.mp3"
    sf.write(path, np.random.default_rng(1).uniform(-0.5, 0.5, 4 * RATE), RATE)
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2] + bytes(range(256)) * 20 + raw[len(raw) // 2 :])
    words = [sys.executable, "-c", _READ_DAMAGED, str(path), others]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert "breaks off after" in done.stdout
    # Nothing of the decoder's, and all that is ours; with others beside that may speak, all that
    # is said.
    assert (done.stderr.replace("ours", "") == "") == (others != "beside")
    assert "ours" in done.stderr


@pytest.mark.parametrize("size", [b"\0\0\0\0", b"\xff\xff\xff\xff"])
def test_a_header_that_was_never_finished(tmp_path: Path, size: bytes) -> None:
    path = tmp_path / "lost-power.wav"
    sf.write(path, SINE, RATE, subtype="PCM_16")
    raw = bytearray(path.read_bytes())
    raw[40:44] = size
    path.write_bytes(raw)
    recording = open_recording(path)
    np.testing.assert_allclose(whole(recording), SINE, atol=1e-4)
    assert "never finished" in recording.warnings[0]


def test_a_header_of_which_only_the_size_of_the_data_was_mended(tmp_path: Path) -> None:
    path = tmp_path / "written-on.wav"
    write_wav(path, SINE, RATE, "PCM_16")
    raw = bytearray(path.read_bytes())
    raw[4:8] = struct.pack("<I", len(raw) // 2)
    path.write_bytes(raw)
    recording = open_recording(path)
    assert sum(map(len, recording.blocks())) == len(SINE)
    assert not recording.warnings


def test_what_is_no_sound_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "empty.wav").write_bytes(b"")
    (tmp_path / "text.wav").write_text("dawn chorus " * 40)
    sf.write(tmp_path / "none.wav", np.zeros(0), RATE)
    for name, told in [
        ("empty.wav", "is empty"),
        ("text.wav", "is not a sound file"),
        ("none.wav", "holds no sound"),
        ("missing.wav", "can't be read"),
        (".", "is a directory"),
    ]:
        with pytest.raises(UserError) as fault:
            open_recording(tmp_path / name)
        assert told in str(fault.value)
        assert "\n" not in str(fault.value)


def test_no_permission(tmp_path: Path) -> None:
    path = tmp_path / "locked.wav"
    sf.write(path, SINE, RATE)
    path.chmod(0)
    try:
        path.open("rb").close()
        pytest.skip("this user may read every file")
    except PermissionError:
        pass
    with pytest.raises(UserError, match="Permission denied"):
        open_recording(path)


_KINDS = [
    (kind, subtype)
    for kind in ("WAV", "WAVEX", "RF64", "AIFF", "FLAC")
    for subtype in ("PCM_16", "PCM_24", "PCM_32", "FLOAT")
    if sf.check_format(kind, subtype)
]


@pytest.mark.parametrize(("kind", "subtype"), _KINDS)
@pytest.mark.parametrize("channels", [1, 2, 3])
@pytest.mark.parametrize("lost_bytes", [0, 1, 4])
def test_samples_are_what_libsndfile_reads(
    tmp_path: Path, kind: str, subtype: str, channels: int, lost_bytes: int
) -> None:
    """libsndfile 1.2 is the reference, to the bit; a card may break off within a sample."""
    path = tmp_path / "a.wav"
    noise = np.random.default_rng(channels).uniform(-1, 1, (5001, channels))
    noise[7], noise[8] = 1.0, -1.0
    sf.write(path, noise, RATE, subtype=subtype, format=kind)
    if kind != "FLAC":  # whose frames can't be cut
        path.write_bytes(path.read_bytes()[: path.stat().st_size - lost_bytes])
    expected = sf.read(path, dtype="float32", always_2d=True)[0]
    for channel in range(channels):
        np.testing.assert_array_equal(
            whole(open_recording(path, channel + 1), 999), expected[:, channel]
        )
