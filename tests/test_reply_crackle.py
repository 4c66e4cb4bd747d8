"""Rain and surf: faint sounds out of rhythm are left alone, calls among them are answered."""

from __future__ import annotations

import random

import msgspec
import pytest
from reply_helpers import note, score_of
from test_reply_turns import both, rules

from callresp.io.score import HeardScore, Note, Phrase, phrases
from callresp.reply.crackle import may_be_crackle

# Median signal-to-noise ratio of 550 notes that the listener finds in 80 clips of rain and sea
# waves of the data set ESC-10 (K. J. Piczak, Proc. ACM Multimedia 2015, 1015-1018).
RAIN_DB = 14.3


def drop(number: int, at_s: float, length_s: float = 0.02) -> Note:
    """A drop on a leaf, a phrase of its own."""
    one = note(number, at_s, length_s, None, f"D{number}", number, -50.0)
    return msgspec.structs.replace(one, snr_db=RAIN_DB, low_hz=3000.0, high_hz=9000.0)


def rain(count: int, every_s: float) -> HeardScore:
    rng = random.Random(1)
    return score_of(*(drop(n, 1 + every_s * n + rng.uniform(0, 2)) for n in range(count)))


def phrase(*notes: Note) -> Phrase:
    (one,) = phrases(msgspec.structs.replace(n, voice="A", phrase=0) for n in notes)
    return one


def drops(*at_s: float) -> Phrase:
    return phrase(*(drop(n, at) for n, at in enumerate(at_s)))


def test_rain_is_left_alone_once_it_has_shown_itself() -> None:
    for _, whys in both(rain(12, 5.0), rules()):
        kinds = [why.partition(":")[0] for why in whys.values()]
        told = "brief or harsh, without rhythm, as drops and surf are (manners.crackle)"
        assert kinds == [told] * 9
    for starts, whys in both(rain(12, 5.0), rules(crackle="answer")):
        assert (len(starts), whys) == (12, {})


def test_a_faint_sound_now_and_then_is_answered() -> None:
    for starts, whys in both(rain(8, 21.0), rules()):
        assert (len(starts), whys) == (8, {})


def test_a_call_in_the_rain_is_answered() -> None:
    notes = rain(12, 5.0).notes
    near = [note(100 + n, 43.0 + 0.2 * n, 0.1, 3000.0, "B", 100) for n in range(4)]
    near = [msgspec.structs.replace(one, snr_db=30.0) for one in near]
    for _, whys in both(score_of(*notes, *near), rules()):
        assert 100 not in whys
        assert len(whys) >= 8


@pytest.mark.parametrize(("songs", "left_alone"), [(1, True), (2, False)])
def test_faint_sounds_are_weather_only_where_they_are_many_of_all(
    songs: int, left_alone: bool
) -> None:
    notes = list(rain(12, 5.0).notes)
    for n in range(12 * songs):
        song = note(100 + n, 1.2 + 5.0 * n / songs, 0.3, 3000.0, f"B{n}", 100 + n)
        notes.append(msgspec.structs.replace(song, snr_db=30.0))
    for _, whys in both(score_of(*sorted(notes, key=lambda one: one.onset_s)), rules()):
        found = [why for why in whys.values() if "manners.crackle" in why]
        assert bool(found) is left_alone


@pytest.mark.parametrize(
    ("changed", "crackle"),
    [
        ({}, True),
        ({"snr_db": 20.5}, False),
        ({"snr_db": 29.5, "low_hz": 1000.0}, True),  # a drop near by
        ({"snr_db": 30.5, "low_hz": 1000.0}, False),
        ({"snr_db": 20.5, "low_hz": 1000.0, "length_s": 0.04}, False),
        ({"snr_db": 20.5, "low_hz": 1000.0, "pitch_hz": 4000.0}, False),
        ({"length_s": 0.2}, False),
        ({"length_s": 0.2, "low_hz": 1000.0}, True),  # a wave breaks in all bands
        ({"length_s": 0.06}, True),
        ({"length_s": 0.06, "pitch_hz": 4000.0}, False),
        ({"pitch_hz": 4000.0}, True),
    ],
)
def test_a_lone_sound_counts_by_how_faint_brief_and_wide_it_is(
    changed: dict[str, float], crackle: bool
) -> None:
    one = drop(0, 1.0, changed.pop("length_s", 0.02))
    assert may_be_crackle(phrase(msgspec.structs.replace(one, **changed))) is crackle


def test_what_keeps_time_or_has_many_notes_and_pitches_is_no_crackle() -> None:
    assert may_be_crackle(drops(1.0, 1.1, 1.7, 1.75))
    assert not may_be_crackle(drops(1.0, 1.2, 1.4, 1.65, 1.85))
    assert may_be_crackle(drops(1.0, 1.2, 1.4, 1.65))  # by chance
    many = [1.0 + 0.1 * n + 0.09 * (n % 3 == 0) for n in range(13)]
    assert may_be_crackle(drops(*many))
    near = [
        msgspec.structs.replace(drop(n, at), snr_db=25.0, low_hz=1000.0)
        for n, at in enumerate(many)
    ]
    assert may_be_crackle(phrase(*near[:12]))
    assert not may_be_crackle(phrase(*near))
    song = [drop(n, at) for n, at in enumerate(many)]
    song[::4] = [msgspec.structs.replace(one, pitch_hz=4000.0) for one in song[::4]]
    assert may_be_crackle(phrase(*song[:12]))
    assert not may_be_crackle(phrase(*song))


def test_where_the_noise_is_not_known_nothing_is_crackle() -> None:
    assert not may_be_crackle(phrase(msgspec.structs.replace(drop(0, 1.0), snr_db=0.0)))
