"""Scene recipes: TOML files that say who sings where, and over what.

Conventions
-----------
Pairs are ranges to draw from: ``note_ms = [40, 160]``. Voices are letters. A
recipe may build on another (``base = "chorus"``): what it says itself counts,
the rest is taken from there.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from callresp.errors import UserError
from callresp.io.files import read_text
from callresp.io.resources import find
from callresp.io.settings import SettingsFile, convert

Shape = Literal[
    "whistle", "sweep", "arch", "trill", "vibrato", "stack", "double", "buzz", "click", "knock"
]
NoiseKind = Literal["wind", "water", "rain", "traffic"]

Positive = Annotated[float, Meta(gt=0.0, le=1e5)]
Range = tuple[Positive, Positive]
Hertz = Annotated[float, Meta(ge=50.0, le=20000.0)]
Turn = Annotated[float, Meta(ge=-10.0, le=60.0)]
Count = Annotated[int, Meta(ge=1, le=200)]


class RecipeTable(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of a recipe."""


class NoiseShare(RecipeTable, frozen=True):
    """One noise of the place.

    `share_db` is its level among the noises, within 500 Hz to 12 kHz.
    """

    kind: NoiseKind
    share_db: Annotated[float, Meta(ge=-60.0, le=20.0)] = 0.0


class Wall(RecipeTable, frozen=True):
    """A wall, a cliff or a house front that gives sound back.

    It is so far from the microphone, where a line at its `bearing_deg` meets it squarely.
    `loss_db` is what it takes of a sound.
    """

    distance_m: Annotated[float, Meta(ge=1.0, le=1000.0)]
    bearing_deg: Annotated[float, Meta(ge=-360.0, le=360.0)] = 0.0
    loss_db: Annotated[float, Meta(ge=0.0, le=60.0)] = 3.0


class Singer(RecipeTable, frozen=True):
    """One singer.

    Where it sits, as seen from the microphone, is `distance_m` and `bearing_deg`: the latter
    matters to what the walls give back only.

    It has `repertoire` phrases of its own, made once from the seed and its
    letter, and sings them with small changes, resting between. `notes` is the
    number of motifs in a phrase; `per_s` the rate of its trills or strokes.
    `level_db` is its level at 1 m against the other singers. With `thin_out`
    its rests grow through the scene, to ten times at the end.

    With `syllables` it sings as a real bird does (callresp.scene.bouts): so
    many unlike syllables over the whole band, in bouts of `notes` syllables in
    an order of its own, with gaps of `gap_ms` between them. Singers of one
    `kind` share their syllables. Those with one name in `turns` answer each
    other, `turn_s` after the end of the bout before (a negative time: before
    its end).
    """

    voice: Annotated[str, Meta(min_length=1, max_length=2)]
    shapes: Annotated[tuple[Shape, ...], Meta(min_length=1)]
    band_hz: tuple[Hertz, Hertz]
    distance_m: Annotated[float, Meta(ge=1.0, le=500.0)] = 10.0
    bearing_deg: Annotated[float, Meta(ge=-360.0, le=360.0)] = 0.0
    level_db: Annotated[float, Meta(ge=-40.0, le=40.0)] = 0.0
    repertoire: Count = 4
    notes: tuple[Count, Count] = (3, 8)
    note_ms: Range = (40.0, 160.0)
    gap_ms: Range = (25.0, 90.0)
    rest_s: Range = (1.0, 3.0)
    per_s: Range = (12.0, 24.0)
    starts_s: Annotated[float, Meta(ge=0.0)] = 0.0
    stops_s: Annotated[float, Meta(gt=0.0)] | None = None
    thin_out: bool = False
    syllables: Annotated[int, Meta(ge=2, le=60)] | None = None
    kind: str | None = None
    turns: str | None = None
    turn_s: tuple[Turn, Turn] = (0.3, 1.5)

    def __post_init__(self) -> None:
        for name in ("band_hz", "notes", "note_ms", "gap_ms", "rest_s", "per_s", "turn_s"):
            low, high = getattr(self, name)
            if low > high:
                raise ValueError(f"'{name}' runs from the lower to the higher: {low} to {high}")
        if self.syllables is None and (self.kind is not None or self.turns is not None):
            raise ValueError("'kind' and 'turns' need a singer with 'syllables'")
        if self.syllables is not None and {"double", "knock"} & set(self.shapes):
            raise ValueError("syllables are of one note each: neither 'double' nor 'knock'")


