"""Voices: which singer sang each note.

Goal
----
Give every note to a singer, by pitch band, level (distance), timbre, timing
and repertoire: offline with the whole recording in view, online from what has
been heard so far.

Offline, notes form runs (`callresp.listen.voices.note_runs`), runs gather into singers
(`callresp.listen.voices.clustering`), and then every note is looked at again by itself,
against all that its neighbours' singers are known for
(`callresp.listen.voices.voice_model`). That parts runs that held two singers, and the
parts are gathered into singers once more. For the online form see
`callresp.listen.voices.online_voices`. Time is in proportion to the notes.

Conventions
-----------
Rows of `NOTE` and `FEATURES` (`callresp.listen.notes`) in order of onset.
Singers are numbered from 0 in order of first appearance, and named A, B, ….

Two singers of one kind at one distance who never sing at once can't be told
apart by this, nor by ear.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from callresp.listen.kernels._jit import inner, kernel
from callresp.listen.notes import Rows
from callresp.listen.voices import clustering, note_runs, voice_model
from callresp.listen.voices.voice_model import (
    END,
    HARD,
    LENGTH,
    LEVEL,
    LOOKS,
    MOST,
    RICH,
    START,
    TONAL,
    Singers,
)

Values = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

_SWEEPS = 3
_RUN_MATES = 1.5  # nats for staying with one's run
_SURE_TONALITY = 0.6
_TOP_HZ = 1e5
_WOOD = 10.5  # log2 Hz
_RICHEST_DB = 30.0
_LOOK_BACK = 64  # notes; how far back one may still sound


def looks_of(notes: Rows, features: Rows) -> Values:
    """What is compared of each note: shape ``(n, LOOKS)``, nan where unknown."""
    looks = np.full((len(notes), LOOKS), np.nan)
    hard = _hardness(notes, features)
    place = _place(notes, features)
    for column, name in ((START, "start_hz"), (END, "end_hz")):
        at_hz = features[name].astype(np.float64)
        known = (at_hz > 0) & (notes["pitch_hz"] > 0)
        at = np.where(known, np.log2(np.where(known, at_hz, 1.0)), place)
        # Where the wood rings says little of who knocks.
        looks[:, column] = (1 - hard) * at + hard * (_WOOD + 0.25 * (place - _WOOD))
    looks[:, LEVEL] = notes["level_db"]
    looks[:, LENGTH] = np.log(np.maximum(notes["offset_s"] - notes["onset_s"], 1e-3))
    looks[:, TONAL] = (1 - hard) * notes["tonality"]
    looks[:, RICH] = _richness(notes, features)
    looks[:, HARD] = hard
    return looks


def _place(notes: Rows, features: Rows) -> Values:
    """Log2 of the pitch; of the centre of energy where a note has none, or hardly."""
    pitch = np.where(notes["tonality"] >= _SURE_TONALITY, notes["pitch_hz"], np.nan)
    band = np.sqrt(np.maximum(notes["low_hz"], 1.0) * np.maximum(notes["high_hz"], 1.0))
    centre = features["centroid_hz"].astype(np.float64)
    inside = (centre > 0) & (centre < _TOP_HZ)
    band = np.where(inside, centre, np.where(notes["high_hz"] > 0, band, 1000.0))
    return np.asarray(np.log2(np.where(pitch > 0, pitch, band)))


def _hardness(notes: Rows, features: Rows) -> Values:
    """1 for a knock: a sudden attack before a longer ring or in a wide band, soon over.

    A sung note, however short, rises about as slowly as it falls: 0.
    """
    attack_ms, decay_ms = (features[name].astype(np.float64) for name in ("attack_ms", "decay_ms"))
    sudden = np.where(attack_ms > 0, np.clip((11.0 - attack_ms) / 3.0, 0, 1), 0.0)
    at_once = np.where(attack_ms > 0, np.clip((8.0 - attack_ms) / 2.5, 0, 1), 0.0)
    lopsided = np.clip((decay_ms - 1.6 * attack_ms) / np.maximum(0.6 * attack_ms, 1.0), 0, 1)
    low, high = np.maximum(notes["low_hz"], 1.0), np.maximum(notes["high_hz"], 1.0)
    wide = np.clip(np.log2(high / low) - 1.2, 0, 1)
    brief = np.clip((0.12 - (notes["offset_s"] - notes["onset_s"])) / 0.05, 0, 1)
    return np.asarray(np.nan_to_num(np.maximum(sudden * wide, at_once * lopsided)) * brief)


def _richness(notes: Rows, features: Rows) -> Values:
    """Level of the overtones re the first partial, dB, -30 to 0 and up; nan where unknown."""
    partial_db = features["partial_db"].astype(np.float64)
    overtones = 10 * np.log10(np.sum(10 ** (partial_db[:, 1:] / 10), axis=1))
    rich = np.clip(overtones - partial_db[:, 0], -_RICHEST_DB, _RICHEST_DB)
    measured = (partial_db.max(axis=1) > -1) & partial_db.any(axis=1) & (notes["pitch_hz"] > 0)
    return np.where(measured, rich, np.nan)


def assign_voices(notes: Rows, features: Rows) -> Rows:
    """Give every note its singer.

    Parameters
    ----------
    notes, features
        Rows of `NOTE` and `FEATURES` in order of onset, shape ``(n,)``.

    Returns
    -------
    Rows
        A copy of the notes with `voice` filled in: 0 for the singer heard
        first, 1 for the next new one, and so on.
    """
    notes = notes.copy()
    if len(notes) == 0:
        return notes
    looks = looks_of(notes, features)
    onset_s = np.ascontiguousarray(notes["onset_s"])
    offset_s = np.ascontiguousarray(notes["offset_s"])
    notes["voice"] = group(looks, onset_s, offset_s)
    return notes


def group(looks: Values, onset_s: Values, offset_s: Values) -> Numbers:
    """The singer of every note, from 0 in order of first appearance."""
    run = note_runs.form_runs(looks, onset_s, offset_s)
    voice = clustering.settle(clustering.gather(looks, onset_s, offset_s, run))[run]
    for _ in range(_SWEEPS):
        if not _look_again(looks, onset_s, offset_s, run, voice, voice_model.nobody()):
            break
        voice = by_appearance(voice)
    # Runs that held two singers lay between both and blurred them; now they are parted.
    _, part = np.unique(run * MOST + voice, return_inverse=True)
    voice = clustering.settle(clustering.gather(looks, onset_s, offset_s, part))[part]
    return by_appearance(voice)


def by_appearance(voice: Numbers) -> Numbers:
    """Number singers from 0 in order of first appearance."""
    _, first, inverse = np.unique(voice, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return np.asarray(rank[inverse])


@kernel
def _look_again(
    looks: Any, onset_s: Any, offset_s: Any, run: Any, voice: Any, known: Singers
) -> int:
    """Move notes that another singer fits better; returns how many moved."""
    count = len(looks)
    used = voice.max() + 1
    known.used[0] = used
    for i in range(count):
        voice_model.learn(looks[i], i, onset_s[i], offset_s[i], voice[i], known)
    mates = np.zeros((run.max() + 1, used))
    for i in range(count):
        mates[run[i], voice[i]] += 1
    score = np.empty(used)
    moved = 0
    for i in range(count):
        others = max(mates[run[i]].sum() - 1, 1.0)
        for v in range(used):
            own = 1.0 if v == voice[i] else 0.0
            score[v] = voice_model.fit(looks[i], v, i, known)
            score[v] += _RUN_MATES * (mates[run[i], v] - own) / others
        _at_once(i, looks, onset_s, offset_s, voice, score)
        best = np.argmax(score)
        if best != voice[i]:
            mates[run[i], voice[i]] -= 1
            mates[run[i], best] += 1
            voice[i] = best
            moved += 1
        voice_model.remember(looks[i], i, voice[i], known)
    return moved


@inner
def _at_once(i: int, looks: Any, onset_s: Any, offset_s: Any, voice: Any, score: Any) -> None:
    """Take from the score of every singer who sings something else at the time."""
    for j in range(max(0, i - _LOOK_BACK), min(len(looks), i + _LOOK_BACK)):
        if j > i and onset_s[j] >= offset_s[i]:
            break
        if j != i and offset_s[j] > onset_s[i]:
            score[voice[j]] -= voice_model.AT_ONCE * note_runs.at_once(
                i, j, looks, onset_s, offset_s
            )
