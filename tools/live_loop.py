"""A closed loop at a desk: a made scene, the live engine, and its own strikes fed back.

The rehearsal's sound of each stroke that the simulated board executes goes back
into the engine's input, `delay_s` late and with a reverberation of its own, so
that its loudest stroke lies `above_db` above the median note of the birds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from statistics import median

import msgspec
import numpy as np
import numpy.typing as npt
from scipy import signal

from callresp.io.score import Note
from callresp.live.actions import Action, CommandOutcome, Record, Release, Send
from callresp.live.clocked_listener import BlockListener
from callresp.live.engine import Clocks, LiveEngine, LiveSettings, StageTimes
from callresp.live.links import SimulatedLink
from callresp.live.loop_detector import LoopRule
from callresp.live.self_masking import Acoustics, Return
from callresp.live.sources import Block
from callresp.palette.model import Palette
from callresp.plan.model import Command, Hold, Plan, PlanHeader, Strike
from callresp.reply.echoes import KnownEcho
from callresp.reply.rules import RuleSet
from callresp.scene.recipe import Recipe, vary
from callresp.scene.render import PreparedScene
from callresp.synthesis.levels import ListeningPoint
from callresp.synthesis.mixing import PlanRenderer

Waves = npt.NDArray[np.float64]
DAWN = datetime(2026, 5, 12, 4, 30)
AHEAD_S = 12.0
BEFORE_S = 0.1
LEVEL_S = 0.1
NEAR = ListeningPoint(distance_m=1.0, air=False, travel=False)
MakeListener = Callable[[int], BlockListener]


@dataclass(frozen=True, slots=True)
class Feedback:
    """How the machine's sound comes back. `reverb_db` is the tail's energy re the direct sound.

    Each of `walls` gives it back once more: after seconds, and at a level (dB) re the direct sound.
    """

    above_db: float = 10.0
    delay_s: float = 0.03
    t60_s: float = 0.4
    reverb_db: float = -8.0
    walls: tuple[tuple[float, float], ...] = ()


class Echo:
    """What the microphone hears of the machine."""

    def __init__(self, palette: Palette, rate_hz: int, bird_db: float, way: Feedback) -> None:
        self._palette = palette
        self._rate_hz = rate_hz
        self._way = way
        self._ring = np.zeros(round(AHEAD_S * rate_hz))
        self._holds: list[Hold] = []
        self._done = 0
        self._tail = _tail(rate_hz, way)
        loudest_db = max(self._loudest_db(number) for number in range(len(palette.striker)))
        self._gain = 10 ** ((bird_db + way.above_db - loudest_db) / 20)

    def _loudest_db(self, number: int) -> float:
        striker = self._palette.striker[number]
        pulse_ms = striker.force[-1].pulse_ms
        strike = Strike(
            at_s=BEFORE_S, channel=striker.coil.channel, pulse_ms=pulse_ms, instrument=striker.name
        )
        start_s = BEFORE_S + striker.latency_ms / 1000
        wave = self._sound([*_lifted(striker.name, self._palette), strike], LEVEL_S + start_s)
        part = wave[round(start_s * self._rate_hz) :]
        return float(10 * np.log10(np.mean(np.square(part)) + 1e-20))

    def _sound(self, commands: list[Command], seconds: float) -> Waves:
        ordered = tuple(sorted(commands, key=lambda command: command.at_s))
        plan = Plan(header=PlanHeader(palette=self._palette.name), commands=ordered)
        machine = PlanRenderer(plan, self._palette, self._rate_hz, place=NEAR, seed=self._done)
        out = machine.next(round(seconds * self._rate_hz)).astype(np.float32)
        return out.astype(np.float64)

    def planned(self, commands: tuple[Command, ...]) -> None:
        """Take note of holds: a stroke rings as long as its damper is up."""
        self._holds = [h for h in self._holds if h.at_s > self._done / self._rate_hz - 30]
        self._holds += [command for command in commands if isinstance(command, Hold)]

    def released(self, at_s: float) -> None:
        """All coils were released: dampers lie on again."""
        begun = (h for h in self._holds if h.at_s < at_s)
        self._holds = [_held(h, h.at_s, min(h.hold_ms, 1000 * (at_s - h.at_s))) for h in begun]

    def played(self, outcome: CommandOutcome) -> None:
        """A command was executed: its sound is on its way."""
        command = outcome.command
        if outcome.played_s is None or isinstance(command, Hold):
            return
        first_s = command.at_s - BEFORE_S
        beside: list[Command] = [_at(command, BEFORE_S)]
        seconds = command.length_ms / 1000 + 1.0
        if isinstance(command, Strike):
            own = [h for h in self._holds if h.instrument == command.instrument]
            near = [h for h in own if h.at_s - 0.1 < command.at_s < h.at_s + h.hold_ms / 1000]
            held = []
            for h in near[-1:]:
                past_s = max(first_s - h.at_s, 0.0)
                held.append(_held(h, max(h.at_s - first_s, 0.0), h.hold_ms - 1000 * past_s))
            beside += held
            seconds = max((h.hold_ms / 1000 for h in held), default=0.2) + 1.0
        wave = self._gain * self._sound(beside, min(seconds, AHEAD_S - 2))
        wave = np.asarray(signal.fftconvolve(wave, self._tail))
        at_s = outcome.played_s - BEFORE_S + self._way.delay_s
        self._add(wave, at_s)
        for later_s, level_db in self._way.walls:
            self._add(10 ** (level_db / 20) * wave, at_s + later_s)

    def _add(self, wave: Waves, at_s: float) -> None:
        first = round(at_s * self._rate_hz)
        wave = wave[max(self._done - first, 0) :]
        first = max(first, self._done)
        wave = wave[: len(self._ring) - (first - self._done) - 1]
        places = np.arange(first, first + len(wave)) % len(self._ring)
        self._ring[places] += wave

    def take(self, count: int) -> Waves:
        """The next samples of the machine's sound."""
        places = np.arange(self._done, self._done + count) % len(self._ring)
        out = self._ring[places].copy()
        self._ring[places] = 0.0
        self._done += count
        return out


