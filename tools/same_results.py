#!/usr/bin/env python3
"""Show that two checkouts hear, answer and plan the same, to the last digit.

\b
    python tools/same_results.py ../old .
    python tools/same_results.py ../old . --scene chorus --scene pond
    python tools/same_results.py ../old . dawn.flac dusk.wav --ignore why
    python tools/same_results.py ../old . --stages --ignore voice --ignore palette_sha256

Both checkouts get the same sound: every scene of the old one's corpus (rendered
once, by the old one) and the recordings named, each cut to two minutes. Each
transcribes it with every shipped profile, answers it with every rule set on
every palette, plans every reply, and listens and answers live. What they wrote
is compared line by line as parsed JSON, every digit of it; format versions are
left out, and so are the fields named by --ignore. A row a recording says how
much was compared and, where something differs, the first place.

With --stages the new one answers what the old one heard, and plans what the old
one answered, so that a stage changed on purpose hides nothing in those after it;
the live run, which has all stages in one, is left out.

Only the commands are called, so a checkout may be laid out inside as it likes.
Sound and results are kept in a cache by what they were made from: a checkout
that has not changed is not run again. Status 0: the same. 1: different. 2: a
mistake, or a command that failed.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
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
from bench_table import Table

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
    # A folder of results for each recording, whose scores are answered and planned in place
    # of this checkout's own.
    given: tuple[str, ...] = ()


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
@click.option("--stages", is_flag=True, help="Give each stage what the old one made before it.")
@click.option("--seconds", default=120.0, show_default=True, help="Cut recordings to this.")
@click.option("--ignore", multiple=True, help="A field to leave out, such as 'why'.")
@click.option(
    "--cache",
    type=click.Path(path_type=Path),
    default=Path(tempfile.gettempdir()) / "callresp-same-results",
    show_default=True,
)
def same_results(
    old: Path,
    new: Path,
    recordings: tuple[Path, ...],
    scenes: tuple[str, ...],
    no_scenes: bool,
    no_live: bool,
    stages: bool,
    seconds: float,
    ignore: tuple[str, ...],
    cache: Path,
) -> None:
    old, new, cache = old.resolve(), new.resolve(), cache.resolve()
    wanted = () if no_scenes else scenes or names(old, "scenes")
    sounds = [scene(old, name, seconds, cache) for name in wanted]
    sounds += [cut(path, seconds, cache) for path in recordings]
    live = not (no_live or stages)
    job = Job(names(old, "profiles"), names(old, "rules"), names(old, "palettes"), live)
    made_old = results(old, sounds, job, cache)
    if stages:
        job = dataclasses.replace(job, given=tuple(str(folder) for folder in made_old))
    made_new = results(new, sounds, job, cache)
    table = Table(f"{old} against {new}", ("recording", "notes", "replies", "plan", "live", ""))
    found = []
    for sound, before, after in zip(sounds, made_old, made_new, strict=True):
        difference = compare(before, after, (*ALWAYS_IGNORED, *ignore))
        if difference is not None:
            found.append((sound.stem, difference))
        table.add(sound.stem, *counts(before), "same" if difference is None else "DIFFERS")
    click.echo(table.text())
    for name, difference in found:
        click.echo(f"\n{name}, {difference.where}")
        click.echo(f"  old: {difference.old}\n  new: {difference.new}")
    sys.exit(1 if found else 0)


def names(tree: Path, kind: str) -> tuple[str, ...]:
    """The names of a checkout's shipped `kind` of file."""
    found = tuple(sorted(path.stem for path in (tree / "corpus" / kind).glob("*.toml")))
    if not found:
        raise click.UsageError(f"{tree} has no corpus/{kind}/*.toml: is it a checkout?")
    return found


def scene(tree: Path, name: str, seconds: float, cache: Path) -> Path:
    """A scene rendered by `tree`, at most `seconds` long; from the cache if it is there."""
    key = digest([tree_digest(tree, ("callresp/scene", "corpus/scenes")), name, str(seconds)])
    sound = cache / "sound" / key / f"{name}.wav"
    if not sound.exists():
        click.echo(f"rendering {name}", err=True)
        recipe = tomllib.loads((tree / "corpus/scenes" / f"{name}.toml").read_text("utf-8"))
        shorter = ["--seconds", str(seconds)] if recipe.get("seconds", 0) > seconds else []
        with tempfile.TemporaryDirectory(dir=made(cache)) as folder:
            words = ["make", name, "--out", folder, *shorter]
            run(tree, [tree / "tools/corpus.py", *words], cwd=Path(folder))
            (Path(folder) / f"{name}.wav").rename(made(sound.parent) / sound.name)
    return sound


