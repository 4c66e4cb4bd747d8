#!/usr/bin/env python3
"""Show that two checkouts hear, answer and plan the same, to the last digit.

\b
    python tools/same_results.py ../old .
    python tools/same_results.py ../old . --scene chorus --scene pond
    python tools/same_results.py ../old . dawn.flac dusk.wav --ignore why

Both checkouts get the same sound: every scene of the old one's corpus (rendered
by the old one) and the recordings named, each cut to two minutes. Each
transcribes it with every shipped profile, answers it with every rule set on
every palette, plans every reply, and listens and answers live. What they wrote
is compared line by line as parsed JSON, every digit of it; format versions are
left out, and so are the fields named by --ignore. Where something differs, the
first place is told.

Only the commands are called, so a checkout may be laid out inside as it likes.
Status 0: the same. 1: different. 2: a mistake, or a command that failed.
"""

from __future__ import annotations

import contextlib
import dataclasses
import importlib.util
import io
import json
import os
import runpy
import sqlite3
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path

import click
import soundfile

Json = None | bool | int | float | str | list["Json"] | dict[str, "Json"]

# Versions and book-keeping of the files: they may differ while what is said stays the same.
ALWAYS_IGNORED = ("version", "lines", "heard_file", "reply_file")
# What a live log tells of wall-clock time and of the computer's load is in other kinds of row.
LIVE_KINDS = ("phrase", "reply", "command")
LIVE_START = "2020-05-12T04:00:00+00:00"


@dataclasses.dataclass(frozen=True, slots=True)
class Job:
    """What one checkout is to do: names of its own corpus, and whether to answer live."""

    profiles: tuple[str, ...]
    rules: tuple[str, ...]
    palettes: tuple[str, ...]
    live: bool


@dataclasses.dataclass(frozen=True, slots=True)
class Difference:
    """The first place where two results part."""

    where: str
    old: str
    new: str


