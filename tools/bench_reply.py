"""How replies behave beside a naive responder's, and how fast they are made.

    python tools/bench_reply.py            on the choruses, all shipped rule sets
    python tools/bench_reply.py --json

The peer answers every phrase with its own notes on the nearest striker, a
fixed second after the phrase has ended, whoever sings meanwhile. Both answer
the true notes of the same scenes (so that no listener's error enters), and
both are planned on the same palette. Overlap, share answered and delay are
those of `callresp.reply.metrics`.
"""

from __future__ import annotations

import random
import sys
import time
from pathlib import Path

import click
import msgspec
from bench_table import Table

from callresp.io.resources import shipped
from callresp.io.score import (
    HeardHeader,
    HeardScore,
    Note,
    ReplyHeader,
    ReplyNote,
    ReplyScore,
    phrases,
)
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plan.planner import make_plan
from callresp.reply.live import LiveReplier
from callresp.reply.mapping import choose
from callresp.reply.metrics import ReplyMetrics, measure
from callresp.reply.replier import answer
from callresp.reply.rules import load_rules
from callresp.scene.recipe import load_recipe
from callresp.scene.render import render

SCENES = ("score-duet", "score-chorus")
FIXED_DELAY_S = 1.0
HOUR_NOTES = 20_000
COLUMNS = ("rules", "answered", "overlap", "delay s", "contour")


def naive(heard: HeardScore, palette: Palette) -> ReplyScore:
    """Every phrase echoed after a fixed delay."""
    notes: list[ReplyNote] = []
    for phrase in phrases(heard.notes):
        start_s = phrase.offset_s + FIXED_DELAY_S - phrase.onset_s
        chosen = choose([note.pitch_hz for note in phrase.notes], palette.striker, "nearest")
        for note, striker in zip(phrase.notes, chosen, strict=True):
            if striker is None:
                continue
            notes.append(
                ReplyNote(
                    id=len(notes),
                    onset_s=note.onset_s + start_s,
                    offset_s=note.offset_s + start_s,
                    instrument=striker.name,
                    force=0.7,
                    phrase=phrase.id,
                    heard=note.id,
                    heard_phrase=phrase.id,
                    rule="fixed delay",
                    asked_hz=note.pitch_hz,
                )
            )
    notes.sort(key=lambda note: (note.onset_s, note.id))
    header = ReplyHeader(rules="fixed delay (peer)", duration_s=heard.header.duration_s)
    return ReplyScore(header=header, notes=tuple(notes))


def hour(seed: int = 0) -> HeardScore:
    """An hour of 20,000 made-up notes of five voices: for speed, not for music."""
    rng = random.Random(seed)
    raw: list[tuple[float, float, str, int]] = []
    phrase = 0
    for voice in "ABCDE":
        now = 0.0
        while now < 3600 and len(raw) < HOUR_NOTES * (ord(voice) - 64) / 5:
            for _ in range(rng.randint(3, 8)):
                length = rng.uniform(0.03, 0.15)
                raw.append((now, length, voice, phrase))
                now += length + rng.uniform(0.02, 0.08)
            phrase += 1
            now += rng.uniform(2.0, 6.4)
    raw.sort()
    notes = tuple(
        Note(
            id=number,
            onset_s=onset,
            offset_s=onset + length,
            pitch_hz=rng.uniform(800, 7000),
            level_db=rng.uniform(-50, -20),
            voice=voice,
            phrase=group,
        )
        for number, (onset, length, voice, group) in enumerate(raw)
    )
    return HeardScore(header=HeardHeader(duration_s=3600.0), notes=notes)


def rows(scene: str, palette: Palette, folder: Path | None = None) -> list[ReplyMetrics]:
    """Metrics of the peer and of every shipped rule set on one scene."""
    heard = render(load_recipe(scene)).truth
    replies = [naive(heard, palette)]
    replies += [answer(heard, palette, load_rules(name)) for name in shipped("rules")]
    return [measure(heard, reply, palette) for reply in replies]


def speed(palette: Palette) -> dict[str, float]:
    """Seconds to answer and to plan an hour of 20,000 notes, and half of it."""
    found = {}
    for name, share in (("half an hour", 0.5), ("an hour", 1.0)):
        whole = hour()
        kept = tuple(note for note in whole.notes if note.onset_s < 3600 * share)
        heard = msgspec.structs.replace(whole, notes=kept)
        start = time.process_time()
        reply = answer(heard, palette, load_rules("answer"))
        answered = time.process_time()
        make_plan(reply, palette)
        found[f"{name}: notes"] = float(len(kept))
        found[f"{name}: answer s"] = answered - start
        found[f"{name}: plan s"] = time.process_time() - answered
    return found


def live_ms(palette: Palette) -> tuple[float, float]:
    """Median and 99th percentile, in ms of processor time, of a note's way through live."""
    heard = hour()
    notes = [note for note in heard.notes if note.onset_s < 600]
    live = LiveReplier(palette, load_rules("answer"))
    events = sorted(
        [(note.onset_s, 0, note) for note in notes] + [(note.offset_s, 1, note) for note in notes],
        key=lambda event: event[:2],
    )
    took: list[float] = []
    for at_s, ends, note in events:
        start = time.process_time()
        if ends:
            live.heard(note, note.id)
        else:
            live.began(note.id, note.voice, at_s)
        live.tick(at_s)
        took.append(1000 * (time.process_time() - start))
    took.sort()
    return took[len(took) // 2], took[int(0.99 * len(took))]


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--palette", default="fettle", show_default=True)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a row.")
def main(palette: str, as_json: bool) -> None:
    """Print the measures and the speed."""
    machine = load_palette(palette)
    for scene in SCENES:
        found = rows(scene, machine)
        if as_json:
            for one in found:
                click.echo(msgspec.json.encode({"scene": scene, **msgspec.to_builtins(one)}))
            continue
        shown = Table(f"{scene}: {found[0].phrases} phrases", COLUMNS, places=2)
        for one in found:
            shown.add(one.rules, one.answered_share, one.overlap_share, one.delay_s, one.contour)
        click.echo(shown.text())
    figures = speed(machine)
    figures["live: median ms"], figures["live: p99 ms"] = live_ms(machine)
    if as_json:
        click.echo(msgspec.json.encode(figures))
    else:
        for name, value in figures.items():
            click.echo(f"{name:24}{value:10.3f}")


if __name__ == "__main__":
    sys.exit(main())
