"""``callresp rehearse`` and ``callresp export``: a plan in; its sound, or a MIDI file, out."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="rehearse")
@click.argument("plan", type=PATH)
@click.option("--recording", type=PATH, help="The chorus; else looked for beside the plan.")
@options.own_palette("plan's")
@click.option("--heard", type=PATH, help="Heard score for picture and MIDI; else beside the plan.")
@click.option("--reply", type=PATH, help="Reply score likewise.")
@options.output("WAV file to write.")
@click.option("--place", type=PATH, help="What ask-place wrote: hear its echoes too.")
@click.option("--alone", is_flag=True, help="The machine alone, without the chorus.")
@click.option("--stereo", is_flag=True, help="Two channels, with the machine at --pan.")
@options.number("--pan", (-1, 1), "Machine left (-1) to right (1).")
@options.number("--distance", (0.1, 10000), "Listener to machine; else palette's.", metavar="M")
@options.number("--full-scale", (40, 200), "dB SPL of a full-scale sine [94].", metavar="DB")
@click.option("--calibration", type=PATH, help="File from 'callresp calibrate' instead of it.")
@click.option("--float", "float32", is_flag=True, help="32-bit float instead of 24 bit.")
@options.whole("--seed", (0, None), "Of the noises.", default=0)
@click.option("--picture", is_flag=True, help="Draw a picture too (PNG).")
@click.option("--picture-file", type=PATH, help="Where to draw it: .png, .svg or .pdf.")
@click.option("--from", "from_s", type=float, metavar="S", help="Picture and MIDI from here.")
@click.option("--to", "to_s", type=float, metavar="S", help="Picture until here.")
@options.number(
    "--loudness",
    (-60, -5),
    "Bring the mix to this loudness, as far as the headroom allows.",
    default=-23.0,
    metavar="LUFS",
)
@click.option("--midi-port", metavar="NAME", help="Play it on a MIDI output instead.")
@click.option("--virtual", is_flag=True, help="Make that MIDI output, for others to connect to.")
@options.json()
def rehearse_command(**given: object) -> None:
    """Render a plan beside its recording: the mix, and a picture if asked.

    Strikers sound as the palette measured them, at the distance it states,
    damped when their dampers fall. The mix never clips; what it was turned
    down by is said.

    \b
    Examples:
      callresp rehearse dawn.plan.jsonl               writes dawn.rehearsal.wav
      callresp rehearse dawn.plan.jsonl --picture     and dawn.png
      callresp rehearse dawn.plan.jsonl --alone --distance 1
      callresp rehearse dawn.plan.jsonl --place quarry.place.jsonl
      callresp rehearse dawn.plan.jsonl --picture-file p.pdf --from 60 --to 90
      callresp rehearse dawn.plan.jsonl --midi-port Synth
    """
    options.call("rehearse.run_rehearse", given)


@click.command(name="export")
@click.argument("scores", type=PATH, nargs=-1, required=True)
@options.output("MIDI file to write; else beside the first score.")
@options.own_palette("plan's or reply's")
@click.option("--alone", is_flag=True, help="Only what is named: take nothing from beside it.")
@options.json()
def export_command(**given: object) -> None:
    """Write scores as a Standard MIDI File.

    Give a heard score, a reply or a plan, or several of one recording; to a
    plan or reply given alone the heard score beside it is added. A beat is a
    second. Each voice and each striker has its own track; a damped note ends
    where its damper falls, a free one rings its time.

    \b
    Examples:
      callresp export dawn.plan.jsonl                 writes dawn.mid, heard notes too
      callresp export dawn.heard.jsonl -o heard.mid
      callresp export dawn.plan.jsonl --alone
    """
    options.call("rehearse.run_export", given)
