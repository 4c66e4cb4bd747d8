"""``callresp advise``: what a palette's strikers can't do for a recording."""

from __future__ import annotations

from pathlib import Path

from callresp.commands import ui
from callresp.io.score_files import read_heard, read_reply
from callresp.io.wording import band, counted
from callresp.palette.files import load_palette
from callresp.palette.similarity import SoundPair, pairs_of
from callresp.plan.advice.pitch_coverage import PitchCoverage, pitch_coverage
from callresp.plan.advice.what_if import AnswerFit, TriedStriker, try_adding
from callresp.plan.planner import make_plan
from callresp.plan.summary import Workload, workload
from callresp.reply.replier import answer
from callresp.reply.rules import load_rules
from callresp.synthesis.job_files import find_palette, of_one_recording

GAPS_TOLD = 5
ADDED_TOLD = 3


def run(
    heard: Path, reply: Path | None, palette: str | None, rules: str, tries: int, as_json: bool
) -> None:
    """Say which calls no striker can answer, and what one added striker would do."""
    score = read_heard(heard, ui.look)
    given = None if reply is None else read_reply(reply)
    if reply is not None and given is not None:
        of_one_recording(reply, given.header.recording, score.header.recording)
        machine = find_palette(palette, reply, None, given)
    else:
        machine = load_palette(palette or "fettle")
    rule_set = load_rules(rules)
    answered = given or answer(score, machine, rule_set)
    work = workload(answered, make_plan(answered, machine))
    with ui.progress("trying strikers") as advance:
        now, added = try_adding(score, machine, rule_set, tries, advance)
    reached = pitch_coverage(score.notes, machine.striker)
    pairs = pairs_of(machine.striker)
    if as_json:
        ui.emit({"reach": reached, "work": work, "now": now, "added": added, "pairs": pairs})
        return
    _print_reach(reached)
    _print_work(work)
    _print_alike(pairs)
    if tries:
        _print_added(now, added, rule_set.name)


def _print_reach(reached: PitchCoverage) -> None:
    pitched = reached.notes - reached.unpitched
    ui.say(
        f"{pitched} of {reached.notes} heard notes have a pitch: a striker answers"
        f" {reached.direct:.0%} as heard and {reached.by_octave:.0%} in another octave;"
        f" {reached.none:.0%} none can"
    )
    for gap in reached.gaps[:GAPS_TOLD]:
        near = f"; nearest is {gap.nearest}, {gap.off_cents:+.0f} cents" if gap.nearest else ""
        ui.say(
            f"  {band((gap.low_hz, gap.high_hz))}: {counted(gap.notes, 'note')} of"
            f" {', '.join(gap.voices)}{near}"
        )
    if len(reached.gaps) > GAPS_TOLD:
        rest = reached.gaps[GAPS_TOLD:]
        ui.say(
            f"  and {counted(sum(gap.notes for gap in rest), 'note')} in"
            f" {counted(len(rest), 'other place')}"
        )
    if reached.unpitched and not reached.unpitched_strikers:
        ui.say(
            f"  no block or box is there for {counted(reached.unpitched, 'note')} without a pitch"
        )


def _print_work(work: tuple[Workload, ...]) -> None:
    over = [item for item in work if item.overworked]
    if not over:
        ui.say("no striker is overworked")
    for item in over:
        text = (
            f"{item.striker} is overworked: {counted(item.strokes, 'stroke')},"
            f" {item.even:.1f} times its"
        )
        text += f" share, up to {item.busiest_per_min} a minute"
        if item.lost or item.changed:
            limits = ", ".join(f"{key} {count}" for key, count in item.by_limit.items())
            text += (
                f"; its limits cost {counted(item.lost, 'note')} and changed {item.changed}"
                f" ({limits})"
            )
        ui.say(text)
    idle = [item.striker for item in work if item.strokes == 0]
    if idle:
        ui.say(f"never struck: {', '.join(idle)}")


def _print_alike(pairs: tuple[SoundPair, ...]) -> None:
    alike = [pair for pair in pairs if pair.too_alike]
    for pair in alike:
        apart = "" if pair.cents is None else f", {pair.cents:+.0f} cents apart"
        ui.say(f"{pair.one} and {pair.other} sound too alike{apart} ({pair.alike:.0%} shared)")
    if not alike:
        ui.say("no two strikers sound too alike, by the partials in the palette")


def _print_added(now: AnswerFit, added: tuple[TriedStriker, ...], rules: str) -> None:
    share = now.played / max(now.asked, 1)
    ui.say(
        f"answered by '{rules}' as it is: {share:.0%} of pitched notes played,"
        f" {now.on_pitch:.0%} of them on the heard pitch, fit {now.fit:.3f}"
    )
    gains = [item for item in added if item.fit_gain > 0 and item.strokes > 0]
    if not gains:
        ui.say(f"none of {len(added)} tried strikers would do better")
    for item in gains[:ADDED_TOLD]:
        needs = f"; needs {item.needs}" if item.needs else ""
        ui.say(
            f"  one at {item.pitch_hz:.0f} Hz, like {item.like}: fit {item.outcome.fit:.3f}"
            f" ({item.fit_gain:+.3f}), {item.outcome.on_pitch:.0%} on the heard pitch;"
            f" it plays {item.strokes / max(item.outcome.played, 1):.0%} of all{needs}"
        )
