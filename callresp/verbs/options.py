"""Options that several commands take, each declared once.

Each is a decorator of click's; what it fills stands beside it as the name of
the command's parameter.
"""

from __future__ import annotations

import importlib
import math
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Protocol, TypeVar

import click

from callresp.io.files import named_in_utf8
from callresp.scout.sun import Site, read_site

Command = TypeVar("Command", bound=Callable[..., object])


class Option(Protocol):
    """An option as `click` has it: a decorator that leaves the function as it is."""

    def __call__(self, function: Command, /) -> Command:
        """Declare the option of this command."""


class _File(click.Path):
    """A file, there already or to be written; not a folder's short name, nor nothing."""

    def convert(
        self,
        value: str | os.PathLike[str],
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> Path:
        """The path; what stands beside a file is called after its name, so it must have one."""
        if not Path(value).name:
            told = f"{os.fsdecode(value)} is a folder" if value else "it is empty"
            self.fail(f"{told}: name a file", param, ctx)
        return named_in_utf8(Path(os.fsdecode(super().convert(value, param, ctx))))


class _Finite(click.FloatRange):
    """A number within a range; a range alone lets "nan" through."""

    name = "float range"

    def convert(
        self, value: float, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The number."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{number} is not a finite number", param, ctx)
        return number


def number(
    name: str,
    within: tuple[float, float | None],
    told: str | None = None,
    *,
    default: float | None = None,
    fills: str | None = None,
    metavar: str | None = None,
    required: bool = False,
) -> Option:
    """An option that takes a finite number, both ends included; its default is shown."""
    names = (name,) if fills is None else (name, fills)
    return click.option(
        *names,
        type=_Finite(*within),
        default=default,
        show_default=default is not None,
        required=required,
        metavar=metavar,
        help=told,
    )


def whole(
    name: str,
    within: tuple[int, int | None],
    told: str | None = None,
    *,
    default: int | None = None,
    fills: str | None = None,
) -> Option:
    """An option that takes a whole number, both ends included; its default is shown."""
    names = (name,) if fills is None else (name, fills)
    show = default is not None
    kind = click.IntRange(*within)
    return click.option(*names, type=kind, default=default, show_default=show, help=told)


PATH = _File()

FOLDER = click.Path(path_type=Path)

palette: Option = click.option(
    "--palette", default="fettle", show_default=True, help="Shipped name or TOML file."
)

rules: Option = click.option(
    "--rules", default="answer", show_default=True, help="Shipped name or TOML file."
)

profile: Option = click.option(
    "--profile", help="Listening profile: a shipped name or a TOML file."
)

channel: Option = whole("--channel", (1, None), "Listen to this channel only.")

calibration: Option = click.option(
    "--calibration", type=PATH, help="File from 'callresp calibrate': adds sound pressure."
)

seed: Option = whole("--seed", (0, None), "Another seed than the rule set's own.")

place: Option = click.option(
    "--place", type=PATH, help="What ask-place wrote: rules with 'echo' join its loudest return."
)

yes: Option = click.option(
    "--yes", is_flag=True, help="Ask nothing: the cautions are read, the machine is clear."
)


def _place_on_earth(ctx: click.Context, param: click.Parameter, value: str | None) -> Site | None:
    return None if value is None else read_site(value)


site: Option = click.option(
    "--site",
    callback=_place_on_earth,
    help="Where it stands, for the sun: latitude,longitude in degrees.",
)


def _clips(ctx: click.Context, param: click.Parameter, value: tuple[Path, ...]) -> tuple[Path, ...]:
    from callresp.scout.places import sound_files

    return tuple(sound_files(value))


like: Option = click.option(
    "--like",
    type=PATH,
    multiple=True,
    callback=_clips,
    help="A clip of the wanted sound, or a folder of such; several help.",
)

device: Option = click.option(
    "--device", help="Sound card by name or number; else the system's own choice."
)

channels: Option = whole(
    "--channels", (1, 32), "Of raw PCM: signed 16-bit little-endian.", default=1
)

input_channel: Option = whole(
    "--channel", (1, None), "Listen to this input of a sound card, or channel of other sound, only."
)


def midi_clock(command: Command) -> Command:
    """``--clock-in``, ``--clock-out`` and ``--virtual``: MIDI clocks followed and sent."""
    for option in (
        click.option("--virtual", is_flag=True, help="Make these MIDI ports, for others to use."),
        click.option("--clock-out", metavar="NAME", help="Send a MIDI clock on this output."),
        click.option("--clock-in", metavar="NAME", help="Follow the MIDI clock on this input."),
    ):
        command = option(command)
    return command


def osc(command: Command) -> Command:
    """``--osc-to``, ``--osc-in`` and ``--osc-word``: Open Sound Control over UDP."""
    for option in (
        click.option(
            "--osc-word",
            envvar="CALLRESP_OSC_WORD",
            metavar="WORD",
            help="Needed by requests that can move a striker; better in CALLRESP_OSC_WORD.",
        ),
        click.option(
            "--osc-in",
            metavar="[HOST:]PORT",
            help="Take requests by Open Sound Control; this computer's only, unless HOST says.",
        ),
        click.option(
            "--osc-to",
            multiple=True,
            metavar="[HOST:]PORT",
            help="Tell what happens by Open Sound Control; may be given again.",
        ),
    ):
        command = option(command)
    return command


def sound_input(
    what: str = "'device' (sound card), '-' (raw 16-bit PCM), or a recording.",
) -> Option:
    """``--input``, which fills `source`."""
    return click.option(
        "--input", "source", default="device", show_default=True, metavar="WHAT", help=what
    )


def rate(least_hz: int = 8000) -> Option:
    """``--rate``: samples a second."""
    told = "Samples a second of a sound card or of raw PCM."
    return whole("--rate", (least_hz, 192000), told, default=48000)


def own_palette(whose: str) -> Option:
    """``--palette`` where a file names its own."""
    return click.option("--palette", help=f"Shipped name or TOML file; else the {whose} own.")


def output(what: str) -> Option:
    """``-o``: where to write."""
    return click.option("-o", "--output", type=PATH, help=what)


def json(what: str = "One JSON object, nothing else.") -> Option:
    """``--json``, which fills `as_json`."""
    return click.option("--json", "as_json", is_flag=True, help=what)


def call(function: str, given: Mapping[str, object]) -> None:
    """Do what a verb asks: only now is loaded what that needs.

    `function` is named below `callresp.commands`, as in ``"board.run_sleep"``; `given` is what was
    typed, by the names of its parameters.
    """
    module, name = function.split(".")
    getattr(importlib.import_module(f"callresp.commands.{module}"), name)(**given)
