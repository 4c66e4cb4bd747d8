"""Notes are given to their singers, offline and online."""

from __future__ import annotations

from collections import Counter
from types import ModuleType

import numba
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from listen_helpers import pairwise_f, row, table, truth_rows
from threadpoolctl import threadpool_info, threadpool_limits

from callresp.listen.notes import FEATURES, NOTE, Rows
from callresp.listen.voices import choruses, pair_evidence
from callresp.listen.voices.assign import SingerSettings, assign_voices, why
from callresp.listen.voices.clustering import settle
from callresp.listen.voices.looks import Ints, looks_of
from callresp.listen.voices.online_voices import VoiceTracker
from callresp.listen.voices.pair_evidence import Pairs, pairs_of
from callresp.listen.voices.voice_model import add_ln
from callresp.scene.recipe import load_recipe, vary
from callresp.scene.render import render


@pytest.mark.parametrize(("scene", "least"), [("duet", 0.9), ("chorus", 0.9), ("hollin-carr", 0.9)])
def test_true_notes_go_to_their_singers(scene: str, least: float) -> None:
    truth = render(vary(load_recipe(scene), seconds=30, seed=31)).truth
    voices = assign_voices(*truth_rows(truth.notes))["voice"]
    assert pairwise_f([note.voice for note in truth.notes], voices.tolist()) >= least


def test_distance_tells_two_birds_of_one_kind_apart() -> None:
    rng = np.random.default_rng(3)
    rows, who = [], []
    for phrase in range(24):
        near = phrase % 2 == 0
        for k in range(5):
            level = (-24.0 if near else -40.0) + rng.normal(0, 1)
            rows.append(row(2 * phrase + 0.15 * k, 3000 * 2 ** rng.normal(0, 0.1), level))
            who.append("near" if near else "far")
    assert pairwise_f(who, assign_voices(*table(rows))["voice"].tolist()) > 0.95


def test_two_who_sing_at_once_are_two() -> None:
    rng = np.random.default_rng(4)
    rows, who = [], []
    for phrase in range(12):
        for singer, shift_s, hertz in (("low", 0.0, 2500.0), ("high", 0.04, 3300.0)):
            for k in range(6):
                at_s = 2 * phrase + 0.13 * k + shift_s
                rows.append(row(at_s, hertz * 2 ** rng.normal(0, 0.04), length_s=0.1))
                who.append(singer)
    order = np.argsort([note["onset_s"][0] for note, _ in rows], kind="stable")
    voices = assign_voices(*table(rows))["voice"].tolist()
    assert pairwise_f([who[i] for i in order], voices) > 0.95


def test_a_drummer_keeps_one_voice_though_its_log_rings_here_and_there() -> None:
    rng = np.random.default_rng(5)
    rows = [row(0.09 * k, 700 * 2 ** rng.uniform(-0.6, 1.2), -25, knock=True) for k in range(40)]
    rows += [row(5 + 0.2 * k, 1400 * 2 ** rng.normal(0, 0.1), -31) for k in range(30)]
    voices = assign_voices(*table(rows))["voice"]
    assert pairwise_f(["drummer"] * 40 + ["singer"] * 30, voices.tolist()) > 0.95


def test_an_overtone_heard_apart_is_no_second_singer() -> None:
    rows = []
    for k in range(30):
        rows.append(row(0.3 * k, 1000.0))
        rows.append(row(0.3 * k + 0.004, 2000.0, -33.0))
    voices = assign_voices(*table(rows))["voice"]
    assert np.all(voices[::2] == voices[0])


def test_no_notes_and_one_note() -> None:
    assert len(assign_voices(np.zeros(0, NOTE), np.zeros(0, FEATURES))) == 0
    assert assign_voices(*row(1.0, 3000.0))["voice"].tolist() == [0]


@given(
    st.lists(
        st.tuples(
            st.floats(0, 60),
            st.floats(100, 12000),
            st.floats(-90, 0),
            st.floats(0.005, 2.0),
            st.booleans(),
        ),
        min_size=1,
        max_size=60,
    )
)
def test_voices_are_named_by_first_appearance(
    made: list[tuple[float, float, float, float, bool]],
) -> None:
    notes, features = table([row(*values) for values in made])
    voices = assign_voices(notes, features)["voice"].tolist()
    firsts = list(dict.fromkeys(voices))
    assert firsts == list(range(len(firsts)))


