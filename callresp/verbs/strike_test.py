"""``callresp strike-test``, ``callresp measure``: the plan of a strike test; its recording."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="strike-test")
@click.option("--palette", help="A shipped name or a TOML file of yours.")
@click.option("--channels", help="Without a palette: coil channels of the strikers, as in 0,1,2.")
@click.option("--dampers", help="Channels of their dampers in the same order; - for none.")
@click.option("--dampers-off", is_flag=True, help="Dampers rest off the strikers without power.")
@click.option("--names", help="Names of the strikers, with commas between.")
@options.number("--volts", (3, 60), default=12.0)
@options.number("--ohms", (0.1, 1000), "Of a striker's coil.", default=8.0)
@options.number("--damper-ohms", (0.1, 1000), "Of a damper's coil.", default=30.0)
@options.whole("--repeats", (2, 12), default=3)
@options.whole("--pulses", (2, 12), default=6)
@options.whole("--runs", (0, 9), default=3)
@options.output("Plan to write.")
@options.json()
def strike_test_command(**given: object) -> None:
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
    options.call("strike_test.run_strike_test", given)


@click.command(name="measure")
@click.argument("recording", type=PATH)
@click.option("--plan", type=PATH, help="The strike test that was played.")
@click.option("--palette", help="The palette to fill in; else the plan's own.")
@options.output("Palette to write.")
@click.option("--picture", type=PATH, help="PNG, PDF or SVG; else beside it.")
@click.option("--report", type=PATH, help="JSON report; else beside it.")
@options.channel
@options.whole("--switch-channel", (1, None), "Channel that carries the pulses.")
@click.option("--latency", help="A striker whose latency you know, as in 'tube 1=11.5'.")
@options.number("--distance", (0.1, 100), "From the strikers to the microphone, m.", default=1.0)
@options.number("--full-scale", (60, 180), "dB SPL of full scale.")
@click.option("--calibration", type=PATH, help="From callresp calibrate.")
@click.option("--keep", multiple=True, help="A key to leave as it is, such as restrike_ms.")
@options.json("Print the report as one JSON object.")
def measure_command(**given: object) -> None:
    """Measure the strikers in a recorded strike test and write their palette.

    With --plan the recording is that of a strike test. Without it, it holds
    strokes by hand: each striker some times, left to ring; they are found and
    told apart by their sound. A palette that is there already is filled in, and
    keeps all else that it says. Values that say "by hand" or "keep" in their
    comment stay, and so do all comments.

    A recording alone can't tell latency, only how strikers differ: give
    --latency for one that you know, or record the coils' pulses on a channel
    of their own and give --switch-channel. Levels become dB SPL by
    --calibration or --full-scale.

    Status 1 when something in the test needs a look; it is listed.

    \b
    Examples:
      callresp measure test.wav --plan strike-test.plan.jsonl -o mine.toml
      callresp measure test.wav --plan strike-test.plan.jsonl --latency "tube 1=11.5"
      callresp measure by-hand.wav -o mine.toml
      callresp measure by-hand.wav --palette mine.toml -o mine-too.toml
    """
    options.call("strike_test.run_measure", given)
