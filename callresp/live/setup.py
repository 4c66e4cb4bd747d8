"""A live session made ready: from what a user names to a runner.

Conventions
-----------
- Sound that is not live (a file at another pace than its own) is answered on the
  engine's clock: a simulated board then runs in engine time too, and there is
  no other machine that could follow.
- The first row of a log says what the day was run with.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from callresp.errors import UserError
from callresp.link.port import Clock
from callresp.link.simulator import simulated_board
from callresp.listen.profile import Profile
from callresp.live.actions import Record
from callresp.live.clocked_listener import BlockListener
from callresp.live.engine import Clocks, LiveEngine, LiveSettings
from callresp.live.links import EngineOrigin, Link, NullLink, PortLink, SimulatedLink
from callresp.live.log_thread import LogThread, SnippetFolder
from callresp.live.midi_link import MidiLink
from callresp.live.runner import Hooks, Runner
from callresp.live.sources import PipeSource, SoundCard, SoundInput, open_source
from callresp.palette.files import fingerprint
from callresp.palette.model import Palette
from callresp.reply.rules import RuleSet

SIMULATED = "simulated"


@dataclass(frozen=True, slots=True)
class Destinations:
    """Where strikes go, and what is kept: a port, or a MIDI output, or neither; a log; snippets."""

    port: str | None = None
    midi: str | None = None
    log: Path | None = None
    snippets: Path | None = None
    snippets_max_bytes: int = 2_000_000_000
    min_free_bytes: int = 500_000_000

    def __post_init__(self) -> None:
        if self.port is not None and self.midi is not None:
            raise UserError("a port and a MIDI output at once", remedy="give one of the two")


@dataclass(slots=True)
class _Clocks:
    """The session's clocks; a file's time of day is that of its recording."""

    sound: SoundInput
    clock: Clock = field(init=False)
    start: datetime = field(init=False)
    engine: LiveEngine | None = None

    def __post_init__(self) -> None:
        self.clock = Clock(1.0 if self.sound.speed <= 0 else self.sound.speed)
        self.start = self.sound.start or datetime.now().astimezone()

    def wall(self) -> datetime:
        """The time of day."""
        if not self.sound.is_file:
            return datetime.now().astimezone()
        return self.start + timedelta(seconds=self.steady_s())

    def steady_s(self) -> float:
        """A clock that nobody sets."""
        if not self.sound.is_file:
            return self.clock.now_s()
        return 0.0 if self.engine is None else self.engine.now_s


@contextlib.contextmanager
def _link(
    where: Destinations, palette: Palette, origin: EngineOrigin, time: _Clocks
) -> Iterator[tuple[Link, str | None]]:
    """The link, and the port by which another terminal may stop it."""
    if where.midi is not None:
        from callresp.midi.ports import open_port as open_midi

        yield MidiLink(palette, open_midi(where.midi), origin, time.clock), None
    elif where.port is None:
        yield NullLink(), None
    elif where.port != SIMULATED:
        yield PortLink(where.port, origin, time.clock), where.port
    elif time.sound.in_engine_time:
        yield SimulatedLink(palette), SIMULATED
    else:
        with simulated_board(palette) as url:
            yield PortLink(url, origin, time.clock), url


def listener_of(sample_rate_hz: int, profile: Profile) -> BlockListener:
    """An online listener."""
    from callresp.listen.online import Listener

    return Listener(sample_rate_hz, profile)


def _warm(listener: BlockListener, rate_hz: int) -> None:
    """Hear some made-up calls: compiled loops are loaded now, not while birds wait."""
    time_s = np.arange(2 * rate_hz) / rate_hz
    calls = 0.1 * np.sin(2 * np.pi * 2000.0 * time_s) * (time_s % 0.25 < 0.08) * (time_s > 0.7)
    calls += np.random.default_rng(0).normal(0.0, 1e-3, len(time_s))
    listener.push(calls.astype(np.float32))
    listener.finish()


def check_pace(sound: SoundInput, where: Destinations) -> None:
    """Refuse to have a machine follow sound that doesn't run as time does.

    Parameters
    ----------
    sound
        Where sound comes from.
    where
        Where commands go.

    Raises
    ------
    UserError
        When it is not simulated, and the sound is faster or slower than time.
    """
    if sound.in_engine_time and (where.midi or where.port not in (None, SIMULATED)):
        raise UserError(
            f"a machine can't follow sound at {sound.speed:g} times its pace",
            argument="speed",
            remedy="leave it at 1, or play on the simulated board",
        )


@contextlib.contextmanager
def live_runner(
    sound: SoundInput,
    where: Destinations,
    palette: Palette,
    rules: RuleSet,
    profile: str | None,
    settings: LiveSettings,
    hooks: Hooks,
) -> Iterator[tuple[Runner, str | None]]:
    """Make everything ready.

    Parameters
    ----------
    sound
        Where sound comes from.
    where
        Where commands, the log and snippets go.
    palette, rules
        The machine, and how it answers.
    profile
        How it listens: a shipped name or a file.
    settings
        Limits and hours of the session.
    hooks
        Called with what is heard and done.

    Yields
    ------
    runner, port
        To be run; and the port at which ``callresp stop`` finds it.

    Raises
    ------
    UserError
        When a file, a port or a device is not there.
    """
    from callresp.listen.profile import load_profile

    listens = load_profile(profile)
    source = open_source(sound, paced=True)
    rate_hz = source.sample_rate_hz
    listener = listener_of(rate_hz, listens)
    settings = replace(
        settings,
        rest_s=listens.rest_s,
        longest_phrase_s=listens.longest_phrase_s,
        dated=sound.dated,
    )
    _warm(listener, rate_hz)
    time, origin = _Clocks(sound), EngineOrigin()
    clocks = Clocks(time.wall, time.steady_s)
    engine = LiveEngine(palette, rules, listener, rate_hz, clocks, settings)
    time.engine = engine
    snippets = None
    if where.snippets is not None:
        snippets = SnippetFolder(where.snippets, where.snippets_max_bytes, where.min_free_bytes)
    with contextlib.ExitStack() as opened:
        log = LogThread(where.log, snippets)
        opened.callback(log.close)
        link, port = opened.enter_context(_link(where, palette, origin, time))
        runner = Runner(
            engine,
            source,
            link,
            log,
            hooks,
            time.clock,
            origin,
            keeps_snippets=snippets is not None,
            lossless=sound.name != "device",
            real_time=not sound.in_engine_time,
            wall=time.wall,
        )
        if isinstance(source, SoundCard | PipeSource):
            source.report = lambda notice: runner.notices.put(("sound", notice))
        day = {
            "palette": palette.name,
            "palette_sha256": fingerprint(palette),
            "rules": rules.name,
            "profile": listens.name,
            "recording": _named(sound),
            "start": time.start.isoformat(),
            "dated": sound.dated,
            "sample_rate_hz": rate_hz,
        }
        log.write((Record(0.0, "day", day), time.wall()), wait=True)
        yield runner, port


def _named(sound: SoundInput) -> str:
    if sound.name == "device":
        return "sound card" if sound.device is None else f"sound card {sound.device}"
    return "standard input" if sound.name == "-" else sound.name
