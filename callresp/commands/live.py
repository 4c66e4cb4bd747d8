"""``callresp live``: listen, and answer while it happens."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callresp.commands import clocks, ui
from callresp.commands import options as common
from callresp.commands.live_view import LiveView
from callresp.errors import UserError
from callresp.io.place import read_place
from callresp.io.starttime import start_of
from callresp.link.signals import Deferred, deferred
from callresp.link.stop_request import StopListener
from callresp.listen.profile import load_profile
from callresp.live.actions import Notice, Record
from callresp.live.interlocks import StopLimits, limits_of
from callresp.live.keys import stop_key
from callresp.live.self_masking import Acoustics, Return
from callresp.live.sources import SoundInput
from callresp.osc.udp import NetAddress
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.reply.echoes import loudest
from callresp.reply.rules import load_rules
from callresp.reply.selection import missing
from callresp.scout.sun import ActiveHours, Site

if TYPE_CHECKING:
    from callresp.live.engine import LiveSettings
    from callresp.live.runner import Hooks, Runner
    from callresp.live.setup import Destinations


@dataclass(frozen=True, slots=True)
class LiveOptions:
    """The command's options, by their parameter names."""

    source: str
    device: str | None
    rate: int
    channels: int
    channel: int | None
    speed: float
    start: str | None
    palette: str
    rules: str
    profile: str | None
    port: str | None
    midi: str | None
    log: Path | None
    snippets: Path | None
    snippets_max_mb: float
    min_free_mb: float
    since: str | None
    until: str | None
    site: Site | None
    max_hours: float | None
    max_strikes: int | None
    max_wh: float | None
    max_temperature: float
    min_volts: float | None
    back_after: float
    reverb: float
    seed: int | None
    clock_in: str | None
    clock_out: str | None
    virtual: bool
    place: Path | None
    osc_to: tuple[str, ...]
    osc_in: str | None
    osc_word: str | None
    page: str | None
    yes: bool
    as_json: bool


def run(**words: object) -> None:
    """Listen to a place and answer it, all day, until it is stopped."""
    options = common.filled(LiveOptions, words)
    sound = sound_input(options)
    palette, rules = load_palette(options.palette), load_rules(options.rules)
    from callresp.live.runner import Hooks
    from callresp.live.setup import SIMULATED, check_pace, live_runner

    where = destinations(options)
    check_pace(sound, where)
    for line in missing(rules, palette):
        ui.warn(line)
    if where.log is not None:
        ui.target(where.log, sound.name, options.palette, options.rules, writes="field log")
    settings = live_settings(options, palette)
    if where.midi is not None or where.port not in (None, SIMULATED):
        # What comes in through standard input is the sound: nobody can be asked there.
        ui.confirm(options.yes)
    told, at = common.osc_addresses(options.osc_to, options.osc_in)
    hooks, pressed = Hooks(), threading.Event()
    with (
        live_runner(sound, where, palette, rules, options.profile, settings, hooks) as (
            runner,
            port,
        ),
        deferred() as signals,
        StopListener(port) as listener,
        stop_key(pressed, use=sound.name != "-") as has_keys,
        live_page(options, palette, runner) as page,
        contextlib.ExitStack() as opened,
    ):
        view = LiveView(options.as_json, lambda text: runner.notices.put(("output", Notice(text))))
        hooks.notify, hooks.record, hooks.refresh = view.notify, view.record, view.refresh
        hooks.released = listener.released
        asked = opened.enter_context(other_software(options, runner, hooks, view, told, at))
        stopped = page(hooks, view)
        ends = StopConditions(runner, pressed, listener, signals, asked, stopped, options.max_hours)
        hooks.stop = ends.reason
        if not sound.dated:
            view.warn(
                f"{sound.name}: not known when it was recorded: rules and manners go by no time"
                " of day; --start tells it"
            )
        if has_keys:
            view.warn("space or 's' stops everything")
        if port not in (None, SIMULATED):
            view.warn(
                f"from another terminal 'callresp stop --port {port}' stops everything"
                if listener.reachable
                else "no stop from another terminal will be heard: its address is taken"
            )
        try:
            runner.run()
        finally:
            opened.close()
            view.close(runner.log.dropped)
    if runner.link.fatal is not None:
        raise runner.link.fatal
    if signals.number == signal.SIGINT:
        signals.raise_if_any()
    click.get_current_context().exit(1 if view.faults or runner.log.dropped else 0)


@contextmanager
def live_page(
    options: LiveOptions, palette: Palette, runner: Runner
) -> Iterator[Callable[[Hooks, LiveView], threading.Event]]:
    """The page that shows how it stands, where it is asked for.

    Yields
    ------
    callable
        Has the page told of what the hooks are told, and whoever looks on of the page;
        returns what is set when somebody stops from there.
    """
    if options.page is None:
        yield lambda hooks, view: threading.Event()
        return
    from callresp.desk.live_page import LivePage

    place, profile = NetAddress.of(options.page, "page"), load_profile(options.profile)
    rate_hz = runner.source.sample_rate_hz
    page = LivePage(place.host, place.port, palette.name, profile, rate_hz)

    def joined(hooks: Hooks, view: LiveView) -> threading.Event:
        page.join(hooks)
        view.warn(f"the page: {'  '.join(page.addresses)}")
        view.warn(f"who types {page.code} there stops everything")
        return page.stop

    try:
        yield joined
    finally:
        page.close()


