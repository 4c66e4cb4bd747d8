"""The detectors by name: our own listener, and those of other libraries beside it.

Goal
----
Let a user hear what well-known methods make of the same recording, so that
trust in any of them, ours first, rests on a comparison and not on a claim.

Conventions
-----------
Each is used with the settings of its own library. Those that give onsets alone
get offsets and levels from the energy (`callresp.listen.detectors.energy`), no
pitch, tonality 0 and one voice: nothing is made up that they don't say. pYIN
gives notes from voiced runs, with pitch, level and voices. Long recordings go
through in chunks.
"""

from __future__ import annotations

import difflib
import importlib.util
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.io.audio import Progress, Recording
from callresp.io.score import Note
from callresp.listen.detectors import librosa, madmom
from callresp.listen.detectors.chunks import Chunk, chunks, resampled
from callresp.listen.detectors.energy import Envelope, ends_and_levels
from callresp.listen.notes import FEATURES, NOTE, TRACK, NoteTable, to_notes
from callresp.listen.profile import Profile
from callresp.listen.voices.assign import assign_voices
from callresp.listen.voices.phrases import close_phrases

NATIVE = "native"  # the name of our own listener
SHORTEST_RUN = 3  # frames of pYIN
LEAST_OVER_FLOOR_DB = 6.0  # of pYIN's runs: it finds pitch in hum and hiss, too


@dataclass(frozen=True, slots=True)
class Detector:
    """A detector by name.

    `licence` is what a user must be told of its licence, if anything, `missing` why it can't be
    had here, if it can't.
    """

    name: str
    about: str
    licence: str | None = None
    missing: str | None = None


_MADMOM = {
    "superflux": ("madmom's SuperFlux: onsets by vibrato-safe spectral flux", False),
    "cnn": ("madmom's convolutional network: onsets", True),
    "rnn": ("madmom's recurrent networks: onsets", True),
    "rnn-online": ("madmom's recurrent networks without look-ahead: onsets", True),
}
LIBROSA = {
    "librosa": "librosa's onset_detect: onsets by spectral flux",
    "pyin": "librosa's pYIN: notes with pitch from voiced runs; slow",
}


class _Method(Protocol):
    """What takes chunks of a recording."""

    rate_hz: int
    middle: int
    before: int
    after: int

    def take(self, chunk: Chunk) -> None:
        """Take the next chunk."""


class _OnsetMethod(_Method, Protocol):
    def onsets_s(self) -> npt.NDArray[np.float64]:
        """Onsets of all chunks so far, seconds."""


def _why_no_librosa() -> str | None:
    return None if importlib.util.find_spec("librosa") else "not installed; install librosa"


def detectors() -> list[Detector]:
    """Every detector, our own first, and why any is missing."""
    found = [Detector(NATIVE, "our own: notes with pitch, level, voice and phrase")]
    no_madmom, no_librosa = madmom.why_missing(), _why_no_librosa()
    for name, (about, trained) in _MADMOM.items():
        licence = madmom.MODELS_LICENCE if trained else None
        found.append(Detector(name, about, licence, no_madmom))
    found += [Detector(name, about, None, no_librosa) for name, about in LIBROSA.items()]
    return found


def find_detector(name: str) -> Detector:
    """A detector that can be used here.

    Raises
    ------
    UserError
        When there is none of that name, or it is missing here.
    """
    known = {detector.name: detector for detector in detectors()}
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        hint = f"did you mean '{near[0]}'?" if near else f"choose one of {', '.join(known)}"
        raise UserError(f"no detector '{name}'", argument="detector", remedy=hint)
    found = known[name]
    if found.missing is not None:
        here = [other for other in known if known[other].missing is None]
        raise UserError(
            f"detector '{name}' can't be had here: {found.missing}",
            argument="detector",
            remedy=f"choose one of {', '.join(here)}",
        )
    return found


