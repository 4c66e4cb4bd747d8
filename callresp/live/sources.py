"""Where live sound comes from: a sound card, raw PCM on standard input, a file.

One small interface over three sources: blocks of one channel, float32, with
the time of their first sample. What was lost is counted, never hidden.

Conventions
-----------
- `Block.at_s` counts samples, lost ones included, so it never drifts from the
  sound; it is 0 when the source is first read.
- A source that ends raises nothing: its iterator stops. A source that is live
  and falls silent, as when its device goes away or the writer of a pipe is held
  up, yields no block for a while, reports it, and counts the time as lost sound
  when it is back.
"""

from __future__ import annotations

import contextlib
import os
import queue
import select
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Protocol

import numpy as np

from callresp.errors import UserError
from callresp.io.audio import Samples, open_recording
from callresp.io.kinds import is_sound
from callresp.io.sound_card import device_named, portaudio
from callresp.io.wording import counted
from callresp.live.actions import Notice

if TYPE_CHECKING:
    import sounddevice

BLOCK_S = 0.005
RETRY_S = 2.0
# Sound that may wait for the engine before it is counted as lost.
WAITING_S = 4.0
# A live source that gives nothing for so long has stalled.
STALL_S = 0.5
# A pipe is read no faster than its sound lasts: by as much more as no crystal is off, and with
# room for what a writer hands over at once.
PACE = 1.005
PACE_AHEAD_S = 0.25


@dataclass(frozen=True, slots=True)
class Block:
    """Samples of shape ``(n,)``, the time of the first, samples lost before it."""

    samples: Samples
    at_s: float
    lost: int = 0


class AudioSource(Protocol):
    """What the engine needs of a source."""

    sample_rate_hz: int

    def blocks(self) -> Iterator[Block]:
        """Yield blocks until the source ends or is closed."""

    def close(self) -> None:
        """Make `blocks` stop."""


@dataclass(frozen=True, slots=True)
class SoundInput:
    """Where sound comes from: "device" (a sound card), "-" (raw PCM), or a file; how it is read.

    `start` is when a file was recorded, where that is known.
    """

    name: str = "device"
    device: str | None = None
    sample_rate_hz: int = 48000
    channels: int = 1
    channel: int | None = None
    speed: float = 1.0
    start: datetime | None = None

    @property
    def is_file(self) -> bool:
        """Whether it is a file, and no live sound."""
        return self.name not in ("device", "-")

    @property
    def dated(self) -> bool:
        """Whether its time of day is known."""
        return not self.is_file or self.start is not None

    @property
    def in_engine_time(self) -> bool:
        """Whether it runs at another pace than the wall's."""
        return self.is_file and self.speed != 1.0


Report = Callable[[Notice], None]


def _ignore(notice: Notice) -> None:
    """Report to nobody."""