@click.command(help=__doc__, context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("old", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.argument("new", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.argument("recordings", nargs=-1, type=click.Path(path_type=Path, exists=True))
@click.option("--scene", "scenes", multiple=True, help="Only these scenes; default: all.")
@click.option("--no-scenes", is_flag=True, help="Only the recordings named.")
@click.option("--no-live", is_flag=True, help="Leave out the live run.")
@click.option("--seconds", default=120.0, show_default=True, help="Cut recordings to this.")
@click.option("--ignore", multiple=True, help="A field to leave out, such as 'why'.")
def same_results(
    old: Path,
    new: Path,
    recordings: tuple[Path, ...],
    scenes: tuple[str, ...],
    no_scenes: bool,
    no_live: bool,
    seconds: float,
    ignore: tuple[str, ...],
) -> None:
    old, new = old.resolve(), new.resolve()
    wanted = () if no_scenes else scenes or names(old, "scenes")
    job = Job(names(old, "profiles"), names(old, "rules"), names(old, "palettes"), not no_live)
    found = []
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        sounds = [scene(old, name, seconds, folder) for name in wanted]
        sounds += [cut(path, seconds, folder) for path in recordings]
        for number, tree in enumerate((old, new)):
            run_on(tree, sounds, job, folder / str(number))
        for sound in sounds:
            before, after = (folder / str(number) / sound.stem for number in (0, 1))
            difference = compare(before, after, (*ALWAYS_IGNORED, *ignore))
            click.echo(f"{sound.stem}: {'same' if difference is None else 'DIFFERS'}")
            if difference is not None:
                found.append(difference)
                click.echo(
                    f"  {difference.where}\n  old: {difference.old}\n  new: {difference.new}"
                )
    sys.exit(1 if found else 0)


def names(tree: Path, kind: str) -> tuple[str, ...]:
    """The names of a checkout's shipped `kind` of file."""
    found = tuple(sorted(path.stem for path in (tree / "corpus" / kind).glob("*.toml")))
    if not found:
        raise click.UsageError(f"{tree} has no corpus/{kind}/*.toml: is it a checkout?")
    return found


def scene(tree: Path, name: str, seconds: float, folder: Path) -> Path:
    """A scene rendered by `tree` into a folder, at most `seconds` long."""
    click.echo(f"rendering {name}", err=True)
    recipe = tomllib.loads((tree / "corpus/scenes" / f"{name}.toml").read_text("utf-8"))
    shorter = ["--seconds", str(seconds)] if recipe.get("seconds", 0) > seconds else []
    run(tree, [tree / "tools/corpus.py", "make", name, "--out", str(folder), *shorter], folder)
    return folder / f"{name}.wav"


def cut(recording: Path, seconds: float, folder: Path) -> Path:
    """The first `seconds` of a recording as they stand, as a file in a folder."""
    sound = folder / f"{recording.stem}.wav"
    with soundfile.SoundFile(recording) as file:
        subtype = file.subtype if file.subtype.startswith("PCM_") else "FLOAT"
        dtype = "float64" if subtype == "FLOAT" else "int32"
        samples = file.read(round(seconds * file.samplerate), dtype=dtype)
        soundfile.write(sound, samples, file.samplerate, subtype=subtype)
    return sound


def run_on(tree: Path, sounds: Sequence[Path], job: Job, folder: Path) -> None:
    """Run one checkout on every sound: a folder of results for each."""
    folder.mkdir()
    words = [json.dumps([str(sound) for sound in sounds]), json.dumps(dataclasses.asdict(job))]
    run(tree, ["-c", "import same_results; same_results.work()", tree, *words], folder)


def run(tree: Path, words: Sequence[str | Path], cwd: Path) -> None:
    """Run Python so that it imports `callresp` from `tree` and our own worker from here."""
    path = os.pathsep.join([str(tree), str(Path(__file__).resolve().parent)])
    command = [sys.executable, *(str(word) for word in words)]
    env = os.environ | {"PYTHONPATH": path}
    status = subprocess.run(command, cwd=cwd, env=env, stdout=subprocess.DEVNULL, check=False)
    if status.returncode:
        raise click.ClickException(f"{tree}: a command failed, see above")


# ---- in the process of one checkout ----


def work() -> None:
    """Do the job of the command line, one folder of results a recording."""
    tree, sounds, job = Path(sys.argv[1]), json.loads(sys.argv[2]), Job(**json.loads(sys.argv[3]))
    package = importlib.util.find_spec("callresp")
    if package is None or package.origin is None or tree not in Path(package.origin).parents:
        sys.exit(f"same_results: callresp was not found in {tree}")
    home = Path.cwd()
    for number, sound in enumerate(sounds, 1):
        started = time.monotonic()
        (home / Path(sound).stem).mkdir()
        os.chdir(home / Path(sound).stem)
        do_one(sound, job)
        taken = time.monotonic() - started
        print(f"  {number}/{len(sounds)} {Path(sound).stem}: {taken:.1f} s", file=sys.stderr)


def do_one(sound: str, job: Job) -> None:
    """Hear, answer and plan one recording, each result in a file of the current folder."""
    call("transcribe", sound, "-o", "general.heard.jsonl")
    for profile in job.profiles:
        call("transcribe", sound, "--profile", profile, "-o", f"{profile}.heard.jsonl")
    for rules in job.rules:
        for palette in job.palettes:
            stem = f"{rules}-{palette}"
            words = ("--rules", rules, "--palette", palette)
            call("reply", "general.heard.jsonl", *words, "-o", f"{stem}.reply.jsonl")
            call("check", f"{stem}.reply.jsonl", "-o", f"{stem}.plan.jsonl")
    if job.live:
        log = Path("live.log")
        played = ("--speed", "0", "--start", LIVE_START, "--log", str(log), "--json")
        call("live", "--input", sound, *played)
        Path("live.jsonl").write_text("".join(live_lines(log)))
        log.unlink()


def call(*words: str) -> None:
    """Run one `callresp` command in this process; end the process if it fails."""
    said = io.StringIO()
    status: object = 0
    sys.argv = ["callresp", *words]
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            runpy.run_module("callresp", run_name="__main__")
        except SystemExit as end:
            status = end.code
    # 1 says that it was done and that something needs a look: a plan with changes.
    if status not in (None, 0, 1):
        print(f"callresp {' '.join(words)}: status {status}\n{said.getvalue()}", file=sys.stderr)
        sys.exit(2)


def live_lines(log: Path) -> Iterator[str]:
    """What a field log holds of phrases, replies and commands, one JSON object a line."""
    query = "SELECT at_s, kind, body FROM entry ORDER BY id"
    with contextlib.closing(sqlite3.connect(log)) as base:
        for at_s, kind, body in base.execute(query):
            if kind in LIVE_KINDS:
                yield json.dumps({"at_s": at_s, "kind": kind, "body": json.loads(body)}) + "\n"


# ---- comparing ----


def compare(old: Path, new: Path, ignored: Sequence[str]) -> Difference | None:
    """The first difference between two folders of results; None if they say the same."""
    for before in sorted(old.glob("*.jsonl")):
        after = new / before.name
        if not after.exists():
            return Difference(before.name, "written", "not written")
        lines_old, lines_new = before.read_text().splitlines(), after.read_text().splitlines()
        for number, (one, two) in enumerate(zip(lines_old, lines_new, strict=False), 1):
            if one != two:
                place = f"{before.name}, line {number}"
                found = first_difference(json.loads(one), json.loads(two), ignored, place)
                if found is not None:
                    return found
        if len(lines_old) != len(lines_new):
            return Difference(
                before.name, f"{len(lines_old)} lines", f"{len(lines_new)} lines, else the same"
            )
    return None


def first_difference(old: Json, new: Json, ignored: Sequence[str], place: str) -> Difference | None:
    """Where two parsed lines part; numbers must be the same float, and of the same type."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key in [*old, *(key for key in new if key not in old)]:
            if key in ignored:
                continue
            if key not in old or key not in new:
                return Difference(f"{place}: {key}", *(_has(key, side) for side in (old, new)))
            if found := first_difference(old[key], new[key], ignored, f"{place}: {key}"):
                return found
        return None
    if isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for number, (one, two) in enumerate(zip(old, new, strict=True)):
            if found := first_difference(one, two, ignored, f"{place}[{number}]"):
                return found
        return None
    # The text of a number is its shortest exact form, which tells 0.0 from -0.0 and 1 from 1.0.
    one, two = json.dumps(old), json.dumps(new)
    return None if one == two else Difference(place, one, two)


def _has(key: str, side: dict[str, Json]) -> str:
    return json.dumps(side[key]) if key in side else "no such field"


if __name__ == "__main__":
    same_results()
