#!/usr/bin/env python3
"""How well is a place heard? Walls, open fields and rooms with known truth, and peers beside us.

    python tools/bench_place.py                      every row, small
    python tools/bench_place.py --row delay --cases 40
    python tools/bench_place.py --row field --cases 200 --birds FOLDER
    python tools/bench_place.py --row loop --cases 6    an hour of it, told every ten minutes

Strokes come from a machine that shares no code with ours (tools/strike_machine.py), with
scatter of force and latency, a clock of its own and a recorder that starts when it likes.
Walls and rooms are pyroomacoustics' (image sources, absorption by the air): a stroke's way
to the microphone is an impulse response of its own making. Birds and wind are our scenes',
or recordings of a folder. Peers, given the true times of the strokes: the highest peak of
the averaged strokes' autocorrelation, and of their cepstrum (Bogert, Healy & Tukey 1963).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path

import click
import msgspec
import numpy as np
import numpy.typing as npt
import pyroomacoustics as pra
import strike_machine as sm
from place_live import HUMIDITY, RATE, real_one, speed
from place_live import ROWS as LIVE_ROWS
from scipy import fft, signal

from callresp.commands.ui import emit, say
from callresp.echoes.ask import Air, ask_place
from callresp.echoes.protocol import ask_plan
from callresp.errors import UserError
from callresp.io.place import PlaceReport
from callresp.palette.files import load_palette
from callresp.palette.model import Striker
from callresp.plan.model import Plan
from callresp.strike_test.capture import Capture

Wave = npt.NDArray[np.float64]

HIT_S = 0.0005
KINDS = ("oak block", "tin box", "tube 2")
SOUND = (".wav", ".flac")


@dataclass(frozen=True)
class Heard:
    """One place: what was true of it, what we heard, what the peers heard."""

    truth_s: tuple[float, ...]
    report: PlaceReport
    peers_s: dict[str, float]
    loud_db: float


def wall_response(
    walls_m: Sequence[float], losses_db: Sequence[float], air_c: float, microphone_m: float
) -> tuple[Wave, tuple[float, ...]]:
    """Impulse response of walls in the open, and the delays of their first echoes behind it.

    One wall lies in the west, a second one in the east; floor, ceiling and the rest absorb all.
    """
    far_m = max(walls_m) + 60.0
    absorbed = [1 - 10 ** (-loss / 10) for loss in losses_db]
    gone = pra.Material(0.99999)
    west = pra.Material(absorbed[0])
    east = pra.Material(absorbed[1]) if len(walls_m) > 1 else gone
    materials = dict.fromkeys(("north", "south", "floor", "ceiling"), gone)
    speed_m_s = speed(air_c)
    across_m = walls_m[0] + (walls_m[1] if len(walls_m) > 1 else far_m)
    room = pra.ShoeBox(
        [across_m, 2 * far_m, 2 * far_m],
        fs=RATE,
        materials={**materials, "west": west, "east": east},
        max_order=1,
        temperature=air_c,
        humidity=HUMIDITY,
        air_absorption=True,
    )
    source = np.array([walls_m[0], far_m, far_m])
    ear = source + np.array([0.0, microphone_m, 0.0])
    room.add_source(source)
    room.add_microphone(ear)
    room.compute_rir()
    straight_s = microphone_m / speed_m_s
    delays = [math.hypot(2 * m, microphone_m) / speed_m_s - straight_s for m in walls_m]
    response = np.asarray(room.rir[0][0])
    return response / np.abs(response).max(), tuple(delays)


@cache
def _song(path: Path) -> Wave:
    """A recording of birds, at our rate, of a peak of 1."""
    from callresp.io.audio import open_recording

    recording = open_recording(path)
    sound = np.concatenate(list(recording.blocks())).astype(np.float64)
    sound = signal.resample_poly(sound, RATE, recording.sample_rate_hz)
    return np.asarray(sound / max(float(np.abs(sound).max()), 1e-9))


def real_birds(rng: np.random.Generator, count: int, songs: Sequence[Path]) -> Wave:
    """One to four birds, each with pauses of its own, and songs of its own loudness."""
    out = np.zeros(count)
    for _ in range(int(rng.integers(1, 5))):
        folder = songs[int(rng.integers(0, len(songs)))].parent
        own = [path for path in songs if path.parent == folder]
        pause_s, gain_db = rng.uniform(0.5, 6.0), rng.uniform(-12, 0)
        at = int(rng.exponential(pause_s) * RATE)
        while at < count:
            song = _song(own[int(rng.integers(0, len(own)))])
            song = song[: count - at]
            out[at : at + len(song)] += 10 ** ((gain_db + rng.normal(0, 2)) / 20) * song
            at += len(song) + int(rng.exponential(pause_s) * RATE)
    return out


@cache
def _scene(name: str, seed: int) -> Wave:
    """Two minutes of one of our choruses."""
    from callresp.scene.recipe import load_recipe
    from callresp.scene.render import render

    sound = render(load_recipe(name), seed=seed, seconds=120.0).samples.astype(np.float64)
    return np.asarray(signal.resample_poly(sound, RATE, 48000))


def background(rng: np.random.Generator, count: int, birds: Sequence[Path]) -> Wave:
    """Birds of a root mean square of 1: our scenes', or recordings of real ones."""
    if birds:
        sound = real_birds(rng, count, birds)
    else:
        name = ("chorus-in-wind", "chorus-0db", "crowd")[int(rng.integers(0, 3))]
        sound = _scene(name, int(rng.integers(0, 4)))
        sound = np.resize(np.roll(sound, int(rng.integers(0, len(sound)))), count)
    return np.asarray(sound / max(float(np.std(sound)), 1e-9))


