"""Whether two groups of runs are one singer's or two singers'.

Goal
----
Weigh all that speaks for and against joining two groups on one scale, so that
one threshold serves short recordings and long ones, near singers and far ones.

Three things count. Firstly, how much better two singers describe the runs than
one does: the marginal likelihood of the runs' means under a normal whose mean
and spread aren't known beforehand (normal-inverse-gamma; Gelman et al.,
Bayesian Data Analysis, 3rd ed., section 3.3, from memory). It needs no penalty
for a singer more: that is in it already. Secondly, nobody sings two notes at
once. Among true singers of mixed scenes one in some hundred notes is heard over
another of the same singer (an echo, a note cut in two), against some ten to
ninety in hundred over a different singer's; so each pair of runs sung at once
beyond that few tells strongly for two. Thirdly, a singer rests between phrases:
of one singer hardly any phrase begins within a second of the last one's end,
while two who don't heed each other do so as often as chance has it. Where that
hardly happens, it tells for one; in a long recording it alone can join two kinds
of phrase that share no look.

Conventions
-----------
Looks of a run are the columns of `SPREAD`: octaves, dB, tonality, hardness and
ln of the notes' length. Evidence is in nats, for two singers where positive.
Sums have shape ``(k,)`` and ``(k, looks)`` for k groups.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]

# Of run means of one singer: octaves, dB, tonality, hardness, ln of length.
SPREAD = np.array([0.16, 2.0, 0.3, 0.25, 0.7])
# How many runs that guess is worth. That all runs of two groups are clear tones says
# little for their being one singer's, most are; and one singer's trills and whistles
# differ in length as two singers' do. So the spreads of these hardly learn.
GUESS = np.array([8.0, 8.0, 40.0, 40.0, 40.0])
# Of singers about the middle of all that is heard, in the same units.
RANGE = np.array([1.5, 8.0, 0.4, 0.4, 1.0])

MISHEARD = 0.03  # of the runs of one singer seem to be sung over another of its own
EVER_MISHEARD = 0.15  # of a run, and that in any recording
HURRIED = 0.1  # of what chance would bring, one singer follows itself without a rest
EVER_HURRIED = 0.2  # of a pair of runs, and that in any recording
HEEDED = 0.5  # birds heed one another, so what they leave out counts for half


@dataclass(frozen=True, slots=True)
class Sums:
    """Groups of runs: their weight, the sums and sums of squares of their looks, and their count.

    For each two groups, `together` counts the pairs of runs that were sung at once, `soon`
    those that followed one another with hardly a rest, and `chance` how many would have.
    """

    weight: Values
    total: Values
    square: Values
    count: Values
    together: Values
    soon: Values
    chance: Values

    def __len__(self) -> int:
        return len(self.weight)

    @property
    def centre(self) -> Values:
        """Weighted means."""
        return np.asarray(self.total / self.weight[:, None])

    @property
    def variance(self) -> Values:
        """Spread squared, mixed with the guess."""
        within = _within(self.weight, self.total, self.square)
        return np.asarray((GUESS * SPREAD**2 + within) / (GUESS + self.weight[:, None]))

    def joined(self, a: int, b: int) -> Sums:
        """Group `b` put to group `a`; later groups move up."""
        return Sums(
            weight=_put_together(self.weight, a, b),
            total=_put_together(self.total, a, b),
            square=_put_together(self.square, a, b),
            count=_put_together(self.count, a, b),
            together=_put_both(self.together, a, b),
            soon=_put_both(self.soon, a, b),
            chance=_put_both(self.chance, a, b),
        )


def _put_together(field: Values, a: int, b: int) -> Values:
    field = field.copy()
    field[a] += field[b]
    return np.delete(field, b, axis=0)


def _put_both(field: Values, a: int, b: int) -> Values:
    return _put_together(_put_together(field, a, b).T, a, b)


def _within(weight: Values, total: Values, square: Values) -> Values:
    return np.asarray(np.maximum(square - total**2 / weight[..., None], 0.0))


def evidence_for_two(groups: Sums) -> Values:
    """Nats that each two groups are two singers, shape ``(k, k)``."""
    middle = groups.total.sum(axis=0) / groups.weight.sum()
    apart = _likelihood(groups.weight, groups.total, groups.square, middle)
    joint = _likelihood(
        groups.weight[:, None] + groups.weight,
        groups.total[:, None] + groups.total,
        groups.square[:, None] + groups.square,
        middle,
    )
    unlike = apart[:, None] + apart - joint
    return np.asarray(unlike + sung_together(groups) + never_soon(groups))


def _likelihood(weight: Values, total: Values, square: Values, middle: Values) -> Values:
    """Log marginal likelihood of each group's runs under one singer."""
    from scipy.special import gammaln

    within = _within(weight, total, square)
    weight = weight[..., None]
    guess = GUESS * SPREAD**2
    prior = (SPREAD / RANGE) ** 2  # how many runs the guess of the mean is worth
    off = (total / weight - middle) ** 2 * prior * weight / (prior + weight)
    known = GUESS + weight
    each = 0.5 * np.log(prior / (prior + weight)) + gammaln(known / 2) - gammaln(GUESS / 2)
    each += 0.5 * GUESS * np.log(guess) - 0.5 * known * np.log(guess + within + off)
    return np.asarray(each.sum(axis=-1))


def sung_together(groups: Sums) -> Values:
    """Nats for two singers by the runs that were sung at once: a ratio of Poisson likelihoods."""
    few = EVER_MISHEARD + MISHEARD * np.minimum(groups.count[:, None], groups.count)
    seen = np.maximum(groups.together, few)
    return np.asarray(seen * np.log(seen / few) - (seen - few))


def never_soon(groups: Sums) -> Values:
    """Nats, 0 or below: for one singer where the two hardly ever followed each other soon."""
    few = EVER_HURRIED + HURRIED * groups.chance
    chance = np.maximum(groups.chance, few)
    ratio = groups.soon * np.log(chance / few) - (chance - few)
    return np.asarray(HEEDED * np.minimum(ratio, 0.0))
