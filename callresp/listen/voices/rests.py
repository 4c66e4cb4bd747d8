"""Which rest ends a phrase: the gaps within a singer's phrases told from the rests between them.

Goal
----
Say after which silence a singer will hardly go on with its phrase. Three kinds of gaps are
taken to be log-normal: those within song, mixed with pauses of about half a second that many
birds make once in some dozen notes, and rests between phrases. A silence of length ``g`` is
long enough when it is hardly one of the first two:

    P(goes on | gap > g) = (w W(g) + p P(g)) / (w W(g) + p P(g) + q B(g)) <= LEAST_CHANCE

with ``W``, ``P`` and ``B`` the shares of gaps of each kind that are longer than ``g``, and ``w``,
``p`` and ``q`` the shares of the kinds among all gaps. So it is asked while the silence lasts,
as who wants to answer must; the classical criterion asks it of gaps that are over.

A singer's own gaps are taken in as they come, each by how likely it is of each kind. Few
of them leave the prior, which was fitted on tuning birds (`tools/singer_cases.py`): it waits
longer for a stranger, and for who sings long phrases, than for one that is known to rest
often and not to pause. No rest is waited for longer than a second, `rest_s` of the profile, or
twice the singer's usual gap.

Sources
-------
- P. J. B. Slater and N. P. Lester, "Minimising errors in splitting behaviour into bouts",
  Behaviour 79, 1982: a criterion from the two processes.
- R. M. Sibly, H. M. R. Nott and D. J. Fletcher, "Splitting behaviour into bouts", Animal
  Behaviour 39, 1990: fitted to log frequencies.
- B. J. Tolkamp and I. Kyriazakis, "To split behaviour into bouts, log-transform the
  intervals", Animal Behaviour 57, 1999: both kinds log-normal (from memory).
- A. Gelman et al., Bayesian Data Analysis (3rd ed., 2013), chapter 3: the normal
  distribution with its conjugate prior (from memory).
"""

from __future__ import annotations

import math
from functools import lru_cache

SHORTEST_S = 0.03  # what is shorter is as good as no gap
WITHIN_S, WITHIN_LN = 0.06, 1.1  # the prior: gaps within, and the spread of their ln,
WITHIN_SAME, SPREAD_SAME = 4.0, 8.0  # which count as so many gaps of the singer's own;
BETWEEN_S, BETWEEN_LN = 3.0, 1.0  # rests between;
PAUSE_S, PAUSE_LN, PAUSES = 0.55, 0.4, 1.0  # pauses within; how many of them, of rests,
ENDS, GOES_ON = 1.0, 40.0  # and of all others
KEPT = 100.0  # gaps, after which older ones fade
LEAST_CHANCE = 0.1
LONGEST_S, TIMES_USUAL = 1.0, 2.0  # no rest is waited for longer, nor twice the usual gap
STEP_LN = 0.06
_WITHIN, _PAUSE, _BETWEEN = math.log(WITHIN_S), math.log(PAUSE_S), math.log(BETWEEN_S)


class SingersGaps:
    """The gaps of one singer, and the rest that ends its phrases.

    Parameters
    ----------
    rest_s
        The shortest rest that may end a phrase.

    Examples
    --------
    >>> gaps = SingersGaps(0.4)
    >>> stranger_s = gaps.rest_s
    >>> for n in range(60):
    ...     gaps.heard(0.05 if n % 6 else 3.0)
    >>> round(stranger_s, 2), round(gaps.rest_s, 2)
    (1.0, 0.4)
    """

    def __init__(self, rest_s: float) -> None:
        self._least_s = rest_s
        self._count = 0.0  # of gaps within, each as far as it is likely to be one
        self._sum = 0.0
        self._squares = 0.0
        self._rests = 0.0
        self._pauses = 0.0
        self._rest_s: float | None = None

    def heard(self, gap_s: float) -> None:
        """Take in the gap between two notes; below 0 where they overlap."""
        x = math.log(max(gap_s, SHORTEST_S))
        mean, spread, pauses, ends = self._fitted()
        within = (1.0 - ends - pauses) * _density(x, mean, spread)
        pause = rest = 0.0
        if x > mean:
            pause = pauses * _density(x, _PAUSE, PAUSE_LN)
            rest = ends * _density(x, _BETWEEN, BETWEEN_LN)
        total = within + pause + rest
        share = within / total if total > 0.0 else 0.0
        kept = 1.0 - 1.0 / KEPT
        self._count = kept * self._count + share
        self._sum = kept * self._sum + share * x
        self._squares = kept * self._squares + share * x * x
        self._pauses = kept * self._pauses + (pause / total if total > 0.0 else 0.0)
        self._rests = kept * self._rests + (rest / total if total > 0.0 else 1.0)
        self._rest_s = None

    @property
    def rest_s(self) -> float:
        """The rest that ends a phrase, by the gaps so far."""
        if self._rest_s is None:
            self._rest_s = self._criterion()
        return self._rest_s

    def ended_by(self, gap_s: float) -> bool:
        """Whether a gap is a rest that ends a phrase."""
        # Most gaps are far too short for that, whatever the criterion: it takes long to find.
        return gap_s > 0.99 * self._least_s and gap_s >= self.rest_s

    def _criterion(self) -> float:
        mean, spread, pauses, ends = self._fitted()
        longest_s = max(LONGEST_S, self._least_s, TIMES_USUAL * math.exp(mean))
        x, longest = math.log(self._least_s), math.log(longest_s)
        scale, others = spread * math.sqrt(2.0), 0.5 * (1.0 - ends - pauses)
        while x < longest:
            paused, rested = _paused_and_rested(x)
            within = others * math.erfc((x - mean) / scale) + pauses * paused
            rest = ends * rested
            if within <= LEAST_CHANCE * (within + rest):
                return math.exp(x)
            x += STEP_LN
        return longest_s

    def _fitted(self) -> tuple[float, float, float, float]:
        """Mean and spread (ln) of the next gap within a phrase, the shares of pauses and rests."""
        count = WITHIN_SAME + self._count
        mean = (WITHIN_SAME * _WITHIN + self._sum) / count
        squares = (
            SPREAD_SAME * WITHIN_LN**2
            + WITHIN_SAME * (_WITHIN - mean) ** 2
            + self._squares
            - 2.0 * mean * self._sum
            + self._count * mean * mean
        )
        variance = squares / (SPREAD_SAME + self._count) * (1.0 + 1.0 / count)
        gaps = ENDS + GOES_ON + self._rests + self._pauses + self._count
        return (
            mean,
            math.sqrt(variance),
            (PAUSES + self._pauses) / gaps,
            (ENDS + self._rests) / gaps,
        )


def _density(x: float, mean: float, spread: float) -> float:
    return math.exp(-0.5 * ((x - mean) / spread) ** 2) / spread


@lru_cache(maxsize=256)
def _paused_and_rested(x: float) -> tuple[float, float]:
    """The shares of pauses and of rests that are longer; all singers ask for the same."""
    return _beyond(x, _PAUSE, PAUSE_LN), _beyond(x, _BETWEEN, BETWEEN_LN)


def _beyond(x: float, mean: float, spread: float) -> float:
    return 0.5 * math.erfc((x - mean) / (spread * math.sqrt(2.0)))
