"""Listening in the field: where sound comes from, and recording while something else is done."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

import numpy as np

from callresp.commands import ui
from callresp.commands.board import port_of
from callresp.errors import UserError
from callresp.io.audio import Samples, clipped_at, downsampled
from callresp.io.wording import counted
from callresp.link.session import Session
from callresp.link.stream import stream
from callresp.live.sources import AudioSource, SoundInput, open_source
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan
from callresp.strike_test.capture import RATE_MAX_HZ, Capture

FIRST_SOUND_S = 10.0
# A test lasts a minute or two: what fills more memory than this is none.
LONGEST_S = 1800.0


def source_of(sound: SoundInput) -> AudioSource:
    """Where sound comes from; the user is told while one has to wait for it."""
    return open_source(sound, report=lambda notice: ui.warn(notice.text))


class Recorder:
    """Takes sound in a thread of its own, from entering to leaving.

    Parameters
    ----------
    sound
        Where it comes from.

    Attributes
    ----------
    live
        Whether the sound comes as it sounds, so that `now_s` means something.

    Raises
    ------
    UserError
        On entering, when no sound comes.
    """

    def __init__(self, sound: SoundInput) -> None:
        self.live = not sound.is_file
        self._name = sound.name
        self._source = source_of(sound)
        self._blocks: list[Samples] = []
        self._zero_s = float("inf")
        self._lost = 0
        self._first = threading.Event()
        self._fault: Exception | None = None
        self._thread = threading.Thread(target=self._take, daemon=True)

    def __enter__(self) -> Recorder:
        self._thread.start()
        if not self._first.wait(FIRST_SOUND_S) or self._fault is not None:
            self._source.close()
            if isinstance(self._fault, UserError):
                raise self._fault
            raise UserError(
                "no sound comes in", where=self._name, remedy="try callresp set-level first"
            )
        return self

    def __exit__(self, *_: object) -> None:
        self._source.close()
        self._thread.join(timeout=2.0)

    def _take(self) -> None:
        rate_hz = self._source.sample_rate_hz
        try:
            for block in self._source.blocks():
                if block.lost:
                    self._lost += block.lost
                    self._blocks.append(np.zeros(block.lost, np.float32))
                self._blocks.append(np.array(block.samples))
                ends_s = block.at_s + len(block.samples) / rate_hz
                # The least delay seen is the nearest to none.
                self._zero_s = min(self._zero_s, time.monotonic() - ends_s)
                self._first.set()
                if ends_s > LONGEST_S:
                    return
        except UserError as fault:
            self._fault = fault
        finally:
            self._first.set()

    def now_s(self) -> float:
        """The moment of the recording that sounds now."""
        return time.monotonic() - self._zero_s

    def wait(self, seconds: float) -> None:
        """Let the sound go on for so long; a file is read to its end."""
        if self.live:
            self._thread.join(timeout=seconds)
        else:
            self._thread.join()

    def capture(self) -> Capture:
        """What was taken, at 48 kHz at most."""
        samples = np.concatenate(self._blocks) if self._blocks else np.zeros(0, np.float32)
        rate_hz = self._source.sample_rate_hz
        clipped_s = clipped_at(samples) / rate_hz
        samples, rate_hz = downsampled(samples, rate_hz, RATE_MAX_HZ)
        warnings = (f"{counted(self._lost, 'sample')} lost",) if self._lost else ()
        return Capture(samples, rate_hz, clipped_s, warnings, self._name)


@dataclass(frozen=True)
class PlayedAndHeard:
    """What was recorded while a plan was played.

    `began_s` is when the plan's 0 was in the recording, where the sound came
    live; `refused` counts commands that the board did not play.
    """

    capture: Capture
    began_s: float | None
    refused: int


def play_and_record(
    checked: CheckedPlan,
    machine: Palette,
    port: str,
    recorder: Recorder,
    after_s: float,
    label: str = "striking",
) -> PlayedAndHeard:
    """Stream a plan to the board on a port, and record meanwhile.

    `port` may be 'simulated'; the recorder is not yet entered. Sound is taken for `after_s` more
    after the last command.
    """
    began: list[float] = []
    with recorder:

        def watch(session: Session, now_s: float) -> None:
            if not began and session.start_s is not None:
                began.append(recorder.now_s() - now_s + session.start_s)
            advance(len(session.ended) / max(len(checked.plan.commands), 1))

        with port_of(port, machine) as url, ui.progress(label) as advance:
            session = stream(checked, url, watch=watch)
        recorder.wait(after_s)
    report = session.report
    for outcome, count in report.outcomes.items():
        if outcome != "executed":
            ui.warn(f"the board did not do {counted(count, 'command')}: {outcome}")
    began_s = began[0] if began and recorder.live else None
    return PlayedAndHeard(recorder.capture(), began_s, report.commands - report.played)
