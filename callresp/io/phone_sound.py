"""What phones and cameras record: AAC, ALAC, AMR and others, in MPEG-4 files and the like.

Goal
----
libsndfile reads none of these. PyAV, which brings FFmpeg's decoders, does. It is
large, and so an extra; it is imported only for a file that libsndfile refused.

Conventions
-----------
- Encoders put samples ahead of the sound and after it (AAC: a thousand or two ahead). The edit
  list of an MPEG-4 file (ISO/IEC 14496-12, 8.6.6) says which: the decoder leaves out those
  ahead, and we stop at the length that the list leaves. A bare stream (.aac) tells neither: its
  sound comes later by what its encoder put ahead.
- Only containers that hold their sound themselves are looked into: no lists of other files or
  of addresses, which FFmpeg would follow.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.io.kinds import is_mpeg4

if TYPE_CHECKING:
    import av

# The frames of a file that tells no length, as libsndfile gives them.
UNCOUNTED = 0x7FFF_FFFF_FFFF_FFFF
# By FFmpeg's names of them.
_CONTAINERS = ("mov", "aac", "amr", "amrnb", "amrwb", "asf", "matroska", "avi", "mpegts", "ac3")


class PhoneSound:
    """Reads onward from the first sample of a file, with the attributes of `soundfile`."""

    def __init__(self, path: Path) -> None:
        """Open a file.

        Raises
        ------
        UserError
            When no sound in it can be read, or the package is missing.
        """
        try:
            import av
        except ImportError:
            raise _unread(
                path,
                "give WAV, FLAC, OGG or MP3; for what a phone wrote (.m4a and the like)"
                " pip install 'callresp[phone]' while there is a network, or export it as WAV",
            ) from None
        with ExitStack() as opened:
            # A file, not a name: FFmpeg takes a colon in a name for a protocol.
            file = opened.enter_context(path.open("rb"))
            try:
                only = {"format_whitelist": ",".join(_CONTAINERS)}
                container = opened.enter_context(av.open(file, "r", options=only))
                frames = container.decode(container.streams.audio[0])
                first = next(frames)
            except IndexError:
                raise UserError(
                    "holds pictures without sound", where=str(path), remedy="name a sound file"
                ) from None
            except (av.FFmpegError, StopIteration, ValueError) as fault:
                file.seek(0)
                if is_mpeg4(file.read(8)):
                    raise UserError(
                        "can't be decoded: it is damaged, or was cut before its index was written",
                        where=str(path),
                        remedy="copy it again",
                    ) from fault
                remedy = "give WAV, FLAC, OGG, MP3 or what a phone records"
                raise _unread(path, remedy) from fault
            self._close = opened.pop_all().close
        stream = container.streams.audio[0]
        codec = stream.codec_context.codec
        depth = 16 if first.format.bytes <= 2 else 24
        self.format = container.format.name
        self.subtype = f"LOSSY {codec.name}" if codec.lossy else f"{codec.name}_{depth}"
        # Of the first frame: some headers give half the rate of what is decoded (HE-AAC).
        self.samplerate = first.sample_rate
        self.channels = first.layout.nb_channels
        self.frames = UNCOUNTED
        if "mp4" in self.format and stream.duration and stream.time_base:
            self.frames = round(stream.duration * stream.time_base * self.samplerate)
        self._faults = (av.FFmpegError, ValueError)
        self._resampler = av.AudioResampler("fltp", first.layout, first.sample_rate)
        self._pieces = self._decoded(chain([first], frames))
        self._ahead = np.zeros((0, self.channels), np.float32)
        self._fault: Exception | None = None

    def _decoded(self, frames: Iterator[av.AudioFrame]) -> Iterator[npt.NDArray[np.float32]]:
        left = self.frames
        for frame in frames:
            for converted in self._resampler.resample(frame):
                piece = np.asarray(converted.to_ndarray(), np.float32).T[:left]
                left -= len(piece)
                yield piece

    def read(self, out: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Fill `out`, shape ``(n, channels)``, as far as there is sound; returns that part.

        Raises
        ------
        OSError
            When nothing follows that can be decoded, though the file goes on.
        """
        done = 0
        while done < len(out) and self._fault is None:
            if not len(self._ahead):
                try:
                    self._ahead = next(self._pieces)
                except StopIteration:
                    break
                except self._faults as fault:
                    self._fault = fault
            part = self._ahead[: len(out) - done]
            out[done : done + len(part)] = part
            self._ahead = self._ahead[len(part) :]
            done += len(part)
        if self._fault is not None and not done:
            raise OSError(str(self._fault))
        return out[:done]

    def close(self) -> None:
        """Close the file."""
        self._close()


def _unread(path: Path, remedy: str) -> UserError:
    return UserError("is not a sound file that can be read here", where=str(path), remedy=remedy)
