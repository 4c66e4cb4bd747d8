"""The files that ship with the project: scenes, palettes, rule sets, profiles.

They live in ``corpus/`` beside the package in a checkout, and inside the
package in an installed wheel.
"""

from __future__ import annotations

import os
from pathlib import Path

from callresp.errors import UserError

_HERE = Path(__file__).resolve().parent.parent


def corpus() -> Path:
    """The folder of shipped files."""
    inside = _HERE / "corpus"
    return inside if inside.is_dir() else _HERE.parent / "corpus"


def shipped(kind: str) -> list[str]:
    """Names of the shipped files of a kind ("palettes", "rules", …)."""
    return sorted(path.stem for path in (corpus() / kind).glob("*.toml"))


def find(kind: str, name: str) -> Path:
    """The file that a user means: a path of their own, or a shipped name.

    Raises
    ------
    UserError
        When it is neither.
    """
    own = Path(name)
    # A name that the system refuses (too long, in a forbidden folder) is no file.
    if own.suffix == ".toml" or os.path.isfile(own):  # noqa: PTH113
        return own
    if name.lower() in shipped(kind):
        return corpus() / kind / f"{name.lower()}.toml"
    raise UserError(
        f"no file and no shipped name '{name}'",
        where=kind,
        remedy=f"give a .toml file or one of: {', '.join(shipped(kind))}",
    )
