"""Reading and writing recordings by blocks.

Goal
----
Open whatever a field recorder wrote, hand it on as one channel of clean
float32 blocks in constant memory, and say plainly what was wrong with it and
what was done about it. Never a wrong answer in silence.

Conventions
-----------
- Samples are float32, full scale is ±1, shape ``(n,)`` for one channel.
- Levels are dB re a full-scale sine: a sine of peak 1 reads 0 dB
  (AES17-2015, where full scale is defined by the sine).
- Formats are those of libsndfile, and what phones record with the extra `phone`, told by
  content, not by ending.
"""

from __future__ import annotations

import errno
import math
import numbers
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType

import numpy as np
import numpy.typing as npt
import soundfile as sf

from callresp.errors import UserError
from callresp.io.files import whole_file
from callresp.io.phone_sound import UNCOUNTED, PhoneSound
from callresp.io.plain_pcm import PlainPcm, open_plain
from callresp.io.wav_header import UnclosedWavFile, WavHeader, wav_header
from callresp.io.wording import counted

Samples = npt.NDArray[np.float32]
Progress = Callable[[float], None]  # is called with the share done, 0 to 1

BLOCK = 65536
_MOST_TAGS = 65536  # bytes behind the sound of a FLAC
UNREADABLE = (sf.LibsndfileError, RuntimeError, OSError)
SINE_POWER = 0.5
SILENCE_DB = -200.0
# How the names of threads begin that compute only: what they run tells nobody anything.
COMPUTING = "callresp-computing"

_CLIP_AT = 0.99
_CLIP_RUN = 3
# Where runs of equal samples are looked for: converters clip a little below full scale.
_FLAT_AT = 0.985
_CANCEL_DB = 12.0


def level_db(samples: npt.ArrayLike) -> float:
    """RMS level of samples, dB re a full-scale sine (AES17-2015).

    Digital silence reads -200.

    Examples
    --------
    >>> import numpy as np
    >>> wave = np.sin(2 * np.pi * 1000 * np.arange(48000) / 48000)
    >>> round(level_db(wave), 2) + 0.0
    0.0
    """
    values = np.asarray(samples, dtype=np.float64).ravel()
    if values.size == 0:
        return SILENCE_DB
    return power_db(float(np.mean(values**2)))


def power_db(power: float) -> float:
    """Mean square as dB re a full-scale sine; not below -200."""
    return max(10 * math.log10(power / SINE_POWER), SILENCE_DB) if power > 0 else SILENCE_DB


@dataclass
class Health:
    """What was found wrong while a recording was read; filled block by block."""

    samples: int = 0
    energy: float = 0.0
    channel_energy: float = 0.0
    total: float = 0.0
    peak: float = 0.0
    broken: int = 0
    clipped: int = 0
    breaks_off_s: float | None = None
    promised_s: float = 0.0
    notes: list[str] = field(default_factory=list)

    def warnings(self, channels: int) -> list[str]:
        """Every finding in a line that says what was done."""
        found = list(self.notes)
        if self.breaks_off_s is not None:
            of = f" of {self.promised_s:.3f}" if self.promised_s > self.breaks_off_s else ""
            found.append(f"breaks off after {self.breaks_off_s:.3f}{of} s: used what is there")
        if self.broken:
            found.append(f"{counted(self.broken, 'sample')} without a number: taken as silence")
        if self.samples == 0:
            return found
        if self.clipped:
            found.append(
                f"clipped in {counted(self.clipped, 'place')}: levels and pitches there are"
                " less sure;"
                " record with a lower gain"
            )
        if self.peak > 1.5:
            found.append(f"peaks at {self.peak:.3g} times full scale: levels read high")
        mean = self.total / self.samples
        if abs(mean) > 0.01:
            found.append(f"rides on a steady offset of {mean:.1%} of full scale: ignored it")
        level = power_db(self.energy / self.samples)
        alone = power_db(self.channel_energy / self.samples) if channels > 1 else level
        if alone <= -120:
            found.append("silent: nothing in it lies above -120 dB of full scale")
        elif alone - level > _CANCEL_DB:
            found.append(
                f"its channels cancel each other (by {alone - level:.0f} dB when summed):"
                " listen to one channel alone"
            )
        return found


