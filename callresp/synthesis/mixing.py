"""The rehearsal mix: the recorded chorus, and the machine beside it.

Conventions
-----------
- The mix has the recording's sample rate. Its chorus is the recording as it
  is; the machine stands at the palette's distance, in sound pressure levels
  (`levels.ListeningPoint`). One gain is taken off both where the sum would come nearer
  to full scale than the headroom, so that the balance stays true.
- The headroom counts the peaks between the samples too: true peak, by four
  times oversampling (ITU-R BS.1770-4, annex 2).
- After the recording ends, the last strokes ring out.

The machine's sound: all strikers and turners of a plan, by blocks.

Conventions
-----------
- Samples are float64 inside and float32 outside, full scale ±1, at the
  listener's place (`levels.ListeningPoint`).
- Sample 0 is the recording's start; a plan's commands may lie a little before.
- The same plan, palette, place and seed give the same samples, whatever the
  blocks.

What is not modelled: the coils' own clicks, motors' hum. Echoes of the place are added to the mix
(`synthesis.returns`), where a place was asked.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.io.audio import BLOCK, Recording, Waveform, WavWriter, open_recording
from callresp.io.files import check_room
from callresp.io.place import Echo
from callresp.io.wording import counted
from callresp.palette.model import Palette
from callresp.plan.model import Plan
from callresp.scene.place import Convolver
from callresp.synthesis.execution import Execution, execute
from callresp.synthesis.levels import ListeningPoint, listening_point
from callresp.synthesis.loudness import LoudnessMeter
from callresp.synthesis.modal import StrikerVoice
from callresp.synthesis.returns import response_of
from callresp.synthesis.turning import TurnerVoice

Waves = npt.NDArray[np.float64]

HEARING_CAUTION = (
    "start with the volume low: a bell beside the ear is louder than one in a field,"
    " and long loud listening harms hearing for good"
)
HEADROOM_DB = 1.0
TAIL_MAX_S = 20.0
# Programme loudness of EBU R 128: loud enough on any loudspeaker, with room for single strokes.
LISTENING_LUFS = -23.0
DEFAULT_RATE_HZ = 48000


@dataclass(frozen=True, slots=True)
class MixSettings:
    """How to mix.

    Parameters
    ----------
    headroom_db
        Least distance of the highest peak from full scale.
    stereo
        Two channels: a recording's own two, or one in the middle.
    pan
        Where the machine stands between left (-1) and right (1), in stereo.
    float32
        Write 32-bit float instead of 24-bit integer samples.
    alone
        Leave the chorus out: the machine alone, at the same times and levels.
    loudness_lufs
        Bring the mix to this loudness (ITU-R BS.1770-4), as far as the headroom
        allows; `None` leaves the recording's own level.
    echoes
        What the place gives back of the machine (`callresp.io.place`).
    """

    headroom_db: float = HEADROOM_DB
    stereo: bool = False
    pan: float = 0.0
    float32: bool = False
    alone: bool = False
    loudness_lufs: float | None = None
    echoes: tuple[Echo, ...] = ()

    def __post_init__(self) -> None:
        if not 0 <= self.headroom_db <= 60:
            raise UserError(f"a headroom of {self.headroom_db:g} dB", remedy="give 0 to 60 dB")
        if not -1 <= self.pan <= 1:
            raise UserError(f"a pan of {self.pan:g}", remedy="give -1 (left) to 1 (right)")

    @property
    def gains(self) -> tuple[float, ...]:
        """Gain of the machine in each channel: constant power, 1 in the middle."""
        if not self.stereo:
            return (1.0,)
        angle = (self.pan + 1) * math.pi / 4
        return (math.sqrt(2) * math.cos(angle), math.sqrt(2) * math.sin(angle))


FOR_LISTENING = MixSettings(loudness_lufs=LISTENING_LUFS)


@dataclass(frozen=True, slots=True)
class MixReport:
    """What came of a mix.

    Peaks are dB re full scale, before the gain; `peak_db` is a true peak.
    `loudness_lufs` is that of the file; `None` for what is too faint or short.
    """

    path: str
    sample_rate_hz: int
    channels: int
    duration_s: float
    gain_db: float
    loudness_lufs: float | None
    peak_db: float
    chorus_peak_db: float
    machine_peak_db: float
    distance_m: float
    full_scale_db: float
    warnings: tuple[str, ...] = ()


def true_peak(block: Waves, sample_rate_hz: int) -> float:
    """Highest peak of ``(n, channels)``, between the samples too.

    Source: ITU-R BS.1770-4, annex 2 (four times oversampling at 48 kHz).
    """
    if block.size == 0:
        return 0.0
    highest = float(np.abs(block).max())
    factor = min(4, max(1, 192000 // sample_rate_hz))
    if factor == 1 or highest < 1e-6:
        return highest
    from scipy import signal

    return max(highest, float(np.abs(signal.resample_poly(block, factor, 1, axis=0)).max()))


class _Source:
    """The chorus and the machine as blocks, as often as needed."""

    def __init__(
        self,
        recording: Recording | None,
        plan: Plan,
        palette: Palette,
        mixing: MixSettings,
        place: ListeningPoint,
        seed: int,
    ) -> None:
        self._plan, self._palette, self._place, self._seed = plan, palette, place, seed
        self._mixing = mixing
        self._recordings = _channels(recording, mixing)
        self.channels = len(mixing.gains)
        self.rate = recording.sample_rate_hz if recording else DEFAULT_RATE_HZ
        last_s = execute(plan, palette).end_s
        back_s = max((echo.delay_s for echo in mixing.echoes), default=0.0)
        self.end_s = last_s + place.delay_s + back_s if last_s > 0 else 0.0
        self.stated_s = recording.duration_s if recording else plan.header.duration_s
        self.late = sum(one.at_s > self.frames / self.rate for one in plan.strikes)

    @property
    def frames(self) -> int:
        """Length that is expected; a recording that breaks off gives fewer."""
        tail_s = min(max(self.end_s - self.stated_s, 0.0), TAIL_MAX_S)
        if not self.stated_s:
            tail_s = self.end_s
        return math.ceil((self.stated_s + tail_s) * self.rate)

    def blocks(self) -> Iterator[tuple[Waves, Waves]]:
        """Yield (chorus, machine), each ``(n, channels)``, until both have ended."""
        machine = PlanRenderer(
            self._plan, self._palette, self.rate, place=self._place, seed=self._seed
        )
        walls = self._walls()
        gains = np.array(self._mixing.gains)

        def played(count: int) -> Waves:
            dry = machine.next(count)
            return np.outer(dry + walls(dry) if walls else dry, gains)

        done = 0
        for chorus in self._chorus(len(gains)):
            yield chorus, played(len(chorus))
            done += len(chorus)
        # A recording that broke off leaves the rest to the machine alone.
        last = max(self.frames, done)
        while done < last:
            count = min(BLOCK, last - done)
            yield np.zeros((count, len(gains))), played(count)
            done += count

    def _walls(self) -> Convolver | None:
        echoes, place = self._mixing.echoes, self._place
        if not echoes:
            return None
        response = response_of(echoes, self.rate, place.temperature_c, place.humidity)
        return Convolver(response, BLOCK)

    def _chorus(self, channels: int) -> Iterator[Waves]:
        for parts in zip(*(item.blocks() for item in self._recordings), strict=True):
            block = np.stack([part.astype(np.float64) for part in parts], axis=1)
            block = np.repeat(block, channels, axis=1) if block.shape[1] < channels else block
            yield np.zeros_like(block) if self._mixing.alone else block


def _channels(recording: Recording | None, mixing: MixSettings) -> list[Recording]:
    if recording is None:
        return []
    if mixing.stereo and recording.channels == 2 and recording.channel is None:
        return [recording.only(channel) for channel in (1, 2)]
    return [recording]


def mix(
    recording: Recording | Path | str | None,
    plan: Plan,
    palette: Palette,
    out_path: Path,
    mixing: MixSettings | None = None,
    place: ListeningPoint | None = None,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> MixReport:
    """Write chorus and machine together as a WAV file, whole or not at all.

    Parameters
    ----------
    recording
        The chorus: a recording or its path; `None` for the machine alone.
    plan, palette
        What the machine plays, on what.
    out_path
        The file to write.
    mixing, place, seed
        How to mix, where the listener is, seed of the noises.
    progress
        Called with the share done.

    Returns
    -------
    MixReport
        With the gain that was applied.

    Raises
    ------
    UserError
        When the recording can't be read or the file can't be written.
    """
    mixing = mixing or MixSettings()
    place = place or listening_point(palette)
    if recording is not None and not isinstance(recording, Recording):
        recording = open_recording(recording)
    source = _Source(recording, plan, palette, mixing, place, seed)
    bytes_each = 4 if mixing.float32 else 3
    check_room(Path(out_path), float(source.frames * source.channels * bytes_each))
    tell = progress or (lambda share: None)
    peaks = _peaks(source, lambda share: tell(share / 2))
    gain = _gain(peaks, mixing)
    _write(source, Path(out_path), mixing, gain, lambda share: tell(0.5 + share / 2))
    tell(1.0)
    warnings = tuple(recording.warnings) if recording else ()
    if source.late:
        strokes = counted(source.late, "stroke")
        warnings += (f"left out: {strokes} over {TAIL_MAX_S:g} s after the recording's end",)
    loudness = peaks.meter.loudness(gain)
    return MixReport(
        path=str(out_path),
        sample_rate_hz=source.rate,
        channels=len(mixing.gains),
        duration_s=peaks.frames / source.rate,
        gain_db=round(20 * math.log10(gain), 3) + 0.0,
        loudness_lufs=None if loudness is None else round(loudness, 2),
        peak_db=_db(peaks.together),
        chorus_peak_db=_db(peaks.chorus),
        machine_peak_db=_db(peaks.machine),
        distance_m=place.distance_m,
        full_scale_db=place.full_scale_db,
        warnings=warnings,
    )


def mixed(
    recording: Recording | Path | str | None,
    plan: Plan,
    palette: Palette,
    mixing: MixSettings | None = None,
    place: ListeningPoint | None = None,
    seed: int = 0,
) -> Waveform:
    """As `mix`, in memory.

    Parameters
    ----------
    recording, plan, palette, mixing, place, seed
        As for `mix`.

    Returns
    -------
    Waveform
        Samples of shape ``(n, channels)``, within the headroom.
    """
    mixing = mixing or MixSettings()
    if recording is not None and not isinstance(recording, Recording):
        recording = open_recording(recording)
    place = place or listening_point(palette)
    source = _Source(recording, plan, palette, mixing, place, seed)
    gain = _gain(_peaks(source, lambda share: None), mixing)
    blocks = [(gain * (chorus + machine)).astype(np.float32) for chorus, machine in source.blocks()]
    return Waveform(np.concatenate(blocks), source.rate)


def _gain(peaks: _Peaks, mixing: MixSettings) -> float:
    """What brings the sum to the loudness that is asked for, and never above the headroom."""
    gain = 1.0
    if mixing.loudness_lufs is not None:
        gain = peaks.meter.gain_to(mixing.loudness_lufs) or 1.0
    ceiling = 10 ** (-mixing.headroom_db / 20)
    return min(gain, ceiling / peaks.together) if peaks.together > 0 else 1.0


@dataclass(slots=True)
class _Peaks:
    meter: LoudnessMeter
    chorus: float = 0.0
    machine: float = 0.0
    together: float = 0.0
    frames: int = 0


def _peaks(source: _Source, tell: Callable[[float], None]) -> _Peaks:
    """First pass: how high it gets, and how loud it is."""
    found = _Peaks(LoudnessMeter(source.rate, source.channels))
    for chorus, machine in source.blocks():
        found.chorus = max(found.chorus, float(np.abs(chorus).max()))
        found.machine = max(found.machine, float(np.abs(machine).max()))
        both = chorus + machine
        found.meter.push(both)
        # Oversampling raises a sample by 2.241 at most (the sum of its filter's taps): look only
        # where that could matter.
        if 2.25 * float(np.abs(both).max()) > found.together:
            found.together = max(found.together, true_peak(both, source.rate))
        found.frames += len(chorus)
        tell(min(found.frames / max(source.frames, 1), 1.0))
    if found.frames == 0:
        raise UserError("nothing to render: the plan is empty", remedy="give a recording too")
    return found


def _write(
    source: _Source, path: Path, mixing: MixSettings, gain: float, tell: Callable[[float], None]
) -> None:
    subtype = "FLOAT" if mixing.float32 else "PCM_24"
    channels, done = len(mixing.gains), 0
    with WavWriter(path, source.rate, channels, subtype, frames=source.frames) as out:
        for chorus, machine in source.blocks():
            out.write(gain * (chorus + machine))
            done += len(chorus)
            tell(min(done / max(source.frames, 1), 1.0))


def _db(peak: float) -> float:
    return round(20 * math.log10(peak), 2) if peak > 1e-10 else -200.0


class PlanRenderer:
    """Renders a plan's sound from any moment on.

    Parameters
    ----------
    plan, palette
        What is played, on what.
    sample_rate_hz
        Of the samples; partials above its half are left out, not folded back.
    start_s
        Moment of the first sample. What was struck before still rings.
    place
        The listener's; by default that of the palette.
    seed
        Of the noises.
    execution
        The plan as it is acted out, where that is known already.
    """

    def __init__(
        self,
        plan: Plan,
        palette: Palette,
        sample_rate_hz: int,
        start_s: float = 0.0,
        place: ListeningPoint | None = None,
        seed: int = 0,
        execution: Execution | None = None,
    ) -> None:
        place = place or listening_point(palette)
        parts = execution or execute(plan, palette)
        voices: list[StrikerVoice | TurnerVoice] = [
            StrikerVoice(part, place, sample_rate_hz, seed)
            for part in parts.strikers
            if part.strokes or part.moves
        ]
        voices += [
            TurnerVoice(turning, place, sample_rate_hz, seed)
            for turning in parts.turners
            if turning.spells
        ]
        self._voices = voices
        for voice in voices:
            voice.skip_to(round(start_s * sample_rate_hz))

    def next(self, count: int) -> npt.NDArray[np.float64]:
        """The next `count` samples, shape ``(count,)``."""
        out = np.zeros(count)
        for voice in self._voices:
            voice.add_to(out)
        return out
