"""What a file holds, told from its first bytes, and what its ending promises.

Before a file is written over, what stands there is looked at: a rule set is
not lost to a heard score of the same name, nor a recording to a picture.

Magic numbers are those of the formats' own specifications, as libmagic lists
them; our own files are told by their header lines and their tables.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Literal

import msgspec

Kind = Literal[
    "heard score",
    "reply score",
    "plan",
    "place",
    "palette",
    "rule set",
    "calibration",
    "settings file",
    "sound file",
    "picture",
    "MIDI file",
    "page",
    "field log",
    "log of commands",
    "report of measurements",
    "unit file",
    "guide to settings",
    "table",
    "label track",
]

_MAGIC: dict[bytes, Kind] = {
    b"RIFF": "sound file",
    b"RF64": "sound file",
    b"riff": "sound file",
    b"FORM": "sound file",
    b"caff": "sound file",
    b".snd": "sound file",
    b"fLaC": "sound file",
    b"OggS": "sound file",
    b"ID3": "sound file",
    b"\xff\xfb": "sound file",
    b"\xff\xf1": "sound file",
    b"\xff\xf9": "sound file",
    b"#!AMR": "sound file",
    b"0&\xb2u\x8ef\xcf\x11": "sound file",
    b"\x89PNG": "picture",
    b"%PDF": "picture",
    b"<?xml": "picture",
    b"<svg": "picture",
    b"MThd": "MIDI file",
    b"<!doctype html": "page",
    b"<!DOCTYPE html": "page",
    b"# Settings of a rule file": "guide to settings",
    b"SQLite format 3": "field log",
    b"place,hour,": "table",
    b"[Unit]": "unit file",
    b"# Made by callresp service": "unit file",
}
# Endings of sound files, the usual ones first; those of the last row want the extra `phone`.
SOUNDS = (
    *(".wav", ".flac", ".ogg", ".mp3", ".opus", ".oga"),
    *(".aif", ".aiff", ".aifc", ".caf", ".w64", ".rf64", ".au"),
    *(".m4a", ".mp4", ".aac", ".3gp", ".amr", ".wma"),
)
_ENDINGS: dict[str, tuple[Kind, ...]] = {
    ".toml": ("palette", "rule set", "calibration", "settings file"),
    ".mid": ("MIDI file",),
    ".midi": ("MIDI file",),
    ".html": ("page",),
    ".csv": ("table",),
    ".htm": ("page",),
    **dict.fromkeys((".png", ".svg", ".pdf"), ("picture",)),
    **dict.fromkeys(SOUNDS, ("sound file",)),
    ".jsonl": ("heard score", "reply score", "plan", "place", "log of commands"),
}
_SCORES: dict[object, Kind] = {"heard": "heard score", "reply": "reply score", "plan": "plan"}
_TABLES: dict[str, Kind] = {
    "striker": "palette",
    "turner": "palette",
    "rule": "rule set",
    "calibrator_level_db": "calibration",
}
# Begin and end between tabs.
_LABEL = re.compile(rb"\d+(\.\d+)?\t\d+(\.\d+)?[\t\r\n]")
_HEAD = 4096


def is_mpeg4(head: bytes) -> bool:
    """Whether a file that begins so is MPEG-4 (ISO/IEC 14496-12, 4.3)."""
    return head[4:8] == b"ftyp"


def is_sound(head: bytes) -> bool:
    """Whether what begins so is a sound file's; two bytes alone may as well be a raw sample."""
    heads = (magic for magic, kind in _MAGIC.items() if kind == "sound file" and len(magic) > 2)
    return is_mpeg4(head) or head.startswith(tuple(heads))


def kind_of(path: Path) -> Kind | None:
    """What a file holds; `None` where that can't be told, or there is nothing."""
    try:
        if not path.is_file():  # a pipe would be waited for
            return None
        with path.open("rb") as source:
            head = source.read(_HEAD)
    except OSError:
        return None
    for magic, kind in _MAGIC.items():
        if head.startswith(magic):
            return kind
    if is_mpeg4(head):
        return "sound file"
    first = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if first.startswith(b"{"):
        return _of_json(first, path)
    if _LABEL.match(first):
        return "label track"
    return _of_toml(path) if head else None


def promised_by(path: Path) -> tuple[Kind, ...]:
    """What a file of this ending may hold; empty where an ending says nothing."""
    return _ENDINGS.get(path.suffix.lower(), ())


def _of_json(head: bytes, path: Path) -> Kind | None:
    try:
        first = msgspec.json.decode(head.split(b"\n")[0])
    except (msgspec.DecodeError, RecursionError):
        return "report of measurements" if path.suffix == ".json" else None
    if "score" in first:
        return _SCORES.get(first["score"])
    if "asked_s" in first or "board_s" in first:
        return "log of commands"
    if "delay_s" in first or "place" in first:
        return "place"
    return "heard score" if "level_db" in first else None


def _of_toml(path: Path) -> Kind | None:
    try:
        tree = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return None
    told = next((kind for key, kind in _TABLES.items() if key in tree), None)
    return told or ("settings file" if tree else None)