class Recording:
    """A sound file that is read by blocks, as often as needed.

    Attributes
    ----------
    path : pathlib.Path
    sample_rate_hz : int
    channels : int
    frames : int
        As the file says; a file that breaks off has fewer.
    channel : int or None
        The one channel that is listened to (from 1), or `None` for the mean
        of all.
    health : Health
        What the latest pass found.
    """

    def __init__(self, path: Path, channel: int | None = None) -> None:
        self.path = Path(path)
        with suppress(OSError):  # what can't be looked at is told below
            if self.path.is_fifo():
                raise UserError(
                    "is a pipe, and is to be read twice",
                    where=str(path),
                    remedy="write it into a file first",
                )
        self._header = wav_header(self.path)
        self._opening_notes: list[str] = []
        with closing(_opened(self.path, self._header.open_size_at)) as source:
            self.sample_rate_hz = int(source.samplerate)
            self.channels = int(source.channels)
            self.frames = int(source.frames)
            self.format = f"{source.format} {source.subtype}"
        if self.frames == UNCOUNTED:
            self._opening_notes = [
                "its header tells no exact length: took all that follows as sound"
            ]
            self.frames = self._count()
        self._take(channel)

    def _count(self) -> int:
        """How many samples of each channel can be read."""
        out, count = np.empty((BLOCK, self.channels), np.float32), 0
        with closing(self._opened()) as source:
            while True:
                frames, broken = _read_on(source, out)
                count += len(frames)
                if broken or not len(frames):
                    return count

    def _take(self, channel: int | None) -> None:
        """Listen to one channel, or to all."""
        self.channel = channel
        place = str(self.path) if self.path.name else "samples"
        if self.frames == 0:
            raise UserError("holds no sound (0 samples)", where=place, remedy="record it again")
        if channel is not None and not 1 <= channel <= self.channels:
            raise UserError(
                f"has no channel {channel}",
                where=place,
                remedy=f"choose one from 1 to {self.channels}",
            )
        if self._header.open_size_at is not None:
            note = "its header was never finished: took all that follows as sound"
            self._opening_notes.append(note)
        self.health = Health(notes=list(self._opening_notes))

    def only(self, channel: int) -> Recording:
        """The same sound, one channel of it (from 1)."""
        return Recording(self.path, channel)

    @property
    def bits(self) -> int:
        """Of a sample: 24 where there are as many or they are floats, or else 16, as of a codec."""
        return 24 if self.format.endswith(("24", "32", "FLOAT", "DOUBLE", "samples")) else 16

    @property
    def lossy(self) -> bool:
        """Whether a codec has left out what it took for inaudible."""
        return any(name in self.format for name in ("VORBIS", "OPUS", "MPEG_LAYER", "LOSSY"))

    @property
    def duration_s(self) -> float:
        """Length in seconds, as the file says."""
        return self.frames / self.sample_rate_hz

    @property
    def warnings(self) -> list[str]:
        """What the latest pass found wrong, a line each."""
        return self.health.warnings(1 if self.channel else self.channels)

    def blocks(self, block: int = BLOCK) -> Iterator[Samples]:
        """Yield the sound as float32 blocks of shape ``(n,)``, n ≤ `block`.

        Samples that are not numbers become 0. Each pass starts `health` anew.
        """
        promised_s = max(self._header.promised_s, self.duration_s)
        health = Health(promised_s=promised_s, notes=list(self._opening_notes))
        self.health = health
        with closing(self._opened()) as source:
            broken = False
            while not broken:
                out = np.empty((block, self.channels), np.float32)
                frames, broken = _read_on(source, out)
                if len(frames) == 0:
                    break
                yield self._examined(frames, health)
            if not broken and isinstance(source, _Forward) and (beyond := source.share_beyond()):
                health.notes.append(
                    f"its header tells too short a length ({self.duration_s:.3f} s):"
                    f" {beyond:.0%} of the file lies beyond it, unread; code it anew"
                )
        heard_s = health.samples / self.sample_rate_hz
        if broken or promised_s - heard_s > 0.001:
            health.breaks_off_s = heard_s
        if health.samples == 0:
            raise UserError(
                "no sound in it can be read", where=str(self.path), remedy="record it again"
            )

    def _opened(self) -> sf.SoundFile | PhoneSound | PlainPcm | _Array:
        header = self._header
        plain = None if header.open_size_at is not None or header.stale else open_plain(self.path)
        return plain or _opened(self.path, header.open_size_at)

    def _examined(self, frames: Samples, health: Health) -> Samples:
        energy = float(np.dot(flat := frames.ravel(), flat))
        if not math.isfinite(energy):
            bad = ~np.isfinite(frames)
            health.broken += int(bad.sum())
            frames[bad] = 0.0
            energy = float(np.dot(flat := frames.ravel(), flat))
        if self.channels == 1:
            mono = frames[:, 0]
        elif self.channel is not None:
            mono = frames[:, self.channel - 1].copy()
        else:
            mono = frames.mean(axis=1, dtype=np.float32)
            health.channel_energy += float(np.mean(np.sum(frames.astype(np.float64) ** 2, axis=0)))
        health.samples += len(mono)
        health.energy += energy if self.channels == 1 else float(np.dot(mono, mono))
        health.total += float(mono.sum())  # in pairs, so single precision is enough for a mean
        # The channels, not their mix: a clipped channel may hide under a quiet one.
        high, low = float(frames.max()), float(frames.min())
        health.peak = max(health.peak, high, -low)
        if high >= _CLIP_AT or low <= -_CLIP_AT:
            health.clipped += _flat_tops(frames, high, low)
        return mono


