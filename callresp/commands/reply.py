"""``callresp reply``: a heard score in, a reply score out."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import msgspec

from callresp.commands import ui
from callresp.io.place import read_place
from callresp.io.score import HeardScore, ReplyNote, ReplyScore
from callresp.io.score_files import read_heard, write_reply
from callresp.io.wording import counted
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.reply.echoes import KnownEcho, loudest
from callresp.reply.replier import answer
from callresp.reply.rules import RuleSet, load_rules
from callresp.reply.selection import missing
from callresp.reply.silences import tally
from callresp.synthesis.job_files import named_after


def run(
    heard: Path,
    palette: str,
    rules: str,
    seed: int | None,
    place: Path | None,
    output: Path | None,
    explain: bool,
    as_json: bool,
) -> None:
    """Answer a heard score with a palette and a rule set."""
    output = ui.target(
        output or named_after(heard, "heard", ".reply.jsonl"),
        heard,
        palette,
        rules,
        writes="reply score",
    )
    machine, rule_set = load_palette(palette), load_rules(rules)
    for line in missing(rule_set, machine):
        ui.warn(line)
    calls = read_heard(heard, ui.look)
    if told := without_striker(calls, rule_set, machine):
        ui.warn(told)
    score = answer(calls, machine, rule_set, seed, echo_of(place))
    header = msgspec.structs.replace(score.header, palette=palette, heard_file=heard.name)
    score = msgspec.structs.replace(score, header=header)
    write_reply(output, score)
    if not score.notes:
        ui.look(f"{heard}: nothing was answered")
    if as_json:
        ui.emit({"reply": str(output), **figures(score)})
        return
    print_summary(score)
    if explain:
        for text in explain_rows(score):
            ui.say(f"  {text}")
    ui.say(f"wrote {output}")
    ui.say(f"next: callresp check {ui.typed(output)}")


def echo_of(place: Path | None) -> KnownEcho | None:
    """The return that rules act on: the loudest of a place that was asked."""
    if place is None:
        return None
    found = loudest(read_place(place))
    if found is None:
        ui.warn(f"{place}: this place gives nothing back; rules with 'echo' have nothing to join")
    return found


def without_striker(calls: HeardScore, rules: RuleSet, palette: Palette) -> str:
    """That notes without pitch can't be played, where rules give them none of the strikers."""
    if not palette.striker:
        return f"{palette.name} has no strikers: nothing can be answered"
    lost = sum(note.pitch_hz is None for note in calls.notes)
    idle = [number for number, rule in enumerate(rules.rule, start=1) if not rule.unpitched]
    if not (lost and idle) or any(striker.pitch_hz is None for striker in palette.striker):
        return ""
    return (
        f"{lost} of {counted(len(calls.notes), 'heard note')} have no pitch, and no striker of"
        f" {palette.name} is without one: rule.{idle[0]}.unpitched can name some for them"
    )


def figures(score: ReplyScore) -> dict[str, object]:
    """Counts of a reply score."""
    return {
        "notes": len(score.notes),
        "answered": len({note.heard_phrase for note in score.notes}),
        "unanswered": len(score.unanswered),
        "rules": dict(Counter(note.rule for note in score.notes).most_common()),
        "silences": tally(silence.why for silence in score.unanswered),
    }


def print_summary(score: ReplyScore) -> None:
    """Tell a person what was answered, and what was not and why."""
    answered = len({note.heard_phrase for note in score.notes})
    total = answered + len(score.unanswered)
    ui.say(
        f"{score.header.rules}: answers {answered} of {counted(total, 'phrase')},"
        f" {counted(len(score.notes), 'note')}"
    )
    for rule, count in Counter(note.rule for note in score.notes).most_common():
        ui.say(f"  {rule}: {counted(count, 'note')}")
    for why, count in tally(silence.why for silence in score.unanswered).items():
        ui.say(f"  silent {counted(count, 'time')}: {why}")


def explain_rows(score: ReplyScore) -> list[str]:
    """Every note and silence in order of time, each with its reason."""
    rows = [(note.onset_s, _note_line(note)) for note in score.notes]
    rows += [
        (s.at_s, f"{s.at_s:.3f} s  phrase {s.unanswered} is not answered: {s.why}")
        for s in score.unanswered
    ]
    return [text for _, text in sorted(rows)]


def _note_line(note: ReplyNote) -> str:
    length = "rings" if note.offset_s is None else f"{note.offset_s - note.onset_s:.2f} s"
    # 0 is the softest stroke that a striker has, not silence.
    least = " (the least it has)" if note.force < 0.005 else ""
    return (
        f"{note.onset_s:.3f} s  {note.instrument}, force {note.force:.2f}{least}, {length}"
        f"  [{note.rule}] {note.why}"
    )
