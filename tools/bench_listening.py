#!/usr/bin/env python3
"""Measure the listener beside its peers, all in one run, on one core ('speed' on all, too).


    python tools/bench_listening.py
    python tools/bench_listening.py labelled --labelled DIR
    python tools/bench_listening.py notes noise --seeds 4 --json
    python tools/bench_listening.py length --hours 6


Parts (all of them, if none is named):
    labelled  onsets and offsets on recordings marked by hand (--labelled DIR)
    scenes    onsets on our own scenes
    notes     notes, pitches and voices on the choruses
    drumming  strokes of drummers on wood
    noise     false notes in an hour of weather
    attacks   onsets by kind of attack
    trills    notes of fast trills
    codecs    false notes in what was coded with loss; also of marked recordings (--labelled DIR)
    speed     times real time; also of real singers over one another (--singers DIR)
    length    cost and peak memory against length
    start     from the command to its first note
    online    latency of the online form

One set of defaults for everything, stock settings for everybody. Scenes are of
the scoring set, whose seeds, singers and noises are other ones than those that
anything was tuned on (--use tuning shows the latter).
"""

from __future__ import annotations

import functools
import importlib
import os
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click
from bench_table import run

from callresp.commands.ui import emit, say

if TYPE_CHECKING:
    from bench_accuracy import Job
    from bench_table import Table

# Where each part is made. The modules are imported only when threads have been set to one.
PARTS = {
    "labelled": ("bench_accuracy", "on_labelled"),
    "scenes": ("bench_accuracy", "on_scenes"),
    "notes": ("bench_accuracy", "on_notes"),
    "drumming": ("bench_accuracy", "on_drumming"),
    "noise": ("bench_accuracy", "on_noise"),
    "attacks": ("bench_onsets", "on_attacks"),
    "trills": ("bench_onsets", "on_trills"),
    "codecs": ("bench_codecs", "on_codecs"),
    "speed": ("bench_cost", "on_speed"),
    "length": ("bench_cost", "on_length"),
    "start": ("bench_cost", "on_start"),
    "online": ("bench_online", "on_online"),
}

_folders = functools.partial(
    click.option,
    multiple=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    metavar="DIR",
)


def one_core() -> None:
    """One core for all, and no threads behind their backs."""
    for name in ("OMP", "OPENBLAS", "MKL", "NUMBA"):
        os.environ[f"{name}_NUM_THREADS"] = "1"
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})


def tables(part: str, job: Job) -> Iterator[Table]:
    """The tables of a part, as they are made."""
    module, function = PARTS[part]
    yield from getattr(importlib.import_module(module), function)(job)


@click.command(help=__doc__, context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("parts", nargs=-1, type=click.Choice(list(PARTS)))
@_folders("--labelled", "folders", help="Of recordings marked by hand; may be given again.")
@_folders("--singers", help="Of recordings of singers, for 'speed'; may be given again.")
@click.option(
    "--use", type=click.Choice(["scoring", "tuning"]), default="scoring", show_default=True
)
@click.option("--seeds", type=click.IntRange(1, 50), default=2, show_default=True)
@click.option("--noise-minutes", type=click.FloatRange(0.1, 600), default=60.0, show_default=True)
@click.option("--hours", type=click.FloatRange(0.2, 24), default=1.0, help="Longest of 'length'.")
@click.option("--peers", "wanted", multiple=True, help="Only this peer; may be given again.")
@click.option("--no-peers", is_flag=True, help="Our own row only.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a table.")
def bench(
    parts: tuple[str, ...],
    folders: tuple[Path, ...],
    singers: tuple[Path, ...],
    use: str,
    seeds: int,
    noise_minutes: float,
    hours: float,
    wanted: tuple[str, ...],
    no_peers: bool,
    as_json: bool,
) -> None:
    warnings.filterwarnings("ignore")
    one_core()
    from bench_accuracy import Job
    from bench_peers import peers

    known = [] if no_peers else peers(wanted)
    for peer in known:
        if peer.missing:
            _tell(f"without {peer.name}: {peer.missing}")
    job = Job(
        use=use,
        seeds=seeds,
        peers=tuple(peer for peer in known if not peer.missing),
        folders=folders,
        singers=singers,
        noise_minutes=noise_minutes,
        hours=hours,
        say=_tell,
    )
    for part in parts or PARTS:
        _tell(part)
        for table in tables(part, job):
            if as_json:
                emit(table.plain())
            else:
                say(table.text())


def _tell(text: str) -> None:
    click.echo(f"bench: {text}", err=True)


if __name__ == "__main__":
    run(bench)
