"""What the listening bench hears: labelled folders and our own scenes.

A labelled folder holds N.flac or N.wav, N.csv (onset_s, offset_s, label) and
perhaps N.span.csv (start_s, end_s: what was marked; sound outside is not
scored). Scenes are rendered once into build/bench and kept until a recipe or
the code that renders it changes.
"""

from __future__ import annotations

import csv
import hashlib
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
import numpy.typing as npt

import callresp.scene
from callresp.errors import UserError
from callresp.io.score import HeardScore
from callresp.io.score_files import read_heard
from callresp.scene.recipe import Recipe, load_recipe, vary
from callresp.scene.render import render_to

Floats = npt.NDArray[np.float64]
KEEP = Path(__file__).resolve().parent.parent / "build" / "bench"


@dataclass(frozen=True, slots=True)
class Labelled:
    """A recording with marks made by hand; `marks_s` has shape ``(n, 2)``."""

    path: Path
    marks_s: Floats
    spans_s: list[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class RenderedScene:
    """A scene of ours on disk."""

    name: str
    path: Path
    truth: HeardScore


def labelled(folder: Path) -> list[Labelled]:
    """Every labelled recording of a folder.

    Raises
    ------
    UserError
        When there is none, or a file of marks can't be read.
    """
    sounds = sorted(p for p in folder.glob("*") if p.suffix.lower() in (".flac", ".wav"))
    found = [_labelled(path) for path in sounds if path.with_suffix(".csv").is_file()]
    if not found:
        raise UserError(
            "holds no recording with marks", where=str(folder), remedy="give N.flac with N.csv"
        )
    return found


def _labelled(path: Path) -> Labelled:
    marks = columns(path.with_suffix(".csv"), "onset_s", "offset_s")
    span_file = path.with_suffix(".span.csv")
    if span_file.is_file():
        spans = [(float(a), float(b)) for a, b in columns(span_file, "start_s", "end_s")]
    else:
        spans = [(0.0, float("inf"))]
    return Labelled(path, marks, spans)


def columns(path: Path, first: str, second: str, without: str | None = None) -> Floats:
    """Two columns of numbers of a CSV file, by their names; shape ``(n, 2)``.

    Rows that are labelled `without` are left out.

    Raises
    ------
    UserError
        When the file has no such columns, or they hold something else.
    """
    try:
        with path.open(newline="", encoding="utf-8") as file:
            rows = [
                (float(row[first]), float(row[second]))
                for row in csv.DictReader(file)
                if without is None or row.get("label") != without
            ]
    except (KeyError, ValueError, TypeError) as fault:
        raise UserError(
            f"can't be read as {first},{second} ({fault})", where=str(path), remedy="mend the file"
        ) from None
    return np.array(rows, dtype=np.float64).reshape(-1, 2)


def scene(
    name: str, *, seed_step: int = 0, seconds: float | None = None, snr_db: float | None = None
) -> RenderedScene:
    """A shipped scene with its truth; `seed_step` is added to its seed."""
    recipe = load_recipe(name)
    recipe = vary(recipe, seed=recipe.seed + seed_step, seconds=seconds, snr_db=snr_db)
    stem = KEEP / f"{name}-{_print_of(recipe)}"
    wav, truth = stem.with_suffix(".wav"), stem.with_suffix(".truth.jsonl")
    if not (wav.is_file() and truth.is_file()):
        render_to(recipe, wav, truth)
    return RenderedScene(name, wav, read_heard(truth))


def _print_of(recipe: Recipe) -> str:
    """A fingerprint of a recipe and of the code that renders it."""
    digest = hashlib.sha256(msgspec.json.encode(recipe))
    for source in sorted(Path(callresp.scene.__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    return digest.hexdigest()[:12]
