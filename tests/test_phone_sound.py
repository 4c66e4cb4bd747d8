"""What a phone's recorder writes. PyAV encodes (FFmpeg's AAC and ALAC); the reference is the sound
that was encoded."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pytest

from callresp.errors import UserError
from callresp.io.audio import Recording, open_recording
from callresp.io.kinds import kind_of
from callresp.scout.places import Place, sources

if TYPE_CHECKING:
    import av
else:
    av = pytest.importorskip("av", reason="the extra callresp[phone] is not installed")

RATE_HZ = 44100
LENGTH = 6 * RATE_HZ + 123
# At the end of each second but the last, a burst of 5 ms; under it a soft tone.
CLICKS = np.arange(1, 6) * RATE_HZ - 321


def clicks_and_tone() -> npt.NDArray[np.float32]:
    wave = 0.01 * np.sin(2 * np.pi * 1000 * np.arange(LENGTH) / RATE_HZ)
    burst = np.sin(2 * np.pi * 4000 * np.arange(220) / RATE_HZ) * np.hanning(220)
    for click in CLICKS:
        wave[click : click + len(burst)] += 0.5 * burst
    return wave.astype(np.float32)


def encode(path: Path, codec: str, channels: int = 1, **options: str) -> Path:
    layout = {1: "mono", 2: "stereo"}[channels]
    wave = np.repeat(clicks_and_tone()[np.newaxis], channels, axis=0)
    with av.open(str(path), "w", options=options) as out:
        stream: Any = out.add_stream(codec, rate=RATE_HZ, layout=layout)
        stream.bit_rate = 128_000
        frame = av.AudioFrame.from_ndarray(wave, format="fltp", layout=layout)
        frame.sample_rate, frame.pts = RATE_HZ, 0
        for packet in [*stream.encode(frame), *stream.encode(None)]:
            out.mux(packet)
    return path


def whole(recording: Recording, block: int = 4096) -> npt.NDArray[np.float32]:
    return np.concatenate(list(recording.blocks(block)))


def lag(heard: npt.NDArray[np.float32]) -> int:
    """Samples by which what is heard comes late, by cross-correlation."""
    sent, size = clicks_and_tone(), 2 * LENGTH
    spectrum = np.fft.rfft(heard[:LENGTH], size) * np.conj(np.fft.rfft(sent, size))
    at = int(np.argmax(np.fft.irfft(spectrum, size)))
    return at - size if at > LENGTH else at


def test_alac_is_read_to_the_sample(tmp_path: Path) -> None:
    recording = open_recording(encode(tmp_path / "a.m4a", "alac"))
    assert (recording.sample_rate_hz, recording.channels) == (RATE_HZ, 1)
    assert recording.frames == LENGTH
    np.testing.assert_allclose(whole(recording), clicks_and_tone(), atol=2**-15)
    np.testing.assert_array_equal(whole(recording, 777), whole(recording))
    assert not recording.lossy
    assert recording.warnings == []


@pytest.mark.parametrize("ending", ["m4a", "mp4", "3gp", "mov"])
def test_aac_begins_and_ends_where_its_sound_did(tmp_path: Path, ending: str) -> None:
    recording = open_recording(encode(tmp_path / f"a.{ending}", "aac"))
    heard = whole(recording)
    # An edit list counts in thousandths of a second.
    assert len(heard) == recording.frames == pytest.approx(LENGTH, abs=RATE_HZ / 1000)
    assert abs(lag(heard)) <= RATE_HZ / 1000
    assert recording.lossy
    assert recording.warnings == []
    assert kind_of(recording.path) == "sound file"


def test_the_channels_of_a_phone(tmp_path: Path) -> None:
    path = encode(tmp_path / "two.m4a", "alac", channels=2)
    assert open_recording(path).channels == 2
    np.testing.assert_allclose(whole(open_recording(path, 2)), clicks_and_tone(), atol=2**-15)


def test_a_bare_stream_is_counted(tmp_path: Path) -> None:
    """It tells no length, and not by how much its encoder is late: two frames of 1024 at most."""
    recording = open_recording(encode(tmp_path / "a.aac", "aac"))
    assert 0 <= len(whole(recording)) - LENGTH <= 2 * 1024
    assert recording.frames == recording.health.samples
    assert recording.warnings == [
        "its header tells no exact length: took all that follows as sound"
    ]
    assert kind_of(recording.path) == "sound file"


def test_a_cut_file_is_used_as_far_as_it_goes(tmp_path: Path) -> None:
    path = encode(tmp_path / "cut.m4a", "alac", movflags="faststart")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    recording = open_recording(path)
    heard = whole(recording)
    assert 2 * RATE_HZ < len(heard) < 4 * RATE_HZ
    np.testing.assert_allclose(heard, clicks_and_tone()[: len(heard)], atol=2**-15)
    (told,) = recording.warnings
    after_s, of_s = len(heard) / RATE_HZ, LENGTH / RATE_HZ
    assert told == f"breaks off after {after_s:.3f} of {of_s:.3f} s: used what is there"


def test_what_stands_before_damage_is_kept(tmp_path: Path) -> None:
    """Also that of the block within which the damage lies."""
    path = encode(tmp_path / "damaged.m4a", "aac")
    with av.open(str(path)) as file:
        (damaged,) = [one for one in file.demux(audio=0) if one.pts == 100 * 1024]
        assert damaged.pos is not None
        at = damaged.pos
    raw = bytearray(path.read_bytes())
    raw[at : at + damaged.size] = b"\xff" * damaged.size
    path.write_bytes(raw)
    recording = open_recording(path)
    heard = whole(recording, LENGTH)
    assert len(heard) == 100 * 1024
    assert "breaks off after 2.322 of 6.00" in recording.warnings[0]


def test_what_holds_no_sound_is_told_in_a_line(tmp_path: Path) -> None:
    with av.open(str(tmp_path / "film.mp4"), "w") as out:
        film: Any = out.add_stream("mpeg4", rate=25)
        film.width, film.height, film.pix_fmt = 64, 48, "yuv420p"
        grey = av.VideoFrame.from_ndarray(np.full((48, 64), 90, np.uint8), format="gray")
        for packet in [*film.encode(grey), *film.encode(None)]:
            out.mux(packet)
    whole_file = encode(tmp_path / "a.m4a", "aac").read_bytes()
    (tmp_path / "cut.m4a").write_bytes(whole_file[: len(whole_file) // 2])
    (tmp_path / "text.m4a").write_text("dawn chorus " * 40)
    # What FFmpeg would follow to another file, and so to an address.
    (tmp_path / "list.m4a").write_text("ffconcat version 1.0\nfile a.m4a\n")
    for name, told in [
        ("film.mp4", "holds pictures without sound"),
        ("cut.m4a", "was cut before its index was written; copy it again"),
        ("text.m4a", "is not a sound file that can be read here; give WAV, FLAC, OGG, MP3 or what"),
        ("list.m4a", "is not a sound file"),
    ]:
        with pytest.raises(UserError) as fault:
            open_recording(tmp_path / name)
        assert told in str(fault.value)
        assert "\n" not in str(fault.value)


def test_without_the_package_the_error_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = encode(tmp_path / "a.m4a", "aac")
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(UserError) as fault:
        open_recording(path)
    assert str(fault.value) == (
        f"{path}: is not a sound file that can be read here; give WAV, FLAC, OGG or MP3; for what"
        " a phone wrote (.m4a and the like) pip install 'callresp[phone]' while there is a network,"
        " or export it as WAV"
    )
    (source,) = sources(Place(name="carr"), tmp_path)
    assert "callresp[phone]" in source.fault


def test_a_folder_of_a_phones_recordings_is_looked_through(tmp_path: Path) -> None:
    for name, codec in (("20260512_041500.m4a", "aac"), ("20260512_051500.mp4", "alac")):
        encode(tmp_path / name, codec)
    found = sources(Place(name="carr"), tmp_path)
    assert [one.path.suffix for one in found] == [".m4a", ".mp4"]
    assert [one.fault for one in found] == ["", ""]
    assert [one.start is not None for one in found] == [True, True]
    assert found[0].duration_s == pytest.approx(LENGTH / RATE_HZ, abs=0.001)
