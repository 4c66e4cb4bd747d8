"""It must not answer itself: a made scene, and its own strokes back in its ear."""

from __future__ import annotations

from typing import Any

import live_judge
import live_loop
import pytest
from live_helpers import FETTLE
from peak_listener import PeakListener
from reply_helpers import note

from callresp.reply.rules import Manners, Rule, RuleSet
from callresp.scene.recipe import load_recipe, vary

# Talkative: it answers whatever it hears, and gives way to nobody.
EAGER = RuleSet(
    name="eager",
    description="answers all",
    rule=(Rule(name="r", damping="as heard", at_most=6),),
    manners=Manners(
        wait_s=(0.3, 0.6), give_way="nobody", share_max=1.0, quiet_share=0.0, return_s=0.0
    ),
)
SECONDS = 45.0


@pytest.fixture(scope="module")
def runs() -> dict[str, Any]:
    """The same scene three times: heard alone, in a loop, and in a loop without masks."""
    recipe = vary(load_recipe("duet"), seconds=SECONDS, seed=11, snr_db=25)
    way = live_loop.Feedback(above_db=10.0, delay_s=0.03, t60_s=0.4)
    kinds = {"alone": (None, True), "loop": (way, True), "naive": (way, False)}
    made = {}
    for name, (back, masks) in kinds.items():
        loop = live_loop.loop_of(recipe, FETTLE, EAGER, PeakListener, way=back, masks=masks)
        loop.run()
        made[name] = loop
    verdicts = {n: live_judge.judge(x, FETTLE, way, made["alone"]) for n, x in made.items()}
    return {"loops": made, "verdicts": verdicts}


def test_it_answers_the_birds_and_never_itself(runs: dict[str, Any]) -> None:
    verdict = runs["verdicts"]["loop"]
    assert verdict.replies >= 8
    assert verdict.strikes >= 20
    assert verdict.to_itself == 0


def test_without_masks_it_would(runs: dict[str, Any]) -> None:
    # Once is enough: most of its own strokes fall into phrases of the birds, which wait for a rest.
    assert runs["verdicts"]["naive"].to_itself >= 1


def test_the_birds_are_still_heard(runs: dict[str, Any]) -> None:
    assert runs["verdicts"]["loop"].still >= 0.85
    assert runs["verdicts"]["loop"].gated < 0.25


def test_the_first_coil_is_prompt(runs: dict[str, Any]) -> None:
    assert runs["verdicts"]["loop"].late_ms <= 40


def test_no_command_is_lost(runs: dict[str, Any]) -> None:
    loop = runs["loops"]["loop"]
    assert set(loop.outcomes) <= {"executed", "left off"}
    assert loop.outcomes["executed"] > 0


def test_its_sound_did_come_back(runs: dict[str, Any]) -> None:
    """The loop is closed: the naive peer hears far more than there is to hear."""
    heard = {name: verdict.heard for name, verdict in runs["verdicts"].items()}
    assert heard["naive"] > 1.15 * heard["alone"]


@pytest.mark.parametrize(
    ("pitch_hz", "later_s", "bird"),
    [
        (4872.0, 0.0, True),
        # Two per cent off the harmonic and a half; and one that rings on after the bird.
        (4990.0, 0.0, False),
        (4872.0, 0.1, False),
        # As low as this it is a bird's, however long it rings.
        (2436.0, 0.1, True),
    ],
)
def test_a_high_harmonic_is_a_birds_where_it_begins_and_ends_with_it(
    pitch_hz: float, later_s: float, bird: bool
) -> None:
    true = note(0, 71.208, 0.128, 1218.0)
    heard = note(1, 71.210, 0.119 + later_s, pitch_hz)
    assert live_judge.Truth([true]).bird(heard) == bird
