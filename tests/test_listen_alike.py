"""Two groups of runs are weighed for one singer or two."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from listen_helpers import pairwise_f, row, table
from scipy import stats

from callresp.listen.voices import merge_evidence
from callresp.listen.voices.assign import assign_voices
from callresp.listen.voices.merge_evidence import GUESS, RANGE, SPREAD, Sums

Values = np.ndarray[tuple[int, ...], np.dtype[np.float64]]


def _sums(groups: list[Values], **pairs: Values) -> Sums:
    """Groups of runs of weight 1: their looks, shape ``(runs, looks)`` each."""
    count = np.array([float(len(group)) for group in groups])
    none = np.zeros((len(groups), len(groups)))
    return Sums(
        weight=count,
        total=np.array([group.sum(axis=0) for group in groups]),
        square=np.array([(group**2).sum(axis=0) for group in groups]),
        count=count,
        together=pairs.get("together", none),
        soon=pairs.get("soon", none),
        chance=pairs.get("chance", none),
    )


def _group(rng: np.random.Generator, runs: int, octave: float, level_db: float = -30.0) -> Values:
    middle = np.array([octave, level_db, 0.95, 0.0, -2.5])
    return np.asarray(middle + rng.normal(size=(runs, 5)) * SPREAD * 0.5)


def test_likelihood_is_that_of_a_student_t() -> None:
    # Outside: runs under a normal-inverse-gamma prior are jointly Student t (Gelman et al.,
    # Bayesian Data Analysis, 3rd ed., section 3.3, from memory), here by SciPy.
    rng = np.random.default_rng(1)
    groups = [_group(rng, 5, 11.0), _group(rng, 7, 12.0)]
    middle = np.concatenate(groups).mean(axis=0)

    def under_one(runs: Values) -> float:
        total = 0.0
        for k in range(SPREAD.size):
            shape = SPREAD[k] ** 2 * np.eye(len(runs)) + RANGE[k] ** 2
            t = stats.multivariate_t(np.full(len(runs), middle[k]), shape, df=GUESS[k])
            total += float(t.logpdf(runs[:, k]))
        return total

    apart = under_one(groups[0]) + under_one(groups[1])
    expected = apart - under_one(np.concatenate(groups))
    sums = _sums(groups)
    found = (
        merge_evidence.evidence_for_two(sums)
        - merge_evidence.sung_together(sums)
        - merge_evidence.never_soon(sums)
    )
    assert found[0, 1] == pytest.approx(expected, abs=1e-6)


def test_sung_together_is_a_ratio_of_poisson_likelihoods() -> None:
    together = np.array([[0.0, 6.0], [6.0, 0.0]])
    runs = np.zeros((20, 5))
    few = merge_evidence.EVER_MISHEARD + merge_evidence.MISHEARD * 20
    expected = stats.poisson.logpmf(6, 6.0) - stats.poisson.logpmf(6, few)
    found = merge_evidence.sung_together(_sums([runs, runs], together=together))
    assert found[0, 1] == pytest.approx(float(expected))
    assert merge_evidence.sung_together(_sums([runs, runs]))[0, 1] == 0.0


def test_two_kinds_of_phrase_with_a_rest_always_between_are_one_singers() -> None:
    runs = np.zeros((20, 5))
    chance = np.full((2, 2), 30.0)
    few = merge_evidence.EVER_HURRIED + merge_evidence.HURRIED * 30.0
    logpmf = stats.poisson.logpmf
    never = merge_evidence.never_soon(_sums([runs, runs], soon=np.zeros((2, 2)), chance=chance))
    expected = merge_evidence.HEEDED * float(logpmf(0, 30.0) - logpmf(0, few))
    assert never[0, 1] == pytest.approx(expected)
    often = merge_evidence.never_soon(_sums([runs, runs], soon=chance, chance=chance))
    assert often[0, 1] == 0.0


@given(st.floats(-20, 20), st.integers(2, 12), st.integers(2, 12))
def test_evidence_is_even_handed_and_knows_no_gain(gain_db: float, m: int, n: int) -> None:
    rng = np.random.default_rng(m * 100 + n)
    groups = [_group(rng, m, 11.0), _group(rng, n, 11.4), _group(rng, n, 13.0)]
    evidence = merge_evidence.evidence_for_two(_sums(groups))
    assert np.allclose(evidence, evidence.T)
    for group in groups:
        group[:, 1] += gain_db
    assert np.allclose(evidence, merge_evidence.evidence_for_two(_sums(groups)), atol=1e-5)


def test_joining_adds_up_as_if_summed_anew() -> None:
    rng = np.random.default_rng(2)
    groups = [_group(rng, n, 10.0 + n) for n in (3, 4, 5)]
    together = rng.uniform(0, 3, (3, 3))
    together += together.T
    joined = _sums(groups, together=together).joined(0, 2)
    anew = _sums([np.concatenate([groups[0], groups[2]]), groups[1]])
    for name in ("weight", "total", "square", "count"):
        assert np.allclose(getattr(joined, name), getattr(anew, name))
    assert joined.together[0, 1] == pytest.approx(together[0, 1] + together[2, 1])


def test_one_singer_with_far_apart_trills_sung_again_and_again_stays_one() -> None:
    # A phrase sung again is no new proof that its pitch is a singer's own.
    rng = np.random.default_rng(9)
    rows = []
    for phrase in range(60):
        hertz = (4150.0, 5350.0, 5800.0)[phrase % 3]
        rows += [
            row(3 * phrase + 0.05 * k, hertz * 2 ** rng.normal(0, 0.007), length_s=0.03)
            for k in range(10)
        ]
    voices = assign_voices(*table(rows))["voice"]
    assert len(set(voices.tolist())) == 1


def test_one_singer_keeps_its_voice_over_twenty_minutes() -> None:
    rng = np.random.default_rng(11)
    rows, at_s = [], 0.0
    for _ in range(400):
        hertz, length_s = [(4150.0, 0.03), (5350.0, 0.03), (5800.0, 0.06)][rng.integers(3)]
        for _ in range(8):
            rows.append(row(at_s, hertz * 2 ** rng.normal(0, 0.007), length_s=length_s))
            at_s += 0.08
        at_s += rng.uniform(1.5, 4.0)
    voices = assign_voices(*table(rows))["voice"]
    assert len(set(voices.tolist())) == 1


def test_neighbours_in_pitch_are_two_though_now_and_then_they_sing_in_turn() -> None:
    rng = np.random.default_rng(10)
    rows, who = [], []
    for phrase in range(36):
        at_s = 2.5 * phrase
        for k in range(6):
            # Every sixth phrase they share, note by note.
            low = phrase % 2 == 0 if phrase % 6 else k % 2 == 0
            band = (3900.0, 6300.0) if low else (7000.0, 9300.0)
            hertz = float(np.exp(rng.uniform(*np.log(band))))
            rows.append(row(at_s + 0.12 * k, hertz, -31.0 if low else -29.5, 0.05))
            who.append("low" if low else "high")
    assert pairwise_f(who, assign_voices(*table(rows))["voice"].tolist()) > 0.95