@given(st.floats(-20, 20), st.floats(0, 100))
def test_gain_and_silence_before_change_no_voice(gain_db: float, delay_s: float) -> None:
    rng = np.random.default_rng(6)
    rows = [
        row(0.2 * k, rng.choice([900, 2500, 7000]) * 2 ** rng.normal(0, 0.1)) for k in range(60)
    ]
    notes, features = table(rows)
    before = assign_voices(notes, features)["voice"].tolist()
    notes["level_db"] += gain_db
    notes["onset_s"] += delay_s
    notes["offset_s"] += delay_s
    assert assign_voices(notes, features)["voice"].tolist() == before


def test_unknown_features_count_for_nothing() -> None:
    rng = np.random.default_rng(12)
    rows, who = _sung_over_each_other(rng)
    notes, features = table(rows)
    order = np.argsort([note["onset_s"][0] for note, _ in rows], kind="stable")
    for name in FEATURES.names or ():
        features[name] = 0 if name == "spectrogram_db" else np.nan
    voices = assign_voices(notes, features)["voice"].tolist()
    assert pairwise_f([who[i] for i in order], voices) > 0.9


def _sung_over_each_other(
    rng: np.random.Generator, phrases: int = 14
) -> tuple[list[tuple[Rows, Rows]], list[str]]:
    """Two birds, one low and one high, that don't heed each other."""
    rows, who = [], []
    for singer, hertz, gap_s in (("low", 900.0, 0.05), ("high", 5000.0, 0.09)):
        at_s = rng.uniform(0, 1)
        for _ in range(phrases):
            for _ in range(7):
                rows.append(row(at_s, hertz * 2 ** rng.normal(0, 0.04), length_s=0.1))
                who.append(singer)
                at_s += 0.1 + gap_s * rng.uniform(0.8, 1.2)
            at_s += rng.uniform(0.5, 1.5)
    return rows, who


def test_the_online_form_finds_the_singers_after_a_while_and_keeps_their_names() -> None:
    truth = render(vary(load_recipe("duet"), seconds=60, seed=31)).truth
    notes, features = truth_rows(truth.notes)
    tracker = VoiceTracker()
    given_voices = [tracker.assign(notes[i], features[i]) for i in range(len(notes))]
    half = len(notes) // 2
    true = [note.voice for note in truth.notes]
    assert pairwise_f(true[half:], given_voices[half:]) > 0.6


def test_where_nothing_is_settled_the_online_form_ends_as_the_offline_one() -> None:
    online, offline = [], []
    for seed in range(31, 37):
        truth = render(vary(load_recipe("duet"), seconds=60, seed=seed)).truth
        notes, features = truth_rows(truth.notes)
        tracker = VoiceTracker(regroup=False)
        voices: list[int] = []
        for i in range(len(notes)):
            voices.append(tracker.assign(notes[i], features[i]))
            if tracker.due():
                for number, voice in tracker.regroup(frozenset(range(i + 1))).items():
                    voices[number] = voice
        true = [note.voice for note in truth.notes]
        online.append(pairwise_f(true, voices))
        offline.append(pairwise_f(true, assign_voices(notes, features)["voice"].tolist()))
    assert all(a > b - 0.06 for a, b in zip(online, offline, strict=True))
    assert np.mean(online) > np.mean(offline) - 0.02


def test_the_online_form_tells_two_birds_in_turns_apart_once_each_has_sung_a_bout() -> None:
    other = [(3000.0, 0.05, -30.0), (1100.0, 0.1, -28.0), (5200.0, 0.07, -26.0)]
    other += [(2000.0, 0.12, -33.0), (7000.0, 0.04, -30.0)]
    rows, who = _bouts(np.random.default_rng(21), [_SYLLABLES, other], bouts=10)
    notes, features = table(rows)
    tracker = VoiceTracker(regroup=False)
    voices: list[int] = []
    bout: list[int] = []
    for n in range(len(notes)):
        if bout and notes["onset_s"][n] - notes["offset_s"][n - 1] > 0.8:
            for number, voice in tracker.regroup(frozenset(bout)).items():
                voices[number] = voice
            bout = []
        voices.append(tracker.assign(notes[n : n + 1], features[n : n + 1]))
        bout.append(n)
    half = len(voices) // 2
    assert pairwise_f(who[half:], voices[half:]) > 0.95
    assert len(set(voices)) == 2


def test_the_online_form_does_not_look_ahead() -> None:
    rng = np.random.default_rng(8)
    rows = [
        row(0.2 * k, rng.choice([900, 3000, 7000]) * 2 ** rng.normal(0, 0.1)) for k in range(90)
    ]
    notes, features = table(rows)
    whole, part = VoiceTracker(), VoiceTracker()
    all_voices = [whole.assign(notes[i], features[i]) for i in range(90)]
    assert [part.assign(notes[i], features[i]) for i in range(50)] == all_voices[:50]


