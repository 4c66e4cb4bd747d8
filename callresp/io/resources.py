"""The files that ship with the project: scenes, palettes, rule sets, profiles.

They live in ``corpus/`` beside the package in a checkout, and inside the
package in an installed wheel.
"""

from __future__ import annotations

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
    if own.suffix == ".toml" or own.is_file():
        return own
    path = corpus() / kind / f"{name.lower()}.toml"
    if path.is_file():
        return path
    raise UserError(
        f"no file and no shipped name '{name}'",
        where=kind,
        remedy=f"give a .toml file or one of: {', '.join(shipped(kind))}",
    )