def _read_on(
    source: sf.SoundFile | PhoneSound | PlainPcm | _Array, out: Samples
) -> tuple[Samples, bool]:
    """Fill `out` as far as there is sound; that part, and whether the sound breaks off there."""
    out[:] = np.nan
    try:
        return source.read(out=out), False
    except UNREADABLE:
        # What was decoded before the break stands at the begin.
        return out[: np.count_nonzero(~np.isnan(out[:, 0]))], True


def checked_rate(sample_rate_hz: float) -> int:
    """A sample rate as a whole number.

    Parameters
    ----------
    sample_rate_hz
        Samples a second, as given by whoever calls.

    Returns
    -------
    int
        The same.

    Raises
    ------
    UserError
        When it is no number, not whole or not above 0.
    """
    number = isinstance(sample_rate_hz, numbers.Real) and math.isfinite(sample_rate_hz)
    if not number or sample_rate_hz < 1 or sample_rate_hz != int(sample_rate_hz):
        raise UserError(
            f"{sample_rate_hz!r} samples a second",
            argument="sample_rate_hz",
            remedy="give a whole number, 8000 to 192000",
        )
    return int(sample_rate_hz)


class Waveform(Recording):
    """Sound in memory, read like a file.

    Parameters
    ----------
    samples
        Floats of shape ``(n,)``, or ``(n, channels)``; full scale is ±1.
    sample_rate_hz
        Samples a second.
    channel
        Listen to this channel only (from 1); `None` takes the mean of all.

    Attributes
    ----------
    samples : ndarray of float32
        Shape ``(n, channels)``.

    Raises
    ------
    UserError
        When there are no samples, or these are none.

    Examples
    --------
    >>> import numpy as np
    >>> tone = Waveform(0.5 * np.sin(2 * np.pi * 0.02 * np.arange(9600)), sample_rate_hz=48_000)
    >>> tone.duration_s, sum(len(block) for block in tone.blocks())
    (0.2, 9600)
    """

    def __init__(
        self,
        samples: npt.NDArray[np.floating],
        sample_rate_hz: int,
        channel: int | None = None,
    ) -> None:
        values = np.asarray(samples)
        if values.ndim not in (1, 2) or not np.issubdtype(values.dtype, np.floating):
            raise UserError(
                f"samples of type {values.dtype} and shape {values.shape}",
                argument="samples",
                remedy="give floats of shape (n,) or (n, channels), full scale ±1",
            )
        self.samples: Samples = np.atleast_2d(values.T).T.astype(np.float32)
        self.path, self._header, self._opening_notes = Path(), WavHeader(), []
        self.sample_rate_hz = checked_rate(sample_rate_hz)
        self.frames, self.channels = self.samples.shape
        self.format = "samples"
        self._take(channel)

    def only(self, channel: int) -> Waveform:
        """The same sound, one channel of it (from 1)."""
        return Waveform(self.samples, self.sample_rate_hz, channel)

    def write(self, path: str | Path, subtype: str = "PCM_24") -> None:
        """Write it as a WAV file, whole or not at all."""
        write_wav(Path(path), self.samples, self.sample_rate_hz, subtype)

    def _opened(self) -> _Array:
        return _Array(self.samples)