def test_the_online_form_remembers_a_singer_through_a_thousand_notes_of_another() -> None:
    rng = np.random.default_rng(13)
    rows, who = _sung_over_each_other(rng)
    order = np.argsort([note["onset_s"][0] for note, _ in rows], kind="stable")
    tracker = VoiceTracker()
    given_voices = [tracker.assign(*rows[i]) for i in order]
    named = {
        singer: Counter(
            v for v, i in zip(given_voices[-60:], order[-60:], strict=True) if who[i] == singer
        )
        for singer in ("low", "high")
    }
    low, high = (named[singer].most_common(1)[0][0] for singer in ("low", "high"))
    assert low != high
    start_s = max(float(note["offset_s"][0]) for note, _ in rows) + 1
    between = Counter(
        tracker.assign(*row(start_s + 0.2 * k, 5000.0 * 2 ** rng.normal(0, 0.04), length_s=0.1))
        for k in range(1000)
    )
    assert between[high] > 900
    again = Counter(
        tracker.assign(
            *row(start_s + 300 + 0.15 * k, 900.0 * 2 ** rng.normal(0, 0.04), length_s=0.1)
        )
        for k in range(15)
    )
    assert again.most_common(1)[0][0] == low


def test_a_bird_with_an_order_of_unlike_syllables_is_one_singer() -> None:
    # As real birds do: whistle, stack, buzz and click over three octaves, in a set order.
    rows, _ = _bouts(np.random.default_rng(14), [_SYLLABLES], bouts=4)
    voices = assign_voices(*table(rows))["voice"]
    assert set(voices.tolist()) == {0}


def test_two_repertoires_sung_over_each_other_are_two_singers() -> None:
    other = [
        (2600.0, 0.03, -34.0),
        (1500.0, 0.16, -22.0),
        (6300.0, 0.11, -31.0),
        (3600.0, 0.05, -28.0),
    ]
    first, _ = _bouts(np.random.default_rng(15), [_SYLLABLES], bouts=5)
    second, _ = _bouts(np.random.default_rng(16), [other], bouts=6)
    rows = first + [_later(one, 0.7) for one in second]
    order = np.argsort([note["onset_s"][0] for note, _ in rows], kind="stable")
    who = ["first"] * len(first) + ["second"] * len(second)
    voices = assign_voices(*table(rows))["voice"].tolist()
    assert pairwise_f([who[i] for i in order], voices) > 0.9


def _later(one: tuple[Rows, Rows], by_s: float) -> tuple[Rows, Rows]:
    note, features = one[0].copy(), one[1]
    note["onset_s"] += by_s
    note["offset_s"] += by_s
    return note, features


def test_a_click_heard_within_a_louder_note_is_no_second_singer() -> None:
    rows, _ = _bouts(np.random.default_rng(16), [_SYLLABLES], bouts=4)
    faint = [
        row(float(note["onset_s"][0]) + 0.02, 7000.0, float(note["level_db"][0]) - 35.0, 0.015)
        for note, _ in rows
        if note["offset_s"][0] - note["onset_s"][0] > 0.1
    ]
    voices = assign_voices(*table(rows + faint))["voice"]
    assert set(voices.tolist()) == {0}


def test_what_is_left_of_a_song_in_its_pauses_is_no_second_singer() -> None:
    # As of real recordings: echoes and what a codec leaves, a second or two after each phrase.
    rows, _ = _bouts(np.random.default_rng(16), [_SYLLABLES], bouts=4)
    starts_s = np.array([float(note["onset_s"][0]) for note, _ in rows])
    ends_s = np.array([float(note["offset_s"][0]) for note, _ in rows])
    shift_s = np.cumsum(np.r_[0.0, 6.0 * (starts_s[1:] - ends_s[:-1] > 0.5)])
    rows = [_later(one, by_s) for one, by_s in zip(rows, shift_s, strict=True)]
    last_s = (ends_s + shift_s)[np.r_[np.diff(shift_s) > 0, True]]
    left = [row(end_s + 1.2 + 0.15 * k, 7000.0, -74.0, 0.02) for end_s in last_s for k in range(8)]
    assert set(assign_voices(*table(rows + left))["voice"].tolist()) == {0}


