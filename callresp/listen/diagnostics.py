"""Diagnostics: what decided the notes of one stretch of a recording.

Goal
----
Why a call was missed or split is mostly plain once one sees the noise floor, the
partials, the bounds of the notes, and what was weighed and left out. The stretch
is analysed again, and the listener's state is copied out as it goes.

Conventions
-----------
The analysis starts `BEFORE_S` ahead of the stretch, so that the noise floor is as
it would be in the middle of a recording. Levels are dB re a full-scale sine at a
window's peak bin, times are seconds of the recording.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.io.audio import Recording, stretch_of
from callresp.listen.kernels import layout
from callresp.listen.note_stream import FLOOR_S, NoteStream
from callresp.listen.notes import NOTE, Rows
from callresp.listen.profile import Profile

BEFORE_S = 10.0
AFTER_S = 1.0
LONGEST_S = 30.0
BLOCK_S = 0.25
FILLS_DB = 20.0  # below the loudest bin: still of what fills a recording
SPLIT_S = 0.08  # gap within which a note may have been split from the one before

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something that was weighed and is no note; `setting` would change it, if any would."""

    onset_s: float
    offset_s: float
    low_hz: float
    high_hz: float
    snr_db: float
    why: str
    setting: str | None


@dataclass(frozen=True, slots=True)
class Evidence:
    """One stretch.

    Attributes
    ----------
    at_s, hertz : shape (frames,), (bins,)
        Of the band that is listened to, and a margin.
    power_db, floor_db : shape (frames, bins)
    asked_db
        How far over the noise floor a partial must rise.
    points : shape (n, 3)
        Of partials: seconds, hertz, level in dB.
    rising, rising_asked
        Bands that rise in each frame, and how many of them make a broadband onset.
    notes : rows of `callresp.listen.notes.NOTE`
    left_out
    remarks
        For some notes, by row: what about them a setting would change.
    full_s
        Moments, a quarter of a second apart, at which no more partials could be followed.
    """

    at_s: Floats
    hertz: Floats
    power_db: Floats
    floor_db: Floats
    asked_db: float
    points: Floats
    rising: Floats
    rising_asked: int
    notes: Rows
    left_out: tuple[LeftOut, ...]
    remarks: dict[int, str]
    full_s: tuple[float, ...] = ()


def collect_evidence(
    recording: Recording, profile: Profile, from_s: float, to_s: float
) -> Evidence:
    """Analyse a stretch again and keep what its notes were decided by.

    Parameters
    ----------
    recording, profile
        As of `callresp.listen.offline.transcribe`.
    from_s, to_s
        The stretch, at most `LONGEST_S`.

    Raises
    ------
    UserError
        When the stretch is empty, too long to draw, or outside the recording.
    """
    _validate(recording, from_s, to_s)
    start_s = max(0.0, from_s - BEFORE_S)
    samples = stretch_of(recording, start_s, to_s + AFTER_S)
    rate_hz = recording.sample_rate_hz
    stream = NoteStream(rate_hz, profile, bits=recording.bits, lossy=recording.lossy)
    stream.learn_floor([samples[: int(FLOOR_S * rate_hz)]])
    recorder = _StateRecorder(stream, start_s, from_s, to_s)
    size = max(1, int(BLOCK_S * rate_hz))
    tables = [np.zeros(0, NOTE)]
    for first in range(0, len(samples) + size, size):
        last = first >= len(samples)
        outputs = stream.push(samples[first : first + size], last)
        tables += [out.notes.notes for out in outputs]
        recorder.copy_new()
    notes = np.concatenate(tables)
    notes["onset_s"] += start_s
    notes["offset_s"] += start_s
    inside = (notes["onset_s"] < to_s) & (notes["offset_s"] > from_s)
    found = recorder.evidence(np.sort(notes[inside], order="onset_s"), profile)
    length_s = recording.frames / rate_hz
    if len(notes) == 0 and start_s == 0.0 and to_s >= length_s < profile.longest_note_s:
        found = replace(found, left_out=(*_filling(found, length_s), *found.left_out))
    return found


