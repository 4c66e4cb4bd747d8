"""``callresp levels``, ``callresp calibrate``: how loud a recording is, also as sound pressure."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="levels")
@click.argument("recording", type=PATH)
@options.calibration
@options.channel
@options.json()
def levels_command(**given: object) -> None:
    """Measure a recording's mean level, plain and A-weighted (IEC 61672-1).

    Levels are dB re a full-scale sine (AES17), meaned by energy over the whole
    recording. With a calibration they are sound pressure levels too, dB re
    20 µPa and dB(A). For anything that must stand up before an authority, have
    it measured by somebody licensed for it.

    \b
    Examples:
      callresp levels dawn.wav
      callresp levels dawn.wav --calibration tone.calibration.toml
    """
    options.call("levels.run_levels", given)


@click.command(name="calibrate")
@click.argument("tone", type=PATH)
@options.number(
    "--level", (60, 140), "What the calibrator gives, dB SPL: mostly 94 or 114.", required=True
)
@options.number("--frequency", (100, 4000), "Its tone, Hz.", default=1000.0)
@click.option("--about", default="", help="Microphone, recorder and gain, in your words.")
@options.channel
@options.output("Calibration to write.")
@options.json()
def calibrate_command(**given: object) -> None:
    """Learn sound pressure from a calibrator's tone recorded through your chain.

    Fit the calibrator on the microphone, record some seconds of its tone at
    the gain you will use, and touch the gain no more. The file that this
    writes turns dB of full scale into dB re 20 µPa, for that chain and gain.
    A field calibrator is no proof for the law: where levels must stand up
    (permits, noise complaints, hearing at work), have them measured by
    somebody licensed for it.

    \b
    Examples:
      callresp calibrate tone.wav --level 94        writes tone.calibration.toml
      callresp calibrate tone.wav --level 114 --about "left capsule, gain 30 dB"
      callresp transcribe dawn.wav --calibration tone.calibration.toml
    """
    options.call("levels.run_calibrate", given)
