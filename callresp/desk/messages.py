"""What the page and the server say to each other, as checked values; a schema is made of them."""

from __future__ import annotations

from typing import Annotated, Any

import msgspec
from msgspec import Meta

Short = Annotated[str, Meta(max_length=200)]
Number = Annotated[int, Meta(ge=1, le=1000)]
Value = bool | int | float | str | list[Any] | dict[str, Any] | None


class Op(msgspec.Struct, frozen=True, kw_only=True, tag_field="op", forbid_unknown_fields=True):
    """Something that is done to the session.

    `around_s` is where the playhead is: of a long recording that stretch is answered first.
    """

    around_s: Annotated[float, Meta(ge=0.0, le=1e6)] = 0.0


class Set(Op, frozen=True, tag="set"):
    """Change settings of the active rule set, all or none; `null` gives one its default back."""

    changes: Annotated[tuple[tuple[Short, Value], ...], Meta(min_length=1, max_length=16)]


class AddRule(Op, frozen=True, tag="add rule"):
    """Add a rule at the end; `like` copies the settings of another."""

    name: Annotated[str, Meta(min_length=1, max_length=40)]
    like: Number | None = None


class RemoveRule(Op, frozen=True, tag="remove rule"):
    """Take a rule out."""

    number: Number


class MoveRule(Op, frozen=True, tag="move rule"):
    """Put a rule in another place."""

    number: Number
    to: Number


class SwitchRule(Op, frozen=True, tag="switch rule"):
    """Switch a rule off, or on again with the weight it had."""

    number: Number
    on: bool


class Undo(Op, frozen=True, tag="undo"):
    """Take the latest change of the active set back."""


class Redo(Op, frozen=True, tag="redo"):
    """Make it again."""


class LoadRules(Op, frozen=True, tag="load rules"):
    """Take another rule set: a shipped one's name, or a file of the folder."""

    name: Short


class LoadPalette(Op, frozen=True, tag="load palette"):
    """Play on another palette: a shipped one's name, or a file of the folder."""

    name: Short


class Choose(Op, frozen=True, tag="choose"):
    """Work on, and hear, set a or set b."""

    slot: Short


class CopySet(Op, frozen=True, tag="copy set"):
    """Make the other set equal to the active one."""


class Listen(Op, frozen=True, tag="listen"):
    """Listen from another distance (m; `null` for the palette's own), some strikers muted."""

    distance_m: float | None = None
    muted: Annotated[tuple[Short, ...], Meta(max_length=100)] = ()


class Resume(Op, frozen=True, tag="resume"):
    """Take up what was left unsaved."""


class Forget(Op, frozen=True, tag="forget"):
    """Offer it no more."""


class Open(Op, frozen=True, tag="open"):
    """Open another source of the folder."""

    name: Short


class Save(Op, frozen=True, tag="save"):
    """Write the active rule set into the folder as TOML, comments kept."""

    name: Short
    overwrite: bool = False


Request = (
    Set
    | AddRule
    | RemoveRule
    | MoveRule
    | SwitchRule
    | Undo
    | Redo
    | LoadRules
    | LoadPalette
    | Choose
    | CopySet
    | Listen
    | Resume
    | Forget
    | Open
    | Save
)


class StartMachine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Play the stretch on a board; `yes` says that the cautions are read and the machine clear."""

    port: Short
    from_s: Annotated[float, Meta(ge=0.0, le=1e6)]
    to_s: Annotated[float, Meta(ge=0.0, le=1e6)]
    yes: bool


class Passes(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """When coming passes of the loop begin to be heard, in seconds of the server's clock."""

    starts_s: Annotated[tuple[float, ...], Meta(max_length=32)]


class Nothing(msgspec.Struct, frozen=True, kw_only=True):
    """No further word is needed."""


class Fault(msgspec.Struct, frozen=True, kw_only=True):
    """Why nothing was done: what is wrong, where, what to do."""

    error: str
    where: str
    remedy: str


class Voice(msgspec.Struct, frozen=True, kw_only=True):
    """A singer: its inks on light and dark ground, and how many notes it sang."""

    name: str
    light: str
    dark: str
    notes: int


class SourceState(msgspec.Struct, frozen=True, kw_only=True):
    """What is open. `share` is how much of the recording has been heard yet."""

    name: str
    file: str
    kind: str
    duration_s: float
    start: str | None
    rate_hz: int
    frames: int
    chunk: int
    low_hz: float
    high_hz: float
    has_sound: bool
    ready: bool
    share: float
    fault: str | None
    warnings: tuple[str, ...]
    voices: tuple[Voice, ...]
    notes: int
    phrases: int


class RulesState(msgspec.Struct, frozen=True, kw_only=True):
    """The active rule set: its values as the struct has them, and which are given in the file."""

    slot: str
    names: dict[str, str]
    file: str
    values: dict[str, Any]
    given: dict[str, Any]
    off: tuple[int, ...]
    undo: int
    redo: int
    changed: bool
    missing: tuple[str, ...]


class Lane(msgspec.Struct, frozen=True, kw_only=True):
    """A striker or turner, in the order of the lanes."""

    name: str
    kind: str
    pitch_hz: float | None
    said: str
    damper: bool
    turner: bool


class PaletteState(msgspec.Struct, frozen=True, kw_only=True):
    """The palette that is played on."""

    name: str
    title: str
    distance_m: float
    lanes: tuple[Lane, ...]


class Offered(msgspec.Struct, frozen=True, kw_only=True):
    """What was left unsaved."""

    at: str
    changes: int
    did: str


class State(msgspec.Struct, frozen=True, kw_only=True):
    """How the session stands; `answer` and `sound` are the numbers to ask for, 0 if none yet."""

    source: SourceState
    sources: tuple[str, ...]
    rules: RulesState
    palette: PaletteState
    shipped_rules: tuple[str, ...]
    shipped_palettes: tuple[str, ...]
    own_rules: tuple[str, ...]
    own_palettes: tuple[str, ...]
    distance_m: float
    muted: tuple[str, ...]
    answer: int
    sound: int
    whole: bool
    offered: Offered | None
    trouble: str | None
    told: str = ""


class HeardColumns(msgspec.Struct, frozen=True, kw_only=True):
    """The heard notes as columns, in order of onset; `voice` counts `SourceState.voices`."""

    id: list[int]
    onset_s: list[float]
    offset_s: list[float]
    pitch_hz: list[float | None]
    low_hz: list[float]
    high_hz: list[float]
    level_db: list[float]
    voice: list[int]
    phrase: list[int]
    phrases: list[tuple[int, int, float, float, int]]


class Opened(msgspec.Struct, frozen=True, kw_only=True):
    """All that the first picture shows; `heard` and `answer` are there once it has been heard."""

    state: State
    heard: HeardColumns | None = None
    answer: dict[str, Any] | None = None


class LoudnessMatch(msgspec.Struct, frozen=True, kw_only=True):
    """Loudness (LUFS) of each set's mix over a stretch, and the gains (dB) that make them equal."""

    lufs: dict[str, float | None]
    gain_db: dict[str, float]


class SweepRow(msgspec.Struct, frozen=True, kw_only=True):
    """One value of a swept setting, and the measures that came of it."""

    value: float
    row: dict[str, Any]
