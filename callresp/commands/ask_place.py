"""``callresp ask-place``: the strokes that ask a place; what it gives back."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from callresp.commands import options, ui
from callresp.commands.listening import Recorder, play_and_record
from callresp.echoes.alignment import RATE_MAX_HZ
from callresp.echoes.ask import ASSUMED_SD_C, STATED_SD_C, Air, EchoResult, ask_place
from callresp.echoes.protocol import ask_plan, quickest
from callresp.errors import UserError
from callresp.io.audio import write_wav
from callresp.io.place import lines_of, write_place
from callresp.io.wording import counted, lasting
from callresp.live.sources import SoundInput
from callresp.palette.files import load_palette
from callresp.palette.model import Palette, Striker
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.files import read_plan, write_plan
from callresp.plan.model import Plan
from callresp.plots.place import draw_place
from callresp.strike_test.capture import Capture, read_capture
from callresp.synthesis.execution import level_of
from callresp.synthesis.job_files import find_palette

EARS = "loud strokes at arm's length hurt ears: stand back, or protect them"
WILDLIFE = "a few soft strokes are enough; never near nests, and stop when a bird alarms"


def run(**given: object) -> None:
    """Strike softly at odd times, and hear which walls answer, and how far off they are."""
    asked = options.filled(AskPlaceOptions, given)
    if asked.recording is not None:
        _hear(asked)
    elif asked.port is not None:
        _strike_and_hear(asked)
    else:
        _write(asked)


@dataclass(frozen=True, slots=True)
class AskPlaceOptions:
    """The command's options, by their parameter names."""

    recording: Path | None
    plan_file: Path | None
    striker: str | None
    palette: str | None
    strokes: int
    farthest: float
    background: float
    temperature: float | None
    humidity: float
    microphone: float
    port: str | None
    source: str
    device: str | None
    rate: int
    channels: int
    channel: int | None
    keep: Path | None
    output: Path | None
    picture: Path | None
    yes: bool
    as_json: bool


def _write(asked: AskPlaceOptions) -> None:
    for given, option in ((asked.plan_file, "--plan"), (asked.picture, "--picture")):
        if given is not None:
            raise UserError("needs the recording too", where=option, remedy="give it first")
    machine, striker, checked = _planned(asked)
    output = asked.output or Path("ask-place.plan.jsonl")
    ui.target(output, asked.palette, writes="plan")
    write_plan(output, checked.plan)
    level_db = _level_db(striker, checked)
    if asked.as_json:
        ui.emit(
            {
                "plan": str(output),
                "striker": striker.name,
                "strokes": len(checked.plan.strikes),
                "duration_s": checked.plan.header.duration_s,
                "level_db": level_db,
            }
        )
        return
    ui.say(
        f"{counted(len(checked.plan.strikes), 'stroke')} on {striker.name} of {machine.name} at"
        f" {level_db:g} dB at 1 m, {lasting(checked.plan.header.duration_s)}"
    )
    ui.say(f"wrote {output}")
    ui.warn(EARS)
    ui.warn(WILDLIFE)
    ui.say(f"next: start a recorder, then callresp stream {ui.typed(output)} --port PORT")
    ui.say(f"then: callresp ask-place RECORDING --plan {ui.typed(output)}")


def _planned(asked: AskPlaceOptions) -> tuple[Palette, Striker, CheckedPlan]:
    name = asked.palette or "fettle"
    machine = load_palette(name)
    if not machine.striker:
        raise UserError(f"{machine.name} has no strikers", remedy="add a [[striker]]")
    striker = machine.striker_named(asked.striker) if asked.striker else quickest(machine)
    if striker is None:
        known = ", ".join(one.name for one in machine.striker)
        raise UserError(
            f"no striker '{asked.striker}' in {machine.name}",
            where="--striker",
            remedy=f"one of {known}",
        )
    checked = ask_plan(machine, striker, asked.strokes, asked.farthest, asked.background, name=name)
    return machine, striker, checked


def _level_db(striker: Striker, checked: CheckedPlan) -> float:
    return level_of(striker, checked.plan.strikes[0].pulse_ms) or striker.force[0].level_db


def _strike_and_hear(asked: AskPlaceOptions) -> None:
    if asked.plan_file is not None:
        raise UserError("--plan goes with a recording", remedy="leave it out, or leave out --port")
    machine, _, checked = _planned(asked)
    if asked.keep is not None:
        ui.target(asked.keep, asked.palette, asked.output, writes="sound file")
    assert asked.port is not None
    if asked.port != "simulated":
        ui.warn(EARS)
        ui.confirm(asked.yes)
    sound = SoundInput(
        asked.source, asked.device, asked.rate, asked.channels, asked.channel, speed=0.0
    )
    played = play_and_record(
        checked, machine, asked.port, Recorder(sound), asked.farthest / 150, "asking"
    )
    if asked.keep is not None:
        write_wav(asked.keep, played.capture.samples, played.capture.rate_hz)
    _answer(asked, played.capture, checked.plan, machine)
    if played.refused:
        ui.look(f"not played: {counted(played.refused, 'stroke')}")