def cut(recording: Path, seconds: float, cache: Path) -> Path:
    """The first `seconds` of a recording, as a file in the cache."""
    key = digest([recording.read_bytes(), str(seconds)])
    sound = cache / "sound" / key / f"{recording.stem}.wav"
    if not sound.exists():
        copy_beginning(recording, sound, seconds)
    return sound


def copy_beginning(source: Path, target: Path, seconds: float) -> None:
    """Copy the first `seconds` of a sound file as they stand."""
    with soundfile.SoundFile(source) as file:
        subtype = file.subtype if file.subtype.startswith("PCM_") else "FLOAT"
        dtype = "float64" if subtype == "FLOAT" else "int32"
        samples = file.read(round(seconds * file.samplerate), dtype=dtype)
        half = made(target.parent) / f"half-{target.name}"
        soundfile.write(half, samples, file.samplerate, subtype=subtype)
    half.rename(target)


def results(tree: Path, sounds: Sequence[Path], job: Job, cache: Path) -> list[Path]:
    """Run one checkout on every sound; return a folder of results for each."""
    state = tree_digest(tree, ("callresp", "corpus"))
    method: list[str | bytes] = [state, Path(__file__).read_bytes(), repr(job), sys.version]
    folders = [cache / "results" / digest([*method, sound.read_bytes()]) for sound in sounds]
    # Where nothing is given, a stage reads what was made in the folder of results itself.
    given = job.given or [""] * len(folders)
    missing = [
        (str(sound), str(folder), before)
        for sound, folder, before in zip(sounds, folders, given, strict=True)
        if not (folder / "done").exists()
    ]
    if missing:
        click.echo(f"running {tree} on {len(missing)} recordings", err=True)
        words = [json.dumps(missing), json.dumps(dataclasses.asdict(job))]
        code = "import same_results; same_results.work()"
        run(tree, ["-c", code, tree, *words], cwd=made(cache))
    return folders


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
    """Do the jobs of the command line, one folder of results a recording."""
    tree, jobs, job = Path(sys.argv[1]), json.loads(sys.argv[2]), Job(**json.loads(sys.argv[3]))
    package = importlib.util.find_spec("callresp")
    if package is None or package.origin is None or tree not in Path(package.origin).parents:
        sys.exit(f"same_results: callresp was not found in {tree}")
    for number, (sound, folder, given) in enumerate(jobs, 1):
        started = time.monotonic()
        os.chdir(made(Path(folder)))
        do_one(sound, job, Path(given))
        Path("done").touch()
        taken = time.monotonic() - started
        print(f"  {number}/{len(jobs)} {Path(sound).stem}: {taken:.1f} s", file=sys.stderr)


def do_one(sound: str, job: Job, given: Path) -> None:
    """Hear, answer and plan one recording, each result in a file of the current folder.

    The scores answered and planned are those in the folder `given`.
    """
    call("transcribe", sound, "-o", "general.heard.jsonl")
    for profile in job.profiles:
        call("transcribe", sound, "--profile", profile, "-o", f"{profile}.heard.jsonl")
    for rules in job.rules:
        for palette in job.palettes:
            stem = f"{rules}-{palette}"
            words = ("--rules", rules, "--palette", palette)
            call("reply", str(given / "general.heard.jsonl"), *words, "-o", f"{stem}.reply.jsonl")
            call("check", str(given / f"{stem}.reply.jsonl"), "-o", f"{stem}.plan.jsonl")
    if job.live:
        log = Path("live.log")
        log.unlink(missing_ok=True)
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


def counts(folder: Path) -> tuple[int, int, int, int]:
    """Lines below the headers: notes, of replies, of plans, and of the live run."""

    def lines(pattern: str, headers: int) -> int:
        return sum(len(f.read_text().splitlines()) - headers for f in folder.glob(pattern))

    return (
        lines("*.heard.jsonl", 1),
        lines("*.reply.jsonl", 1),
        lines("*.plan.jsonl", 1),
        lines("live.jsonl", 0),
    )


# ---- the cache ----


def tree_digest(tree: Path, folders: Sequence[str]) -> str:
    """A digest of the files below some folders of a checkout."""
    parts: list[str | bytes] = []
    for folder in folders:
        for path in sorted((tree / folder).rglob("*")):
            if path.suffix in (".py", ".toml"):
                parts += [path.relative_to(tree).as_posix(), path.read_bytes()]
    return digest(parts)


def digest(parts: Sequence[str | bytes]) -> str:
    """A short name for all of `parts`."""
    total = hashlib.sha256()
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        total.update(len(data).to_bytes(8, "little") + data)
    return total.hexdigest()[:20]


def made(folder: Path) -> Path:
    """The folder, made if need be."""
    folder.mkdir(parents=True, exist_ok=True)
    return folder


if __name__ == "__main__":
    same_results()
