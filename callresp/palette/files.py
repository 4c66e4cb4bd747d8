"""Reading a palette: TOML in, a checked `Palette` out."""

from __future__ import annotations

import hashlib
from pathlib import Path

import msgspec

from callresp.errors import UserError
from callresp.io.files import read_text
from callresp.io.resources import find
from callresp.io.settings import SettingsFile, convert, load
from callresp.palette.checks import faults
from callresp.palette.model import Palette


def load_palette(name: str | Path) -> Palette:
    """Read a palette: a TOML file, or the name of a shipped one.

    Raises
    ------
    UserError
        With file, line, key and what is allowed there.
    """
    path = find("palettes", str(name))
    return palette_of(read_text(path), path)


def palette_of(text: str, path: Path) -> Palette:
    """Check a palette's text before it is written.

    Parameters
    ----------
    text
        TOML.
    path
        Where it stands or will stand.

    Returns
    -------
    Palette
        Without a fault.

    Raises
    ------
    UserError
        With file, line, key and what is allowed there.
    """
    source = SettingsFile(text, str(path))
    palette = convert(source, Palette)
    for fault in faults(palette, source):
        raise fault
    return palette


def faults_in(name: str | Path) -> list[UserError]:
    """Every fault of a palette file, or the one that keeps it from being read.

    Faults within a table hide those across tables: mend them first.
    """
    try:
        palette, source = load(find("palettes", str(name)), Palette)
    except UserError as fault:
        return [fault]
    return list(faults(palette, source))


def fingerprint(palette: Palette) -> str:
    """SHA-256 of a palette's values; a plan carries that of its palette."""
    told = msgspec.to_builtins(palette)
    # A key that came later leaves palettes without it as they were, and their plans valid.
    if palette.coldest_c is None:
        del told["coldest_c"]
    # Which pin does it is nothing to a plan.
    del told["board"]["chip"], told["board"]["pins"]
    # What keys play is no part of the machine: plans don't depend on it.
    del told["midi"]
    return hashlib.sha256(msgspec.json.encode(told)).hexdigest()
