"""Plain groupings of notes into singers, to hold our own against.

Each takes the notes of a recording in order of onset, as our listener heard
them, and names a singer for each, so that only the grouping differs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from callresp.io.score import Note

Numbers = npt.NDArray[np.int64]
Grouping = Callable[[Sequence[Note]], Sequence[object]]
OURS = "callresp"


def by_gap_and_level(notes: Sequence[Note]) -> list[int]:
    """The plainest rule: a note goes on with whoever has just ended at about its level."""
    voices: list[int] = []
    ends_s: list[float] = []
    levels_db: list[float] = []
    for note in notes:
        near = [
            (abs(note.level_db - levels_db[v]) + 5 * max(0.0, note.onset_s - ends_s[v] - 0.5), v)
            for v in range(len(ends_s))
            if note.onset_s > ends_s[v] - 0.02
        ]
        cost, v = min(near, default=(99.0, 0))
        if cost > 20:
            v = len(ends_s)
            ends_s.append(0.0)
            levels_db.append(note.level_db)
        ends_s[v] = note.offset_s
        levels_db[v] += 0.3 * (note.level_db - levels_db[v])
        voices.append(v)
    return voices


def by_k_means(notes: Sequence[Note]) -> Sequence[int]:
    """k-means on pitch, band, length, level and tonality; k of the best silhouette, 2 to 6.

    One group where even the best silhouette lies below 0.25, the customary
    line for "no structure" (Kaufman & Rousseeuw 1990).
    """
    from scipy.cluster.vq import kmeans2, whiten

    if len(notes) < 4:
        return [0] * len(notes)
    looks = whiten(
        np.array(
            [
                (
                    np.log2(note.pitch_hz or np.sqrt(max(note.low_hz, 1) * max(note.high_hz, 1))),
                    np.log2(max(note.high_hz, 1.0) / max(note.low_hz, 1.0)),
                    np.log(max(note.length_s, 1e-3)),
                    note.level_db / 6,
                    note.tonality,
                )
                for note in notes
            ]
        )
        + 1e-9 * np.arange(len(notes))[:, None]
    )
    best, chosen = 0.25, np.zeros(len(notes), np.int64)
    away = np.linalg.norm(looks[:, None] - looks[None], axis=2) if len(notes) < 3000 else None
    for k in range(2, min(7, len(notes))):
        _, groups = kmeans2(looks, k, minit="++", seed=k)
        if away is not None and (score := _silhouette(away, groups)) > best:
            best, chosen = score, groups
    return [int(group) for group in chosen]


def _silhouette(away: npt.NDArray[np.float64], groups: Numbers) -> float:
    kinds = np.unique(groups)
    if len(kinds) < 2:
        return -1.0
    means = np.stack([away[:, groups == kind].mean(axis=1) for kind in kinds], axis=1)
    own = means[np.arange(len(groups)), np.searchsorted(kinds, groups)]
    others = np.where(kinds[None] == groups[:, None], np.inf, means).min(axis=1)
    return float(np.mean((others - own) / np.maximum(own, others)))


METHODS: dict[str, Grouping] = {
    OURS: lambda notes: [note.voice for note in notes],
    "gaps and level": by_gap_and_level,
    "k-means": by_k_means,
    "all one": lambda notes: [0] * len(notes),
}