@contextmanager
def other_software(
    options: LiveOptions,
    runner: Runner,
    hooks: Hooks,
    view: LiveView,
    told: Sequence[NetAddress],
    at: NetAddress | None,
) -> Iterator[threading.Event]:
    """Open Sound Control and MIDI clocks; yields what is set when the end is asked for."""
    from callresp.osc.sessions import LiveOsc

    with (
        contextlib.closing(LiveOsc(runner, told, at, options.osc_word)) as osc,
        clocks.of_session(runner, options.clock_in, options.clock_out, options.virtual) as beats,
    ):

        def record(row: Record) -> None:
            view.record(row)
            osc.record(row)
            beats(row)

        hooks.sensed, hooks.record = osc.sensed, record
        yield osc.stop


@dataclass(frozen=True, slots=True)
class StopConditions:
    """Who and what may end a session."""

    runner: Runner
    pressed: threading.Event
    listener: StopListener
    signals: Deferred
    asked: threading.Event
    page: threading.Event
    max_hours: float | None

    def reason(self) -> str | None:
        """Why to end now, or `None`."""
        if self.pressed.is_set():
            return "stopped from the keyboard"
        if self.listener.requested.is_set():
            return "stopped from another terminal"
        if self.asked.is_set():
            return "stopped by Open Sound Control"
        if self.page.is_set():
            return "stopped from the page"
        if self.signals.words is not None:
            return self.signals.words
        if self.max_hours is not None and self.runner.engine.now_s >= 3600 * self.max_hours:
            return f"{self.max_hours:g} h, as long as was allowed"
        if self.runner.link.fatal is not None:
            return f"the board can't be used: {self.runner.link.fatal}"
        return None


def destinations(options: LiveOptions) -> Destinations:
    """Where strikes, log and snippets go."""
    from callresp.live.setup import Destinations

    return Destinations(
        options.port,
        options.midi,
        options.log,
        options.snippets,
        round(1e6 * options.snippets_max_mb),
        round(1e6 * options.min_free_mb),
    )


def sound_input(options: LiveOptions) -> SoundInput:
    """Where the sound comes from."""
    given = SoundInput(
        name=options.source,
        device=options.device,
        sample_rate_hz=options.rate,
        channels=options.channels,
        channel=options.channel,
        speed=options.speed,
    )
    if not given.is_file:
        for name, ask in (("start", options.start is not None), ("speed", options.speed != 1.0)):
            if ask:
                what = "what is heard as it comes has its own pace and time of day"
                raise UserError(what, argument=name, remedy="leave it out, or give a recording")
        return given
    return replace(given, start=start_of(Path(given.name), options.start))


def live_settings(options: LiveOptions, palette: Palette) -> LiveSettings:
    """Settings of the engine, with the palette's own limits where none are given."""
    from callresp.live.engine import LiveSettings

    limits = StopLimits(
        supply_min_v=options.min_volts or limits_of(palette).supply_min_v,
        temperature_max_c=options.max_temperature,
        strikes_max=options.max_strikes,
        energy_max_j=None if options.max_wh is None else 3600 * options.max_wh,
    )
    echo, returns = None, tuple[Return, ...]()
    if options.place is not None:
        asked = read_place(options.place)
        echo = loudest(asked)
        returns = tuple(Return(one.delay_s, one.level_db) for one in asked.echoes)
    return LiveSettings(
        acoustics=Acoustics(
            delay_s=options.back_after / 1000, t60_s=options.reverb, returns=returns
        ),
        echo=echo,
        limits=limits,
        hours=active_hours(options.since, options.until, options.site),
        snippets=options.snippets is not None,
        needs_link=options.port is not None,
        seed=options.seed,
    )


def active_hours(
    since: str | None, until: str | None, site: Site | None = None
) -> ActiveHours | None:
    """The hours in which it is awake.

    Raises
    ------
    UserError
        When one is missing or no time of day, or both are the same.
    """
    if since is None and until is None:
        return None
    if since is None or until is None:
        option = "--from" if since is None else "--until"
        raise UserError("sleeps and wakes by two times of day", where=option, remedy="give it too")
    ends = (common.day_time("--from", since), common.day_time("--until", until))
    if ends[0] == ends[1]:
        raise UserError(
            "sleeps and wakes at the same time",
            where="--until",
            remedy="give another, or leave out both to listen all day",
        )
    hours = ActiveHours(*ends)
    return hours if hours.by_clock else replace(hours, site=common.known_site(site))
