"""Random calls, random rule sets, random palettes: what is answered stays within every limit."""

from __future__ import annotations

import random
from typing import get_args

import msgspec
import pytest
from plan_helpers import random_palette
from plan_oracle import broken_limits

from callresp.io.score import HeardHeader, HeardScore, Note
from callresp.palette.files import load_palette
from callresp.plan.model import Hold, Strike
from callresp.plan.planner import make_plan
from callresp.reply.replier import answer
from callresp.reply.rules import (
    Damping,
    Dynamics,
    Manners,
    PitchMapping,
    Rhythm,
    Rule,
    RuleSet,
    Treatment,
)


def random_rules(rng: random.Random) -> RuleSet:
    """A rule set that speaks as often and as fast as rules can."""
    rule = tuple(
        Rule(
            name=f"r{number}",
            treatments=tuple(rng.sample(get_args(Treatment), rng.randint(1, 3))),
            pitch=rng.choice([name for name in get_args(PitchMapping) if name != "table"]),
            rhythm=rng.choice(get_args(Rhythm)),
            stretch=rng.choice([0.1, 0.5, 1.0, 3.0]),
            at_most=rng.choice([3, 12, 60]),
            dynamics=rng.choice(get_args(Dynamics)),
            damping=rng.choice(get_args(Damping)),
            turner=rng.choice(["", "t0"]),
            turner_force=rng.random(),
        )
        for number in range(rng.randint(1, 3))
    )
    manners = Manners(
        wait_s=(0.0, rng.uniform(0.0, 0.3)),
        give_way=rng.choice(["everyone", "caller", "nobody"]),
        share_max=1.0,
        rest_s=0.0,
        quiet_share=0.0,
        return_s=0.0,
    )
    return RuleSet(name="any", description="any", rule=rule, manners=manners)


def random_calls(rng: random.Random) -> HeardScore:
    """Phrases of short notes, some without pitch."""
    notes: list[Note] = []
    now = 0.0
    for phrase in range(rng.randint(1, 8)):
        now += rng.uniform(0.1, 6.0)
        for _ in range(rng.randint(1, 15)):
            now += rng.choice([0.02, 0.05, 0.1, 0.4])
            pitch_hz = None if rng.random() < 0.2 else rng.uniform(500, 9000)
            notes.append(
                Note(
                    id=len(notes),
                    onset_s=now,
                    offset_s=now + rng.uniform(0.005, 0.4),
                    pitch_hz=pitch_hz,
                    level_db=rng.uniform(-60, -5),
                    voice="A",
                    phrase=phrase,
                    tonality=0.0 if pitch_hz is None else 0.9,
                )
            )
    return HeardScore(header=HeardHeader(duration_s=now + 10), notes=tuple(notes))


@pytest.mark.parametrize("first", range(0, 600, 200))
def test_no_reply_to_anything_breaks_a_limit(first: int) -> None:
    played = 0
    for seed in range(first, first + 200):
        rng = random.Random(seed)
        palette, rules, calls = random_palette(rng), random_rules(rng), random_calls(rng)
        plan = make_plan(answer(calls, palette, rules, seed), palette).plan
        assert (seed, broken_limits(plan, palette)) == (seed, [])
        played += sum(not isinstance(command, Hold) for command in plan.commands)
    assert played > 1000


def test_the_shipped_machines_stay_within_their_limits_whatever_they_answer() -> None:
    for seed in range(60):
        rng = random.Random(seed)
        palette = load_palette(rng.choice(["fettle", "pocket", "ladder"]))
        names = {"t0": palette.turner[0].name if palette.turner else ""}
        rules = random_rules(rng)
        rule = tuple(
            msgspec.structs.replace(one, turner=names.get(one.turner, "")) for one in rules.rule
        )
        rules = msgspec.structs.replace(rules, rule=rule)
        plan = make_plan(answer(random_calls(rng), palette, rules, seed), palette).plan
        assert (seed, broken_limits(plan, palette)) == (seed, [])
        strikes = [c for c in plan.commands if isinstance(c, Strike)]
        assert all(c.pulse_ms <= 14.0 for c in strikes)
