"""Sources: every sample arrives once, in order, at its own time."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from callresp.cli import main
from callresp.errors import UserError
from callresp.io.audio import open_recording, write_wav
from callresp.live import sources
from callresp.live.actions import Notice
from callresp.live.sources import BLOCK_S, FileSource, PipeSource, SoundCard

RATE = 48000


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "a.wav"
    write_wav(path, np.random.default_rng(0).uniform(-0.5, 0.5, 5000), RATE)
    return path


def test_a_file_at_its_own_pace_waits_for_each_block(recording: Path) -> None:
    now = [100.0]
    source = FileSource(
        recording, wait=lambda s: now.__setitem__(0, now[0] + s), clock=lambda: now[0]
    )
    ends = []
    for block in source.blocks():
        ends.append(now[0] - 100.0)
        assert now[0] - 100.0 == pytest.approx(block.at_s + len(block.samples) / RATE)
    assert ends[-1] == pytest.approx(5000 / RATE)


def test_a_file_as_fast_as_can_be_never_waits(recording: Path) -> None:
    def never(_: float) -> None:
        raise AssertionError("waited")

    source = FileSource(recording, speed=0.0, wait=never)
    heard = np.concatenate([block.samples for block in source.blocks()])
    np.testing.assert_array_equal(heard, np.concatenate(list(open_recording(recording).blocks())))


class Dribble(io.RawIOBase):
    """A pipe that gives what it has, in odd sizes."""

    def __init__(self, data: bytes, sizes: list[int]) -> None:
        self._data, self._sizes, self._at, self._turn = data, sizes, 0, 0

    def read(self, size: int = -1, /) -> bytes:
        take = min(size, self._sizes[self._turn % len(self._sizes)])
        self._turn += 1
        part = self._data[self._at : self._at + take]
        self._at += len(part)
        return part


@given(st.lists(st.integers(1, 977), min_size=1, max_size=5), st.integers(1, 3))
def test_any_pipe_gives_every_sample(sizes: list[int], channels: int) -> None:
    sent = np.random.default_rng(1).integers(-32768, 32767, (1500, channels)).astype("<i2")
    pipe: Any = Dribble(sent.tobytes(), sizes)
    blocks = list(PipeSource(RATE, channels, pipe, clock=lambda: 0.0).blocks())
    heard = np.concatenate([block.samples for block in blocks])
    np.testing.assert_allclose(heard, sent.mean(axis=1) / 32768, atol=1e-6)
    starts = np.cumsum([0, *(len(block.samples) for block in blocks)])[:-1]
    assert [block.at_s for block in blocks] == pytest.approx(list(starts / RATE))


def test_one_channel_of_a_pipe_is_heard_alone() -> None:
    sent = np.random.default_rng(1).integers(-32768, 32767, (1500, 3)).astype("<i2")
    pipe: Any = io.BytesIO(sent.tobytes())
    blocks = list(PipeSource(RATE, 3, pipe, channel=2, clock=lambda: 0.0).blocks())
    heard = np.concatenate([block.samples for block in blocks])
    np.testing.assert_array_equal(heard, sent[:, 1].astype(np.float32) / 32768)
    with pytest.raises(UserError, match="no channel 4 of 3"):
        PipeSource(RATE, 3, pipe, channel=4)


@pytest.mark.parametrize(
    ("sent", "told"),
    [(b"", "no sound came"), (b"\1", "no sound came"), (b"\0\0\0\x1cftypM4A ", "not raw PCM")],
)
def test_a_pipe_without_sound_is_told(sent: bytes, told: str) -> None:
    pipe: Any = io.BytesIO(sent)
    with pytest.raises(UserError, match=told):
        list(PipeSource(RATE, 1, pipe, clock=lambda: 0.0).blocks())


@pytest.mark.parametrize("kind", ["WAV", "W64", "AIFF", "AU", "CAF", "FLAC", "OGG"])
def test_a_sound_file_in_a_pipe_is_no_raw_pcm(kind: str) -> None:
    """Against the files that libsndfile writes."""
    pipe: Any = io.BytesIO()
    soundfile.write(pipe, np.zeros(RATE), RATE, format=kind)
    pipe.seek(0)
    with pytest.raises(UserError, match="not raw PCM"):
        list(PipeSource(RATE, 1, pipe, clock=lambda: 0.0).blocks())


class FakeCard:
    """Stands in for PortAudio: fails to open twice, then goes away after some blocks."""

    class PortAudioError(Exception):
        pass

    def __init__(self) -> None:
        self.opened = 0

    def InputStream(self, *, callback: Any, blocksize: int, **_: Any) -> Any:  # noqa: N802
        self.opened += 1
        if self.opened == 1:
            raise self.PortAudioError("no device")
        if self.opened == 3:
            # As sounddevice says that no device has the name that was given.
            raise ValueError("No input device matching 'field mic'")
        return FakeStream(callback, blocksize, self.opened)


class FakeStream:
    active = False

    def __init__(self, callback: Any, blocksize: int, number: int) -> None:
        self._callback, self._size, self._number = callback, blocksize, number

    def __enter__(self) -> FakeStream:
        for turn in range(4):
            data = np.full((self._size, 1), self._number, dtype=np.float32)
            status = SimpleNamespace(input_overflow=turn == 2)
            self._callback(data, self._size, None, status)
        return self

    def __exit__(self, *_: object) -> None:
        pass


def test_a_card_that_comes_and_goes(monkeypatch: pytest.MonkeyPatch) -> None:
    fake = FakeCard()
    monkeypatch.setattr(sources, "portaudio", lambda otherwise: fake)
    monkeypatch.setattr(sources, "RETRY_S", 0.0)
    told: list[Notice] = []
    card = SoundCard(report=told.append, clock=lambda: 0.0)
    blocks = []
    for block in card.blocks():
        blocks.append(block)
        if len(blocks) == 8:
            card.close()
    assert told == [
        Notice("no sound from the microphone (no device); waiting for it"),
        Notice("the microphone is back", fault=False),
        Notice("the microphone went away; waiting for it"),
        Notice("the microphone is back", fault=False),
    ]
    assert [block.lost for block in blocks[:4]] == [0, 0, round(BLOCK_S * RATE), 0]
    # A lost block moves the time on: the clock follows the sound, not the queue.
    assert blocks[3].at_s == pytest.approx(4 * BLOCK_S)


def test_time_without_a_card_counts_as_lost_sound(monkeypatch: pytest.MonkeyPatch) -> None:
    """Away for ten seconds: the engine's clock goes on by ten seconds."""
    fake = FakeCard()
    monkeypatch.setattr(sources, "portaudio", lambda otherwise: fake)
    monkeypatch.setattr(sources, "RETRY_S", 0.0)
    # The third opening fails: while it is away, the clock goes on.
    card = SoundCard(sample_rate_hz=8000, clock=lambda: 10.0 if fake.opened >= 3 else 0.0)
    blocks = []
    for block in card.blocks():
        blocks.append(block)
        if len(blocks) == 8:
            card.close()
    assert blocks[4].lost == 10 * 8000
    ends_s = blocks[3].at_s + len(blocks[3].samples) / 8000
    assert blocks[4].at_s == pytest.approx(ends_s + 10.0)