def _at(command: Command, at_s: float) -> Command:
    return msgspec.structs.replace(command, at_s=at_s)


def _held(hold: Hold, at_s: float, hold_ms: float) -> Hold:
    return msgspec.structs.replace(
        hold, at_s=at_s, hold_ms=hold_ms, pull_ms=min(hold.pull_ms, hold_ms)
    )


def _lifted(name: str, palette: Palette) -> list[Hold]:
    striker = palette.striker_named(name)
    if striker is None or striker.damper is None or striker.damper.rest == "off":
        return []
    damper = striker.damper
    return [
        Hold(
            at_s=0.0,
            channel=damper.coil.channel,
            hold_ms=2000,
            pull_ms=damper.pull_ms,
            hold_duty=damper.hold_duty,
            instrument=name,
        )
    ]


def _tail(rate_hz: int, way: Feedback) -> Waves:
    """The direct sound, then exponentially decaying noise (Schroeder 1962, Moorer 1979)."""
    time_s = np.arange(round(way.t60_s * rate_hz)) / rate_hz
    noise = np.random.default_rng(17).standard_normal(len(time_s)) * 10 ** (-3 * time_s / way.t60_s)
    noise *= np.sqrt(10 ** (way.reverb_db / 10) / np.sum(noise**2))
    noise[0] += 1.0
    return np.asarray(noise)


class Every(StageTimes):
    """Keeps all times of each stage."""

    def __init__(self) -> None:
        super().__init__()
        self.every: dict[str, list[float]] = {}

    def add(self, stage: str, seconds: float) -> None:
        """Take note of a time."""
        super().add(stage, seconds)
        self.every.setdefault(stage, []).append(seconds)


