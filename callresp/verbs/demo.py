"""``callresp demo``: the whole job once, on the demo scene, without hardware."""

from __future__ import annotations

from pathlib import Path

import click

from callresp.verbs import options


@click.command(name="demo")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("callresp-demo"),
    show_default=True,
    help="Folder to fill.",
)
@options.palette
@options.rules
@options.whole("--seed", (0, None), "Another dawn than the scene's own.")
@options.json()
def command(**given: object) -> None:
    """Do the whole job once on the demo scene, without hardware or sound card.

    Renders a dawn at Hollin Carr, hears it, answers it on Fettle, checks the
    machine's limits, streams the plan to a simulated board over a real
    pseudo-terminal, and leaves recording, scores, plan, rehearsal, MIDI file,
    picture and logs in a folder.

    \b
    Examples:
      callresp demo
      callresp demo -o elsewhere --palette pocket --rules shadow
      callresp demo --seed 7
    """
    options.call("demo.run", given)