class _Array:
    """Reads samples in memory onward, as `soundfile` reads a file."""

    def __init__(self, samples: Samples) -> None:
        self._samples = samples
        self._at = 0

    def read(self, out: Samples) -> Samples:
        """Fill `out` as far as there is sound; returns that part."""
        part = self._samples[self._at : self._at + len(out)]
        self._at += len(part)
        out[: len(part)] = part
        return out[: len(part)]

    def close(self) -> None:
        """Nothing is open."""


def _flat_tops(frames: Samples, high: float, low: float) -> int:
    """Count runs of three or more equal samples at the extremes of a block."""
    count = 0
    for at, extreme in ((high, high >= _CLIP_AT), (low, low <= -_CLIP_AT)):
        if not extreme:
            continue
        for channel in frames.T:
            flat = np.flatnonzero(np.diff(np.r_[0, (channel == at).astype(np.int8), 0]))
            count += int(np.sum(flat[1::2] - flat[::2] >= _CLIP_RUN))
    return count


def open_recording(path: Path | str, channel: int | None = None) -> Recording:
    """Open a sound file of any kind that can be read here; `channel` as of `Recording`.

    Raises
    ------
    UserError
        Missing, a directory, forbidden, empty, or no sound file.
    """
    return Recording(Path(path), channel)


@contextmanager
def _decoder_unheard() -> Iterator[None]:
    """Keep what the MP3 decoder prints of damage to itself: we tell of damage in our own words.

    Not while other threads run whose own lines would be lost with it.
    """
    with ExitStack() as undone:
        own = threading.current_thread()
        if all(each is own or each.name.startswith(COMPUTING) for each in threading.enumerate()):
            with suppress(OSError):  # standard error is closed: nobody hears the decoder anyway
                kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
                undone.callback(os.close, kept)
                undone.callback(os.dup2, kept, 2)
                os.dup2(nowhere, 2)
                os.close(nowhere)
        yield


class _Forward(sf.SoundFile):  # type: ignore[misc]
    """A sound file that is only read onward.

    Where a file can be sought in, `soundfile` seeks after every block, and an
    MP3 decoder then starts afresh: blocks of 4096 lost over half their energy.
    """

    def seekable(self) -> bool:
        """Say no, so that nothing seeks."""
        return False

    def read(self, out: Samples) -> Samples:
        """Fill `out` as far as there is sound; returns that part."""
        if self.format == "FLAC" and self.frames != UNCOUNTED:
            # Of a block that ends in what follows the sound, as tags do, nothing would be read.
            out = out[: self.frames - self.tell()]
        with _decoder_unheard() if self.format == "MP3" else nullcontext():
            return super().read(out=out)  # type: ignore[no-any-return]

    def share_beyond(self) -> float:
        """Of a FLAC read to the end that its header tells, the share of the file that follows.

        0 where that may be no more than tags. Told no length, libsndfile would read on, but lose
        the last block before a tag.
        """
        if self.format != "FLAC" or not isinstance(self.name, int):
            return 0.0
        size = os.fstat(self.name).st_size
        beyond = size - os.lseek(self.name, 0, os.SEEK_CUR)
        return beyond / size if beyond > _MOST_TAGS else 0.0


def _opened(path: Path, open_size_at: int | None = None) -> sf.SoundFile | PhoneSound:
    try:
        with path.open("rb") as probe:
            first = probe.read(1)
    except OSError as fault:
        # Not by `Path.is_dir`, which raises where a name is forbidden or too long.
        is_folder = os.path.isdir(path)  # noqa: PTH112
        reason = "is a directory" if is_folder else f"can't be read ({fault.strerror})"
        raise UserError(reason, where=str(path), remedy="name a sound file") from fault
    if not first:
        raise UserError("is empty (0 bytes)", where=str(path), remedy="copy it again")
    try:
        if open_size_at is not None:
            return _Forward(UnclosedWavFile(path, open_size_at))
        # By descriptor, not by name: libsndfile then judges by content alone.
        with _decoder_unheard():
            return _Forward(os.open(path, os.O_RDONLY), closefd=True)
    except (sf.LibsndfileError, TypeError, ValueError):
        return PhoneSound(path)


