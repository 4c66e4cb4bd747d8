"""Phrases: runs of notes of one voice, closed by a rest."""

from __future__ import annotations

import numpy as np

from callresp.listen.notes import Rows


def close_phrases(notes: Rows, rest_s: float) -> Rows:
    """Number the phrases, in order of their onset.

    Parameters
    ----------
    notes
        Rows of `NOTE` in order of onset, with `voice` filled in.
    rest_s
        A silence of one voice at least this long closes its phrase.

    Returns
    -------
    Rows
        A copy with `phrase` filled in, from 0.
    """
    notes = notes.copy()
    if len(notes) == 0:
        return notes
    order = np.lexsort((notes["onset_s"], notes["voice"]))
    voice, onset = notes["voice"][order], notes["onset_s"][order]
    first_of_voice = np.r_[True, voice[1:] != voice[:-1]]
    # The latest offset so far in each voice: a long note outlasts those begun after it.
    latest = notes["offset_s"][order].copy()
    for start, end in _runs(first_of_voice):
        np.maximum.accumulate(latest[start:end], out=latest[start:end])
    opens = first_of_voice.copy()
    opens[1:] |= onset[1:] - latest[:-1] >= rest_s
    number = np.cumsum(opens) - 1
    rank = np.empty(number[-1] + 1, dtype=np.int32)
    rank[np.argsort(onset[opens], kind="stable")] = np.arange(len(rank), dtype=np.int32)
    notes["phrase"][order] = rank[number]
    return notes


def _runs(starts: np.ndarray) -> list[tuple[int, int]]:  # type: ignore[type-arg]
    at = np.flatnonzero(starts).tolist()
    return list(zip(at, [*at[1:], len(starts)], strict=True))