@pytest.mark.parametrize("after", [True, False])
@pytest.mark.parametrize(("gap_s", "below_db"), [(0.5, 25.0), (2.0, 37.0), (3.0, 49.0)])
def test_a_note_counts_the_less_the_louder_a_song_about_it(
    gap_s: float, below_db: float, after: bool
) -> None:
    def weight(db: float) -> float:
        at_s = 9.0 + 0.2 + gap_s if after else 9.0 - gap_s - 0.1
        rows = [row(9.0, 3000.0, -20.0, 0.2), row(at_s, 5000.0, -20.0 - db, 0.1)]
        notes, features = table(rows)
        pairs = pairs_of(looks_of(notes, features), notes["onset_s"], notes["offset_s"])
        return float(pairs.weight[1 if after else 0])

    assert weight(below_db) == pytest.approx(0.5, abs=0.01)
    assert weight(below_db - 9.0) > 0.9
    assert weight(below_db + 9.0) < 0.1


# Pitch in hertz, length in seconds, level in dB.
_SYLLABLES = [
    (800.0, 0.06, -40.0),
    (4200.0, 0.12, -25.0),
    (2400.0, 0.08, -30.0),
    (6500.0, 0.02, -36.0),
    (3100.0, 0.14, -24.0),
]


def _bouts(
    rng: np.random.Generator, birds: list[list[tuple[float, float, float]]], bouts: int
) -> tuple[list[tuple[Rows, Rows]], list[str]]:
    """Bouts of birds in turns; each bird sings its syllables in order, again and again."""
    rows, who = [], []
    at_s = 0.0
    for bout in range(bouts):
        syllables = birds[bout % len(birds)]
        for n in range(4 * len(syllables)):
            hertz, length_s, level_db = syllables[n % len(syllables)]
            length_s *= rng.uniform(0.95, 1.05)
            rows.append(
                row(at_s, hertz * 2 ** rng.normal(0, 0.04), level_db + rng.normal(0, 1), length_s)
            )
            who.append(str(bout % len(birds)))
            at_s += length_s + rng.uniform(0.03, 0.09)
        at_s += rng.uniform(1.0, 2.5)
    return rows, who


def test_the_user_may_say_how_many_singers_there_are() -> None:
    rows, _ = _sung_over_each_other(np.random.default_rng(17))
    notes, features = table(rows)
    assert set(assign_voices(notes, features, SingerSettings(most=1))["voice"].tolist()) == {0}
    third = [row(90 + 0.3 * k, 9000.0, -60.0, 0.2) for k in range(30)]
    notes, features = table(rows + third)
    assert len(set(assign_voices(notes, features, SingerSettings(most=2))["voice"].tolist())) == 2


def test_by_band_each_singer_keeps_to_a_band_of_its_own() -> None:
    rows, _ = _bouts(
        np.random.default_rng(18), [[(800.0, 0.06, -30.0), (6000.0, 0.06, -30.0)]], bouts=4
    )
    notes, features = table(rows)
    free = assign_voices(notes, features)["voice"]
    assert set(free.tolist()) == {0}
    banded = assign_voices(notes, features, SingerSettings(by_band=True))["voice"]
    low = notes["pitch_hz"] < 2000
    assert len(set(banded[low].tolist())) == 1
    assert len(set(banded[~low].tolist())) == 1
    assert banded[low][0] != banded[~low][0]


def test_why_a_note_went_to_its_singer_is_told_in_nats() -> None:
    rows, _ = _sung_over_each_other(np.random.default_rng(19))
    notes, features = table(rows)
    notes = assign_voices(notes, features)
    for n in (5, 60, 150):
        found = why(notes, features, n)
        assert found.voice == notes["voice"][n]
        instead = {one.instead for one in found.against}
        assert instead == set(notes["voice"].tolist()) - {found.voice} | {-1}
        assert [one.nats for one in found.against] == sorted(one.nats for one in found.against)
        assert found.against[0].nats > 0
    # A note amid another's song is not the other's by what they overlap.
    over = [why(notes, features, n).against[0].overlap for n in range(len(notes))]
    assert max(over) > 2


def test_why_is_told_by_the_settings_that_decided() -> None:
    rows, _ = _sung_over_each_other(np.random.default_rng(19))
    notes, features = table(rows)
    by_band = SingerSettings(by_band=True)
    notes = assign_voices(notes, features, by_band)
    told = [why(notes, features, n, by_band).against[0].repertoire for n in (5, 60, 150)]
    free = [why(notes, features, n).against[0].repertoire for n in (5, 60, 150)]
    # With a band of its own each, what a singer has sung says more of what it sings next.
    assert all(abs(one - other) > 0.1 for one, other in zip(told, free, strict=True))


