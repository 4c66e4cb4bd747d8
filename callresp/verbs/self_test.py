"""``callresp self-test``: strike each striker once, listen, and compare with the palette."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="self-test")
@options.palette
@click.option("--port", help="A serial port, or 'simulated'.")
@options.sound_input("With --port, listen to 'device' (sound card) or '-' (raw 16-bit PCM).")
@options.device
@options.rate(least_hz=16000)
@options.channels
@click.option("--recording", type=PATH, help="Judge this recording of the test instead.")
@options.input_channel
@click.option("--plan", "plan_file", type=PATH, help="Only write the plan, to record it elsewhere.")
@click.option("--keep", type=PATH, help="Keep what was heard (WAV).")
@click.option("--only", multiple=True, help="Only this striker; may be given again.")
@options.yes
@options.json()
def command(**given: object) -> None:
    """Strike each striker once, listen for it, and compare it with the palette.

    A striker that is silent, weak, late, out of tune, dead, loose or swapped
    with another is named, with what to look at. Put the microphone about as far
    from one striker as from another. Without a sound card beside the board,
    write the plan, stream it while any recorder runs, and judge its recording.
    Status 0 when all are well, 1 when something is to be looked at.

    \b
    Examples:
      callresp self-test --palette mine.toml --port /dev/ttyACM0
      callresp self-test --palette mine.toml --plan check.plan.jsonl
      callresp stream check.plan.jsonl --port /dev/ttyACM0      while you record
      callresp self-test --palette mine.toml --recording check.wav
    """
    options.call("self_test.run", given)
