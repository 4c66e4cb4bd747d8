"""Reading a strike test's recording: one channel, at most 48 kHz, clipping marked.

A test takes minutes, so its samples are kept whole; those of a long one lie in a
temporary file that is mapped into memory.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.io.audio import Recording, clipped_at, downsampled, open_recording

Wave = npt.NDArray[np.float32]

RATE_MAX_HZ = 48000
RATE_MIN_HZ = 16000
_IN_MEMORY = 40_000_000


@dataclass(frozen=True)
class Capture:
    """A recording to be measured: its samples, shape ``(n,)``, full scale ±1.

    `clipped_s` are times at which the sound hits full scale for three samples or more, `warnings`
    what was wrong with the file.
    """

    samples: Wave
    rate_hz: int
    clipped_s: npt.NDArray[np.float64]
    warnings: tuple[str, ...] = ()
    name: str = ""

    @property
    def duration_s(self) -> float:
        """Length of the recording."""
        return len(self.samples) / self.rate_hz

    def part(self, first_s: float, length_s: float) -> npt.NDArray[np.float64]:
        """The samples of a stretch, as far as they are there."""
        first = max(round(first_s * self.rate_hz), 0)
        last = first + max(round(length_s * self.rate_hz), 0)
        return np.asarray(self.samples[first:last], dtype=np.float64)


def read_capture(
    path: Path, channel: int | None = None, use: str = "a strike test", best_hz: int = RATE_MAX_HZ
) -> Capture:
    """Read a recording whole.

    Parameters
    ----------
    path, channel
        The file, and which of its channels; `None` takes the best.
    use, best_hz
        What it is read for, and the rate that serves that best: for what is wrong with it.

    Raises
    ------
    UserError
        It can't be read, or its rate is too low to measure strikers with.
    """
    recording = open_recording(path, channel)
    if recording.sample_rate_hz < RATE_MIN_HZ:
        raise UserError(
            f"has {recording.sample_rate_hz} samples a second, too few for {use}",
            where=str(path),
            remedy=f"record with {RATE_MIN_HZ} or more; {best_hz} is best",
        )
    samples, clipped = _read_all(recording)
    samples, rate_hz = downsampled(samples, recording.sample_rate_hz, RATE_MAX_HZ)
    return Capture(
        samples=samples,
        rate_hz=rate_hz,
        clipped_s=clipped / recording.sample_rate_hz,
        warnings=tuple(recording.warnings),
        name=path.name,
    )


def _read_all(recording: Recording) -> tuple[Wave, npt.NDArray[np.float64]]:
    """All samples, and the sample numbers where they are clipped."""
    room = recording.frames + 1
    if recording.frames > _IN_MEMORY:
        # The memory map keeps the file alive, which is removed with the samples.
        spare = tempfile.TemporaryFile()  # noqa: SIM115
        kept: Wave = np.memmap(spare, np.float32, "w+", shape=(room,))
    else:
        kept = np.empty(room, np.float32)
    count = 0
    clipped: list[npt.NDArray[np.float64]] = []
    for block in recording.blocks():
        block = block[: room - count]
        kept[count : count + len(block)] = block
        clipped.append(clipped_at(block) + count)
        count += len(block)
    return kept[:count], np.concatenate(clipped) if clipped else np.zeros(0)


@dataclass(frozen=True)
class SwitchEdges:
    """Jumps in a channel that carries the coils' pulses: times in s, apart by direction.

    A pulse has two, one each way; which way is on is not known yet.
    """

    up_s: npt.NDArray[np.float64]
    down_s: npt.NDArray[np.float64]


def switch_edges(capture: Capture) -> SwitchEdges:
    """Jumps in a channel that carries the coils' pulses.

    It may be a wire from the drivers through a divider, or a pick-up coil
    beside them; polarity and coupling don't matter.
    """
    from scipy import ndimage

    step = np.diff(capture.samples, prepend=capture.samples[:1])
    size = np.abs(step)
    high = 0.25 * float(np.quantile(size, 1 - 1e-5)) if len(size) else 0.0
    if high <= 0:
        return SwitchEdges(np.zeros(0), np.zeros(0))
    # The largest step within 1 ms is where a pulse begins or ends.
    around = max(3, int(0.001 * capture.rate_hz))
    tops = np.flatnonzero((size >= high) & (size == ndimage.maximum_filter1d(size, around)))
    # The jump is between two samples.
    times = (tops - 0.5) / capture.rate_hz
    return SwitchEdges(times[step[tops] > 0], times[step[tops] < 0])
