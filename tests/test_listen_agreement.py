"""Agreement and marks: every count against scipy's matching, every file against its reader."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from callresp.errors import UserError
from callresp.evaluate import scoring
from callresp.evaluate.annotations import Mark, inside, read_marks

onsets = st.lists(st.integers(0, 2000), max_size=40, unique=True).map(
    lambda ticks: np.array(sorted(ticks)) / 200
)
stretches = st.lists(st.tuples(st.integers(0, 1000), st.integers(2, 60)), max_size=25).map(
    lambda rows: np.array(sorted((a / 200, (a + n) / 200) for a, n in rows)).reshape(-1, 2)
)


def largest_matching(hits: npt.NDArray[np.bool_]) -> int:
    """How many pairs agree at most, by scipy's matching of bipartite graphs."""
    matched = maximum_bipartite_matching(coo_array(hits).tocsr(), perm_type="column")
    return int(np.sum(matched >= 0))


@given(onsets, onsets, st.sampled_from([0.051, 0.0252, 0.0101]))
def test_as_many_onsets_agree_as_can(
    reference: scoring.Times, estimated: scoring.Times, window_s: float
) -> None:
    pairs = scoring.match_onsets(reference, estimated, window_s)
    assert all(abs(reference[i] - estimated[j]) <= window_s for i, j in pairs)
    assert pairs == sorted(pairs)
    assert len({i for i, _ in pairs}) == len({j for _, j in pairs}) == len(pairs)
    within = np.abs(np.subtract.outer(reference, estimated)) <= window_s
    assert len(pairs) == largest_matching(within)


def test_onset_scores_by_hand() -> None:
    """F is the harmonic mean of precision and recall (van Rijsbergen 1979): 2 PR / (P + R)."""
    found = scoring.score_onsets(np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.02, 1.04, 5.0]), 0.025)
    assert (found.precision, found.recall, found.f) == pytest.approx((1 / 3, 1 / 4, 2 / 7))


@given(stretches, stretches)
def test_notes_agree_as_in_music_transcription(
    reference: scoring.Times, estimated: scoring.Times
) -> None:
    # Bay, Ehmann & Downie (ISMIR 2009): offset within a fifth of the note's length or 50 ms.
    own = scoring.score_notes(reference, estimated)
    onset_off, offset_off = (
        np.abs(np.subtract.outer(reference[:, n], estimated[:, n])).round(4) for n in (0, 1)
    )
    slack = np.maximum(0.05, 0.2 * (reference[:, 1] - reference[:, 0]))
    assert own.matched == largest_matching((onset_off <= 0.05) & (offset_off <= slack[:, None]))


@given(onsets, onsets)
def test_agreement_is_mutual(a: scoring.Times, b: scoring.Times) -> None:
    table = scoring.pairwise_f([a, b], 0.026)
    assert table[0, 1] == table[1, 0]
    first, second = scoring.backing([a, b], 0.026)
    assert first.sum() == second.sum() == len(scoring.match_onsets(a, b, 0.026))


def test_a_late_detector_is_told_its_bias() -> None:
    marks = [Mark(t, t + 0.1) for t in map(float, range(1, 9))]
    found = scoring.against(marks, [Mark(m.onset_s + 0.012, m.offset_s + 0.02) for m in marks])
    assert found.bias_ms == pytest.approx(12)
    assert found.spread_ms == pytest.approx(0, abs=1e-6)
    assert [score.f for score in found.onsets] == [1.0, 1.0, 0.0]
    assert found.offsets_within_25ms == 1.0
    assert scoring.against(marks, []).bias_ms is None


def test_marks_of_both_kinds_read_alike(tmp_path: Path) -> None:
    table = tmp_path / "marks.csv"
    table.write_text("\ufefflabel,onset_s,offset_s\nb,2.5,2.75\n\na,1,1.5\n", encoding="utf-8")
    track = tmp_path / "track.txt"
    track.write_text("1.0\t1.5\ta\n\\\t2000\t4000\n2.5\t2.75\tb\n", encoding="utf-8")
    assert read_marks(table) == read_marks(track) == (Mark(1, 1.5, "a"), Mark(2.5, 2.75, "b"))


def test_spans_may_name_their_columns_start_and_end(tmp_path: Path) -> None:
    path = tmp_path / "span.csv"
    path.write_text("start_s,end_s\n1,2\n")
    assert read_marks(path) == (Mark(1, 2),)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", "no marks"),
        ("onset_s,offset_s\n", "no marks"),
        ("when,till\n1,2\n", "line 1: no column 'onset_s'"),
        ("onset_s,offset_s\n1,2\nx,3\n", "line 3: needs two numbers"),
        ("onset_s,offset_s\n1\n", "line 2: needs two numbers"),
        ("onset_s,offset_s\n3,2\n", "line 2: 3 to 2 s is no stretch"),
        ("onset_s,offset_s\nnan,2\n", "line 2: nan to 2 s is no stretch"),
    ],
)
def test_a_bad_mark_is_named(tmp_path: Path, text: str, fault: str) -> None:
    path = tmp_path / "marks.csv"
    path.write_text(text)
    with pytest.raises(UserError, match=fault):
        read_marks(path)


def test_only_what_starts_in_a_span_counts() -> None:
    marks = [Mark(t, t + 0.01) for t in (0.85, 0.95, 1.5, 2.05, 2.2)]
    assert [m.onset_s for m in inside(marks, [Mark(1, 2)])] == [0.95, 1.5, 2.05]
    assert inside(marks, None) == marks
