"""What a reply is worth, by a case worked out by hand and by counting on a grid."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_helpers import reply_note
from reply_helpers import call, heard_scores, note, score_of

from callresp.io.score import HeardScore, ReplyHeader, ReplyNote, ReplyScore
from callresp.palette.files import load_palette
from callresp.reply.metrics import FREE_RING_S, measure, overlap

FETTLE = load_palette("fettle")
(LOW_HZ, LOW), (MIDDLE_HZ, MIDDLE), (HIGH_HZ, HIGH) = sorted(
    (striker.pitch_hz, striker.name) for striker in FETTLE.striker if striker.pitch_hz
)[:3]
WOOD = next(striker.name for striker in FETTLE.striker if striker.pitch_hz is None)
GRID_S = 0.01


def struck(
    number: int, onset_s: float, instrument: str, offset_s: float | None = None, **rest: Any
) -> ReplyNote:
    return reply_note(number, onset_s, offset_s, instrument, **rest)


# Three notes that go up and down again, from 1.0 s to 1.7 s; and a long one of another bird.
HEARD = score_of(*call([1000, 1500, 1200]), note(3, 20.0, 2.0, voice="B", phrase=1))
MADE = ReplyScore(
    header=ReplyHeader(rules="by hand"),
    notes=(
        struck(0, 2.5, LOW, heard=0, offset_s=2.6, asked_hz=LOW_HZ * 2 ** (30 / 1200)),
        struck(1, 2.8, HIGH, heard=1, offset_s=3.0, asked_hz=HIGH_HZ * 2 ** (1 - 10 / 1200)),
        struck(2, 3.1, MIDDLE, heard=2, offset_s=3.2, asked_hz=MIDDLE_HZ),
        struck(3, 3.4, WOOD, offset_s=3.5),
        # A turner's spell is no stroke.
        struck(5, 4.0, FETTLE.turner[0].name, offset_s=9.0),
        struck(4, 21.5, WOOD, heard=3, phrase=1),
    ),
)


def test_every_figure_of_a_reply_by_hand() -> None:
    found = measure(HEARD, MADE, FETTLE)
    assert found.rules == "by hand"
    assert found.phrases == 2
    assert found.answered_share == 1.0
    # Of 0.5 s of damped strokes and a second of a ring, the half second from 21.5 s to 22.0 s.
    assert found.overlap_share == round(0.5 / 1.5, 4)
    # 0.8 s behind the first phrase's end, and half a second before the second's.
    assert found.delay_s == round((0.8 - 0.5) / 2, 3)
    assert found.strokes_per_minute == round(60 * 5 / HEARD.header.duration_s, 2)
    assert found.pitch_error_cents == 10.0
    assert found.contour == 1.0
    assert list(found.work.items()) == [
        (WOOD, 2),
        (LOW, 1),
        (HIGH, 1),
        (MIDDLE, 1),
    ]


def test_a_line_that_goes_another_way_has_another_contour() -> None:
    # Up and down was heard. Marvin and Laprade (1987) compare the signs above the diagonal:
    # of (+ + -) this has (- - +), none the same.
    down_and_up = (
        struck(0, 2.5, HIGH, heard=0),
        struck(1, 2.8, LOW, heard=1),
        struck(2, 3.1, MIDDLE, heard=2),
    )
    reply = ReplyScore(header=ReplyHeader(), notes=down_and_up)
    assert measure(HEARD, reply, FETTLE).contour == 0.0
    one = ReplyScore(header=ReplyHeader(), notes=down_and_up[:1])
    assert measure(HEARD, one, FETTLE).contour is None


def test_the_contour_is_that_of_all_replies_each_by_its_length() -> None:
    up_and_down, other_way = (LOW, HIGH, MIDDLE), (HIGH, LOW)
    strokes = [struck(n, 2.5 + n, name, heard=n) for n, name in enumerate(up_and_down)]
    strokes += [struck(5 + n, 9.0 + n, name, heard=n, phrase=1) for n, name in enumerate(other_way)]
    reply = ReplyScore(header=ReplyHeader(), notes=tuple(strokes))
    # Three notes all alike, two not at all.
    assert measure(HEARD, reply, FETTLE).contour == 0.6
    # Of (+ + -) a rising line has two of three.
    rising = [struck(n, 2.5 + n, name, heard=n) for n, name in enumerate((LOW, MIDDLE, HIGH))]
    reply = ReplyScore(header=ReplyHeader(), notes=tuple(rising))
    assert measure(HEARD, reply, FETTLE).contour == 0.6667


def test_what_no_reply_tells_is_not_told() -> None:
    nothing = measure(HEARD, ReplyScore(header=ReplyHeader(), notes=()), FETTLE)
    assert (nothing.answered_share, nothing.overlap_share, nothing.work) == (0.0, 0.0, {})
    assert nothing.delay_s is nothing.pitch_error_cents is nothing.contour is None


def on_grid(spans: list[tuple[float, float]], cells: int) -> npt.NDArray[np.bool_]:
    """Which cells of the grid are covered."""
    covered = np.zeros(cells, bool)
    for start_s, end_s in spans:
        covered[round(start_s / GRID_S) : round(end_s / GRID_S)] = True
    return covered


@given(
    heard=heard_scores(),
    made=st.lists(st.tuples(st.integers(0, 3000), st.none() | st.integers(1, 300)), max_size=12),
)
def test_overlap_is_what_is_counted_on_a_grid(
    heard: HeardScore, made: list[tuple[int, int | None]]
) -> None:
    cells = 10_000
    notes = tuple(
        note(
            one.id,
            round(one.onset_s / GRID_S) * GRID_S,
            max(round((one.offset_s - one.onset_s) / GRID_S), 1) * GRID_S,
        )
        for one in heard.notes
    )
    strokes = [
        struck(
            number,
            at * GRID_S,
            LOW,
            offset_s=None if length is None else (at + length) * GRID_S,
        )
        for number, (at, length) in enumerate(made)
    ]
    own = [
        (n.onset_s, n.onset_s + FREE_RING_S if n.offset_s is None else n.offset_s) for n in strokes
    ]
    sings = on_grid([(n.onset_s, n.offset_s) for n in notes], cells)
    sounds = on_grid(own, cells)
    expected = float((sings & sounds).sum() / max(sounds.sum(), 1))
    assert overlap(score_of(*notes), strokes) == pytest.approx(expected, abs=1e-6)
