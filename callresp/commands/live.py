"""``callresp live``: listen, and answer while it happens."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime, time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from callresp.commands import cautions, ui
from callresp.commands.live_view import Teller
from callresp.errors import UserError

if TYPE_CHECKING:
    from callresp.live.engine import Settings
    from callresp.live.interlocks import Hours, Limits
    from callresp.live.runner import Shell
    from callresp.live.setup import Sound
    from callresp.palette.model import Palette


@click.command(name="live")
@click.option(
    "--input",
    "name",
    default="device",
    show_default=True,
    help="'device', '-' (raw PCM), a file.",
)
@click.option("--device", help="Sound card by name or number; else the system's own choice.")
@click.option(
    "--rate",
    type=click.IntRange(8000, 192000),
    default=48000,
    show_default=True,
    help="Samples a second of a sound card or of raw PCM.",
)
@click.option(
    "--channels",
    type=click.IntRange(1, 32),
    default=1,
    show_default=True,
    help="Of raw PCM: signed 16-bit little-endian.",
)
@click.option("--channel", type=click.IntRange(1), help="Of a file: listen to this one only.")
@click.option(
    "--speed",
    type=click.FloatRange(0.0, 1000.0),
    callback=ui.finite,
    default=1.0,
    show_default=True,
    help="Of a file; 0 is as fast as can be.",
)
@click.option("--start", help="When a file was recorded (ISO 8601); else from its name.")
@click.option("--palette", default="fettle", show_default=True, help="Shipped name or TOML file.")
@click.option("--rules", default="answer", show_default=True, help="Shipped name or TOML file.")
@click.option("--profile", help="Listening profile: a shipped name or a TOML file.")
@click.option("--port", help="A serial port, or 'simulated'; else it only listens.")
@click.option("--midi", help="A MIDI output instead of a board.")
@click.option("--log", type=click.Path(path_type=Path), help="Field log to write or to go on with.")
@click.option(
    "--snippets",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for short FLAC files of what was heard and answered.",
)
@click.option("--from", "since", help="Time of day to wake, HH:MM; with --until.")
@click.option("--until", help="Time of day to fall asleep, HH:MM; with --from.")
@click.option(
    "--max-hours", type=click.FloatRange(0.0), callback=ui.finite, help="End after this long."
)
@click.option("--max-strikes", type=click.IntRange(1), help="Play no more after so many.")
@click.option(
    "--max-wh",
    type=click.FloatRange(0.0),
    callback=ui.finite,
    help="Play no more after so many watt-hours in the coils.",
)
@click.option(
    "--max-temperature",
    type=click.FloatRange(20.0, 120.0),
    callback=ui.finite,
    default=85.0,
    show_default=True,
    help="°C at the board above which it waits.",
)
@click.option(
    "--min-volts",
    type=click.FloatRange(0.0, 80.0),
    callback=ui.finite,
    help="Play no more below this; else the palette's cutoff_v.",
)
@click.option(
    "--back-after",
    type=click.FloatRange(0.0, 1000.0),
    callback=ui.finite,
    default=50.0,
    show_default=True,
    help="ms after which its own strikes have reached the microphone, sound card included.",
)
@click.option(
    "--reverb",
    type=click.FloatRange(0.0, 10.0),
    callback=ui.finite,
    default=0.4,
    show_default=True,
    help="Seconds in which the place's own reverberation falls by 60 dB.",
)
@click.option("--seed", type=click.IntRange(0), help="Of its choices; else the rule set's.")
@click.option("--yes", is_flag=True, help="The cautions are read and the machine is clear.")
@click.option("--json", "as_json", is_flag=True, help="Print each event as one JSON object.")
def command(**given: object) -> None:
    """Listen to a place and answer it, all day, until it is stopped.

    Without --port and --midi it listens, and says what it would strike. It
    stops with Ctrl-C, with the space bar or 's' on its terminal, and with
    'callresp stop' from another. However it ends, everything is released.
    Status 0 when all went well, 1 when the log holds faults, 130 after Ctrl-C.

    \b
    Examples:
      callresp live                                         listens only
      callresp live --input dawn.wav --speed 0 --port simulated --log day.log
      callresp live --port /dev/ttyACM0 --log day.log --from 04:00 --until 10:00
      callresp live --device 2 --midi 'Synth' --rules shadow
      arecord -t raw -f S16_LE -r 48000 | callresp live --input - --midi Synth --yes
    """
    run(Asked(given))


class Asked:
    """The options, by name, as they were given."""

    def __init__(self, given: dict[str, object]) -> None:
        self._given = given

    def text(self, name: str) -> str | None:
        """A text, or `None`."""
        value = self._given[name]
        return None if value is None else str(value)

    def number(self, name: str) -> float | None:
        """A number, or `None`."""
        value = self._given[name]
        return float(value) if isinstance(value, int | float) else None

    def count(self, name: str) -> int | None:
        """A whole number, or `None`."""
        value = self._given[name]
        return value if isinstance(value, int) else None

    def path(self, name: str) -> Path | None:
        """A path, or `None`."""
        value = self._given[name]
        return value if isinstance(value, Path) else None

    def flag(self, name: str) -> bool:
        """A flag."""
        return bool(self._given[name])


def run(asked: Asked) -> None:
    """Run a day as it was asked for."""
    from callresp.live.keys import stop_key
    from callresp.live.setup import SIMULATED, Where, day_shell
    from callresp.palette.files import load_palette
    from callresp.reply.rules import load_rules, unknown_instruments

    sound = sound_of(asked)
    where = Where(asked.text("port"), asked.text("midi"), asked.path("log"), asked.path("snippets"))
    palette = load_palette(asked.text("palette") or "fettle")
    rules = load_rules(asked.text("rules") or "answer")
    for line in unknown_instruments(rules, palette):
        ui.warn(line)
    if where.log is not None:
        ui.target(where.log, sound.name, asked.text("palette"), asked.text("rules"))
    settings = settings_of(asked, palette)
    if where.midi is not None or where.port not in (None, SIMULATED):
        # What comes in through standard input is the sound: nobody can be asked there.
        cautions.confirm(asked.flag("yes"))
    pressed = threading.Event()
    teller = Teller(asked.flag("as_json"))
    hooks = teller.hooks()
    with (
        day_shell(sound, where, palette, rules, asked.text("profile"), settings, hooks) as (
            shell,
            port,
        ),
        stop_key(pressed, use=sound.name != "-") as has_keys,
    ):
        hooks.stop = stopper(shell, pressed, port, asked.number("max_hours"))
        if has_keys:
            ui.warn("space or 's' stops everything")
        if port not in (None, SIMULATED):
            ui.warn(f"from another terminal 'callresp stop --port {port}' stops everything")
        try:
            shell.run()
        finally:
            teller.end()
            end_word(port)
            teller.summary()
    if shell.log.dropped:
        ui.warn(f"{shell.log.dropped} rows of the log were lost: its disk was too slow")
    fatal = getattr(shell.link, "fatal", None)
    if fatal is not None:
        raise fatal
    click.get_current_context().exit(1 if teller.faults else 0)


def sound_of(asked: Asked) -> Sound:
    """Where the sound comes from."""
    from callresp.live.setup import Sound
    from callresp.live.sources import device_named

    return Sound(
        name=asked.text("name") or "device",
        device=device_named(asked.text("device")),
        sample_rate_hz=asked.count("rate") or 48000,
        channels=asked.count("channels") or 1,
        channel=asked.count("channel"),
        speed=asked.number("speed") or 0.0,
        start=asked.text("start"),
    )


def settings_of(asked: Asked, palette: Palette) -> Settings:
    """How the day is to be run."""
    from callresp.live.engine import Settings
    from callresp.live.self_masking import Room

    late_ms, t60_s = asked.number("back_after"), asked.number("reverb")
    return Settings(
        room=Room(delay_s=(late_ms or 0.0) / 1000, t60_s=t60_s or 0.0),
        limits=limits_asked(asked, palette),
        hours=hours_of(asked.text("since"), asked.text("until")),
        snippets=asked.path("snippets") is not None,
        needs_link=asked.text("port") is not None,
        seed=asked.count("seed"),
    )


def limits_asked(asked: Asked, palette: Palette) -> Limits:
    """What stops it: the palette's own limits, and those given."""
    from callresp.live.interlocks import Limits, limits_of

    own, watt_hours = limits_of(palette), asked.number("max_wh")
    return Limits(
        supply_min_v=asked.number("min_volts") or own.supply_min_v,
        temperature_max_c=asked.number("max_temperature") or own.temperature_max_c,
        strikes_max=asked.count("max_strikes"),
        energy_max_j=None if watt_hours is None else 3600 * watt_hours,
    )