def wind(rng: np.random.Generator, count: int) -> Wave:
    """Noise that falls by 3 dB an octave and swells, of a root mean square of 1 over 100 Hz."""
    size = fft.next_fast_len(count, real=True)
    spectrum = fft.rfft(rng.standard_normal(size))
    hertz = fft.rfftfreq(size, 1 / RATE)
    noise = fft.irfft(spectrum / np.sqrt(np.maximum(hertz, 30.0)), size)[:count]
    swell = np.interp(
        np.arange(count),
        np.arange(0, count, RATE),
        10 ** (rng.uniform(-4, 4, -(-count // RATE)) / 20),
    )
    noise = noise * swell
    band = signal.sosfilt(signal.butter(2, 100.0, "high", fs=RATE, output="sos"), noise)
    return np.asarray(noise / np.std(band))


def a_striker(striker: Striker, rng: np.random.Generator) -> sm.Striker:
    """One that also rings for another time than its palette says, and scatters."""
    return replace(
        real_one(striker, rng),
        t60_s=[p.t60_s * rng.uniform(0.8, 1.25) for p in striker.partials],
        latency_ms=striker.latency_ms + rng.uniform(-3, 3),
        jitter_ms=0.4,
    )


def recorded(
    plan: Plan,
    machine: sm.Striker,
    response: Wave,
    rng: np.random.Generator,
    noise: Callable[[Wave], Wave],
) -> tuple[Capture, Wave]:
    """The recording, and when its strokes fall in it; `noise` is made for the strokes' sound."""
    recorder = sm.Recorder(
        RATE,
        rng.uniform(0.3, 5.0),
        rng.uniform(-100, 100),
        -200.0,
        seed=int(rng.integers(0, 1_000_000)),
    )
    dry = sm.record([machine], plan, recorder).astype(np.float64)
    # Force differs from stroke to stroke: by 1 dB, with a slow drift.
    times_s = recorder.offset_s + (1 + recorder.skew_ppm * 1e-6) * np.array(
        [s.at_s + machine.latency_ms / 1000 for s in plan.strikes]
    )
    force = 10 ** (rng.normal(0, 1.0, len(times_s)) / 20)
    dry *= np.interp(np.arange(len(dry)) / RATE, times_s - 0.1, force)
    wet = signal.oaconvolve(dry, response)[: len(dry) + RATE]
    sound = wet + noise(wet)
    sound *= 0.5 / np.abs(sound).max()
    return Capture(sound.astype(np.float32), RATE, np.zeros(0)), times_s


def _loudness(wet: Wave, times_s: Wave) -> float:
    """Median root mean square of the first 50 ms of the strokes."""
    first = [wet[round(t * RATE) : round((t + 0.05) * RATE)] for t in times_s]
    return float(np.median([np.sqrt(np.mean(part**2)) for part in first]))


def peers(capture: Capture, times_s: Wave) -> dict[str, float]:
    """Delays by common methods, given when the strokes fell."""
    sound = capture.samples.astype(np.float64)
    length = round(2.0 * RATE)
    clips = np.stack([sound[round((t - 0.002) * RATE) :][:length] for t in times_s[:-1]])
    mean = clips.mean(axis=0)
    size = 2 * length
    power = np.abs(np.fft.rfft(mean, size)) ** 2
    first, last = round(0.02 * RATE), round(1.9 * RATE)
    own = np.fft.irfft(power)[first:last]
    cepstrum = np.fft.irfft(np.log(power + 1e-6 * power.max()))[first:last]
    return {
        "autocorrelation": (first + int(np.argmax(own))) / RATE,
        "cepstrum": (first + int(np.argmax(cepstrum))) / RATE,
    }


def one(
    row: str,
    seed: int,
    strokes: int,
    walls_m: Sequence[float],
    losses_db: Sequence[float],
    noise_db: float | None,
    birds: Sequence[Path],
    bird_db: float | None,
    beside_peers: bool = True,
) -> Heard:
    """A place with walls: `noise_db` re the first wall's echo, or the stroke in the open."""
    rng = np.random.default_rng([seed, sum(map(ord, row))])
    palette = load_palette("fettle")
    striker = palette.striker_named(KINDS[seed % len(KINDS)])
    assert striker is not None
    air_c = float(rng.uniform(0, 25))
    microphone_m = float(rng.uniform(0.3, 1.0))
    plan = ask_plan(palette, striker, strokes).plan
    machine = a_striker(striker, rng)
    if walls_m:
        response, truth_s = wall_response(walls_m, losses_db, air_c, microphone_m)
        at = (
            round((truth_s[0] + microphone_m / speed(air_c)) * RATE)
            + pra.constants.get("frac_delay_length") // 2
        )
        echo = float(
            np.sqrt(np.sum(response[at - 200 : at + 200] ** 2) / np.sum(response[: at - 200] ** 2))
        )
    else:
        response, truth_s, echo = np.ones(1), (), 1.0

    def noise(wet: Wave) -> Wave:
        loud = echo * _loudness(wet, times[0])
        out = np.zeros(len(wet))
        if noise_db is not None:
            out += loud * 10 ** (noise_db / 20) * wind(rng, len(wet))
        if bird_db is not None:
            out += loud * 10 ** (bird_db / 20) * background(rng, len(wet), birds)
        return out

    times = [np.zeros(0)]

    def kept(wet: Wave) -> Wave:
        lead = np.argmax(np.abs(wet) > 0.02 * np.abs(wet).max()) / RATE
        start = np.array([s.at_s for s in plan.strikes]) - plan.strikes[0].at_s
        times[0] = lead + start
        return noise(wet)

    capture, times_s = recorded(plan, machine, response, rng, kept)
    answer = ask_place(capture, plan, palette, Air(air_c, HUMIDITY, 1.0), microphone_m)
    delay = (pra.constants.get("frac_delay_length") // 2) / RATE if walls_m else 0.0
    others = peers(capture, times_s + delay) if beside_peers else {}
    return Heard(truth_s, answer.report, others, echo)


def found(heard: Heard) -> list[float]:
    """For each true delay the error of the nearest echo that was heard; `inf` where none."""
    errors = []
    for true_s in heard.truth_s:
        apart = [abs(e.delay_s - true_s) for e in heard.report.echoes]
        errors.append(min(apart, default=math.inf))
    return errors


def row_delay(cases: int, seed: int, birds: Sequence[Path]) -> dict[str, object]:
    """Walls at 10 to 300 m, the echo 10 dB over the noise that 16 strokes leave."""
    errors, metres, costs, own = [], [], [], {"autocorrelation": 0, "cepstrum": 0}
    for case in range(cases):
        rng = np.random.default_rng([seed, case])
        wall_m = float(np.exp(rng.uniform(math.log(10), math.log(300))))
        heard = one("delay", seed + case, 16, [wall_m], [rng.uniform(0.5, 6)], 2.0, birds, None)
        error = found(heard)[0]
        if error > HIT_S:
            places = [(e.delay_s, e.level_db) for e in heard.report.echoes]
            say(f"  case {case}: wall at {wall_m:.0f} m, {heard.truth_s}: {places}")
        errors.append(error)
        for name, delay_s in heard.peers_s.items():
            own[name] += abs(delay_s - heard.truth_s[0]) < HIT_S
        near = min(
            heard.report.echoes, key=lambda e: abs(e.delay_s - heard.truth_s[0]), default=None
        )
        metres.append(abs(near.distance_m - wall_m) if near and error < HIT_S else math.inf)
        costs.append(0.2 + wall_m / 100 * heard.report.place.kelvin_costs_m)
    within = sum(m <= c for m, c in zip(metres, costs, strict=True))
    return {
        "row": "delay of a wall at 10 to 300 m, 10 dB over noise after 16 strokes",
        "cases": cases,
        "within_0.5_ms": sum(e <= HIT_S for e in errors) / cases,
        "worst_ms": round(1000 * max(e for e in errors if e < math.inf), 3),
        "median_ms": round(1000 * float(np.median(errors)), 4),
        "distance_within": within / cases,
        **{f"{name}_within_0.5_ms": count / cases for name, count in own.items()},
    }


def row_faint(cases: int, seed: int, birds: Sequence[Path]) -> dict[str, object]:
    """An echo 6 dB under the noise of a single stroke, 32 strokes."""
    hits, false, own = 0, 0, {"autocorrelation": 0, "cepstrum": 0}
    for case in range(cases):
        rng = np.random.default_rng([seed, case, 2])
        wall_m = float(np.exp(rng.uniform(math.log(10), math.log(290))))
        heard = one("faint", seed + case, 32, [wall_m], [rng.uniform(0.5, 6)], 6.0, birds, None)
        hit = found(heard)[0] <= HIT_S
        hits += hit
        if not hit:
            say(f"  case {case}: missed the wall at {wall_m:.0f} m; seed {seed}")
        false += len(heard.report.echoes) > 1
        for name, delay_s in heard.peers_s.items():
            own[name] += abs(delay_s - heard.truth_s[0]) < HIT_S
    return {
        "row": "echo 6 dB under the noise of a single stroke, 32 strokes",
        "cases": cases,
        "found": hits / cases,
        "with_others_beside": false / cases,
        **{f"{name}_found": count / cases for name, count in own.items()},
    }


def row_field(cases: int, seed: int, birds: Sequence[Path]) -> dict[str, object]:
    """An open field with birds and wind: nothing comes back. Every other two have real birds."""
    refused, false, by_kind = 0, 0, {"scenes": [0, 0], "real": [0, 0]}
    for case in range(cases):
        rng = np.random.default_rng([seed, case, 3])
        strokes = (16, 32)[case % 2]
        songs = birds if case % 4 >= 2 else ()
        noise_db, bird_db = rng.uniform(-40, -6), rng.uniform(-30, 0)
        try:
            heard = one("field", seed + case, strokes, [], [], noise_db, songs, bird_db, False)
        except UserError as fault:
            refused += 1
            say(f"  case {case}: noise {noise_db:.0f} birds {bird_db:.0f} dB: {fault}")
            continue
        count = by_kind["real" if songs else "scenes"]
        count[1] += 1
        if heard.report.echoes:
            false += 1
            count[0] += 1
            places = [(e.delay_s, e.level_db, e.confidence) for e in heard.report.echoes]
            say(f"  case {case}: noise {noise_db:.0f} birds {bird_db:.0f} dB: {places}")
        if case % 10 == 9:
            say(f"  {case + 1} places, {false} with a false echo")
    return {
        "row": "open field with birds and wind",
        "cases": cases,
        "false": false / cases,
        "refused": refused / cases,
        **{f"of_{kind}_birds": f"{few} of {of}" for kind, (few, of) in by_kind.items()},
    }


def row_two(cases: int, seed: int, birds: Sequence[Path]) -> dict[str, object]:
    """Two walls 15 ms apart, the first echo 10 dB over what 16 strokes leave."""
    both = 0
    for case in range(cases):
        rng = np.random.default_rng([seed, case, 4])
        first_m = float(np.exp(rng.uniform(math.log(10), math.log(250))))
        walls_m = [first_m, first_m + 0.0075 * 340.0]
        heard = one("two", seed + case, 16, walls_m, list(rng.uniform(0.5, 3, 2)), 2.0, birds, None)
        both += max(found(heard)) <= HIT_S
    return {"row": "two walls 15 ms apart", "cases": cases, "both": both / cases}


def _faint_wind(rng: np.random.Generator, wet: Wave) -> Wave:
    """Wind 75 dB below the loudest moment."""
    return 10 ** (-75 / 20) * float(np.abs(wet).max()) * wind(rng, len(wet))


def _octaves_s(response: Wave) -> dict[float, float]:
    """T20 of a response in octaves, by the simulator's own filters and its own tool."""
    bank = pra.OctaveBandsFactory(base_frequency=125.0, fs=RATE, n_fft=4096)
    parts = bank.analysis(response)
    return {
        float(hz): float(pra.experimental.measure_rt60(part.copy(), fs=RATE, decay_db=20))
        for hz, part in zip(bank.centers, parts.T, strict=True)
    }


def row_room(cases: int, seed: int, birds: Sequence[Path]) -> dict[str, object]:
    """T20 of rooms against the decay of the simulator's own response, above 150 Hz.

    Strikers have nothing below that; an image source's response has much there, and its own T20.
    """
    errors, told = [], 0
    in_octaves: list[float] = []
    palette = load_palette("fettle")
    for case in range(cases):
        rng = np.random.default_rng([seed, case, 5])
        striker = palette.striker_named(KINDS[case % len(KINDS)])
        assert striker is not None
        size = rng.uniform([5, 4, 2.5], [14, 11, 6])
        wanted_s = rng.uniform(0.4, 1.8)
        absorbed, order = pra.inverse_sabine(wanted_s, size)
        room = pra.ShoeBox(
            size, fs=RATE, materials=pra.Material(absorbed), max_order=min(order, 60)
        )
        room.add_source(size * rng.uniform(0.25, 0.45, 3))
        room.add_microphone(size * rng.uniform(0.55, 0.8, 3))
        room.compute_rir()
        response = np.asarray(room.rir[0][0])
        above = signal.sosfilt(signal.butter(3, 150.0, "high", fs=RATE, output="sos"), response)
        true_s = float(pra.experimental.measure_rt60(above, fs=RATE, decay_db=20))
        plan = ask_plan(palette, striker, 16).plan
        capture, _ = recorded(
            plan, a_striker(striker, rng), response / np.abs(response).max(), rng,
            partial(_faint_wind, rng),
        )  # fmt: skip
        report = ask_place(capture, plan, palette, Air(20.0, 50.0)).report
        t20 = report.place.t20_s
        told += t20 is not None
        say(f"  {striker.name}: true {true_s:.3f} s, ours {t20}, {report.place.reverberation}")
        if t20 is not None:
            errors.append(t20 / true_s - 1)
        true_by_hz = _octaves_s(response)
        in_octaves += [one.t20_s / true_by_hz[one.octave_hz] - 1 for one in report.place.octaves]
    return {
        "row": "T20 of rooms against the simulator's own decay",
        "cases": cases,
        "told": told / cases,
        "within_5_percent": sum(abs(e) <= 0.05 for e in errors) / cases,
        "worst_percent": round(100 * max(map(abs, errors), default=math.inf), 2),
        "octaves_told": len(in_octaves),
        "octaves_within_10_percent": sum(abs(e) <= 0.1 for e in in_octaves)
        / max(len(in_octaves), 1),
        "octaves_median_percent": round(100 * float(np.median(np.abs(in_octaves or [np.inf]))), 2),
    }


ROWS = {
    "delay": row_delay,
    "faint": row_faint,
    "field": row_field,
    "two": row_two,
    "room": row_room,
    **LIVE_ROWS,
}


@click.command(help=__doc__, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--row", "rows", multiple=True, type=click.Choice(list(ROWS)))
@click.option("--cases", type=click.IntRange(1), default=9, show_default=True)
@click.option("--seed", type=click.IntRange(0), default=100, show_default=True)
@click.option(
    "--birds",
    type=click.Path(path_type=Path, exists=True),
    multiple=True,
    help="Recordings of birds, beside those of our scenes; may be given again.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a row.")
def main(
    rows: tuple[str, ...], cases: int, seed: int, birds: tuple[Path, ...], as_json: bool
) -> None:
    songs = sorted(path for folder in birds for path in folder.rglob("*") if path.suffix in SOUND)
    for name in rows or tuple(ROWS):
        result = ROWS[name](cases, seed, songs)
        if as_json:
            emit(msgspec.to_builtins(result))
        else:
            say("; ".join(f"{key} {value}" for key, value in result.items()))


if __name__ == "__main__":
    main()