def _hear(asked: AskPlaceOptions) -> None:
    assert asked.recording is not None
    if asked.plan_file is None:
        raise UserError(
            "a recording alone does not tell when it was struck",
            where=str(asked.recording),
            remedy="give its plan",
            argument="plan",
        )
    if asked.port is not None:
        raise UserError("a recording and a port", remedy="give one of the two")
    played = read_plan(asked.plan_file)
    machine = _palette_of(asked, played)
    with ui.progress(f"reading {asked.recording.name}"):
        capture = read_capture(asked.recording, asked.channel, "hearing echoes", RATE_MAX_HZ)
    _answer(asked, capture, played, machine)


def _palette_of(asked: AskPlaceOptions, played: Plan) -> Palette | None:
    """The palette of the plan; it is needed for the temperature only, and may be away."""
    assert asked.plan_file is not None
    try:
        return find_palette(asked.palette, asked.plan_file, played, None)
    except UserError:
        if asked.palette is not None:
            raise
        return None


def _answer(asked: AskPlaceOptions, capture: Capture, plan: Plan, machine: Palette | None) -> None:
    inputs = (asked.recording, asked.plan_file, asked.palette)
    if asked.output is not None:
        ui.target(asked.output, *inputs, writes="place")
    if asked.picture is not None:
        ui.target(asked.picture, *inputs, asked.output, writes="picture")
    with ui.progress("listening") as advance:
        answer = ask_place(capture, plan, machine, _air(asked, machine), asked.microphone, advance)
    if asked.output is not None:
        write_place(asked.output, answer.report)
    if asked.picture is not None:
        draw_place(asked.picture, answer.report, answer.detection)
    if asked.as_json:
        for text in lines_of(answer.report):
            ui.say(text)
    else:
        print_summary(answer)
        for path in (asked.output, asked.picture):
            if path is not None:
                ui.say(f"wrote {path}")
    for warning in capture.warnings:
        ui.look(warning)
    heard, planned = answer.report.place.strokes, len(plan.strikes)
    if heard < planned:
        ui.look(
            f"it holds {heard} of the plan's {counted(planned, 'stroke')}: the answer is by those"
        )
    if answer.snr_db < POOR_DB:
        ui.look("the strokes hardly stand out of the noise: strike harder, or in a quieter hour")


# Below this the strokes themselves are hardly heard, and their returns less.
POOR_DB = 3.0
SUREST = 0.9999


def _air(asked: AskPlaceOptions, machine: Palette | None) -> Air:
    if asked.temperature is not None:
        return Air(asked.temperature, asked.humidity, STATED_SD_C)
    ambient_c = 10.0 if machine is None else machine.ambient_c
    return Air(ambient_c, asked.humidity, ASSUMED_SD_C)


def _sure(confidence: float) -> str:
    # No number of strokes makes it certain.
    return f"{confidence:.2%} sure" if confidence < SUREST else f"over {SUREST:.2%} sure"


def print_summary(answer: EchoResult) -> None:
    """Tell what the place gives back."""
    report = answer.report
    place = report.place
    for number, echo in enumerate(report.echoes, start=1):
        why = f", {echo.path}" if echo.path else ""
        ui.say(
            f"echo {number}  {1000 * echo.delay_s:8.1f} ms  {echo.level_db:+6.1f} dB"
            f"  a wall at {echo.distance_m:.1f} ± {echo.distance_sd_m:.1f} m"
            f"  ({_sure(echo.confidence)}{why})"
        )
    if place.t20_s is not None:
        early = "" if place.edt_s is None else f"EDT {place.edt_s:.2f} s, "
        ui.say(f"reverberation: {early}T20 {place.t20_s:.2f} s")
    if place.octaves:
        bands = (f"{one.octave_hz:g} Hz {one.t20_s:.2f} s" for one in place.octaves)
        ui.say(f"T20 in octaves: {', '.join(bands)}")
    if place.t20_s is None and place.reverberation:
        ui.say(f"no reverberation time: {place.reverberation}")
    ui.say(place.answer)
    ui.say(
        f"  by {counted(place.strokes, 'stroke')} on {place.striker}; walls from"
        f" {place.near_m:g} to"
        f" {place.farthest_m:g} m; between strokes {place.background_db:.0f} dB re full scale"
    )
    ui.say(
        f"  air of {place.air_temperature_c:g} °C: {place.speed_of_sound_m_s:.1f} m/s; each kelvin"
        f" warmer puts a wall at 100 m {100 * place.kelvin_costs_m:.0f} cm farther"
    )
