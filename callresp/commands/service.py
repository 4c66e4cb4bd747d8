"""``callresp service``: a systemd unit that runs ``callresp live`` from boot on."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

import click

from callresp.commands import ui
from callresp.errors import UserError
from callresp.io.files import write_text
from callresp.listen.profile import load_profile
from callresp.palette.files import load_palette
from callresp.reply.rules import load_rules

# Options of live whose value may name a file: in a unit they need whole paths.
PATHS = ("--input", "--palette", "--rules", "--profile", "--log", "--snippets")
# systemd.unit(5), "String Escaping for Inclusion in Unit Names"; systemd.syntax(7) for the other.
NAME = re.compile(r"[A-Za-z0-9:_.\\@-]+")
USER = re.compile(r"[^\s:%]+")
RENAME = "use letters, digits, '-', '_' and '.'"
UNIT = """# Made by callresp service.
[Unit]
Description=callresp live ({name})
After=sound.target
StartLimitIntervalSec=0

[Service]
Type=exec
User={user}
SupplementaryGroups=audio dialout
WorkingDirectory={folder}
ExecStart={command}
# A stop is answered in order: all is released, and the log says how it ended.
KillSignal=SIGTERM
TimeoutStopSec=60
# Status 1 is a day that ended well, with faults in its log. A board that is not plugged in yet
# is waited for.
SuccessExitStatus=1
Restart=on-failure
RestartSec=10

[Install]
WantedBy=multi-user.target
"""


def run(
    words: tuple[str, ...],
    name: str,
    user: str | None,
    output: Path | None,
    as_json: bool,
    live: Mapping[str, str | None],
) -> None:
    """Write a systemd unit that runs live with these words, which it reads as `live`."""
    _check_live(live)
    user = user or _me()
    for option, word, known in (("--name", name, NAME), ("--user", user, USER)):
        if not known.fullmatch(word):
            raise UserError(f"'{word}' is no name that a unit takes", where=option, remedy=RENAME)
    unit = unit_text(words, name, user, Path.cwd())
    if output is not None:
        write_text(ui.target(output, writes="unit file"), unit)
    elif not as_json:
        click.echo(unit, nl=False)
    found = verified(unit, name)
    if as_json:
        written = None if output is None else str(output)
        ui.emit({"unit": unit, "file": written, "checked": found is not None, "found": found or ""})
    if found is None:
        ui.warn("not checked: there is no systemd-analyze here")
    elif found:
        ui.warn(f"systemd-analyze verify: {found}")
    if output is not None and not as_json:
        ui.say(f"{output} is for /etc/systemd/system; then: systemctl enable --now {output.stem}")
    click.get_current_context().exit(1 if found else 0)


def _check_live(live: Mapping[str, str | None]) -> None:
    """Read the files as live would; a mistake is told now, not at the next boot."""
    load_palette(str(live["palette"]))
    load_rules(str(live["rules"]))
    load_profile(live["profile"])
    if live["log"] is None:
        ui.warn("without --log nothing is kept of the day")


def _me() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (KeyError, OSError):
        raise UserError("who should run it?", argument="user", remedy="name a user") from None


def unit_text(options: tuple[str, ...], name: str, user: str, folder: Path) -> str:
    """The unit: the options of ``callresp live`` with whole paths, quoted as systemd reads them.

    Relative paths are relative to `folder`; `user` runs the service.
    """
    words = [sys.executable, "-m", "callresp", "live", *_absolute(options, folder)]
    if "--yes" not in words:
        words.append("--yes")
    return UNIT.format(
        name=name.replace("%", "%%"),
        user=user,
        folder=str(folder).replace("%", "%%"),
        command=" ".join(quoted(word) for word in words),
    )


def _absolute(options: tuple[str, ...], folder: Path) -> list[str]:
    found: list[str] = []
    names_path = False
    for option in options:
        name, equals, value = option.partition("=")
        if names_path:
            found.append(_path(option, folder, found[-1]))
        elif equals and name in PATHS:
            found.append(f"{name}={_path(value, folder, name)}")
        else:
            found.append(option)
        names_path = not names_path and option in PATHS
    return found


def _path(value: str, folder: Path, option: str) -> str:
    """A value as a whole path, unless it is a shipped name or a word of its own."""
    path = folder / value
    made = option in ("--log", "--snippets")
    return os.path.normpath(path) if made or path.exists() else value


def quoted(word: str) -> str:
    """A word of ``ExecStart=`` as systemd.service(5), "Command lines", has it."""
    word = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    word = word.replace("\n", "\\n").replace("\t", "\\t")
    plain = word and not any(letter in " '\";" or letter == "\\" for letter in word)
    return word if plain else f'"{word}"'


def verified(unit: str, name: str) -> str | None:
    """What systemd-analyze has to say of a unit; "" is well, `None` that it is not here."""
    program = shutil.which("systemd-analyze")
    if program is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / f"{name}.service"
        file.write_text(unit, encoding="utf-8")
        done = subprocess.run(
            [program, "verify", "--man=no", "--recursive-errors=no", str(file)],
            capture_output=True,
            text=True,
            check=False,
        )
    said = [row for row in done.stderr.splitlines() if row]
    return " ".join(said).replace(f"{folder}/", "") if done.returncode else ""
