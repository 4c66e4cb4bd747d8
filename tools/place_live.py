"""A place's echo while the machine plays: joined, followed through a morning, and not answered.

Rows of tools/bench_place.py. The sound of every stroke is that of tools/strike_machine.py, at
the moment that the simulated board's own log says its coil went on, after a latency of its own;
the echo is an exact copy, later by what pyroomacoustics takes as the speed of sound by then.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyroomacoustics as pra
import strike_machine as sm
from scipy import fft, signal

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from live_helpers import Scripted
from live_judge import Truth, found_of, judge
from live_loop import Feedback, Loop, loop_of

from callresp.commands.ui import say
from callresp.io.score import Note
from callresp.link.simulator import POWERED_FOR_S
from callresp.listen.online import Listener
from callresp.live.actions import Action, Record, Release, Send
from callresp.live.echo_following import EchoFollower
from callresp.live.engine import Clocks, LiveEngine, LiveSettings
from callresp.live.links import SimulatedLink
from callresp.live.recent_sound import RecentSound
from callresp.live.self_masking import Acoustics, Return
from callresp.live.sources import Block
from callresp.palette.files import load_palette
from callresp.palette.model import Striker
from callresp.plan.model import Plan, PlanHeader, Strike
from callresp.reply.echoes import KnownEcho
from callresp.reply.rules import load_rules
from callresp.scene.recipe import load_recipe, vary

Wave = npt.NDArray[np.float64]

# As fast as is worked at; that other rates do as well is for the tests.
RATE = 24000
HUMIDITY = 60.0
MICROPHONE_M = 0.6
# A block of sound is here so much later than it sounded.
BLOCK = 480
LATE_S = BLOCK / RATE
# The closed loop's, 40 ms at its own rate.
LOOP_BLOCK = 1920
DAWN = datetime(2026, 5, 12, 4, 30)
HOUR_S = 3600.0
# Of sound that the follower looks at: more than a stroke and its return.
KEPT_S = 10.0
FADE_S = 0.6
# Echo and machine as they were when the place was asked: measured a moment before.
ASKED_WITHIN_S = 0.0001


def speed(air_c: float) -> float:
    """What pyroomacoustics takes as the speed of sound."""
    return float(pra.parameters.Physics(air_c, HUMIDITY).get_sound_speed())


def delay_of(wall_m: float, air_c: float) -> float:
    """Of a wall's echo behind the direct sound."""
    return (math.hypot(2 * wall_m, MICROPHONE_M) - MICROPHONE_M) / speed(air_c)


def echo_db(wall_m: float) -> float:
    """Of a wall's echo against the direct sound: by the inverse distance law, and a good wall."""
    return -20 * math.log10(2 * wall_m / MICROPHONE_M) - 1.5


