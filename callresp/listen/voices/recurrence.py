"""How well singers account for what comes back, as between ways to tell who sang.

Goal
----
What a bird sings comes back, and with it nothing of another's. So each note is held against the
other notes of its singer that lie farther off than `NEAR_S`: the more of them are alike, the
better it is accounted for. To go from one singer over to another costs, little after
a rest. Of ways to tell the singers of the same notes the likelier one is that which accounts
for more, at less cost, by fewer singers.

The finer notes are parted, the better each part accounts for itself. Where birds rest, the cost of
going over outweighs that, so that it tells how many singers of a chorus there are; among birds that
sing all the time it tells too few.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from callresp.listen.voices.bouts import runs
from callresp.listen.voices.looks import Floats32, Ints
from callresp.listen.voices.pair_evidence import Pairs

NEAR_S = 1.5  # what comes back so soon may be one bout's
OVER, OVER_AT_REST = 3.0, 1.0  # nats that it costs to go over to another singer
FEWER = 8.0  # nats for each singer less
LEAST_ALIKE = 0.03


def likeliest(ways: Sequence[Ints], alike: Floats32, p: Pairs) -> Ints:
    """Of ways to tell the singers of notes, that which accounts best for what comes back.

    Parameters
    ----------
    ways
        The singer of every note, from 0, shape ``(n,)``, by each way.
    alike
        How alike each two notes are, by their weights, shape ``(n, n)``: `Pairs.timbre`, or in a
        chorus `Pairs.like`, since by timbre four who sing among each other became two.
    p
        The notes.

    Returns
    -------
    Ints
        One of `ways`; the first of those that account for it alike.
    """
    roots = np.sqrt(np.maximum(p.weight, 1e-6)).astype(np.float32)[:, None]
    near = [np.searchsorted(p.onset_s, p.onset_s + s) for s in (-NEAR_S, NEAR_S)]
    far = alike.copy()
    for row, first, end in zip(far, *near, strict=True):
        row[first:end] = 0.0
    turn_cost = np.where(np.diff(runs(p)) > 0, OVER_AT_REST, OVER)
    # Whoever begins while another sounds is someone else in any case.
    turn_cost[p.onset_s[1:] < p.offset_s[:-1]] = 0.0
    # Summed up once, by the coarsest groups of notes that no way parts.
    part = np.zeros(len(roots), np.int64)
    for singer in ways:
        part = np.unique(part * (singer.max() + 1) + singer, return_inverse=True)[1]
    _, first = np.unique(part, return_index=True)
    whose = np.eye(len(first), dtype=np.float32)[part]
    back = (far @ (roots * whose)) / roots
    weights = np.cumsum(np.vstack([0.0 * whose[:1], p.weight[:, None] * whose]), axis=0)
    worth = weights[-1] - (weights[near[1]] - weights[near[0]])
    nats = np.zeros(len(ways))
    for way, singer in enumerate(ways):
        own = (singer[first][:, None] == singer[first]).astype(np.float32)[part]
        came, could = (np.einsum("nk,nk->n", of_all, own) for of_all in (back, worth))
        nats[way] = np.log((came + LEAST_ALIKE) / (could + 1.0)) @ p.weight
        nats[way] -= turn_cost[np.diff(singer) != 0].sum() + FEWER * (singer.max() + 1)
    return ways[int(np.argmax(nats))]
