"""``callresp replay``: a day in the field, answered again by other rules."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import msgspec

from callresp.commands import options, ui
from callresp.errors import UserError
from callresp.field.day import FieldDay
from callresp.field.day_reader import read_day
from callresp.field.provenance import palette_of, rules_of
from callresp.field.replay import (
    Variant,
    answered_anew,
    as_played,
    cut_day,
    overlap_of,
)
from callresp.field.scores import heard_score
from callresp.io.score import HeardScore
from callresp.io.score_files import write_heard, write_reply
from callresp.io.wording import counted, lasting, table
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plan.files import write_plan
from callresp.plan.planner import make_plan
from callresp.plots.dial_picture import draw_day
from callresp.reply.replier import answer
from callresp.reply.rules import RuleSet, load_rules
from callresp.synthesis.mixing import FOR_LISTENING
from callresp.synthesis.mixing import mix as mix_down

# A longer mix would not fit into a WAV file of 4 GB (48 kHz, 24 bit, one channel).
MIX_MAX_S = 7 * 3600.0


def run(
    log: Path,
    rules: tuple[str, ...],
    palette: str | None,
    seed: int | None,
    from_: str | None,
    to: str | None,
    output: Path | None,
    plans: bool,
    mix: bool,
    picture: bool,
    as_json: bool,
) -> None:
    """Take a day's log and answer its calls again, by the same rules and by others."""
    output = output or log.with_name(f"{log.stem}.heard.jsonl")
    ui.target(output, log, palette, *rules, writes="heard score")
    with ui.progress(f"reading {log.name}"):
        day = _spell(read_day(log), from_, to)
    machine = _palette(palette, day)
    sets = _rule_sets(rules, day)
    _before_mixing(day, mix, picture)
    heard = heard_score(day)
    write_heard(output, heard)
    variants = [as_played(day, heard, machine)]
    with ui.progress("answering anew") as advance:
        for number, (label, rule_set) in enumerate(sets):
            reply = answer(heard, machine, rule_set, seed)
            variants.append(answered_anew(label, heard, reply, make_plan(reply, machine)))
            advance((number + 1) / len(sets), label)
    written = [output]
    for one in variants[1:]:
        written += _written(one, day, output, machine, plans=plans, mix=mix, picture=picture)
    if as_json:
        rows = {"heard": str(output), **_plain(heard, variants)}
        ui.emit({**rows, "written": [str(path) for path in written]})
        return
    print_summary(heard, variants)
    ui.say(f"wrote {', '.join(map(str, written))}")


def _palette(named: str | None, day: FieldDay) -> Palette:
    if named is not None:
        return load_palette(named)
    machine, same = palette_of(day)
    if machine is None:
        raise UserError(
            "can't find the palette of that day",
            where=str(day.path),
            remedy="name its file with --palette",
        )
    if not same:
        ui.warn(f"palette '{machine.name}' was changed since that day")
    return machine


def _rule_sets(named: tuple[str, ...], day: FieldDay) -> list[tuple[str, RuleSet]]:
    """The day's own rules, where they can be found, and those that were named."""
    found = []
    own = rules_of(day)
    for name, rule_set in own.items():
        if rule_set is None:
            ui.warn(f"no rules '{name}' here: the day's own are not answered anew")
        else:
            found.append((f"{Path(name).stem}, anew", rule_set))
    for name in named:
        rule_set = load_rules(name)
        if rule_set not in own.values():
            found.append((Path(name).stem, rule_set))
    return found


def _spell(day: FieldDay, from_: str | None, to: str | None) -> FieldDay:
    if from_ is None and to is None:
        return day
    from_s = 0.0 if from_ is None else _since_start("--from", from_, day, 0.0)
    to_s = day.duration_s if to is None else _since_start("--to", to, day, from_s)
    return cut_day(day, from_s, to_s)


def _since_start(option: str, text: str, day: FieldDay, after_s: float) -> float:
    """The first moment at that time within the day and after `after_s`; else its begin or end."""
    clock = options.time_of_day(option, text)
    moment = datetime.combine(day.start.date(), clock, day.start.tzinfo)
    given_s = (moment - day.start).total_seconds()
    if option == "--from" and -60 < given_s <= 0:
        return 0.0  # a log that began at 08:16:42 is one from 08:16 on
    next_s = after_s + ((given_s - after_s) % 86400 or 86400)
    if next_s < day.duration_s:
        return next_s
    # Ten past eight is before a run of 08:16, ten past midnight after one of 23:50.
    after = max(given_s, after_s) > 0 or next_s - day.duration_s < -given_s
    if option == "--from" and not after:
        return 0.0
    if option == "--to" and after:
        return day.duration_s
    verb, at_s = ("ended", day.duration_s) if option == "--from" else ("began", 0.0)
    raise UserError(
        f"the day {verb} at {day.moment(at_s):%H:%M}",
        where=option,
        remedy="give a time within it",
    )


