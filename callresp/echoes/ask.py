"""From a recorded train of strokes to what the place gives back."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.echoes import alignment, decay, deconvolution, detection
from callresp.errors import UserError
from callresp.io.audio import SILENCE_DB, downsampled, level_db
from callresp.io.place import Echo, Octave, Place, PlaceReport
from callresp.io.wording import counted
from callresp.palette.model import Palette
from callresp.plan.model import Plan, Strike
from callresp.scene.air import speed_in_humid_air
from callresp.strike_test.capture import Capture

Wave = npt.NDArray[np.float32]
Values = npt.NDArray[np.float64]

# Sound before the next stroke is not listened to: its damper, its coil, its early strokes.
BEFORE_NEXT_S = 0.12
LONGEST_S = 6.0
FEWEST = 4
# No recorder is quieter than this, against its loudest sound.
RECORDERS_NOISE = 1e-4
# How well the air's temperature is known: where it was stated, and where the palette's is taken.
STATED_SD_C, ASSUMED_SD_C = 1.0, 5.0
# Where half of the strokes have so many samples at the very top, they were cut off there.
CLIPPED_SHARE, CLIPPED_FROM, CLIPPED_SAMPLES = 0.999, 0.1, 4
# Two delays may be one wall twice, or one by way of another, within this.
SUM_WITHIN_S, SUM_LOUDER_DB = 0.0015, 6.0


@dataclass(frozen=True, slots=True)
class Air:
    """The air of the place, and how well its temperature is known."""

    temperature_c: float = 10.0
    humidity: float = 70.0
    temperature_sd_c: float = ASSUMED_SD_C

    @property
    def speed_m_s(self) -> float:
        """Speed of sound (Cramer 1993)."""
        return speed_in_humid_air(self.temperature_c, self.humidity)

    @property
    def per_kelvin(self) -> float:
        """How much faster sound is for each kelvin, as a share."""
        warmer = speed_in_humid_air(self.temperature_c + 0.5, self.humidity)
        colder = speed_in_humid_air(self.temperature_c - 0.5, self.humidity)
        return (warmer - colder) / self.speed_m_s


@dataclass(frozen=True)
class EchoResult:
    """What was found, and the curves that it was found in, for a picture."""

    report: PlaceReport
    detection: detection.Detection
    snr_db: float


def ask_place(
    capture: Capture,
    plan: Plan,
    palette: Palette | None,
    air: Air,
    microphone_m: float = 0.0,
    advance: Callable[[float, str], None] = lambda share, note: None,
) -> EchoResult:
    """Hear what a place gives back.

    Parameters
    ----------
    capture
        A recording of the plan's strokes.
    plan
        What was struck, and when.
    palette
        The machine that it was made for, for its latencies; `None` where it is not there.
    air
        Of the place.
    microphone_m
        From the striker to the microphone.
    advance
        Called with the share done.

    Raises
    ------
    UserError
        The plan is no train of strokes on one striker, or can't be found in the recording.
    """
    planned_s, striker = _train(plan, palette)
    # High sounds do not travel far.
    samples, rate_hz = downsampled(capture.samples, capture.rate_hz, alignment.RATE_MAX_HZ)
    samples = _with_a_floor(samples)
    advance(0.1, "finding the strokes")
    strokes = alignment.align_strokes(samples, rate_hz, planned_s, capture.name)
    if len(strokes.at_s) < FEWEST:
        raise UserError(
            f"it holds {len(strokes.at_s)} of the plan's strokes",
            where=capture.name,
            remedy=f"record {FEWEST} or more, and 16 for faint echoes",
        )
    _refuse_clipped(capture, strokes.at_s)
    advance(0.2, "correlating")
    longest_s = _longest_s(strokes.at_s, len(samples) / rate_hz)
    found = deconvolution.correlate(samples, rate_hz, strokes, longest_s)
    advance(0.5, "averaging")
    heard = detection.detect(found, air.temperature_c, air.humidity)
    advance(0.9, "decay")
    rings = decay.reverberation(found)
    echoes = _echoes(heard, air, microphone_m)
    place = Place(
        place=capture.name,
        echoes=len(echoes),
        edt_s=_rounded(rings.whole.edt_s, 3),
        t20_s=_rounded(rings.whole.t20_s, 3),
        reverberation=rings.whole.why,
        octaves=tuple(
            Octave(octave_hz=hz, edt_s=_rounded(one.edt_s, 3), t20_s=round(one.t20_s, 3))
            for hz, one in rings.octaves.items()
            if one.t20_s is not None
        ),
        background_db=round(_background_db(capture, strokes.at_s), 1),
        air_temperature_c=air.temperature_c,
        humidity=air.humidity,
        speed_of_sound_m_s=round(air.speed_m_s, 2),
        kelvin_costs_m=round(100 * air.per_kelvin, 3),
        striker=striker,
        strokes=len(strokes.at_s),
        near_m=round(0.5 * air.speed_m_s * (deconvolution.EARLIEST_S + detection.EDGE_S), 1),
        farthest_m=round(0.5 * air.speed_m_s * longest_s),
        answer=_in_words(echoes, rings),
    )
    advance(1.0, "")
    return EchoResult(PlaceReport(echoes=echoes, place=place), heard, strokes.snr_db)


def _train(plan: Plan, palette: Palette | None) -> tuple[Values, str]:
    """When each stroke was to sound, and on what."""
    strikes: list[Strike] = list(plan.strikes)
    names = {strike.instrument or str(strike.channel) for strike in strikes}
    if len(names) != 1 or len(strikes) < FEWEST:
        what = f"has {counted(len(strikes), 'stroke')} on {counted(len(names), 'striker')}"
        raise UserError(f"the plan {what}", remedy="make it with callresp ask-place")
    name = names.pop()
    striker = palette.striker_named(name) if palette is not None else None
    latency_s = striker.latency_ms / 1000 if striker is not None else 0.0
    return np.array([strike.at_s for strike in strikes]) + latency_s, name


def _refuse_clipped(capture: Capture, at_s: Values) -> None:
    """An echo is no copy of a stroke that was cut off, nor does the stroke's ring stay its own."""
    samples = np.abs(capture.samples)
    top = CLIPPED_SHARE * float(samples.max())
    firsts = [max(round((at - 0.002) * capture.rate_hz), 0) for at in at_s]
    length = round(alignment.FIRST_S * capture.rate_hz)
    cut = [int(np.sum(samples[first : first + length] >= top)) for first in firsts]
    if top > CLIPPED_FROM and np.median(cut) >= CLIPPED_SAMPLES:
        raise UserError(
            "its strokes are clipped", where=capture.name, remedy="record with a lower gain"
        )