class FileSource:
    """A recording at its own pace, or `speed` times it; 0 is as fast as can be."""

    def __init__(
        self,
        path: Path,
        speed: float = 1.0,
        channel: int | None = None,
        wait: Callable[[float], None] = time.sleep,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._recording = open_recording(path, channel)
        self.sample_rate_hz = self._recording.sample_rate_hz
        self._speed = speed
        self._wait = wait
        self._clock = clock
        self._closed = False

    def blocks(self) -> Iterator[Block]:
        """Yield the file in blocks of `BLOCK_S`."""
        start_s = self._clock()
        done = 0
        size = max(1, round(BLOCK_S * self.sample_rate_hz))
        for samples in self._recording.blocks(size):
            if self._closed:
                return
            at_s = done / self.sample_rate_hz
            done += len(samples)
            if self._speed > 0:
                ends_s = start_s + done / self.sample_rate_hz / self._speed
                # A block is there when its last sample is, as from a sound card.
                self._wait(max(0.0, ends_s - self._clock()))
            yield Block(samples, at_s)

    def close(self) -> None:
        """Stop at the next block."""
        self._closed = True


class PipeSource:
    """Raw PCM from a pipe: signed 16-bit little-endian, channels interleaved.

    A stalled writer (stopped, or a network that hangs) is reported; what it then
    hands over at once is old, is left out, and the time counts as lost sound.

    Parameters
    ----------
    sample_rate_hz, channels
    stream
        Standard input, unless another is given.
    channel
        The one that is listened to (from 1), or `None` for the mean of all.
    paced
        Whether a writer that is faster than real time is made to wait.
    clock, wait
        Steady time, and how to let some of it pass.
    report
        Given a notice when sound stalls and when it is back.

    Raises
    ------
    UserError
        When standard input is closed, or there is no such channel.
    """

    def __init__(
        self,
        sample_rate_hz: int,
        channels: int = 1,
        stream: BinaryIO | None = None,
        *,
        channel: int | None = None,
        paced: bool = False,
        clock: Callable[[], float] = time.monotonic,
        wait: Callable[[float], object] = time.sleep,
        report: Report = _ignore,
    ) -> None:
        if stream is None and sys.stdin is None:
            raise UserError("standard input is closed", remedy="pipe raw PCM into it")
        self.sample_rate_hz = sample_rate_hz
        self.report = report
        if channel is not None and channel > channels:
            raise UserError(
                f"there is no channel {channel} of {channels}",
                argument="channel",
                remedy="say how many the raw PCM has, or choose another",
            )
        self._channels = channels
        self._channel = channel
        self._stream = stream or sys.stdin.buffer
        self._paced = paced
        self._clock = clock
        self._wait = wait
        self._closed = False
        # A descriptor is read directly: a reader that waits inside Python's own buffer would
        # hold its lock while the interpreter ends.
        self._handle: int | None = None
        if os.name == "posix":
            with contextlib.suppress(OSError, ValueError, AttributeError):
                self._handle = self._stream.fileno()

    def blocks(self) -> Iterator[Block]:
        """Yield until the pipe ends; a last part of a frame is left out."""
        frame = 2 * self._channels
        size = max(1, round(BLOCK_S * self.sample_rate_hz)) * frame
        begun_s = heard_s = self._clock()
        stalled = False
        done = read = 0
        left = b""
        while not self._closed:
            if not self._ready(STALL_S / 2):
                if not stalled and self._clock() - heard_s >= STALL_S:
                    stalled = True
                    self.report(Notice("no sound from standard input; waiting for it"))
                continue
            raw = self._read(size)
            if not read:
                _expect_pcm(raw)
            if not raw:
                return
            gap_s = self._clock() - heard_s
            lost = 0
            if gap_s >= STALL_S:
                lost = round(gap_s * self.sample_rate_hz)
                raw, left = self._skip_waiting(left + raw, lost * frame), b""
                done += lost
                begun_s += gap_s
                self.report(Notice(f"standard input stalled for {gap_s:.1f} s", fault=not stalled))
                stalled = False
            raw = left + raw
            whole = len(raw) - len(raw) % frame
            left = raw[whole:]
            if whole == 0 and not lost:
                continue
            samples = self._samples(raw[:whole])
            yield Block(samples, done / self.sample_rate_hz, lost)
            done += len(samples)
            read += len(samples)
            due_s = begun_s + read / self.sample_rate_hz / PACE - PACE_AHEAD_S
            # One reading of the clock: a second one may lie beyond what is due.
            early_s = due_s - self._clock()
            if self._paced and early_s > 0.0:
                self._wait(early_s)
            # What the reader of these blocks takes, and our own waiting, is no stall.
            heard_s = self._clock()

    def close(self) -> None:
        """Stop at the next block, or where none comes, soon."""
        self._closed = True

    def _ready(self, seconds: float) -> bool:
        return self._handle is None or bool(select.select([self._handle], [], [], seconds)[0])

    def _read(self, size: int) -> bytes:
        if self._handle is None:
            return self._stream.read(size)
        return os.read(self._handle, size)

    def _samples(self, raw: bytes) -> Samples:
        """Whole frames as one channel."""
        frames = np.frombuffer(raw, dtype="<i2").reshape(-1, self._channels)
        if self._channel is not None:
            frames = frames[:, self._channel - 1 : self._channel]
        return np.asarray(frames.mean(axis=1, dtype=np.float32) / np.float32(32768))

    def _skip_waiting(self, raw: bytes, most: int) -> bytes:
        """Leave out what waited while the writer was held up, `most` bytes beyond `raw`.

        Returns
        -------
        bytes
            The beginning of a frame, where the last read ended inside one.
        """
        frame = 2 * self._channels
        tail, skipped = raw[-frame:], len(raw)
        most += skipped
        while self._handle is not None and skipped < most and self._ready(0.0):
            part = self._read(min(65536, most - skipped))
            if not part:
                break
            skipped += len(part)
            tail = (tail + part)[-frame:]
        return tail[len(tail) - skipped % frame :]


def _expect_pcm(first: bytes) -> None:
    """Refuse a pipe that ends before any sound came, or brings a sound file."""
    if not first:
        raise UserError(
            "standard input: no sound came", remedy="see what the program before it says"
        )
    if is_sound(first):
        raise UserError(
            "standard input: it is a sound file's, not raw PCM",
            remedy="name the file as the input, or pipe raw PCM, as of arecord -t raw",
        )


class SoundCard:
    """A sound card by PortAudio; waits for a device that is missing or goes away.

    Parameters
    ----------
    device
        Name or number, as ``python -m sounddevice`` lists them; `None` takes
        the system's own choice.
    channel
        The input that is listened to (from 1), the first by default.
    clock
        Steady time.
    report
        Given a notice when the device goes and when it is back.

    Raises
    ------
    UserError
        When PortAudio is not there, or the device is and has no such input.
    """

    def __init__(
        self,
        device: str | int | None = None,
        sample_rate_hz: int = 48000,
        *,
        channel: int | None = None,
        clock: Callable[[], float] = time.monotonic,
        report: Report = _ignore,
    ) -> None:
        self._sounddevice = portaudio("pipe raw PCM to stdin")
        self._device = device
        self._channel = channel or 1
        self._expect_channel()
        self.sample_rate_hz = sample_rate_hz
        self.report = report
        self._clock = clock
        self._closed = threading.Event()
        self._blocks: queue.Queue[tuple[Samples, int]] = queue.Queue(
            maxsize=int(WAITING_S / BLOCK_S)
        )
        self._lost = 0

    def blocks(self) -> Iterator[Block]:
        """Yield what the card hears; goes on after the device was away."""
        done = 0
        waiting = False
        heard_s = self._clock()
        while not self._closed.is_set():
            try:
                stream = self._opened()
            # A name that no device has now is a ValueError.
            except (self._sounddevice.PortAudioError, ValueError) as fault:
                if not waiting:
                    self.report(Notice(f"no sound from the microphone ({fault}); waiting for it"))
                waiting = True
                self._closed.wait(RETRY_S)
                self._restart_portaudio()
                continue
            if waiting:
                self.report(Notice("the microphone is back", fault=False))
                # Time went on without sound: what was not heard counts as lost.
                self._lost += round((self._clock() - heard_s) * self.sample_rate_hz)
            waiting = False
            with stream:
                for samples, lost in self._while_active(stream):
                    done += lost
                    yield Block(samples, done / self.sample_rate_hz, lost)
                    done += len(samples)
                    heard_s = self._clock()
            if not self._closed.is_set():
                self.report(Notice("the microphone went away; waiting for it"))
                waiting = True

    def close(self) -> None:
        """Stop at the next block."""
        self._closed.set()

    def _expect_channel(self) -> None:
        """Refuse an input that the card does not have; one that is away may have it."""
        if self._channel == 1:
            return
        try:
            card = self._sounddevice.query_devices(self._device, "input")
        except (self._sounddevice.PortAudioError, ValueError):
            return
        count = int(card["max_input_channels"])
        if self._channel > count:
            raise UserError(
                f"the sound card has {counted(count, 'input')}, and no input {self._channel}",
                argument="channel",
                remedy=f"choose one from 1 to {count}" if count > 1 else "leave it out",
            )

    def _restart_portaudio(self) -> None:
        """PortAudio knows only the devices that were there when it started: start it anew."""
        for name in ("_terminate", "_initialize"):
            if restart := getattr(self._sounddevice, name, None):
                with contextlib.suppress(self._sounddevice.PortAudioError):
                    restart()

    def _opened(self) -> sounddevice.InputStream:
        size = max(1, round(BLOCK_S * self.sample_rate_hz))
        return self._sounddevice.InputStream(
            device=self._device,
            samplerate=self.sample_rate_hz,
            # A card's inputs are opened from the first on.
            channels=self._channel,
            blocksize=size,
            dtype="float32",
            latency="low",
            callback=self._arrived,
        )

    def _arrived(
        self, data: Samples, frames: int, when: object, status: sounddevice.CallbackFlags
    ) -> None:
        # The sound thread: it must not wait, print or raise.
        if status.input_overflow:
            self._lost += frames
        lost, self._lost = self._lost, 0
        try:
            self._blocks.put_nowait((data[:, self._channel - 1].copy(), lost))
        except queue.Full:
            self._lost = lost + frames

    def _while_active(self, stream: sounddevice.InputStream) -> Iterator[tuple[Samples, int]]:
        silent_s = 0.0
        while not self._closed.is_set():
            try:
                yield self._blocks.get(timeout=0.25)
                silent_s = 0.0
            except queue.Empty:
                silent_s += 0.25
                if not stream.active or silent_s >= RETRY_S:
                    return


def open_source(sound: SoundInput, *, paced: bool = False, report: Report = _ignore) -> AudioSource:
    """The source that was asked for.

    Parameters
    ----------
    sound
        Where it is, and how it is read.
    paced, report
        Of what is heard as it comes: as of `PipeSource` and `SoundCard`.

    Raises
    ------
    UserError
        When it can't be opened.
    """
    rate_hz, channel = sound.sample_rate_hz, sound.channel
    if sound.name == "device":
        return SoundCard(device_named(sound.device), rate_hz, channel=channel, report=report)
    if sound.name == "-":
        return PipeSource(rate_hz, sound.channels, channel=channel, paced=paced, report=report)
    return FileSource(Path(sound.name), sound.speed, channel)