class Recipe(RecipeTable, frozen=True):
    """A scene. `snr_db` is absent where there are no singers or no noise."""

    name: Annotated[str, Meta(min_length=1, max_length=60)]
    seconds: Annotated[float, Meta(ge=0.5, le=90000.0)]
    seed: Annotated[int, Meta(ge=0)]
    base: str | None = None
    use: Literal["demo", "tuning", "scoring"] = "tuning"
    description: str = ""
    start: str | None = None
    snr_db: Annotated[float, Meta(ge=-30.0, le=80.0)] | None = None
    reverb_t60_s: Annotated[float, Meta(ge=0.05, le=5.0)] = 0.5
    reverb_db: Annotated[float, Meta(ge=-80.0, le=0.0)] = -24.0
    echoes: Annotated[int, Meta(ge=0, le=12)] = 4
    echo_db: Annotated[float, Meta(ge=-60.0, le=-6.0)] = -18.0
    temperature_c: Annotated[float, Meta(ge=-20.0, le=50.0)] = 10.0
    humidity: Annotated[float, Meta(ge=10.0, le=100.0)] = 80.0
    noise: tuple[NoiseShare, ...] = ()
    singer: tuple[Singer, ...] = ()
    wall: tuple[Wall, ...] = ()

    def __post_init__(self) -> None:
        voices = [singer.voice for singer in self.singer]
        if len(voices) != len(set(voices)):
            raise ValueError("each singer needs a letter of its own in 'voice'")
        kinds = [noise.kind for noise in self.noise]
        if len(kinds) != len(set(kinds)):
            raise ValueError("name each noise once, and set its 'share_db'")
        turns = [singer.turns for singer in self.singer if singer.turns is not None]
        if lonely := [name for name in turns if turns.count(name) == 1]:
            raise ValueError(f"'turns' needs two singers or more: {lonely[0]} has one")
        if not self.singer and not self.noise:
            raise ValueError("a scene needs a singer or a noise")
        if self.singer and self.noise and self.snr_db is None:
            raise ValueError("singers over noise need 'snr_db'")
        for singer in self.singer:
            for wall in self.wall:
                turn = math.radians(singer.bearing_deg - wall.bearing_deg)
                if singer.distance_m * math.cos(turn) >= wall.distance_m:
                    text = f"singer {singer.voice} sits behind the wall at {wall.distance_m:g} m"
                    raise ValueError(text)


def load_recipe(name: str | Path) -> Recipe:
    """Read a recipe: a TOML file, or the name of a shipped one.

    Raises
    ------
    UserError
        With file, line and key.
    """
    return convert(_source(find("scenes", str(name)), ()), Recipe)


def _source(path: Path, above: tuple[Path, ...]) -> SettingsFile:
    """A recipe's source, its base already laid under it."""
    source = SettingsFile(read_text(path), str(path))
    base = source.tree.get("base")
    if not isinstance(base, str):
        return source
    if path in above:
        raise source.fault_at(("base",), "builds on itself", "name another recipe")
    beside = path.with_name(f"{base}.toml")
    try:
        under = beside if beside.is_file() else find("scenes", base)
    except UserError as fault:
        raise source.fault_at(("base",), fault.what, fault.remedy) from None
    source.tree = _source(under, (*above, path)).tree | source.tree
    return source


def vary(
    recipe: Recipe,
    *,
    seed: int | None = None,
    seconds: float | None = None,
    snr_db: float | None = None,
) -> Recipe:
    """The recipe with another seed, length or SNR, each within its allowed range.

    Parameters
    ----------
    recipe
        What to begin from.
    seed, seconds, snr_db
        What is to be otherwise; `None` leaves it.

    Returns
    -------
    Recipe
        Checked like one from a file.

    Raises
    ------
    UserError
        When a value can't be.
    """
    changes = {"seed": seed, "seconds": seconds, "snr_db": snr_db}
    tree = msgspec.to_builtins(recipe) | {k: v for k, v in changes.items() if v is not None}
    try:
        return msgspec.convert(tree, Recipe)
    except msgspec.ValidationError as fault:
        raise UserError(str(fault), where=recipe.name, remedy="give another value") from None