@dataclass
class Loop:
    """An engine in a closed loop, and all that came of it."""

    engine: LiveEngine
    link: SimulatedLink
    echo: Echo | None
    prepared: PreparedScene
    truth: list[Note] = field(default_factory=list)
    heard: list[Note] = field(default_factory=list)
    records: list[Record] = field(default_factory=list)
    executed: list[CommandOutcome] = field(default_factory=list)
    outcomes: dict[str, int] = field(default_factory=dict)

    def run(self, block: int = 480, progress: Callable[[float], None] | None = None) -> None:
        """Run the whole scene."""
        rate_hz = self.prepared.sample_rate_hz
        for samples, at_s in self._sound(block):
            self._perform(self.engine.feed(Block(samples, at_s)))
            self.link.advance(self.engine.now_s)
            update = self.link.take_update()
            for outcome in update.outcomes:
                self._met(outcome)
            self._perform(self.engine.link_update(update))
            if progress is not None:
                progress((at_s + block / rate_hz) / self.prepared.recipe.seconds)
        self._perform(self.engine.finish())

    def _sound(self, block: int) -> Iterator[tuple[npt.NDArray[np.float32], float]]:
        done = 0
        for samples in self.prepared.blocks(block, self.truth.append):
            mixed = samples
            if self.echo is not None:
                mixed = (samples + self.echo.take(len(samples))).astype(np.float32)
            yield mixed, done / self.prepared.sample_rate_hz
            done += len(samples)

    def _met(self, outcome: CommandOutcome) -> None:
        self.outcomes[outcome.outcome] = self.outcomes.get(outcome.outcome, 0) + 1
        if outcome.outcome != "executed":
            return
        self.executed.append(outcome)
        if self.echo is not None:
            self.echo.played(outcome)

    def _perform(self, actions: list[Action]) -> None:
        for action in actions:
            if isinstance(action, Send):
                self.link.send(action.checked)
                if self.echo is not None:
                    self.echo.planned(action.checked.plan.commands)
            elif isinstance(action, Release):
                self.link.release()
                if self.echo is not None:
                    self.echo.released(self.engine.now_s)
            elif isinstance(action, Record):
                self.records.append(action)
                if action.kind == "phrase":
                    self.heard += action.body.notes  # type: ignore[attr-defined]

    @property
    def strikes(self) -> list[CommandOutcome]:
        """Strokes that were executed."""
        return [outcome for outcome in self.executed if isinstance(outcome.command, Strike)]

    @property
    def late_s(self) -> list[float]:
        """First coil of each reply, beyond the rule's own delay."""
        latency = self.engine.latency
        return latency.every.get("answer", []) if isinstance(latency, Every) else []

    def bodies(self, kind: str) -> list[object]:
        """Bodies of the rows of a kind."""
        return [record.body for record in self.records if record.kind == kind]


def loop_of(
    recipe: Recipe,
    palette: Palette,
    rules: RuleSet,
    make: MakeListener,
    *,
    way: Feedback | None,
    masks: bool = True,
    places: tuple[Return, ...] = (),
) -> Loop:
    """A closed loop; `way` `None` leaves the machine unheard, `masks` False is the naive peer.

    `places` is what the engine knows of the walls, the loudest first.
    """
    prepared = PreparedScene(recipe)
    rate_hz = prepared.sample_rate_hz
    now: list[LiveEngine] = []

    def passed_s() -> float:
        return now[0].now_s if now else 0.0

    clocks = Clocks(lambda: DAWN + timedelta(seconds=passed_s()), passed_s)
    settings = LiveSettings(
        acoustics=Acoustics(t60_s=(way or Feedback()).t60_s, returns=places),
        echo=KnownEcho(places[0].delay_s, places[0].level_db) if places else None,
        needs_link=True,
        masks=masks,
        loops=LoopRule() if masks else None,
    )
    engine = LiveEngine(palette, rules, make(rate_hz), rate_hz, clocks, settings)
    now.append(engine)
    link = SimulatedLink(palette)
    echo = None if way is None else Echo(palette, rate_hz, bird_level_db(recipe), way)
    engine.latency = Every()
    return Loop(engine, link, echo, prepared)


def bird_level_db(recipe: Recipe) -> float:
    """Median level of the notes of the first half minute."""
    notes: list[Note] = []
    for _ in PreparedScene(vary(recipe, seconds=min(recipe.seconds, 30.0))).blocks(
        hear=notes.append
    ):
        pass
    return median(note.level_db for note in notes)
