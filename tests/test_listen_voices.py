"""Notes are given to their singers, offline and online."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from listen_helpers import pairwise_f, row, table, truth_rows

from callresp.listen.notes import FEATURES, NOTE
from callresp.listen.voices.assign import assign_voices
from callresp.listen.voices.online_voices import VoiceTracker
from callresp.scene.recipe import load_recipe, vary
from callresp.scene.render import render


@pytest.mark.parametrize(
    ("scene", "least"), [("duet", 0.97), ("chorus", 0.9), ("hollin-carr", 0.9)]
)
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
    notes, features = table([row(0.2 * k, 900.0 if k % 2 else 5000.0) for k in range(40)])
    for name in FEATURES.names or ():
        features[name] = np.nan
    voices = assign_voices(notes, features)["voice"]
    assert len(set(voices.tolist())) == 2


def test_the_online_form_names_singers_once_and_for_all() -> None:
    truth = render(vary(load_recipe("duet"), seconds=30, seed=31)).truth
    notes, features = truth_rows(truth.notes)
    tracker = VoiceTracker()
    given_voices = [tracker.assign(notes[i], features[i]) for i in range(len(notes))]
    assert pairwise_f([note.voice for note in truth.notes], given_voices) > 0.85


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
    tracker = VoiceTracker()
    first = {tracker.assign(*row(0.2 * k, 900.0 + k)) for k in range(15)}
    between = {tracker.assign(*row(4 + 0.2 * k, 6000.0 + k % 50)) for k in range(1000)}
    again = {tracker.assign(*row(300 + 0.2 * k, 905.0 + k)) for k in range(15)}
    assert first == again
    assert not first & between
