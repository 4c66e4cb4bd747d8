"""``callresp audition``: several rule sets, or one setting swept, on one recording."""

from __future__ import annotations

from pathlib import Path

from callresp.commands import ui
from callresp.io import wording
from callresp.io.audio import open_recording
from callresp.io.resources import shipped
from callresp.io.score import HeardScore
from callresp.io.score_files import read_heard
from callresp.palette.files import load_palette
from callresp.plan.auditions import Audition, audition, swept
from callresp.plots.auditions import AuditionRow, draw_auditions
from callresp.reply.rules import load_rules
from callresp.synthesis.mixing import FOR_LISTENING
from callresp.synthesis.mixing import mix as mix_down


def run(
    source: Path,
    rules: tuple[str, ...],
    palette: str,
    seed: int | None,
    sweep: str | None,
    steps: int,
    mix: bool,
    picture: Path | None,
    as_json: bool,
) -> None:
    """Hear several rule sets on one recording, side by side."""
    if picture is not None:
        ui.target(picture, source, palette, *rules, writes="picture")
    machine = load_palette(palette)
    names = rules or tuple(shipped("rules"))
    if sweep:
        tried = swept(load_rules(names[0]), sweep, steps)
    else:
        tried = [(name, load_rules(name)) for name in names]
    heard, recording = _heard(source)
    with ui.progress("auditioning") as advance:
        auditions = []
        for number, (label, rule_set) in enumerate(tried, start=1):
            auditions.append(audition(label, heard, machine, rule_set, seed))
            advance(number / len(tried))
    if mix:
        _mixes(source, recording, auditions)
    if picture is not None:
        rows = [AuditionRow(one.caption(), one.reply, one.checked) for one in auditions]
        draw_auditions(picture, heard, rows, open_recording(recording) if recording else None)
    if as_json:
        for one in auditions:
            ui.emit(one.row())
        return
    for line in table(auditions):
        ui.say(line)
    if sweep and all(one.reply.notes == auditions[0].reply.notes for one in auditions):
        ui.look(f"{sweep} makes no difference here: every value gives the same replies")
    if picture is not None:
        ui.say(f"wrote {picture}")


def _heard(source: Path) -> tuple[HeardScore, Path | None]:
    """The heard score of a recording or of its file; the recording where it is there."""
    if source.name.endswith(".jsonl"):
        heard = read_heard(source, ui.look)
        beside = source.with_name(Path(heard.header.recording).name)
        return heard, beside if beside.is_file() else None
    sound = open_recording(source)
    from callresp.listen.offline import transcribe

    with ui.progress(f"hearing {source.name}") as advance:
        return transcribe(sound, progress=advance), source


# Heading, key, shape; what they say stands below the table.
LEGEND = (
    "answered: of all phrases; overlap: of the machine's sounding time, while a bird sings too;",
    "delay: from a phrase's end to its answer, median; off: from the asked pitch, octaves aside;",
    "contour: share of the phrase's ups and downs that is kept; picked: how often the call that a",
    "reply answers is told from its reply; dropped: notes that the machine can't play.",
)
COLUMNS = (
    ("answered", "answered_share", "{:.0%}"),
    ("overlap", "overlap_share", "{:.0%}"),
    ("delay s", "delay_s", "{:.2f}"),
    ("strokes/min", "strokes_per_minute", "{:.1f}"),
    ("off cents", "pitch_error_cents", "{:.0f}"),
    ("contour", "contour", "{:.2f}"),
    ("picked", "picked", "{:.0%}"),
    ("by chance", "picked_chance", "{:.0%}"),
    ("dropped", "dropped", "{}"),
    ("battery h", "battery_hours", "{:.0f}"),
)


def table(auditions: list[Audition]) -> list[str]:
    """The measures side by side, a line each."""
    cells = [["rules", *(name for name, _, _ in COLUMNS)]]
    for one in auditions:
        row = one.row()
        told = (
            shape.format(row[key]) if row[key] is not None else "-" for _, key, shape in COLUMNS
        )
        cells.append([one.label, *told])
    lines = wording.table(*cells)
    for one in auditions:
        work = ", ".join(f"{name} {count}" for name, count in one.measures.work.items())
        lines.append(f"{one.label}: {work or 'nothing played'}")
    return [*lines, *LEGEND]


def _mixes(source: Path, recording: Path | None, auditions: list[Audition]) -> None:
    stem = source.name.split(".")[0]
    for one in auditions:
        label = "".join(c if c.isalnum() or c in "-=." else "-" for c in one.label)
        target = source.with_name(f"{stem}.{label}.rehearsal.wav")
        with ui.progress(f"mixing {target.name}") as advance:
            palette = one.checked.palette
            mix_down(recording, one.checked.plan, palette, target, FOR_LISTENING, progress=advance)
        ui.warn(f"wrote {target}")
