"""``callresp rehearse`` and ``callresp export``: a plan in; its sound, or a MIDI file, out."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path

from callresp.commands import options, ui
from callresp.errors import UserError
from callresp.io.place import Echo, read_place
from callresp.io.score_files import read_heard, read_reply
from callresp.io.wording import counted
from callresp.midi.file import tracks_of, write_midi
from callresp.midi.out import play
from callresp.midi.ports import open_port
from callresp.plan.files import read_plan
from callresp.plots.excerpt_picture import DrawnExcerpt, draw_excerpt
from callresp.synthesis.job_files import (
    Job,
    beside,
    find_palette,
    load_job,
    of_one_recording,
    refuse_lacking,
    sibling,
    stage_of,
)
from callresp.synthesis.levels import listening_point
from callresp.synthesis.mixing import HEARING_CAUTION, MixReport, MixSettings, mix

# Below this a peak is digital silence.
SILENT_DB = -150.0


def run_rehearse(**given: object) -> None:
    """Render a plan beside its recording: the mix, and a picture if asked."""
    asked = options.filled(RehearseOptions, given)
    plan = asked.plan
    job = load_job(plan, asked.palette, asked.recording, asked.heard, asked.reply)
    if asked.midi_port is not None:
        _play(job, asked.midi_port, asked.virtual, asked.from_s or 0.0)
        return
    read = (plan, job.recording, asked.heard, asked.reply, asked.palette)
    output = ui.target(asked.output or sibling(plan, ".rehearsal.wav"), *read, writes="sound file")
    drawing = asked.picture_file or (sibling(plan, ".png") if asked.picture else None)
    if drawing is not None:
        ui.target(drawing, output, *read, writes="picture")
    elif asked.from_s is not None or asked.to_s is not None:
        raise UserError("--from and --to need a picture", remedy="add --picture")
    echoes = () if asked.place is None else read_place(asked.place).echoes
    mixed = _mix(job, output, asked, echoes)
    drawn = None if drawing is None else _draw(job, drawing, asked, echoes)
    for warning in mixed.warnings:
        ui.look(f"{job.recording}: {warning}")
    if asked.as_json:
        ui.emit({**asdict(mixed), **({"picture": asdict(drawn)} if drawn else {})})
        return
    _print_summary(job, mixed)
    if drawn is not None:
        ui.say(f"wrote {drawn.path}")
    ui.say(f"next: callresp export {ui.typed(plan)}")


@dataclass(frozen=True, slots=True)
class RehearseOptions:
    """The command's options, by their parameter names."""

    plan: Path
    recording: Path | None
    palette: str | None
    heard: Path | None
    reply: Path | None
    output: Path | None
    place: Path | None
    alone: bool
    stereo: bool
    pan: float | None
    distance: float | None
    full_scale: float | None
    calibration: Path | None
    float32: bool
    seed: int
    picture: bool
    picture_file: Path | None
    from_s: float | None
    to_s: float | None
    loudness: float
    midi_port: str | None
    virtual: bool
    as_json: bool


def _mix(job: Job, output: Path, asked: RehearseOptions, echoes: tuple[Echo, ...]) -> MixReport:
    mixing = MixSettings(
        stereo=asked.stereo or asked.pan is not None,
        pan=asked.pan or 0.0,
        float32=asked.float32,
        alone=asked.alone,
        loudness_lufs=asked.loudness,
        echoes=echoes,
    )
    full_scale_db = options.full_scale_db(asked.full_scale, asked.calibration)
    place = listening_point(job.palette, asked.distance, full_scale_db)
    with ui.progress(f"mixing {output.name}") as advance:
        return mix(
            job.recording,
            job.plan,
            job.palette,
            output,
            mixing=mixing,
            place=place,
            seed=asked.seed,
            progress=advance,
        )


def _draw(job: Job, target: Path, asked: RehearseOptions, echoes: tuple[Echo, ...]) -> DrawnExcerpt:
    with ui.progress(f"drawing {target.name}") as advance:
        return draw_excerpt(
            target,
            recording=job.recording,
            heard=job.heard,
            reply=job.reply,
            plan=job.plan,
            palette=job.palette,
            from_s=asked.from_s,
            to_s=asked.to_s,
            progress=advance,
            echoes=echoes,
        )


