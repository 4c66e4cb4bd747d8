#!/usr/bin/env python3
"""Measure who sang what, beside simple groupings of the same notes, in one run.

\b
    python tools/bench_singers.py --bird DIR --birds DIR
    python tools/bench_singers.py --use tuning --rows alone --rows turns --bird finch_notes

\b
--bird DIR    every recording in it is of one bird
--birds DIR   each sub-folder, and each recording in it, is a bird of its own;
              NAME.txt beside NAME.flac (begin, end, who, by tabs, as audio
              editors write label tracks) makes it a marked chorus
The finches of tools/birdsong.py are taken where they lie in its cache.

\b
Rows (all, if none is named):
    alone      one bird: pairs of its notes in one voice, singers, phrases
    turns      two birds in turns, six bouts, 1.5 s between
    overlap    each bout begun 1 s before the other's end
    at-once    two birds over each other, 0, -6, -12 dB
    reverb     in turns, each with the tail of its own place
    noise      in turns in pink noise and in wind
    crowd      three to six kinds, each for itself, with reverberation and noise
    before     voices before against after noise 40 dB below
    marked     marked choruses: voices against marks
    toad       a toad alone, as everything and as a frog
    synthetic  our own scenes: singers as birds are, and choruses at 15 to 0 dB
    online     voices and phrase ends as they are told while they happen
    replies    what the shipped rule sets make of three of the recordings

Voices are held against truth by pairs of notes (pairwise F, Manning, Raghavan &
Schütze 2008, chapter 16.3), the mean over cases. Birds named in
tools/singer_cases.py as tuned on are left out of the scoring set, and the other
way round.
"""

from __future__ import annotations

import tempfile
import warnings
from collections.abc import Sequence
from pathlib import Path

import click
from bench_table import run
from singer_cases import SAME_BIRD, TUNING, Clip, birds_of, clip, has_boxes, marked, sounds
from singer_online import on_online
from singer_replies import on_replies
from singer_rows import MIXED, Job, on_alone, on_before, on_marked, on_mixes, on_synthetic, on_toad

from callresp.commands.ui import emit, say
from callresp.listen.profile import load_profile

ROWS = {
    "alone": on_alone,
    **dict.fromkeys(MIXED, on_mixes),
    "before": on_before,
    "marked": on_marked,
    "toad": on_toad,
    "synthetic": on_synthetic,
    "online": on_online,
    "replies": on_replies,
}


def gather(job: Job, bird: Sequence[Path], birds: Sequence[Path]) -> None:
    """Take in what was given of the set in use, and say what is missing."""
    found: dict[str, list[Clip]] = {}
    for folder in bird:
        found[folder.name] = [clip(folder.name, path) for path in sounds(folder)]
    for folder in birds:
        found |= birds_of(folder)
        nested = [p for sub in sorted(folder.iterdir()) if sub.is_dir() for p in sounds(sub)]
        for path in [*sounds(folder), *nested]:
            if has_boxes(path) and (path.stem in TUNING) == (job.use == "tuning"):
                job.choruses.append(marked(path))
    from birdsong import cached

    finches = cached()
    for name, path in finches.items():
        own = SAME_BIRD.get(name, name)
        if all(one.name != name for one in found.get(own, ())):
            found.setdefault(own, []).append(clip(own, path))
    if not finches:
        _tell("without the finches of the wheel: run tools/birdsong.py fetch")
    job.birds = {k: v for k, v in found.items() if (k in TUNING) == (job.use == "tuning")}
    _tell(f"{job.use} set: birds {', '.join(job.birds) or 'none'}")
    _tell(f"{job.use} set: marked choruses {', '.join(c.name for c in job.choruses) or 'none'}")


@click.command(help=__doc__, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--bird", multiple=True, type=click.Path(exists=True, file_okay=False, path_type=Path)
)
@click.option(
    "--birds", multiple=True, type=click.Path(exists=True, file_okay=False, path_type=Path)
)
@click.option(
    "--use", type=click.Choice(["scoring", "tuning"]), default="scoring", show_default=True
)
@click.option("--rows", multiple=True, type=click.Choice(list(ROWS)), help="Only these rows.")
@click.option(
    "--pairs",
    type=click.IntRange(1, 200),
    default=9,
    show_default=True,
    help="Of birds, in every row of two: among nine, one more or less told apart is .03.",
)
@click.option("--seeds", type=click.IntRange(1, 50), default=1, show_default=True)
@click.option("--profile", help="A profile to listen with.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a table.")
def bench(
    bird: tuple[Path, ...],
    birds: tuple[Path, ...],
    use: str,
    rows: tuple[str, ...],
    pairs: int,
    seeds: int,
    profile: str | None,
    as_json: bool,
) -> None:
    warnings.filterwarnings("ignore")
    wanted = [name for name in ROWS if not rows or name in rows]
    with tempfile.TemporaryDirectory() as place:
        job = Job(use=use, most_pairs=pairs, seeds=seeds, place=Path(place))
        job.profile = load_profile(profile) if profile else None
        gather(job, bird, birds)
        job.mixes = tuple(name for name in wanted if name in MIXED)
        for make in dict.fromkeys(ROWS[name] for name in wanted):
            for table in make(job):
                emit(table.plain()) if as_json else say(table.text())


def _tell(text: str) -> None:
    click.echo(f"bench: {text}", err=True)


if __name__ == "__main__":
    run(bench)