def hours_of(since: str | None, until: str | None) -> Hours | None:
    """The hours in which it is awake.

    Raises
    ------
    UserError
        When one is missing or no time of day.
    """
    from callresp.live.interlocks import Hours

    if since is None and until is None:
        return None
    if since is None or until is None:
        missing = "--from" if since is None else "--until"
        raise UserError("sleeps and wakes by two times of day", where=missing, remedy="give it too")
    return Hours(_clock("--from", since), _clock("--until", until))


def _clock(name: str, text: str) -> time:
    try:
        return datetime.strptime(text, "%H:%M").time()
    except ValueError:
        raise UserError(
            f"'{text}' is not a time of day", where=name, remedy="write it like 04:30"
        ) from None


def stopper(
    shell: Shell, pressed: threading.Event, port: str | None, max_hours: float | None
) -> Callable[[], str | None]:
    """Asks all who may stop it: key, second terminal, time, a board that can't be spoken to."""
    from callresp.link.control import stop_word

    word = stop_word(port) if port is not None else None
    if word is not None:
        word.unlink(missing_ok=True)

    def why() -> str | None:
        if pressed.is_set():
            return "stopped from the keyboard"
        if word is not None and word.exists():
            return "stopped from another terminal"
        if max_hours is not None and shell.engine.now_s >= 3600 * max_hours:
            return f"{max_hours:g} h, as long as was allowed"
        if getattr(shell.link, "fatal", None) is not None:
            return "this board can't be spoken to"
        return None

    return why


def end_word(port: str | None) -> None:
    """Tell another terminal that everything has been released."""
    from callresp.link.control import stop_word

    if port is not None:
        stop_word(port).unlink(missing_ok=True)