def detect_notes(
    detector: str,
    recording: Recording,
    profile: Profile | None = None,
    progress: Progress | None = None,
) -> list[Note]:
    """The notes that another detector than our own hears, in order of onset.

    Raises
    ------
    UserError
        When the detector is not known or missing here, or the recording can't
        be read.
    """
    find_detector(detector)
    profile = profile or Profile()
    if detector == "pyin":
        table = _voiced_notes(recording, profile, progress)
    else:
        method: _OnsetMethod = (
            madmom.MadmomOnsets(detector)
            if detector in _MADMOM
            else librosa.LibrosaOnsets(recording)
        )
        table = _onset_notes(method, recording, profile, progress)
    notes = close_phrases(table.notes, profile.rest_s, profile.longest_phrase_s)
    return list(to_notes(NoteTable(notes, table.features, table.track)))


def _feed(
    method: _Method, recording: Recording, profile: Profile, progress: Progress | None
) -> npt.NDArray[np.float64]:
    """Feed a recording to a method by chunks; returns the level of the listening band."""
    envelope = Envelope(method.rate_hz, profile.band_low_hz, profile.band_high_hz)
    blocks = resampled(recording, method.rate_hz, progress)
    for chunk in chunks(blocks, method.middle, method.before, method.after):
        method.take(chunk)
        envelope.add(chunk.own)
    return envelope.level_db()


def _onset_notes(
    method: _OnsetMethod, recording: Recording, profile: Profile, progress: Progress | None
) -> NoteTable:
    level_db = _feed(method, recording, profile, progress)
    onsets_s = np.sort(method.onsets_s())
    offsets_s, levels_db, above_db = ends_and_levels(onsets_s, level_db)
    notes = np.zeros(len(onsets_s), NOTE)
    notes["onset_s"], notes["offset_s"] = onsets_s, offsets_s
    notes["pitch_hz"] = np.nan
    notes["level_db"], notes["snr_db"] = levels_db, above_db
    return NoteTable(notes, np.zeros(len(notes), FEATURES), np.zeros(0, TRACK))


def _voiced_notes(recording: Recording, profile: Profile, progress: Progress | None) -> NoteTable:
    method = librosa.PyinPitches(profile.band_low_hz, profile.band_high_hz)
    level_db = _feed(method, recording, profile, progress)
    found = method.pitches()
    half_s = 0.5 * method.hop / method.rate_hz
    runs = np.array(librosa.voiced_runs(found), np.int64).reshape(-1, 2)
    runs = runs[runs[:, 1] - runs[:, 0] >= SHORTEST_RUN]
    onsets_s = np.maximum(found.at_s[runs[:, 0]] - half_s, 0.0)
    _, levels_db, above_db = ends_and_levels(onsets_s, level_db)
    loud = above_db >= LEAST_OVER_FLOOR_DB
    runs = runs[loud]
    notes = np.zeros(len(runs), NOTE)
    notes["onset_s"], notes["offset_s"] = onsets_s[loud], found.at_s[runs[:, 1] - 1] + half_s
    notes["level_db"], notes["snr_db"] = levels_db[loud], above_db[loud]
    notes["points"] = runs[:, 1] - runs[:, 0]
    notes["first"] = np.cumsum(notes["points"]) - notes["points"]
    track = np.zeros(int(notes["points"].sum()), TRACK)
    for note, (first, end) in zip(notes, runs.tolist(), strict=True):
        pitch = found.pitch_hz[first:end]
        note["pitch_hz"], note["tonality"] = np.median(pitch), np.mean(found.voiced[first:end])
        note["low_hz"], note["high_hz"] = pitch.min(), pitch.max()
        own = track[note["first"] : note["first"] + note["points"]]
        own["at_s"], own["pitch_hz"] = found.at_s[first:end], pitch
        own["level_db"] = note["level_db"]
    features = np.zeros(len(notes), FEATURES)
    return NoteTable(assign_voices(notes, features), features, track)