@numba.njit  # type: ignore[untyped-decorator]
def _with_ln(values: np.ndarray) -> np.ndarray:
    found = values.copy()
    add_ln(found, len(found), 0.03, 2.0)
    return found


@given(st.lists(st.floats(0.0, 1e6), min_size=1, max_size=40))
def test_logarithms_of_many_numbers_are_numpys(values: list[float]) -> None:
    numbers = np.array(values)
    assert _with_ln(numbers) == pytest.approx(np.log(numbers + 0.03) + 2.0, abs=1e-13)


def test_some_minutes_of_song_are_grouped_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    # Singers told apart piece by piece are known again by few notes: two pieces mixed up a crowd.
    asked: list[int] = []

    def counted(pairs: Pairs, known: Ints, most: int, by_band: bool) -> Ints:
        asked.append(len(known))
        return settle(pairs, known, most, by_band)

    monkeypatch.setattr("callresp.listen.voices.assign.settle", counted)
    rows = [row(0.3 * k, 3000.0 if k % 60 < 30 else 5000.0) for k in range(900)]
    assign_voices(*table(rows))
    assert asked == [900]


def test_one_singer_keeps_its_voice_over_twenty_minutes() -> None:
    rng = np.random.default_rng(11)
    rows, at_s = [], 0.0
    for _ in range(400):
        hertz, length_s = [(4150.0, 0.03), (5350.0, 0.03), (5800.0, 0.03)][rng.integers(3)]
        for _ in range(8):
            rows.append(row(at_s, hertz * 2 ** rng.normal(0, 0.007), length_s=length_s))
            at_s += 0.08
        at_s += rng.uniform(1.5, 4.0)
    voices = assign_voices(*table(rows))["voice"]
    assert len(set(voices.tolist())) == 1


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


def test_the_online_form_names_again_only_notes_that_are_not_settled() -> None:
    truth = render(vary(load_recipe("duet"), seconds=30, seed=31)).truth
    notes, features = truth_rows(truth.notes)
    tracker = VoiceTracker(regroup=False)
    now = [tracker.assign(notes[i], features[i]) for i in range(len(notes))]
    unsettled = frozenset(range(len(notes) - 30, len(notes)))
    changed = tracker.regroup(unsettled)
    assert set(changed) <= unsettled
    assert all(now[n] != voice for n, voice in changed.items())


def test_runs_that_keep_together_are_given_to_another_voice_as_a_whole() -> None:
    other = [(3000.0, 0.05, -30.0), (1100.0, 0.1, -28.0), (5200.0, 0.07, -26.0)]
    other += [(2000.0, 0.12, -33.0), (7000.0, 0.04, -30.0)]
    rows, who = _bouts(np.random.default_rng(21), [_SYLLABLES, other], bouts=10)
    notes, features = table(rows)
    tracker = VoiceTracker(regroup=False)
    voices = [tracker.assign(notes[i], features[i]) for i in range(len(notes))]
    bout = np.cumsum(np.r_[0, notes["onset_s"][1:] - notes["offset_s"][:-1] > 0.8])
    runs = [tuple(np.flatnonzero(bout == k).tolist()) for k in range(int(bout.max()) + 1)]
    kept = set(runs[3])
    changed = tracker.regroup(frozenset(), runs[:3] + runs[4:])
    assert changed
    assert not kept & changed.keys()
    for number, voice in changed.items():
        voices[number] = voice
    assert all(len({voices[n] for n in run}) == 1 for run in runs[:3] + runs[4:])
    others = [n for n in range(len(voices)) if n not in kept]
    assert pairwise_f([who[n] for n in others], [voices[n] for n in others]) > 0.95


def test_products_of_matrices_keep_to_one_thread_whoever_calls(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A second one busy-waits: a listener in another program took twice its processor time."""
    seen = dict[str, list[int]]()

    def threads() -> list[int]:
        return [one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"]

    def watched(module: ModuleType, name: str) -> None:
        plain = getattr(module, name)

        def watching(*given: object) -> object:
            seen[name] = threads()
            return plain(*given)

        monkeypatch.setattr(module, name, watching)

    watched(pair_evidence, "spectrograms_alike")
    watched(choruses, "is_chorus")
    with threadpool_limits(limits=2, user_api="blas"):
        before = threads()
        assign_voices(*table([row(0.2 * n, 3000.0) for n in range(40)]))
        assert threads() == before
    one_each = [1] * len(before)
    assert seen == {"spectrograms_alike": one_each, "is_chorus": one_each}