def _filling(evidence: Evidence, length_s: float) -> tuple[LeftOut, ...]:
    """What sounds all through a recording without a note, so that it became its noise floor.

    Nothing in a recording shorter than a frame, nor in digital silence, equal in all bins.
    """
    if len(evidence.power_db) == 0:
        return ()
    middle_db = np.median(evidence.power_db, axis=0)
    if np.ptp(middle_db) == 0.0:
        return ()
    filled = evidence.hertz[middle_db > middle_db.max() - FILLS_DB]
    why = "sounds from the first sample to the last: taken for noise of the place"
    return (LeftOut(0.0, length_s, float(filled[0]), float(filled[-1]), 0.0, why, None),)


def _validate(recording: Recording, from_s: float, to_s: float) -> None:
    if not 0.0 <= from_s < to_s:
        raise UserError(
            f"no stretch from {from_s:g} to {to_s:g} s", remedy="end it after it begins"
        )
    if to_s - from_s > LONGEST_S:
        raise UserError(
            f"{to_s - from_s:g} s is too long to draw", remedy=f"give at most {LONGEST_S:g} s"
        )
    length_s = recording.frames / recording.sample_rate_hz
    if from_s >= length_s:
        raise UserError(
            f"lasts {length_s:.2f} s only",
            where=str(recording.path),
            remedy="begin earlier",
        )


class _StateRecorder:
    """Copies what a stream's rings hold before they are written over."""

    def __init__(self, stream: NoteStream, start_s: float, from_s: float, to_s: float) -> None:
        self._stream = stream
        self._start_s = start_s
        self._span_s = from_s, to_s
        self._kept = slice(stream.setup.kept_from, stream.setup.kept_to)
        self._frames = self._points_seen = self._rejected_seen = 0
        self._rows: list[tuple[float, Floats, Floats, int]] = []
        self._points: list[tuple[float, float, float]] = []
        self._full_s: list[float] = []
        self._rejected: list[tuple[float, float, float, float, float, float, int]] = []

    def copy_new(self) -> None:
        """Copy what is new since the last call."""
        state, spec = self._stream.state, self._stream.spec
        for frame in range(self._frames, int(state["frame"])):
            at_s, row = self._at_s(frame), frame % layout.RING
            if self._span_s[0] <= at_s <= self._span_s[1]:
                power = spec.power[row, self._kept].astype(np.float64)
                floor = spec.floor[self._kept].astype(np.float64)
                self._rows.append((at_s, power, floor, int(state["rising"][row])))
        for n in range(self._points_seen, int(state["point_count"])):
            point = state["points"][n % layout.MOST_POINTS]
            hz = float(point["freq"]) * self._stream.setup.bin_hz
            self._points.append((self._at_s(int(point["frame"])), hz, float(point["level_db"])))
        for n in range(self._rejected_seen, int(state["rejected_count"])):
            self._rejected.append(state["rejected"][n % layout.MOST_REJECTED].tolist())
        self._frames = int(state["frame"])
        now_s, from_s, to_s = self._at_s(self._frames), *self._span_s
        if from_s <= now_s <= to_s and not np.any(state["tracks"]["group"] == layout.FREE):
            self._full_s.append(round(now_s, 2))
        self._points_seen = int(state["point_count"])
        self._rejected_seen = int(state["rejected_count"])

    def _at_s(self, frame: float) -> float:
        return self._start_s + frame / self._stream.setup.frames_per_s

    def evidence(self, notes: Rows, profile: Profile) -> Evidence:
        """All that was copied, in seconds, hertz and dB."""
        setup = self._stream.setup
        bins = np.arange(setup.bins, dtype=np.float64)[self._kept]
        power = np.array([row[1] for row in self._rows]).reshape(-1, len(bins))
        floor = np.array([row[2] for row in self._rows]).reshape(-1, len(bins))
        points = np.array(self._points).reshape(-1, 3)
        inside = (points[:, 0] >= self._span_s[0]) & (points[:, 0] <= self._span_s[1])
        return Evidence(
            at_s=np.array([row[0] for row in self._rows]),
            hertz=bins * float(setup.bin_hz),
            power_db=10 * np.log10(power + 1e-20),
            floor_db=10 * np.log10(floor + 1e-20),
            asked_db=profile.floor_db,
            points=points[inside],
            rising=np.array([row[3] for row in self._rows], dtype=np.float64),
            rising_asked=setup.rising_bands,
            notes=notes,
            left_out=self._left_out(profile),
            remarks=_remarks(notes, profile),
            full_s=tuple(self._full_s),
        )

    def _left_out(self, profile: Profile) -> tuple[LeftOut, ...]:
        bin_hz = self._stream.setup.bin_hz
        found = []
        for onset, offset, low, high, snr_db, asked_db, reason in self._rejected:
            onset_s, offset_s = self._at_s(onset), self._at_s(offset)
            if onset_s < self._span_s[1] and offset_s > self._span_s[0]:
                why, setting = _why(reason, 1000 * (offset_s - onset_s), snr_db, asked_db, profile)
                found.append(
                    LeftOut(onset_s, offset_s, low * bin_hz, high * bin_hz, snr_db, why, setting)
                )
        return tuple(sorted(found, key=lambda one: one.onset_s))