def _longest_s(at_s: Values, ends_s: float) -> float:
    """The longest delay that lies before the next stroke, and within the recording for most."""
    gaps_s = np.diff(np.append(at_s, max(ends_s, at_s[-1] + 0.1)))
    return float(np.clip(np.min(gaps_s[:-1]) - BEFORE_NEXT_S, 0.1, LONGEST_S))


def _echoes(heard: detection.Detection, air: Air, microphone_m: float) -> tuple[Echo, ...]:
    made: list[Echo] = []
    for one in heard.returns:
        way_m = air.speed_m_s * one.delay_s + microphone_m
        by_time_m = 0.5 * air.speed_m_s * one.delay_sd_s
        by_air_m = 0.5 * way_m * air.per_kelvin * air.temperature_sd_c
        by_place_m = microphone_m / math.sqrt(12)
        made.append(
            Echo(
                delay_s=round(one.delay_s, 6),
                delay_sd_s=round(one.delay_sd_s, 6),
                level_db=round(one.gain_db, 1),
                level_sd_db=round(one.gain_sd_db, 1),
                distance_m=round(0.5 * way_m, 3),
                distance_sd_m=round(math.hypot(by_time_m, by_air_m, by_place_m), 3),
                confidence=round(1 - one.chance, 6),
                path=_path(one, heard, microphone_m / air.speed_m_s),
            )
        )
    return tuple(made)


def _path(one: detection.Reflection, heard: detection.Detection, straight_s: float) -> str:
    """Which earlier returns a delay is the sum of, in words; `straight_s` is the stroke's own way.

    Two ways of equal length, there and back again, add up to 6 dB more than one.
    """
    whole_s = one.delay_s + straight_s
    before = [
        (number, other.delay_s + straight_s)
        for number, other in enumerate(heard.returns, start=1)
        if other.delay_s < one.delay_s and other.gain_db > one.gain_db - SUM_LOUDER_DB
    ]
    for number, first_s in before:
        if abs(2 * first_s - whole_s) < SUM_WITHIN_S:
            return f"perhaps echo {number} twice"
    for number, first_s in before:
        for other_number, second_s in before:
            if number < other_number and abs(first_s + second_s - whole_s) < SUM_WITHIN_S:
                return f"perhaps echo {number} by way of echo {other_number}"
    return ""


def _in_words(echoes: tuple[Echo, ...], rings: decay.Reverberation) -> str:
    parts = []
    if echoes:
        parts.append(counted(len(echoes), "echo", "echoes"))
    if any(one.t20_s is not None for one in (rings.whole, *rings.octaves.values())):
        parts.append("reverberation")
    return " and ".join(parts) or "this place gives nothing back"


def _background_db(capture: Capture, at_s: Values) -> float:
    """Median level just before the strokes, dB re a full-scale sine."""
    levels = []
    for at in at_s:
        first, last = (max(round((at - s) * capture.rate_hz), 0) for s in (0.25, 0.03))
        part = capture.samples[first:last]
        if len(part):
            levels.append(level_db(part))
    return float(np.median(levels)) if levels else SILENCE_DB


def _with_a_floor(samples: Wave) -> Wave:
    """The sound with a recorder's own noise, where it has none, as in a rehearsal.

    Echoes are judged against noise: against nothing at all, rounding would be one.
    """
    least = RECORDERS_NOISE * float(np.max(np.abs(samples), initial=0.0))
    if float(np.median(np.abs(samples))) > least:
        return samples
    noise = least * np.random.default_rng(0).standard_normal(len(samples))
    return (samples + noise).astype(samples.dtype)


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
