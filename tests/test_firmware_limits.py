"""Plan and boards judge alike: neither is laxer than the other.

Both boards, the simulated one and the very core that runs on hardware, take
the same random plans in virtual time. A plan that was checked is never refused
a command; a plan that was spoilt, or made up without a thought for limits, is
played only as far as the plan's own laws would let it be.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path

import msgspec
import pytest
from firmware_helpers import Case, built, messages_of, outcomes_in_c, outcomes_in_python
from plan_helpers import random_palette, random_reply
from plan_oracle import broken_limits

from callresp.link.messages import TICKS_PER_S, HoldAt, StrikeAt, Timed, TurnAt
from callresp.link.outputs import PULSES_PER_S, SPEEDS_PER_RPS
from callresp.palette.model import Palette
from callresp.plan.model import Command, Hold, Plan, PlanHeader, Strike, Turn
from callresp.plan.planner import make_plan

Outcomes = Callable[[Sequence[Case]], list[list[str]]]
DRIFTS = (-2e-4, -1e-4, 0.0, 1e-4, 2e-4)
PLANS = 150
# What the machine stands; a clean sound and the battery's hours are the plan's own matter.
OWN_TO_PLAN = {"restrike", "store", "charge", "sag"}


@pytest.fixture(scope="module")
def replay(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(tmp_path_factory.mktemp("replay"), "replay.c")


@pytest.fixture(params=["firmware", "simulated"])
def outcomes(request: pytest.FixtureRequest, replay: Path) -> Outcomes:
    if request.param == "firmware":
        return lambda cases: outcomes_in_c(replay, cases)
    return lambda cases: [outcomes_in_python(*case) for case in cases]


def names_of(palette: Palette) -> list[str]:
    return [item.name for item in palette.striker] + ["t0"]


@cache
def planned(seed: int) -> tuple[Palette, Plan, float]:
    """A random palette, a plan up to its limits, and a clock for its board."""
    rng = random.Random(seed)
    palette = random_palette(rng)
    plan = make_plan(random_reply(rng, names_of(palette)), palette).plan
    return palette, plan, rng.choice(DRIFTS)


def test_no_board_refuses_what_a_plan_allows(outcomes: Outcomes) -> None:
    """150 random palettes, each with a plan up to its limits, clocks up to 200 ppm apart."""
    made = [planned(seed) for seed in range(PLANS)]
    told = outcomes([(palette, messages_of(plan, drift)) for palette, plan, drift in made])
    for seed, ((_, plan, _), got) in enumerate(zip(made, told, strict=True)):
        wrong = [(c, f) for c, f in zip(plan.commands, got, strict=True) if f != "executed"]
        assert (seed, wrong) == (seed, [])
    assert sum(map(len, told)) > 10 * PLANS


def wild(rng: random.Random, palette: Palette) -> list[Timed]:
    """Commands without a thought for limits: too long, too close, too many at once."""
    coils, now, found = palette.coils(), TICKS_PER_S, list[Timed]()
    for number in range(rng.randrange(20, 120)):
        now += rng.choice([0, 1, 3, 50, 200, 1000, 5000])
        sequence = number % 256
        if rng.random() < 0.1:
            length, speed = rng.randrange(200, 120_000), rng.randrange(20, 600)
            found.append(TurnAt(sequence, 0, now, length, speed))
            continue
        channel = rng.choice(list(coils))
        most_ms = coils[channel].on_max_ms * rng.choice([0.2, 1.0, 1.0, 1.001, 1.5])
        if any(s.coil.channel == channel for s in palette.striker):
            # Whole ticks: the core plays no others.
            pulse = 10 * min(max(int(most_ms * 10), 1), 6500)
            found.append(StrikeAt(sequence, channel, now, pulse))
        else:
            length = max(int(most_ms * TICKS_PER_S / 1000), 1)
            pull = rng.choice([0, length // 3, min(length, 600)])
            found.append(
                HoldAt(sequence, channel, now, length, min(pull, 65535), rng.randrange(1, 256))
            )
    return found


def as_played(messages: Sequence[Timed], got: Sequence[str]) -> Plan:
    """What a board has played, as a plan that can be judged."""
    commands = list[Command]()
    for m, outcome in zip(messages, got, strict=True):
        if outcome != "executed":
            continue
        at_s = m.at / TICKS_PER_S
        if isinstance(m, StrikeAt):
            pulse_ms = m.pulse * 1000 / PULSES_PER_S
            commands.append(Strike(at_s=at_s, channel=m.channel, pulse_ms=pulse_ms))
        elif isinstance(m, HoldAt):
            hold_ms = m.length * 1000 / TICKS_PER_S
            pull_ms = min(m.pull * 1000 / TICKS_PER_S, hold_ms)
            commands.append(
                Hold(
                    at_s=at_s,
                    channel=m.channel,
                    hold_ms=hold_ms,
                    pull_ms=pull_ms,
                    hold_duty=m.duty / 255,
                )
            )
        elif isinstance(m, TurnAt):
            run_ms = m.length * 1000 / TICKS_PER_S
            speed_rps = m.speed / SPEEDS_PER_RPS
            commands.append(Turn(at_s=at_s, channel=0, speed_rps=speed_rps, run_ms=run_ms))
    return Plan(header=PlanHeader(), commands=tuple(commands))


def rounded(palette: Palette) -> Palette:
    """The palette with its speeds as the line says them, in hundredths of a turn a second."""
    turners = [
        msgspec.structs.replace(
            item,
            slowest_rps=math.floor(item.slowest_rps * 100) / 100,
            fastest_rps=math.ceil(item.fastest_rps * 100) / 100,
        )
        for item in palette.turner
    ]
    return msgspec.structs.replace(palette, turner=tuple(turners))


def test_no_board_plays_what_the_laws_forbid(outcomes: Outcomes) -> None:
    """150 random palettes, each with up to 120 commands that break every limit there is.

    The judge is the tests' own oracle, which shares no code with plan or boards.
    """
    refused = played = 0
    cases = list[Case]()
    for seed in range(PLANS):
        rng = random.Random(seed)
        palette = random_palette(rng)
        cases.append((palette, wild(rng, palette)))
    for seed, ((palette, messages), got) in enumerate(zip(cases, outcomes(cases), strict=True)):
        assert "unknown" not in got
        broken = [
            text
            for text in broken_limits(as_played(messages, got), rounded(palette))
            if text not in OWN_TO_PLAN
        ]
        assert (seed, broken) == (seed, [])
        played += got.count("executed")
        refused += got.count("over a limit")
    assert played > 5 * PLANS
    assert refused > 5 * PLANS