def by_the_wall(wave: Wave, wall_m: float, air_c: float) -> Wave:
    """A sound at the microphone, and its echo, an exact copy later by no whole sample."""
    exact = delay_of(wall_m, air_c) * RATE
    size = fft.next_fast_len(len(wave) + math.ceil(exact) + 64, real=True)
    turn = np.exp(-2j * np.pi * exact * np.arange(size // 2 + 1) / size)
    later = fft.irfft(fft.rfft(wave, size) * turn, size)
    later *= 10 ** (echo_db(wall_m) / 20)
    later[: len(wave)] += wave
    return np.asarray(later)


def real_one(striker: Striker, rng: np.random.Generator) -> sm.Striker:
    """A striker as it is: not quite as its palette says."""
    each = rng.normal(1.0, 0.01, len(striker.partials))
    return sm.Striker(
        striker.name,
        striker.coil.channel,
        [p.ratio * striker.reference_hz * e for p, e in zip(striker.partials, each, strict=True)],
        [p.level_db + rng.normal(0, 2) for p in striker.partials],
        [p.t60_s for p in striker.partials],
        speaks_ms=3.0,
        contact_db=-15.0,
        latency_ms=0.0,
        jitter_ms=0.0,
    )


def one_stroke(machine: sm.Striker, pulse_ms: float, since: float, seed: int) -> Wave:
    """Sound of one stroke, `since` of a sample after the first one."""
    strike = Strike(at_s=0.0, channel=machine.channel, pulse_ms=pulse_ms, instrument=machine.name)
    plan = Plan(header=PlanHeader(palette="bench"), commands=(strike,))
    recorder = sm.Recorder(RATE, since / RATE, 0.0, -300.0, seed=seed)
    wave = sm.record([machine], plan, recorder).astype(np.float64)
    # Where the recorder stops a bell would break off, with a click like an echo's.
    fade = round(FADE_S * RATE)
    wave[-fade:] *= 0.5 + 0.5 * np.cos(np.linspace(0, np.pi, fade))
    return wave


class Microphone:
    """Hears strokes by way of the wall, over wind."""

    def __init__(
        self, wall_m: float, air_c: Callable[[float], float], seconds: float, seed: int
    ) -> None:
        self._wall_m, self._air_c = wall_m, air_c
        self._seed = seed
        self.sound = np.zeros(round((seconds + 8.0) * RATE), np.float32)
        self._loud = 0.0

    def struck(self, machine: sm.Striker, pulse_ms: float, sounds_s: float) -> None:
        """A stroke falls at `sounds_s`."""
        self._seed += 1
        air_c = self._air_c(sounds_s)
        exact = (sounds_s + LATE_S + MICROPHONE_M / speed(air_c)) * RATE
        first = math.floor(exact)
        wave = one_stroke(machine, pulse_ms, exact - first, self._seed)
        wet = by_the_wall(wave, self._wall_m, air_c)
        skipped = max(-first, 0)
        part = wet[skipped : max(len(self.sound) - first, 0)]
        self.sound[first + skipped : first + skipped + len(part)] += part.astype(np.float32)


def loudness(machine: sm.Striker, pulse_ms: float) -> float:
    """Root mean square of the first 50 ms of a stroke."""
    wave = one_stroke(machine, pulse_ms, 0.0, 1)
    return float(np.sqrt(np.mean(wave[: round(0.05 * RATE)] ** 2)))


# The air of a morning


@dataclass
class Followed:
    """How far the followed delay was off through a morning, minute by minute."""

    worst_ms: float
    median_ms: float
    unfollowed_ms: float


def morning_c(at_s: float, hours: float) -> float:
    """5 °C at the start, 25 °C at the end, quickest in between."""
    return 15.0 - 10.0 * math.cos(math.pi * min(max(at_s / HOUR_S / hours, 0.0), 1.0))


def _still(air_c: float, at_s: float) -> float:
    """Air that is the same for a moment."""
    return air_c


def followed(wall_m: float, under_db: float, hours: float, every_s: float, seed: int) -> Followed:
    """Follow a wall whose echo lies so far under the noise of a stroke, through a morning."""
    rng = np.random.default_rng([seed, round(wall_m), 7])
    palette = load_palette("fettle")
    striker = palette.striker[seed % len(palette.striker)]
    machine = real_one(striker, rng)
    pulse_ms = striker.force[-1].pulse_ms
    noise = loudness(machine, pulse_ms) * 10 ** ((echo_db(wall_m) + under_db) / 20)
    follower = EchoFollower(RecentSound(RATE, KEPT_S), delay_of(wall_m, morning_c(0.0, hours)))
    length_s = delay_of(wall_m, 5.0) + 1.5
    errors, at_s = [], 5.0
    unfollowed = 0.0
    tilt = signal.butter(1, 1000.0, fs=RATE, output="sos")
    while at_s < hours * HOUR_S:
        latency_s = (striker.latency_ms + rng.normal(0, 0.4)) / 1000
        air = partial(_still, morning_c(at_s, hours))
        passage = Microphone(wall_m, air, length_s - 8.0 + 1.0, 1)
        passage.struck(machine, pulse_ms, 0.6 + latency_s)
        wind = signal.sosfilt(tilt, rng.standard_normal(len(passage.sound)))
        sound = passage.sound + noise / np.std(wind) * wind
        follower.struck(at_s + 0.6 + striker.latency_ms / 1000)
        follower.sound.feed(sound.astype(np.float32), at_s)
        follower.look()
        gap_s = max(rng.exponential(every_s), length_s + 1.0)
        for minute in np.arange(at_s, min(at_s + gap_s, hours * HOUR_S), 30.0):
            if minute > at_s + length_s + 1.0:
                follower.sound.feed(np.zeros(8, np.float32), float(minute))
                follower.look()
            true_s = delay_of(wall_m, morning_c(float(minute), hours))
            errors.append(1000 * abs(follower.delay_s - true_s))
            unfollowed = max(unfollowed, 1000 * abs(delay_of(wall_m, 5.0) - true_s))
        at_s += gap_s
    return Followed(max(errors), float(np.median(errors)), unfollowed)


def row_air(cases: int, seed: int, birds: Sequence[Path]) -> dict[str, object]:
    """Air from 5 to 25 °C in four hours, a stroke every two minutes, walls near and far."""
    told: dict[str, object] = {"row": "air from 5 to 25 °C over a morning, followed"}
    for wall_m in (30.0, 100.0, 250.0, 300.0):
        for under_db in (0.0, 6.0):
            runs = [followed(wall_m, under_db, 4.0, 120.0, seed + n) for n in range(cases)]
            name = f"{wall_m:g}_m_{under_db:g}_db_under"
            told[f"{name}_worst_ms"] = round(max(run.worst_ms for run in runs), 2)
            told[f"{name}_median_ms"] = round(float(np.median([r.median_ms for r in runs])), 2)
        told[f"{wall_m:g}_m_unfollowed_ms"] = round(runs[0].unfollowed_ms, 1)
    return told


# Joining, with the board in the loop


def calls(rng: np.random.Generator, seconds: float) -> list[Note]:
    """What birds sing: one or a few notes, every so often."""
    notes: list[Note] = []
    at_s = 5.0
    while at_s < seconds - 15:
        for _ in range(int(rng.integers(1, 4))):
            hz, length_s = float(rng.uniform(1200, 5000)), float(rng.uniform(0.05, 0.2))
            notes.append(
                Note(
                    id=len(notes) + 1, onset_s=at_s, offset_s=at_s + length_s, pitch_hz=hz,
                    level_db=-30.0, voice="A", low_hz=hz - 50, high_hz=hz + 50,
                )
            )  # fmt: skip
            at_s += length_s + float(rng.uniform(0.1, 0.3))
        at_s += float(rng.uniform(8.0, 20.0))
    return notes


@dataclass
class _Played:
    """A stroke, and when it sounds at the striker."""

    sounds_s: float
    name: str


class _Morning:
    """One machine before one wall, its board, and what the microphone hears of it."""

    def __init__(self, wall_m: float, minutes: float, warms_c: float, seed: int) -> None:
        self.rng = np.random.default_rng([seed, 11])
        self.seconds = 60 * minutes
        self.palette = load_palette("fettle")
        self.machines = {s.coil.channel: real_one(s, self.rng) for s in self.palette.striker}
        self.late_ms = {
            s.coil.channel: s.latency_ms + self.rng.uniform(-1, 1) for s in self.palette.striker
        }
        self.start_c, self.warms_c = float(self.rng.uniform(3, 12)), warms_c
        self.wall_m = wall_m
        self.microphone = Microphone(wall_m, self.air, self.seconds, seed)
        oak = next(s for s in self.palette.striker if s.name == "oak block")
        level_db = echo_db(wall_m)
        # The wind is as loud as the echo of a hard stroke on wood.
        self.noise = loudness(self.machines[oak.coil.channel], oak.force[-1].pulse_ms)
        self.noise *= 10 ** (level_db / 20)
        asked_s = self.delay_s(0.0) + float(self.rng.normal(0, ASKED_WITHIN_S))
        self.known = KnownEcho(asked_s, level_db)
        clocks = Clocks(lambda: DAWN + timedelta(seconds=self.now_s), lambda: self.now_s)
        settings = LiveSettings(
            acoustics=Acoustics(returns=(Return(asked_s, level_db),)),
            echo=self.known,
            needs_link=True,
        )
        self.now_s = 0.0
        callers = Scripted(calls(self.rng, self.seconds), RATE, began_s=0.015)
        self.engine = LiveEngine(
            self.palette, load_rules("canyon"), callers, RATE, clocks, settings
        )
        drift_ppm = float(self.rng.uniform(-60, 60))
        self.board_rate = 1 + drift_ppm * 1e-6
        self.link = SimulatedLink(self.palette, drift_ppm=drift_ppm)
        self.played: list[_Played] = []
        self.joins: list[tuple[float, str]] = []
        self._seen = 0

    def air(self, at_s: float) -> float:
        """Its temperature."""
        return self.start_c + self.warms_c * at_s / HOUR_S

    def delay_s(self, at_s: float) -> float:
        """Of the wall's return by then."""
        return delay_of(self.wall_m, self.air(at_s))

    def run(self, block: int = BLOCK) -> None:
        """Run the whole of it."""
        tilt = signal.butter(1, 1000.0, fs=RATE, output="sos")
        # A minute of wind, over and over: nothing here hears it that would know it again.
        wind = signal.sosfilt(tilt, self.rng.standard_normal(60 * RATE))
        wind *= self.noise / float(np.std(wind))
        for first in range(0, round(self.seconds * RATE), block):
            sound = self.microphone.sound[first : first + block]
            sound = sound + wind[first % len(wind) :][:block]
            self.now_s = (first + block) / RATE
            self._perform(self.engine.feed(Block(sound.astype(np.float32), first / RATE)))
            self.link.advance(self.engine.now_s)
            self._sounds()
            self._perform(self.engine.link_update(self.link.take_update()))

    def _sounds(self) -> None:
        """What the board's log says that it has switched on since it was last read."""
        log = self.link.board.log
        for row in log[self._seen :]:
            if row.did != "on" or row.output != "coil" or row.channel not in self.machines:
                continue
            on_s = (row.board_s - POWERED_FOR_S) / self.board_rate
            spread = self.rng.normal(0, self.palette.striker[0].latency_spread_ms)
            sounds_s = on_s + (self.late_ms[row.channel] + spread) / 1000
            machine = self.machines[row.channel]
            self.played.append(_Played(sounds_s, machine.name))
            self.microphone.struck(machine, self.palette_pulse(row.channel), sounds_s)
        self._seen = len(log)

    def palette_pulse(self, channel: int) -> float:
        """A pulse in the middle of a striker's range."""
        striker = next(s for s in self.palette.striker if s.coil.channel == channel)
        return striker.force[len(striker.force) // 2].pulse_ms

    def _perform(self, actions: list[Action]) -> None:
        for action in actions:
            if isinstance(action, Send):
                self.link.send(action.checked)
            elif isinstance(action, Release):
                self.link.release()
            elif isinstance(action, Record) and action.kind == "reply":
                for note in action.body["notes"]:  # type: ignore[index]
                    if "joins its echo" in note.why:
                        self.joins.append((note.onset_s, note.instrument))

    def joined(self) -> list[float]:
        """How far each stroke that joins lies from the echo of one before it; `inf` if unplayed."""
        errors = []
        for at_s, name in self.joins:
            own = [p for p in self.played if p.name == name]
            stroke = min(own, key=lambda p: abs(p.sounds_s - at_s), default=None)
            if stroke is None or abs(stroke.sounds_s - at_s) > 0.04:
                errors.append(math.inf)
                continue
            echoes = (p.sounds_s + self.delay_s(p.sounds_s) for p in own if p is not stroke)
            errors.append(min((abs(stroke.sounds_s - e) for e in echoes), default=math.inf))
        return errors


def row_join(cases: int, seed: int, birds: Sequence[Path]) -> dict[str, object]:
    """Joined strokes against the echo at the microphone, ten minutes a wall, board in the loop."""
    errors: list[float] = []
    for case in range(cases):
        rng = np.random.default_rng([seed, case, 12])
        wall_m = float(rng.uniform(40, 250))
        run = _Morning(wall_m, 10.0, 5.0, seed + case)
        run.run()
        errors += run.joined()
    sizes = 1000 * np.array(errors)
    played = sizes[np.isfinite(sizes)]
    return {
        "row": "joined stroke against echo at the microphone, board in the loop",
        "cases": cases,
        "joined_strokes": len(played),
        "not_played": int(len(sizes) - len(played)),
        "median_ms": round(float(np.median(played)), 3),
        "p99_ms": round(float(np.quantile(played, 0.99)), 3),
        "worst_ms": round(float(played.max()), 3),
    }


# A closed loop before a wall


def _of_birds(loop: Loop) -> float:
    """F of the birds' notes, by onset and pitch, as live heard them."""
    truth = Truth(loop.truth)
    hits = len(found_of(truth, loop.heard))
    birds = sum(truth.bird(note) for note in loop.heard)
    recall, precision = hits / max(len(truth.notes), 1), birds / max(len(loop.heard), 1)
    return 2 * recall * precision / max(recall + precision, 1e-9)


PIECE_MIN = 10
FAR_WALL = (200.0 / speed(10.0), -30.0)
NEAR_WALL = (0.31, -20.0)


@dataclass(frozen=True)
class _Way:
    """What the machine stands before, and whether live knows of it."""

    way: Feedback
    known: bool = True


def _at_20_db(*walls: tuple[float, float], t60_s: float = 0.4, reverb_db: float = -8.0) -> Feedback:
    return Feedback(above_db=20.0, t60_s=t60_s, reverb_db=reverb_db, walls=walls)


ONE_WALL = {
    "no_wall": _Way(_at_20_db()),
    "wall_known": _Way(_at_20_db(FAR_WALL)),
    "wall_unknown": _Way(_at_20_db(FAR_WALL), known=False),
}
WALLS = {
    "no_wall": _Way(_at_20_db()),
    "two_walls": _Way(_at_20_db(NEAR_WALL, FAR_WALL)),
    "hall_without_walls": _Way(_at_20_db(t60_s=1.5, reverb_db=-3.0)),
    "hall_with_two_walls": _Way(_at_20_db(NEAR_WALL, FAR_WALL, t60_s=1.5, reverb_db=-3.0)),
}


def row_loop(cases: int, seed: int, birds: Sequence[Path]) -> dict[str, object]:
    """Closed loops of ten minutes before a wall at 100 m, its echo 30 dB down: six are an hour."""
    return _loops("closed loop, a wall at 100 m, -30 dB", ONE_WALL, cases, seed)


def row_walls(cases: int, seed: int, birds: Sequence[Path]) -> dict[str, object]:
    """The same before two walls, -20 and -30 dB, in the open and where it rings for 1.5 s."""
    return _loops("closed loop, walls of -20 and -30 dB", WALLS, cases, seed)


def _loops(row: str, ways: dict[str, _Way], cases: int, seed: int) -> dict[str, object]:
    palette, rules = load_palette("fettle"), load_rules("answer")
    told: dict[str, object] = {"row": row, "minutes": PIECE_MIN * cases}
    for name, one in ways.items():
        known = tuple(Return(*wall) for wall in one.way.walls if one.known)
        verdicts, of_birds = [], []
        for case in range(cases):
            recipe = vary(load_recipe("chorus"), seconds=60 * PIECE_MIN, seed=seed + case)
            loop = loop_of(recipe, palette, rules, Listener, way=one.way, places=known)
            loop.run(LOOP_BLOCK)
            found = judge(loop, palette, one.way, None)
            verdicts.append(found)
            of_birds.append(_of_birds(loop))
            say(
                f"  {name}, minute {PIECE_MIN * (case + 1)}: {found.replies} replies,"
                f" {found.to_itself} to itself, birds' F {of_birds[-1]:.3f}"
            )
        told[f"{name}_replies"] = sum(one.replies for one in verdicts)
        told[f"{name}_to_itself"] = sum(one.to_itself for one in verdicts)
        told[f"{name}_strokes"] = sum(one.strikes for one in verdicts)
        told[f"{name}_f_of_birds"] = round(float(np.mean(of_birds)), 4)
        told[f"{name}_of_true"] = round(float(np.mean([one.of_true for one in verdicts])), 4)
    return told


ROWS = {"air": row_air, "join": row_join, "loop": row_loop, "walls": row_walls}