def _print_summary(job: Job, mixed: MixReport) -> None:
    if job.recording is None:
        ui.warn("no recording beside the plan: rendered the machine alone (--recording names one)")
    sources = [("the machine", mixed.machine_peak_db)]
    if job.recording is not None and mixed.chorus_peak_db > SILENT_DB:
        sources.append(("the recording", mixed.chorus_peak_db))
    levels = ", ".join(
        f"{name} peaks as high as a tone of {mixed.full_scale_db + peak_db:.0f} dB SPL"
        if peak_db > SILENT_DB
        else f"{name} is silent"
        for name, peak_db in sources
    )
    ui.say(f"{job.palette.name} heard from {mixed.distance_m:g} m: {levels}")
    way = "up" if mixed.gain_db > 0 else "down"
    loudness = "too faint or short for a loudness"
    if mixed.loudness_lufs is not None:
        loudness = f"{mixed.loudness_lufs:.1f} LUFS"
    ui.say(
        f"wrote {mixed.path}: {mixed.duration_s:.1f} s, {mixed.sample_rate_hz} Hz,"
        f" {'stereo' if mixed.channels == 2 else 'mono'}; {loudness}, true peak"
        f" {mixed.peak_db + mixed.gain_db:.1f} dB of full scale, turned {way} by"
        f" {abs(mixed.gain_db):.1f} dB for listening"
    )
    ui.warn(HEARING_CAUTION)


def _play(job: Job, name: str, virtual: bool, from_s: float) -> None:
    tracks = tracks_of(job.heard, job.reply, job.plan, job.palette)
    port = open_port(name, virtual)
    try:
        with ui.progress(f"playing on {name}") as advance:
            notes = play(tracks, port, from_s=from_s, progress=advance)
    finally:
        port.close()
    ui.say(f"played {counted(notes, 'note')} on {name}")


def run_export(
    scores: tuple[Path, ...],
    output: Path | None,
    palette: str | None,
    alone: bool,
    as_json: bool,
) -> None:
    """Write scores as a Standard MIDI File."""
    files = _by_stage(scores)
    plan = read_plan(files["plan"]) if "plan" in files else None
    reply = read_reply(files["reply"]) if "reply" in files else None
    machine = None
    if plan is not None or reply is not None:
        source = files.get("plan") or files["reply"]
        told = beside(source, plan.header.reply_file if plan else "", ".reply.jsonl")
        machine = find_palette(palette, source, plan, reply or (read_reply(told) if told else None))
        if plan is None:
            refuse_lacking(machine, source, reply)
    own = plan or reply
    near = beside(scores[0], own.header.heard_file, ".heard.jsonl") if own and not alone else None
    if "heard" not in files and near is not None:
        files["heard"] = near
    heard = read_heard(files["heard"]) if "heard" in files else None
    for stage, score in (("reply", reply), ("heard", heard)):
        if own is not None and score is not None:
            of_one_recording(files[stage], score.header.recording, own.header.recording)
    target = ui.target(
        output or sibling(scores[0], ".mid"), *files.values(), palette, writes="MIDI file"
    )
    done = write_midi(
        target,
        heard=heard,
        reply=reply,
        plan=plan,
        palette=machine,
    )
    if as_json:
        ui.emit(asdict(done))
        return
    ui.say(
        f"wrote {done.path}: {counted(done.heard_notes, 'note')} heard and {done.reply_notes}"
        " played, on"
        f" {counted(len(done.tracks), 'track')}, {done.length_s:.1f} s"
    )


def _by_stage(scores: tuple[Path, ...]) -> dict[str, Path]:
    found: dict[str, Path] = {}
    for path in scores:
        stage = stage_of(path)
        if stage in found:
            raise UserError(f"a second {stage}", where=str(path), remedy="give one of each")
        found[stage] = path
    return found
