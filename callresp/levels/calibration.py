"""From dB of full scale to sound pressure: a recorded calibrator tone.

Goal
----
A sound calibrator holds a known level at the microphone (94 dB or 114 dB at
1 kHz; IEC 60942). Recorded through the same chain at the same gain as the
site, it says how far dB of full scale lie from dB re 20 µPa.

Conventions
-----------
``offset_db`` is added to a level in dB re a full-scale sine to give dB SPL
(re 20 µPa, ISO 1683), or dB(A) where the level is A-weighted. At 1 kHz both
are the same, since the A-weight is 0 dB there; a tone elsewhere (250 Hz
pistonphones) is taken unweighted.

It holds for one microphone, one recorder and one gain. A tone that is faint,
unsteady, clipped or not at its frequency is refused.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec import Meta

from callresp.errors import UserError
from callresp.io import settings
from callresp.io.audio import SINE_POWER, Recording
from callresp.io.files import write_text

FRAME_S = 0.125
LEAST_S = 1.0
PURE_DB = 20.0  # tone over all else
STEADY_DB = 0.3  # from frame to frame
_LOUDEST_DB = -3.0
_BAND = 0.05  # of the tone's frequency: what counts as tone

Values = npt.NDArray[np.float64]


class Calibration(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a calibrator tone says of a recording chain.

    Attributes
    ----------
    offset_db
        Add it to dB re a full-scale sine to get dB re 20 µPa.
    calibrator_level_db
        What the calibrator gave.
    tone_level_db
        What was recorded, dB re a full-scale sine.
    tone_hz, steady_s, spread_db
        Frequency of the tone, the stretch used, and how much it wavered.
    tone
        The recording's file name.
    about
        Microphone, recorder and gain, in the user's words.
    channel
        The channel of the microphone that the calibrator was on, of a recording
        of several; `None` for a recording of one.
    """

    offset_db: Annotated[float, Meta(ge=-60.0, le=290.0)]
    calibrator_level_db: Annotated[float, Meta(ge=60.0, le=140.0)]
    tone_level_db: Annotated[float, Meta(ge=-140.0, le=6.0)]
    tone_hz: Annotated[float, Meta(ge=20.0, le=20000.0)] = 1000.0
    steady_s: Annotated[float, Meta(ge=0.0)] = 0.0
    spread_db: Annotated[float, Meta(ge=0.0)] = 0.0
    tone: str = ""
    about: str = ""
    channel: Annotated[int, Meta(ge=1)] | None = None

    def spl_db(self, level_db: float) -> float:
        """Sound pressure level of a level in dB re a full-scale sine.

        Examples
        --------
        >>> chain = Calibration(offset_db=120, calibrator_level_db=94, tone_level_db=-26)
        >>> chain.spl_db(-70)
        50.0
        """
        return float(level_db + self.offset_db)


@dataclass(frozen=True, slots=True)
class _Frames:
    """Level of the tone and of all else, frame by frame, dB."""

    tone_db: Values
    rest_db: Values
    hertz: Values


def calibrate(
    recording: Recording, level_db: float, frequency_hz: float = 1000.0, about: str = ""
) -> Calibration:
    """Find the calibrator's tone in a recording and what it says of the chain.

    Of several channels the one with the tone counts: a calibrator fits on one
    microphone. Their mean would be weaker than the tone, and the field too loud.

    Parameters
    ----------
    recording
        The calibrator alone, for some seconds.
    level_db
        What the calibrator gives, dB re 20 µPa.
    frequency_hz
        Of its tone.
    about
        Microphone, recorder and gain, to be kept with the result.

    Raises
    ------
    UserError
        No tone near `frequency_hz`, too short, unsteady, or clipped.
    """
    if recording.channels > 1 and recording.channel is None:
        recording = _with_the_tone(recording, frequency_hz)
    where = str(recording.path)
    frames = _analyse(recording, frequency_hz)
    first, last = _longest_steady(frames)
    found = (last - first) * FRAME_S >= LEAST_S
    level = _mean_db(frames.tone_db[first:last]) if found else 0.0
    # Fitting the calibrator may clip; the tone itself must not.
    if recording.health.clipped and level > _LOUDEST_DB:
        raise UserError(
            "the tone is clipped", where=where, remedy="record it again with a lower gain"
        )
    if not found:
        raise UserError(
            f"holds no steady tone at {frequency_hz:g} Hz for {LEAST_S:g} s",
            where=where,
            remedy="record the calibrator alone for some seconds, or say its frequency",
            argument="frequency",
        )
    return Calibration(
        offset_db=round(level_db - level, 2),
        calibrator_level_db=level_db,
        tone_level_db=round(level, 2),
        tone_hz=round(float(np.median(frames.hertz[first:last])), 1),
        steady_s=round((last - first) * FRAME_S, 3),
        spread_db=round(float(np.ptp(frames.tone_db[first:last])), 2),
        tone=recording.path.name,
        about=about,
        channel=recording.channel,
    )