def _before_mixing(day: FieldDay, mix: bool, picture: bool) -> None:
    narrow = "narrow it with --from and --to"
    if mix and day.duration_s > MIX_MAX_S:
        hours = day.duration_s / 3600
        raise UserError(f"a mix of {hours:.1f} h is too long", where="--mix", remedy=narrow)
    if picture and day.duration_s > 86400:
        raise UserError("one dial holds 24 hours", where="--picture", remedy=narrow)


def _written(
    one: Variant,
    day: FieldDay,
    heard: Path,
    machine: Palette,
    *,
    plans: bool,
    mix: bool,
    picture: bool,
) -> list[Path]:
    """Write what was asked for of a variant, beside the heard score."""
    assert one.reply is not None
    assert one.checked is not None
    label = _as_name(one.figures.label)
    stem = f"{heard.name.removesuffix('.jsonl').removesuffix('.heard')}.{label}"
    written = []
    if plans:
        written += [heard.with_name(f"{stem}.reply.jsonl"), heard.with_name(f"{stem}.plan.jsonl")]
        write_reply(written[0], one.reply)
        write_plan(written[1], one.checked.plan)
    if mix:
        written.append(heard.with_name(f"{stem}.rehearsal.wav"))
        with ui.progress(f"mixing {written[-1].name}") as advance:
            mix_down(None, one.checked.plan, machine, written[-1], FOR_LISTENING, progress=advance)
    if picture:
        written.append(heard.with_name(f"{stem}.png"))
        title = f"{day.path.stem}: {one.figures.label}"
        told = (counted(len(day.phrases), "call"), f"{one.figures.answered:,} answered")
        draw_day(
            written[-1], day.phrases, one.notes, day.start, day.duration_s, machine, title,
            told=told,
        )  # fmt: skip
    return written


def _as_name(label: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in label.replace(", ", "-"))


def _plain(heard: HeardScore, variants: list[Variant]) -> dict[str, object]:
    return {
        "calls": len({note.phrase for note in heard.notes}),
        "start": heard.header.start,
        "duration_s": heard.header.duration_s,
        "ways": [msgspec.to_builtins(one.figures) for one in variants],
        "beside_as_played": [
            msgspec.to_builtins(overlap_of(heard, variants[0], one)) for one in variants[1:]
        ],
    }


ROWS = (
    ("calls answered", "answered", "{:,}"),
    ("  of all", "answered_share", "{:.1%}"),
    ("notes asked", "asked", "{:,}"),
    ("notes played", "played", "{:,}"),
    ("strokes a minute", "strokes_per_minute", "{:.2f}"),
    ("share of the time", "time_share", "{:.2%}"),
    ("overlap with calls", "overlap_share", "{:.1%}"),
    ("delay, s", "delay_s", "{:.2f}"),
    ("contour kept", "contour", "{:.2f}"),
)


def print_summary(heard: HeardScore, variants: list[Variant]) -> None:
    """Tell a person how the variants differ."""
    calls = len({note.phrase for note in heard.notes})
    ui.say(f"{counted(calls, 'call')} in {lasting(heard.header.duration_s)}")
    cells = [["", *(one.figures.label for one in variants)]]
    for name, key, shape in ROWS:
        values = [getattr(one.figures, key) for one in variants]
        cells.append([name, *("-" if one is None else shape.format(one) for one in values)])
    for instrument in dict.fromkeys(name for one in variants for name in one.figures.work):
        struck = (f"{one.figures.work.get(instrument, 0):,}" for one in variants)
        cells.append([f"  {instrument}", *struck])
    for line in table(*cells):
        ui.say(line)
    for one in variants:
        for why, count in one.figures.not_played.items():
            ui.say(f"{one.figures.label}: {count} not played, {why}")
    for one in variants[1:]:
        found = overlap_of(heard, variants[0], one)
        new = counted(found.only_other, "call")
        ui.say(
            f"{one.figures.label}: answers {new} left alone that day, leaves"
            f" {found.only_one:,} that were answered, {found.both:,} in common"
        )