@contextmanager
def _full_disk() -> Iterator[None]:
    """Libsndfile hides the system's word for a full disk."""
    try:
        yield
    except sf.LibsndfileError as fault:
        raise OSError(errno.ENOSPC, "the disk is full, or a file may not grow") from fault


class WavWriter:
    """Write a WAV file block by block; it takes its name only when complete.

    Files that would pass 4 GB are written as RF64 (EBU Tech 3306), which
    libsndfile and most editors read under the same ending.
    """

    def __init__(
        self,
        path: Path,
        sample_rate_hz: int,
        channels: int = 1,
        subtype: str = "PCM_24",
        frames: int = 0,
    ) -> None:
        self._whole = whole_file(Path(path))
        part = self._whole.__enter__()
        bytes_each = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4}[subtype]
        big = frames * channels * bytes_each > 4_000_000_000
        kind = "RF64" if big else "WAV"
        try:
            with _full_disk():
                self._file = sf.SoundFile(part, "w", sample_rate_hz, channels, subtype, format=kind)
        except OSError as fault:
            self._whole.__exit__(type(fault), fault, fault.__traceback__)
            raise

    def write(self, samples: npt.ArrayLike) -> None:
        """Append samples of shape ``(n,)`` or ``(n, channels)``."""
        with _full_disk():
            self._file.write(np.asarray(samples))

    def __enter__(self) -> WavWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()
        self._whole.__exit__(kind, fault, trace)


def write_wav(
    path: Path, samples: npt.ArrayLike, sample_rate_hz: int, subtype: str = "PCM_24"
) -> None:
    """Write samples ``(n,)`` or ``(n, channels)`` as a WAV file, whole or not at all.

    Parameters
    ----------
    path
        Where to; an old file goes only once the new one is whole.
    samples
        Shape ``(n,)`` or ``(n, channels)``; full scale is ±1.
    sample_rate_hz
        Samples a second.
    subtype
        As `soundfile` names the formats of samples.

    Raises
    ------
    UserError
        When it can't be written.
    """
    values = np.asarray(samples)
    channels = 1 if values.ndim == 1 else values.shape[1]
    with WavWriter(path, sample_rate_hz, channels, subtype, frames=len(values)) as out:
        out.write(values)


def stretch_of(recording: Recording, start_s: float, end_s: float) -> npt.NDArray[np.float32]:
    """The samples of a stretch, shape ``(n,)``; the rest is read past by blocks.

    Parameters
    ----------
    recording
        What to read.
    start_s, end_s
        The stretch; what lies outside the recording is left out.
    """
    rate = recording.sample_rate_hz
    first, last = int(start_s * rate), int(end_s * rate)
    parts: list[npt.NDArray[np.float32]] = []
    at = 0
    for block in recording.blocks():
        if at + len(block) > first:
            parts.append(block[max(0, first - at) : last - at])
        at += len(block)
        if at >= last:
            break
    return np.concatenate(parts) if parts else np.zeros(0, np.float32)


def downsampled(samples: Samples, rate_hz: int, most_hz: int) -> tuple[Samples, int]:
    """Sound with a sample rate of at most `most_hz`.

    Parameters
    ----------
    samples, rate_hz
        The sound, shape ``(n,)``.
    most_hz
        Samples a second that may be left.

    Returns
    -------
    ndarray, int
        The sound, resampled where its rate was higher, and its rate.
    """
    if rate_hz <= most_hz:
        return samples, rate_hz
    import soxr

    return soxr.resample(samples, rate_hz, most_hz), most_hz


def clipped_at(block: npt.NDArray[np.float32]) -> npt.NDArray[np.float64]:
    """Sample numbers where runs of three or more equal samples stand at full scale."""
    flat = (np.abs(block) >= _FLAT_AT) & (np.r_[False, np.diff(block) == 0])
    edges = np.diff(np.r_[0, flat.astype(np.int8), 0])
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return np.asarray(starts[ends - starts >= _CLIP_RUN - 1], dtype=np.float64)
