"""``callresp demo``: the whole job once, on the demo scene, without hardware."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import msgspec

from callresp.commands import reply as replies
from callresp.commands import ui
from callresp.commands.check import describe
from callresp.commands.stream import figures, write_log
from callresp.io.audio import open_recording
from callresp.io.score import HeardScore, ReplyScore
from callresp.io.score_files import write_heard, write_reply
from callresp.io.wording import counted
from callresp.link.session import Session
from callresp.link.simulator import board_in_step
from callresp.link.stream import stream
from callresp.midi.file import write_midi
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.files import write_plan
from callresp.plan.planner import make_plan
from callresp.plan.summary import summarise
from callresp.plots.excerpt_picture import draw_excerpt
from callresp.reply.replier import answer
from callresp.reply.rules import load_rules
from callresp.reply.silences import tally
from callresp.scene.recipe import load_recipe, vary
from callresp.scene.render import render_to
from callresp.synthesis.mixing import FOR_LISTENING, mix

SCENE = "hollin-carr"
# So many times as fast as the wall's clock the simulated board and its host live at most.
SPEED = 20.0


@dataclass(frozen=True)
class Folder:
    """The files of a demo, each named for what it holds."""

    root: Path

    def __getitem__(self, ending: str) -> Path:
        return self.root / f"{SCENE}{ending}"


@dataclass(frozen=True)
class DemoResult:
    """All that a demo has made."""

    folder: Folder
    heard: HeardScore
    reply: ReplyScore
    checked: CheckedPlan
    session: Session
    took_s: float


def run(output: Path, palette: str, rules: str, seed: int | None, as_json: bool) -> None:
    """Do the whole job once on the demo scene, without hardware or sound card."""
    began_s = time.monotonic()
    folder = Folder(output)
    heard = _hear(folder, seed)
    machine, reply = _answer(folder, heard, palette, rules)
    checked = _plan(folder, reply, machine)
    _rehearse(folder, heard, reply, checked)
    session = _stream(folder, checked)
    made = DemoResult(folder, heard, reply, checked, session, time.monotonic() - began_s)
    if as_json:
        ui.emit(_figures(made))
    else:
        _print_summary(made)


def _hear(folder: Folder, seed: int | None) -> HeardScore:
    from callresp.listen.offline import transcribe

    recipe = load_recipe(SCENE)
    if seed is not None:
        recipe = vary(recipe, seed=seed)
    with ui.progress("rendering the scene") as advance:
        render_to(recipe, folder[".wav"], folder[".truth.jsonl"], advance)
    with ui.progress("hearing it") as advance:
        heard = transcribe(open_recording(folder[".wav"]), progress=advance)
    header = msgspec.structs.replace(heard.header, start=recipe.start)
    heard = msgspec.structs.replace(heard, header=header)
    write_heard(folder[".heard.jsonl"], heard)
    return heard


def _answer(
    folder: Folder, heard: HeardScore, palette: str, rules: str
) -> tuple[Palette, ReplyScore]:
    machine = load_palette(palette)
    reply = answer(heard, machine, load_rules(rules))
    header = msgspec.structs.replace(reply.header, palette=palette)
    reply = msgspec.structs.replace(reply, header=header)
    write_reply(folder[".reply.jsonl"], reply)
    return machine, reply


def _plan(folder: Folder, reply: ReplyScore, machine: Palette) -> CheckedPlan:
    checked = make_plan(reply, machine)
    write_plan(folder[".plan.jsonl"], checked.plan)
    return checked


def _rehearse(folder: Folder, heard: HeardScore, reply: ReplyScore, checked: CheckedPlan) -> None:
    with ui.progress("mixing the rehearsal") as advance:
        mix(
            folder[".wav"],
            checked.plan,
            checked.palette,
            folder[".rehearsal.wav"],
            FOR_LISTENING,
            progress=advance,
        )
    write_midi(folder[".mid"], heard=heard, plan=checked.plan, palette=checked.palette)
    with ui.progress("drawing it") as advance:
        draw_excerpt(
            folder[".png"],
            recording=folder[".wav"],
            heard=heard,
            reply=reply,
            plan=checked.plan,
            palette=checked.palette,
            progress=advance,
        )


def _stream(folder: Folder, checked: CheckedPlan) -> Session:
    total = max(len(checked.plan.commands), 1)
    with (
        board_in_step(checked.palette, folder[".board.jsonl"], SPEED) as (port, clock),
        ui.progress("streaming to a simulated board") as advance,
    ):
        session = stream(
            checked,
            port,
            clock=clock,
            watch=lambda session, now_s: advance(len(session.ended) / total),
        )
    write_log(folder[".played.jsonl"], session)
    return session


def _figures(made: DemoResult) -> dict[str, object]:
    notes = made.heard.notes
    return {
        "folder": str(made.folder.root),
        "files": sorted(path.name for path in made.folder.root.iterdir()),
        "heard": {
            "notes": len(notes),
            "voices": len({note.voice for note in notes}),
            "phrases": len({note.phrase for note in notes}),
        },
        "reply": replies.figures(made.reply),
        "plan": msgspec.to_builtins(summarise(made.checked)),
        "link": figures(made.session),
        "took_s": round(made.took_s, 1),
    }


def _print_summary(made: DemoResult) -> None:
    """What was heard, answered, refused and why, and what to try next."""
    folder, reply = made.folder, made.reply
    voices = Counter(note.voice for note in made.heard.notes)
    answered = len({note.heard_phrase for note in reply.notes})
    phrases = len({note.phrase for note in made.heard.notes})
    singers = ", ".join(f"{name} {count}" for name, count in sorted(voices.items()))
    ui.say(
        f"heard     {counted(len(made.heard.notes), 'note')} in {counted(phrases, 'phrase')};"
        f" voices: {singers}"
    )
    ui.say(
        f"answered  {counted(answered, 'phrase')} with {counted(len(reply.notes), 'note')} on"
        f" {made.checked.palette.name},"
        f" by the rule set '{reply.header.rules}'"
    )
    for why, count in tally(s.why for s in reply.unanswered).items():
        ui.say(f"          kept silent {counted(count, 'time')}: {why}")
    changes = made.checked.plan.changes
    ui.say(
        f"refused   {counted(sum(c.change == 'dropped' for c in changes), 'note')};"
        f" {counted(len(changes), 'change')}"
    )
    for change in changes[:4]:
        ui.say(f"          {describe(change)}")
    if len(changes) > 4:
        ui.say(f"          and {len(changes) - 4} more in {folder['.plan.jsonl'].name}")
    report = made.session.report
    worst = max(map(abs, report.errors_ms), default=0.0)
    ui.say(
        f"streamed  {report.played} of {counted(report.commands, 'command')} played by the"
        " simulated board,"
        f" {worst:.1f} ms off at most"
    )
    ui.say(f"in        {folder.root}, after {made.took_s:.0f} s")
    for path in sorted(folder.root.iterdir()):
        ui.say(f"          {path.name}")
    ui.say(f"next      look at {folder['.png']}, listen to {folder['.rehearsal.wav']}")
    ui.say("          callresp demo --rules shadow -o another, and compare")
    ui.say(
        f"          callresp reply {ui.typed(folder['.heard.jsonl'])} --rules slow-bells --explain"
    )
    ui.say("          callresp transcribe YOUR-RECORDING.wav")
