"""How well singers account for what comes back, as between two ways to tell who sang.

Goal
----
What a bird sings comes back, and with it nothing of another's. So each note is held against the
other notes of its singer that lie farther off than `NEAR_S`: the more of them are alike in
timbre, the better it is accounted for. To go from one singer over to another costs, little after
a rest. Of two ways to tell the singers of the same notes the likelier one is that which accounts
for more, at less cost, by fewer singers.

Nothing but two such ways is compared by this: the finer notes are parted, the better each part
accounts for itself, so that it tells nothing of how many singers there are.
"""

from __future__ import annotations

import numpy as np

from callresp.listen.voices.bouts import runs
from callresp.listen.voices.looks import Numbers
from callresp.listen.voices.pair_evidence import Pairs

NEAR_S = 1.5  # what comes back so soon may be one bout's
OVER, OVER_AT_REST = 3.0, 1.0  # nats that it costs to go over to another singer
# Nats at most by which fewer turns tell: who changes all the time may sing at the same time.
MOST_FOR_TURNS = 20.0
FEWER = 8.0  # nats for each singer less
LEAST_ALIKE = 0.03


def likelier(owner: Numbers, than: Numbers, p: Pairs) -> bool:
    """Whether singers account better for what comes back than others do.

    Parameters
    ----------
    owner, than
        The singer of every note, from 0, by either way, shape ``(n,)``.
    p
        The notes.
    """
    roots = np.sqrt(np.maximum(p.weight, 1e-6)).astype(np.float32)[:, None]
    near = [np.searchsorted(p.onset_s, p.onset_s + s) for s in (-NEAR_S, NEAR_S)]
    far = p.timbre.copy()
    for row, first, end in zip(far, *near, strict=True):
        row[first:end] = 0.0
    rests = np.diff(runs(p)) > 0
    nats, cost = np.zeros(2), np.zeros(2)
    for way, singer in enumerate((owner, than)):
        whose = np.eye(int(singer.max()) + 1, dtype=np.float32)[singer]
        alike = (far @ (roots * whose)) / roots
        weights = np.cumsum(np.vstack([0.0 * whose[:1], p.weight[:, None] * whose]), axis=0)
        worth = weights[-1] - (weights[near[1]] - weights[near[0]])
        found = (alike + LEAST_ALIKE) / (worth + 1.0)
        nats[way] = np.log(found[np.arange(len(singer)), singer]) @ p.weight
        cost[way] = np.where(rests, OVER_AT_REST, OVER)[np.diff(singer) != 0].sum()
    fewer = float(than.max() - owner.max())
    turns = min(float(cost[1] - cost[0]), MOST_FOR_TURNS)
    return bool(nats[0] - nats[1] + turns + FEWER * fewer > 0.0)
