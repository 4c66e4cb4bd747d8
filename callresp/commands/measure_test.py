"""``callresp strike-test``: write the plan of a strike test, and the palette to play it on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from callresp.commands import options, ui
from callresp.errors import UserError

if TYPE_CHECKING:
    from callresp.palette.model import Palette
    from callresp.strike_test.draft import CoilSupply


@click.command(name="strike-test")
@click.option("--palette", help="A shipped name or a TOML file of yours.")
@click.option("--channels", help="Without a palette: coil channels of the strikers, as in 0,1,2.")
@click.option("--dampers", help="Channels of their dampers in the same order; - for none.")
@click.option("--dampers-off", is_flag=True, help="Dampers rest off the strikers without power.")
@click.option("--names", help="Names of the strikers, with commas between.")
@click.option("--volts", type=click.FloatRange(3, 60), default=12.0, show_default=True)
@click.option(
    "--ohms",
    type=click.FloatRange(0.1, 1000),
    default=8.0,
    show_default=True,
    help="Of a striker's coil.",
)
@click.option(
    "--damper-ohms",
    type=click.FloatRange(0.1, 1000),
    default=30.0,
    show_default=True,
    help="Of a damper's coil.",
)
@click.option("--repeats", type=click.IntRange(2, 12), default=3, show_default=True)
@click.option("--pulses", type=click.IntRange(2, 12), default=6, show_default=True)
@click.option("--runs", type=click.IntRange(0, 9), default=3, show_default=True)
@options.output("Plan to write.")
@options.json()
def command(
    palette: str | None,
    channels: str | None,
    dampers: str | None,
    dampers_off: bool,
    names: str | None,
    volts: float,
    ohms: float,
    damper_ohms: float,
    repeats: int,
    pulses: int,
    runs: int,
    output: Path | None,
    as_json: bool,
) -> None:
    """Write a strike test: every striker soft and hard, slow and fast, free and damped.

    Send the plan to the board and record it with any recorder, about equally
    far from all strikers, in a quiet place, well below clipping. Beside the
    plan stands the palette that it is sent with: yours with the repeat limits
    out of the way, or a cautious first one made from the channels you give.
    Every other limit of the coils is kept.

    \b
    Examples:
      callresp strike-test --palette fettle
      callresp strike-test --channels 0,1,2 --dampers 5,6,- --volts 12 --ohms 8
      callresp stream strike-test.plan.jsonl --port PORT       while you record
      callresp measure recording.wav --plan strike-test.plan.jsonl -o mine.toml
    """
    from callresp.io.resources import find
    from callresp.palette.files import load_palette
    from callresp.plan.files import write_plan
    from callresp.strike_test.draft import CoilSupply, is_draft
    from callresp.strike_test.protocol import StrikeTestSettings, plan_strike_test

    if (palette is None) == (channels is None):
        raise UserError("give --palette, or --channels if you have none", where="strike-test")
    output = output or Path("strike-test.plan.jsonl")
    beside = output.with_name(output.name.removesuffix(".jsonl").removesuffix(".plan") + ".toml")
    ui.target(output, palette)
    ui.target(beside, palette, output)
    if palette is not None:
        text = _of_palette(palette, beside)
    else:
        power = CoilSupply(volts=volts, ohms=ohms, damper_ohms=damper_ohms)
        text = _of_channels(channels or "", dampers, names, power, rests_off=dampers_off)
    machine = _written(beside, text)
    settings = StrikeTestSettings(
        repeats=repeats, pulses=pulses, runs=runs, known=not is_draft(text)
    )
    known = load_palette(find("palettes", palette)) if palette is not None else machine
    checked, settings = plan_strike_test(known, machine, settings, str(beside))
    write_plan(output, checked.plan)
    plan = checked.plan
    if as_json:
        ui.emit(
            {
                "plan": str(output),
                "palette": str(beside),
                "duration_s": plan.header.duration_s,
                "commands": len(plan.commands),
                "pace": settings.pace,
            }
        )
        return
    minutes, seconds = divmod(round(plan.header.duration_s), 60)
    ui.say(f"{len(machine.striker)} strikers, {minutes} min {seconds} s, all within the limits")
    if settings.pace > 1:
        ui.say(f"  slowed {settings.pace:g} times, so that no coil gets too hot")
    ui.say(f"wrote {output} and {beside}")
    ui.warn("keep hands, hair and cloth off the machine; coils get hot; bells at arm's length hurt")
    ui.say(f"next: start a recorder, then callresp stream {output} --port PORT")
    ui.say(f"then: callresp measure RECORDING --plan {output} -o my-palette.toml")


def _of_palette(palette: str, beside: Path) -> str:
    from callresp.io.files import read_text
    from callresp.io.resources import find
    from callresp.palette.files import load_palette
    from callresp.strike_test.draft import for_test

    path = find("palettes", palette)
    if not load_palette(path).striker:
        raise UserError("has no strikers to test", where=str(path), remedy="add a [[striker]]")
    if beside.exists() and beside.samefile(path):
        raise UserError(
            "the test's palette would overwrite it", where=str(path), remedy="give another -o"
        )
    return for_test(read_text(path))


def _of_channels(
    channels: str, dampers: str | None, names: str | None, power: CoilSupply, *, rests_off: bool
) -> str:
    from callresp.strike_test.draft import WiredStriker, draft

    numbers = [_channel(part, "--channels") for part in channels.split(",")]
    held = [
        None if p.strip() == "-" else _channel(p, "--dampers")
        for p in (dampers or "").split(",")
        if p.strip()
    ]
    called = [part.strip() for part in (names or "").split(",") if part.strip()]
    if len(held) > len(numbers) or len(called) > len(numbers):
        raise UserError(
            f"more dampers or names than the {len(numbers)} channels", remedy="give one for each"
        )
    rest = "off" if rests_off else "on"
    wired = [
        WiredStriker(
            name=called[n] if n < len(called) else f"striker {n + 1}",
            channel=number,
            damper=held[n] if n < len(held) else None,
            damper_rests=rest,
        )
        for n, number in enumerate(numbers)
    ]
    return draft("my machine", wired, power)


def _channel(part: str, where: str) -> int:
    try:
        number = int(part)
    except ValueError:
        number = -1
    if not 0 <= number <= 63:
        raise UserError(f"'{part.strip()}' is no channel", where=where, remedy="give 0 to 63")
    return number


def _written(path: Path, text: str) -> Palette:
    from callresp.io.files import write_text
    from callresp.palette.files import load_palette

    write_text(path, text)
    return load_palette(path)