def _with_the_tone(recording: Recording, frequency_hz: float) -> Recording:
    """The channel whose tone is strongest where it is steady."""

    def strength(channel: int) -> float:
        frames = _analyse(recording.only(channel), frequency_hz)
        first, last = _longest_steady(frames)
        return _mean_db(frames.tone_db[first:last]) if last > first else -math.inf

    best = max(range(1, recording.channels + 1), key=strength)
    return recording.only(best)


def _mean_db(levels_db: Values) -> float:
    return float(10 * np.log10(np.mean(10 ** (levels_db / 10))))


def _analyse(recording: Recording, frequency_hz: float) -> _Frames:
    length = round(FRAME_S * recording.sample_rate_hz)
    window = np.hanning(length)
    scale = 2 / (length * np.sum(window**2)) / SINE_POWER
    hertz = np.asarray(np.fft.rfftfreq(length, 1 / recording.sample_rate_hz), np.float64)
    margin = max(_BAND * frequency_hz, 3 * float(hertz[1]))
    near = np.abs(hertz - frequency_hz) <= margin
    rows: list[tuple[float, float, float]] = []
    left = np.zeros(0, np.float32)
    for block in recording.blocks():
        left = np.concatenate([left, block])
        while len(left) >= length:
            spectrum = np.fft.rfft(left[:length] * window)
            power = np.asarray(scale * np.abs(spectrum) ** 2, np.float64)
            top = int(np.argmax(np.where(near, power, -1.0)))
            rows.append((power[near].sum(), power[~near][1:].sum(), _between(power, top, hertz)))
            left = left[length:]
    table = np.array(rows).reshape(-1, 3)
    tone, rest = (10 * np.log10(np.maximum(table[:, k], 1e-20)) for k in (0, 1))
    return _Frames(tone, rest, table[:, 2])


def _between(power: Values, top: int, hertz: Values) -> float:
    """Frequency of a peak between bins, by a parabola through three log powers."""
    if not 0 < top < len(power) - 1:
        return float(hertz[top])
    a, b, c = np.log(np.maximum(power[top - 1 : top + 2], 1e-30))
    bend = a - 2 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
    return float(hertz[top] + np.clip(shift, -0.5, 0.5) * hertz[1])


def _longest_steady(frames: _Frames) -> tuple[int, int]:
    """First and last (excluded) frame of the longest clean and steady stretch."""
    pure = frames.tone_db - frames.rest_db >= PURE_DB
    best = (0, 0)
    start: int | None = None
    for i, clean in enumerate(pure):
        steady = i > 0 and abs(frames.tone_db[i] - frames.tone_db[i - 1]) <= STEADY_DB
        if not clean:
            start = None
        elif start is None or not steady:
            start = i
        if start is not None and i + 1 - start > best[1] - best[0]:
            best = (start, i + 1)
    return best


def write_calibration(path: Path, calibration: Calibration) -> None:
    """Write a calibration as TOML, whole or not at all."""
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("Sound pressure from a calibrator tone (IEC 60942)."))
    document.add(tomlkit.comment("It holds for one microphone, one recorder and one gain."))
    for key, value in msgspec.structs.asdict(calibration).items():
        if value is not None:
            document.add(key, value)
    write_text(path, tomlkit.dumps(document))


def load_calibration(path: Path) -> Calibration:
    """Read a calibration from its TOML file.

    Raises
    ------
    UserError
        With file, line, key and what is allowed.
    """
    return settings.load(Path(path), Calibration)[0]


def level_report(
    levels_db: tuple[float, float], calibration: Calibration | None = None
) -> dict[str, float]:
    """Plain and A-weighted level as they are reported.

    Parameters
    ----------
    levels_db
        Plain and A-weighted, dB re a full-scale sine
        (`callresp.levels.a_weighting.recording_levels_db`).
    calibration
        `None` leaves sound pressure out.

    Examples
    --------
    >>> level_report((-60.04, -65.0))
    {'level_dbfs': -60.0, 'a_level_dbfs': -65.0}
    """
    plain, weighted = levels_db
    report = {"level_dbfs": round(plain, 1), "a_level_dbfs": round(weighted, 1)}
    if calibration is not None:
        report["level_db_spl"] = round(calibration.spl_db(plain), 1)
        report["level_dba"] = round(calibration.spl_db(weighted), 1)
    return report
