"""A Standard MIDI File as a reply score, and what the machine can't do of it, by bar and beat.

Conventions
-----------
- Second 0 of the score is tick 0 of the file.
- A note ends where its key or its pedal is up; that is where its damper falls. A
  striker without a damper rings free.
- Tracks that `export` wrote of what was heard ("heard: A") are left out.
- A note is left out where the palette has nothing for it, or nothing within the
  stated distance in cents; one that is played far from its pitch is listed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from callresp.errors import UserError
from callresp.io.score import ReplyHeader, ReplyNote, ReplyScore
from callresp.midi.file import LEVEL_TEXT
from callresp.midi.keymap import KeyMap, Played, force_for
from callresp.midi.notes import PERCUSSION
from callresp.midi.performance import KeyNote, perform
from callresp.midi.smf import META, TEXT, Smf, read_smf, text_of
from callresp.midi.timing import MeterMap, TempoMap
from callresp.palette.model import Palette, Striker, Turner
from callresp.plan.model import Change

HEARD_TRACK = "heard: "
# A pitch that is off by no more than a quarter tone is the striker's own.
OFF_CENTS = 50.0
LONGEST_S = 24 * 3600.0
NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
RULE = "import"


class Obstacle(msgspec.Struct, frozen=True):
    """Something that the machine can't do as the file asks.

    `kind` is "left out", "other pitch", or the planner's word ("dropped", "moved", …).
    """

    at_s: float
    place: str
    track: str
    key: str
    kind: str
    why: str


@dataclass(frozen=True, slots=True)
class Imported:
    """A reply score, what of the file it could not take, and what is odd about the file.

    `places` says of each note by its number where it stands: bar, beat, track and key.
    """

    reply: ReplyScore
    obstacles: tuple[Obstacle, ...]
    remarks: tuple[str, ...]
    places: tuple[tuple[str, str, str], ...]
    tracks: int


def key_name(key: int, channel: int = 0) -> str:
    """A key as people say it; middle C is C4.

    Examples
    --------
    >>> key_name(69), key_name(60), key_name(38, channel=9)
    ('A4', 'C4', 'drum key 38')
    """
    if channel == PERCUSSION:
        return f"drum key {key}"
    return f"{NAMES[key % 12]}{key // 12 - 1}"


def import_midi(
    path: Path, palette: Palette, within_cents: float | None = None, transpose: float = 0.0
) -> Imported:
    """Read a Standard MIDI File into a reply score.

    Parameters
    ----------
    path
        Of format 0 or 1.
    palette
        The machine.
    within_cents
        What is farther than this from every striker is left out; `None` plays
        the nearest whatever it is.
    transpose
        Semitones to add to every pitch.

    Raises
    ------
    UserError
        When it can't be read, is damaged, or has no notes.
    """
    smf = read_smf(path)
    reader = _Reader(smf, palette, within_cents, transpose)
    notes = [
        note for note in perform(smf) if not smf.tracks[note.track].name.startswith(HEARD_TRACK)
    ]
    if not notes:
        raise UserError("holds no notes to play", where=str(path), remedy="check its tracks")
    last_s = reader.tempo.seconds(max(note.offset for note in notes))
    if last_s > LONGEST_S:
        raise UserError(
            f"lasts {last_s / 3600:.0f} h", where=str(path), remedy="cut it into pieces of a day"
        )
    reply = reader.score(notes, path.stem, last_s)
    return Imported(
        reply, tuple(reader.obstacles), smf.remarks, tuple(reader.places), len(smf.tracks)
    )


class _Reader:
    def __init__(
        self, smf: Smf, palette: Palette, within_cents: float | None, transpose: float
    ) -> None:
        self.tempo = TempoMap(smf)
        self.obstacles: list[Obstacle] = []
        self.places: list[tuple[str, str, str]] = []
        self._palette = palette
        self._meter = MeterMap(smf)
        self._within_cents = within_cents
        self._ratio = 2 ** (transpose / 12)
        self._keys = KeyMap(palette)
        self._names = [track.name or f"track {n}" for n, track in enumerate(smf.tracks, start=1)]
        self._loudest_db = _loudest_db(smf)
        self._forces: dict[tuple[str, int], float] = {}

    def score(self, notes: Sequence[KeyNote], title: str, last_s: float) -> ReplyScore:
        """The notes that have an instrument, numbered from 0."""
        made: list[ReplyNote] = []
        for note in notes:
            at_s = self.tempo.seconds(note.onset)
            place = self._place(note)
            found = self._keys.find(
                note.channel, note.key, note.hz * self._ratio, self._names[note.track]
            )
            if found is None:
                self._tell(at_s, place, "left out", "the palette has nothing for it")
                continue
            off = abs(found.off_cents)
            if off > OFF_CENTS:
                way = "higher" if found.off_cents > 0 else "lower"
                far = f"the nearest, {found.instrument.name}, is {off:.0f} cents {way}"
                if self._within_cents is not None and off > self._within_cents:
                    self._tell(at_s, place, "left out", far)
                    continue
                self._tell(at_s, place, "other pitch", far)
            self.places.append(place)
            made.append(self._note(len(made), note, at_s, found, place))
        header = ReplyHeader(
            recording=title, duration_s=last_s, palette=self._palette.name, rules=RULE
        )
        return ReplyScore(header=header, notes=tuple(made))

    def _place(self, note: KeyNote) -> tuple[str, str, str]:
        return (
            self._meter.place(note.onset),
            self._names[note.track],
            key_name(note.key, note.channel),
        )

    def _tell(self, at_s: float, place: tuple[str, str, str], kind: str, why: str) -> None:
        self.obstacles.append(Obstacle(at_s, *place, kind, why))

    def _note(
        self, number: int, note: KeyNote, at_s: float, found: Played, place: tuple[str, str, str]
    ) -> ReplyNote:
        item = found.instrument
        rings = isinstance(item, Striker) and item.damper is None
        unpitched = isinstance(item, Striker) and item.pitch_hz is None
        pitched = isinstance(item, Striker) and not unpitched and note.channel != PERCUSSION
        return ReplyNote(
            id=number,
            onset_s=at_s,
            offset_s=None if rings else max(self.tempo.seconds(note.offset), at_s),
            instrument=item.name,
            force=self._force(item, note.velocity),
            phrase=note.track,
            heard=None,
            heard_phrase=note.track,
            rule=RULE,
            why=", ".join(text for text in place if text),
            asked_hz=note.hz * self._ratio if pitched else None,
        )

    def _force(self, item: Striker | Turner, velocity: int) -> float:
        asked = (item.name, velocity)
        if asked not in self._forces:
            self._forces[asked] = force_for(item, velocity, self._loudest_db)
        return self._forces[asked]


def _loudest_db(smf: Smf) -> float | None:
    """What velocity 112 stands for, in a file of ours."""
    for event in smf.tracks[0].events:
        if event.status == META and event.data[0] == TEXT:
            found = LEVEL_TEXT.fullmatch(text_of(event))
            if found is not None:
                return float(found[1])
    return None


def obstacles_in_plan(imported: Imported, changes: Iterable[Change]) -> list[Obstacle]:
    """What the machine's limits change of an imported score, by bar and beat."""
    return [
        Obstacle(
            change.at_s,
            *imported.places[change.reply],
            change.change,
            f"{change.why} [{change.limit}]",
        )
        for change in changes
    ]