class InterfaceOfTwo:
    """Stands in for PortAudio with an audio interface: input 1 is silent, input 2 hears 0.25."""

    class PortAudioError(Exception):
        pass

    def query_devices(self, device: str | int | None, kind: str) -> dict[str, Any]:
        if device == "away":
            raise ValueError("No input device matching 'away'")
        return {"max_input_channels": 2}

    def InputStream(self, *, callback: Any, blocksize: int, channels: int, **_: Any) -> Any:  # noqa: N802
        assert channels <= 2
        frames = np.tile(np.array([0.0, 0.25], np.float32), (blocksize, 1))[:, :channels]
        stream = FakeStream(lambda data, *rest: callback(frames, *rest), blocksize, 1)
        stream.active = True
        return stream


@pytest.mark.parametrize(("channel", "level"), [(1, 0.0), (2, 0.25)])
def test_one_input_of_a_card_is_heard_alone(
    channel: int, level: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sources, "portaudio", lambda otherwise: InterfaceOfTwo())
    block = next(SoundCard(channel=channel).blocks())
    np.testing.assert_array_equal(block.samples, np.full(round(BLOCK_S * RATE), level, np.float32))


def test_a_card_that_is_away_may_have_the_input(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sources, "portaudio", lambda otherwise: InterfaceOfTwo())
    SoundCard("away", channel=8)


LISTENING = (
    ("set-level",),
    ("live",),
    ("self-test", "--port", "simulated"),
    ("ask-place", "--port", "simulated", "--palette", "fettle"),
)


@pytest.fixture
def _beside_a_call(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder to work in, with a clip of a call, which scout looks at first."""
    monkeypatch.chdir(tmp_path)
    time_s = np.arange(RATE // 2) / RATE
    call = np.sin(2 * np.pi * 3000 * time_s) * (abs(time_s - 0.25) < 0.1)
    write_wav(tmp_path / "call.wav", 0.3 * call, RATE)


def refusal(words: Sequence[str], capsys: pytest.CaptureFixture[str]) -> str:
    """What is told of a mistake in a command's words."""
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    return capsys.readouterr().err


@pytest.mark.usefixtures("_beside_a_call")
@pytest.mark.parametrize(
    "words",
    [*LISTENING, ("scout", "--device", "--like", "call.wav")],
    ids=lambda words: words[0],
)
def test_an_input_that_the_card_lacks_is_refused(
    words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sources, "portaudio", lambda otherwise: InterfaceOfTwo())
    told = refusal((*words, "--channel", "3"), capsys)
    assert "--channel: the sound card has 2 inputs, and no input 3; choose one from 1 to 2" in told


@pytest.mark.usefixtures("_beside_a_call")
@pytest.mark.parametrize(
    "words",
    [*((*one, "--input", "-") for one in LISTENING), ("scout", "-", "--like", "call.wav")],
    ids=lambda words: words[0],
)
def test_a_channel_that_raw_sound_lacks_is_refused(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    told = refusal((*words, "--channels", "2", "--channel", "3"), capsys)
    assert "--channel: there is no channel 3 of 2" in told


@given(st.floats(4e-4, 1e-3))
def test_a_paced_pipe_never_waits_a_negative_time(step_s: float) -> None:
    """Each reading of the clock is later than the one before, by any step."""
    now, waited = [0.0], list[float]()

    def wait(seconds: float) -> None:
        waited.append(seconds)
        now[0] += seconds

    def clock() -> float:
        now[0] += step_s
        return now[0]

    raw = io.BytesIO(np.zeros(4 * RATE, "<i2").tobytes())
    for _ in PipeSource(RATE, 1, raw, paced=True, clock=clock, wait=wait).blocks():
        pass
    assert waited
    assert min(waited) > 0.0