def _why(
    reason: int, length_ms: float, snr_db: float, asked_db: float, profile: Profile
) -> tuple[str, str | None]:
    """Why something is no note, and the setting that would change it."""
    if reason == layout.SHORT:
        least = profile.shortest_note_ms
        return f"lasts {length_ms:.0f} ms, a note {least:g} ms at least", "shortest_note_ms"
    if reason == layout.FAINT:
        beyond_db = asked_db - profile.floor_db
        more = f"{abs(beyond_db):.1f} dB {'more' if beyond_db >= 0 else 'less'}"
        why = (
            f"{_below(snr_db, asked_db)} over the floor; a note must reach {asked_db:.1f} dB here:"
            f" floor_db, {profile.floor_db:g} dB, and {more}"
        )
        return why, "floor_db"
    if reason == layout.GUST:
        return "stands out of the floor, hardly out of what a gust lifted about it", "floor_db"
    if reason == layout.CRACKLE:
        why = (
            f"{_below(snr_db, asked_db)} over the floor, without a pitch, amid many such sounds,"
            f" as rain and surf bring: it must reach {asked_db:.1f} dB here"
        )
        return why, "crackle_db"
    if reason == layout.MASKED:
        beside_db = profile.faint_beside_loud_db
        why = f"brief, and more than {beside_db:g} dB below a loud neighbour"
        return why, "faint_beside_loud_db"
    if reason == layout.TWIN:
        return "begins and ends with another note that it belongs to", None
    if reason == layout.BORROWED:
        return "stands clear only by the power of a sound of many bands", "floor_db"
    if reason == layout.CONSTANT:
        why = (
            f"sounds from the first sample on for longer than a note may"
            f" ({profile.longest_note_s:g} s): taken for noise of the place"
        )
        return why, "longest_note_s"
    if reason == layout.RESIDUE:
        return "so far below what sounds at the same time that a codec may have left it", None
    if reason == layout.TAIL:
        return "what the place rings on with after a louder note of that pitch", None
    return "lies within a louder sound of many bands", None


def _below(snr_db: float, asked_db: float) -> str:
    """A level that is below what is asked, and reads so when both are rounded."""
    same = f"{snr_db:.1f}" == f"{asked_db:.1f}"
    return f"hardly less than {asked_db:.1f} dB" if same else f"{snr_db:.1f} dB"


def _remarks(notes: Rows, profile: Profile) -> dict[int, str]:
    """What a setting would change about notes that are there."""
    found: dict[int, str] = {}
    for n, note in enumerate(notes):
        if np.isnan(note["pitch_hz"]) and note["tonality"] > 0:
            found[n] = (
                f"no pitch: tonality {note['tonality']:.2f} is below least_tonality"
                f" {profile.least_tonality:g}"
            )
        for before in notes[max(0, n - 4) : n]:
            gap_s = note["onset_s"] - before["offset_s"]
            level = (
                min(before["high_hz"], note["high_hz"])
                >= max(before["low_hz"], note["low_hz"]) - 0.1 * note["low_hz"]
            )
            if 0 <= gap_s < SPLIT_S and level:
                found[n] = (
                    f"parted from the note before by {1000 * gap_s:.0f} ms and a dip of"
                    f" split_db {profile.split_db:g} dB or more"
                )
    return found
