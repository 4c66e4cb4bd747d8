#!/usr/bin/env python3
"""Make the recordings of our own corpus, each with its exact truth, from their recipes.


    python tools/corpus.py list
    python tools/corpus.py make hollin-carr
    python tools/corpus.py make all --out build/corpus
    python tools/corpus.py make chorus --seed 7 --snr-db 0 --seconds 120
    python tools/corpus.py make my-place.toml

Each recipe NAME becomes NAME.wav (48 kHz, 24 bit) and NAME.truth.jsonl (the
truth, in the form of a heard score). The same recipe and seed give the same
bytes. Scenes of ten minutes and more are left out of ``all`` unless --long is
given. What is made is not committed: build/ is ignored.
"""

from __future__ import annotations

from pathlib import Path

import click
from bench_table import run

from callresp.commands.ui import emit, progress, say
from callresp.io.resources import shipped
from callresp.scene.recipe import Recipe, load_recipe, vary
from callresp.scene.render import render_to

LONG_S = 600.0


@click.group(help=__doc__, context_settings={"help_option_names": ["-h", "--help"]})
def corpus() -> None: ...


@corpus.command("list")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def list_scenes(as_json: bool) -> None:
    """List the shipped recipes."""
    for name in shipped("scenes"):
        recipe = load_recipe(name)
        if as_json:
            emit(_facts(name, recipe))
        else:
            snr = "      " if recipe.snr_db is None else f"{recipe.snr_db:3.0f} dB"
            say(f"{name:<20} {recipe.use:<8} {recipe.seconds:6.0f} s  {snr}  {recipe.description}")


@corpus.command()
@click.argument("names", nargs=-1, required=True, metavar="NAME|all...")
@click.option("--out", type=click.Path(path_type=Path), default=Path("build/corpus"))
@click.option("--seed", type=click.IntRange(0), help="Another seed than the recipe's.")
@click.option("--seconds", type=click.FloatRange(0.5, 90000), help="Another length.")
@click.option("--snr-db", type=click.FloatRange(-30, 80), help="Another signal-to-noise ratio.")
@click.option("--long", "long_too", is_flag=True, help="With all: the long scenes too.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a scene.")
def make(
    names: tuple[str, ...],
    out: Path,
    seed: int | None,
    seconds: float | None,
    snr_db: float | None,
    long_too: bool,
    as_json: bool,
) -> None:
    """Render scenes with their truth."""
    for name in wanted(names, long_too, seconds):
        recipe = vary(load_recipe(name), seed=seed, seconds=seconds, snr_db=snr_db)
        stem = Path(name).stem
        wav, truth = out / f"{stem}.wav", out / f"{stem}.truth.jsonl"
        with progress(stem) as advance:
            count = render_to(recipe, wav, truth, advance)
        if as_json:
            made = {"notes": count, "wav": str(wav), "truth": str(truth)}
            emit(_facts(stem, recipe) | made)
        else:
            say(f"{wav}, {truth}")


def wanted(names: tuple[str, ...], long_too: bool, seconds: float | None) -> list[str]:
    """The scenes that are asked for; ``all`` leaves out the long ones unless they are wanted."""
    if names != ("all",):
        return list(names)
    return [
        name
        for name in shipped("scenes")
        if long_too or (seconds or load_recipe(name).seconds) < LONG_S
    ]


def _facts(name: str, recipe: Recipe) -> dict[str, object]:
    return {
        "name": name,
        "seconds": recipe.seconds,
        "seed": recipe.seed,
        "use": recipe.use,
        "snr_db": recipe.snr_db,
        "singers": len(recipe.singer),
        "noise": [noise.kind for noise in recipe.noise],
        "description": recipe.description,
    }


if __name__ == "__main__":
    run(corpus)
