"""``callresp firmware``: a palette in, a folder out that `make` turns into a board's program."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import FOLDER, PATH


@click.command(name="firmware")
@click.argument("palette")
@click.option("-o", "--output", type=FOLDER, help="Folder to write; else named after the palette.")
@click.option("--dry-run", is_flag=True, help="A board that lights lamps instead of striking.")
@click.option("--plan", type=PATH, help="A board that plays this plan by itself.")
@options.number(
    "--after",
    (0.0, 86400.0 * 4),
    "With --plan: seconds from power-up to its start.",
    default=60.0,
    fills="after_s",
)
@options.whole(
    "--at-light",
    (1, 100_000),
    "With --plan: from then on, start at the first light of so much lux.",
    fills="lux",
)
@click.option(
    "--sketch",
    is_flag=True,
    help="A library for the maker's toolchain (setup, loop), in place of a folder for make.",
)
@click.option("--force", is_flag=True, help="Write into a folder that is not empty.")
@options.json()
def command(**given: object) -> None:
    """Make the firmware of a machine: sources, limits, pins, makefile, and what to do with them.

    PALETTE is a shipped name or a TOML file with [board.pins]; see 'fettle'. The
    folder's README has the three commands from nothing to a flashed board. With
    --plan the board needs no host: it plays a plan that was made by 'callresp
    check', once, within all limits.

    \b
    Examples:
      callresp firmware fettle                     writes fettle-firmware
      callresp firmware mine.toml -o board --dry-run
      callresp firmware fettle --plan dawn.plan.jsonl --after 1800 --at-light 20
      callresp firmware mine.toml --sketch         for any chip with 32 kB of RAM
    """
    options.call("firmware.run", given)
