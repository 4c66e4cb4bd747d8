"""The limits are laws: no plan breaks one, however odd the palette and the reply."""

from __future__ import annotations

import random

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_helpers import random_palette, random_reply
from plan_oracle import broken_limits, highest_v

from callresp.io.score import ReplyScore
from callresp.palette.model import Palette
from callresp.plan.checked_plan import Checker, PlanBreaksLimitError, check
from callresp.plan.intents import StrikeIntent, TurnIntent, intent_of
from callresp.plan.model import Command, Hold, Plan, Strike, Turn
from callresp.plan.planner import Planner, make_plan


def names_of(palette: Palette) -> list[str]:
    return [item.name for item in palette.striker] + ["t0", "no such"]


@settings(max_examples=120)
@given(st.randoms(use_true_random=False))
def test_no_plan_ever_breaks_a_limit(rng: random.Random) -> None:
    palette = random_palette(rng)
    reply = random_reply(rng, names_of(palette))
    assert broken_limits(make_plan(reply, palette).plan, palette) == []


# Of each kind of change the units in which it is told, and whether less is given than was asked.
TOLD: dict[str, dict[str, bool | None]] = {
    "moved": {"s": False},
    "softened": {"ms": True},
    "shortened": {"s": True},
    "slowed": {"turns/s": None},
    # Earlier back, or not moved at all; where it moves late the times of that are told.
    "damped": {"s": None},
    "dropped": {"ms": None, "A": True, "s": None, "": None},
}
# By palette key; of a current and of what the battery gives it depends.
LESS = {
    "striker.name": None,
    "supply.capacity_ah": None,
    "supply.cutoff_v": None,
    "supply.current_max_a": None,
    "driver[1].current_max_a": None,
    "driver[2].current_max_a": None,
    "coil.duty_max": True,
    "coil.insulation": True,
    "damper.coil.duty_max": True,
    "damper.coil.insulation": True,
    "damper.coil.on_max_ms": True,
    "damper.fall_ms": False,
    "damper.lift_ms": False,
    "restrike_ms": False,
    "turner.channel": True,
    "turner.run_max_s": True,
    "turner.store_turns": True,
}


def changes_say_what_they_mean(reply: ReplyScore, plan: Plan) -> None:
    notes = {note.id: note for note in reply.notes}
    sounding = {command.reply for command in plan.commands if not isinstance(command, Hold)}
    assert {c.reply for c in plan.changes if c.change == "dropped"} == notes.keys() - sounding
    for change in plan.changes:
        note = notes[change.reply]
        assert change.at_s == note.onset_s
        assert note.instrument in change.why or change.limit.startswith("supply.c")
        assert change.unit in TOLD[change.change]
        assert change.limit in LESS
        if change.unit == "":
            assert (change.limit, change.asked, change.given) == ("striker.name", None, None)
            continue
        assert change.asked is not None
        assert change.given is not None
        less = TOLD[change.change][change.unit]
        less = LESS[change.limit] if less is None else less
        if less is not None:
            assert (change.given < change.asked) == less, change
        if change.change == "moved":
            # Up to 30 ms later, and from when it was asked.
            assert change.asked == round(note.onset_s, 6)
            assert change.given - change.asked <= 0.03 + 1e-6


@pytest.mark.parametrize("first", range(0, 2000, 50))
def test_no_plan_of_thousands_breaks_a_limit_and_each_says_what_it_changed(first: int) -> None:
    for seed in range(first, first + 50):
        rng = random.Random(seed)
        palette = random_palette(rng)
        reply = random_reply(rng, names_of(palette))
        plan = make_plan(reply, palette).plan
        assert (seed, broken_limits(plan, palette)) == (seed, [])
        changes_say_what_they_mean(reply, plan)


def test_no_plan_puts_a_driver_over_its_limit_however_cold_it_is() -> None:
    """From -20 °C up, unless the palette says that it is never so cold.

    At -20 °C copper has 84 % of its resistance at 20 °C (IEC 60028). The currents are summed here
    from the commands alone.
    """
    warmer = 0
    for seed in range(1200):
        rng = random.Random(seed)
        palette = random_palette(rng)
        if seed % 2:
            given_c = min(rng.uniform(-20, 20), palette.ambient_c)
            palette = msgspec.structs.replace(palette, coldest_c=given_c)
        plan = make_plan(random_reply(rng, names_of(palette)), palette).plan
        coldest_c = min(-20.0, palette.ambient_c) if palette.coldest_c is None else given_c
        assert (seed, driver_share(plan, palette, coldest_c)) <= (seed, 1 + 1e-6)
        warmer += driver_share(plan, palette, coldest_c - 30) > 1
    assert warmer > 20


def driver_share(plan: Plan, palette: Palette, copper_c: float) -> float:
    """The largest current of any driver over its limit, with copper at a temperature."""
    volts = highest_v(palette) / (1 + 0.00393 * (copper_c - 20))
    most = 0.0
    for driver in palette.driver:
        steps = []
        for command in (c for c in plan.commands if c.channel in driver.channels):
            if not isinstance(command, Strike | Hold):
                continue
            amps = volts / palette.coils()[command.channel].resistance_ohm
            pull_s, duty = command.length_ms / 1000, 0.0
            if isinstance(command, Hold):
                pull_s, duty = command.pull_ms / 1000, command.hold_duty
            pulled_s, end_s = command.at_s + pull_s, command.at_s + command.length_ms / 1000
            steps += [(command.at_s, amps), (pulled_s, (duty - 1) * amps), (end_s, -duty * amps)]
        # Ends before starts where times are equal but for rounding.
        steps = sorted((round(at_s, 7), amps) for at_s, amps in steps)
        now = np.cumsum([amps for _, amps in steps])
        most = max(most, float(now.max(initial=0.0)) / driver.current_max_a)
    return most


def test_a_spoilt_plan_is_refused_wherever_the_oracle_says_so() -> None:
    refused = 0
    for seed in range(600):
        rng = random.Random(seed)
        palette = random_palette(rng)
        plan = make_plan(random_reply(rng, names_of(palette)), palette).plan
        spoilt = tampered(rng, plan)
        if spoilt is None:
            continue
        try:
            check(spoilt, palette)
        except PlanBreaksLimitError:
            refused += 1
        else:
            assert (seed, broken_limits(spoilt, palette)) == (seed, [])
    assert refused > 50


def tampered(rng: random.Random, plan: Plan) -> Plan | None:
    """A plan with one value of one command changed; `None` where no such value can be."""
    if not plan.commands:
        return None
    commands = list(plan.commands)
    place = rng.randrange(len(commands))
    command = commands[place]
    key: dict[type, str] = {Strike: "pulse_ms", Hold: "hold_ms", Turn: "run_ms"}
    name = rng.choice([key[type(command)], "at_s", "second"])
    if name == "at_s":
        value = command.at_s + rng.choice([-1, 1]) * rng.choice([0.001, 0.01, 0.1, 1.0])
    elif name == "second" and isinstance(command, Hold):
        name, value = "hold_duty", min(command.hold_duty * rng.choice([1.1, 2, 5]), 1.0)
    elif name == "second" and isinstance(command, Turn):
        name, value = "speed_rps", command.speed_rps * rng.choice([0.5, 1.01, 2])
    else:
        name = key[type(command)]
        value = getattr(command, name) * rng.choice([1.01, 1.5, 4])
    commands[place] = msgspec.structs.replace(command, **{name: value})
    commands.sort(key=lambda item: item.at_s)
    return msgspec.structs.replace(plan, commands=tuple(commands))


def test_live_playing_keeps_the_laws_too() -> None:
    """Notes come by onset, holds become final as time goes on, each bit is checked alone."""
    for seed in range(400):
        rng = random.Random(seed)
        palette = random_palette(rng)
        mains = msgspec.structs.replace(palette.supply, chemistry="mains")
        palette = msgspec.structs.replace(palette, supply=mains)
        planner, checker = Planner(palette), Checker(palette)
        ahead_s = rng.choice([0.05, 0.3, 2.0])
        sent: list[Command] = []
        for note in random_reply(rng, names_of(palette)).notes:
            now_s = note.onset_s - ahead_s
            bit = planner.settle(now_s + 0.02)
            commands, _ = planner.add(note, now_s)
            bit += commands
            assert all(c.at_s >= now_s - 1e-9 for c in commands if not isinstance(c, Hold))
            sent += checker.admit(bit).plan.commands
        sent += checker.admit(planner.settle(1e9)).plan.commands
        sent.sort(key=lambda command: command.at_s)
        plan = Plan(header=checker.admit([]).plan.header, commands=tuple(sent))
        assert (seed, broken_limits(plan, palette)) == (seed, [])


def test_every_note_is_played_or_its_fate_is_listed() -> None:
    for seed in range(500):
        rng = random.Random(seed)
        palette = random_palette(rng)
        reply = random_reply(rng, names_of(palette))
        plan = make_plan(reply, palette).plan
        fates = [c.reply for c in plan.commands if not isinstance(c, Hold)]
        fates += [change.reply for change in plan.changes if change.change == "dropped"]
        assert sorted(fates, key=str) == sorted([note.id for note in reply.notes], key=str)


def test_what_is_not_listed_is_as_asked() -> None:
    for seed in range(500):
        rng = random.Random(seed)
        palette = random_palette(rng)
        reply = random_reply(rng, names_of(palette))
        assert (seed, silent_changes(reply, palette)) == (seed, [])


def silent_changes(reply: ReplyScore, palette: Palette) -> list[str]:
    """What a plan does otherwise than asked without listing it."""
    plan = make_plan(reply, palette).plan
    listed = {(change.reply, change.change) for change in plan.changes}
    notes = {note.id: note for note in reply.notes}
    found = []
    for command in plan.commands:
        if isinstance(command, Hold):
            continue
        intent = intent_of(notes[command.reply or 0], palette)
        assert intent is not None
        told = {kind for number, kind in listed if number == command.reply}
        if abs(command.at_s - intent.at_s) > 1.1e-3 and not told & {"moved", "shortened"}:
            found.append(f"{command.reply} moved")
        if isinstance(command, Strike) and isinstance(intent, StrikeIntent):
            if abs(command.pulse_ms - intent.pulse_ms) > 1e-6 and "softened" not in told:
                found.append(f"{command.reply} softened")
            if "damped" not in told:
                found += damper_faults(plan, intent.moved(command.at_s - intent.at_s))
        if isinstance(command, Turn) and isinstance(intent, TurnIntent):
            if abs(command.run_ms / 1000 - intent.run_s) > 1.1e-3 and "shortened" not in told:
                found.append(f"{command.reply} shortened")
            assert command.speed_rps == pytest.approx(intent.speed_rps)
    return found


def damper_faults(plan: Plan, intent: StrikeIntent) -> list[str]:
    """Whether the damper does for a stroke what its note asks, up to the next stroke."""
    damper = intent.striker.damper
    if damper is None:
        return []
    channel, slack_s = damper.coil.channel, 2.1e-3
    strokes = [c.at_s for c in plan.commands if c.channel == intent.striker.coil.channel]
    after = [at_s for at_s in strokes if at_s > intent.at_s + 1e-9]
    next_s = min(after, default=1e9) + intent.striker.latency_ms / 1000
    holds = [c for c in plan.commands if isinstance(c, Hold) and c.channel == channel]
    spans = [(hold.at_s, hold.at_s + hold.hold_ms / 1000) for hold in holds]
    struck_on = [
        (a, b) for a, b in spans if a < intent.heard_s < b + damper.fall_ms / 1000 - slack_s
    ]
    if damper.rest == "off" or intent.lift_s is None:
        if struck_on:
            return [f"{intent.note.id} is struck on a moved damper"]
        if intent.lift_s is None or intent.fall_s is None:
            return []
        # Let go in time for the next stroke, or not pressed at all where it comes too soon.
        until_s = min(intent.fall_s, next_s - damper.fall_ms / 1000)
        pressed = [b for a, b in spans if a <= intent.lift_s + slack_s < b]
        soon_s = intent.lift_s + damper.lift_ms / 1000 + slack_s
        kept = until_s < soon_s or max(pressed, default=0.0) >= until_s - slack_s
        return [] if kept else [f"{intent.note.id} is not damped"]
    assert intent.fall_s is not None
    up = [(a, b) for a, b in spans if a <= intent.lift_s + slack_s and b >= intent.heard_s]
    if not up:
        return [f"{intent.note.id} is struck on a lying damper"]
    if next_s - (damper.lift_ms + damper.fall_ms) / 1000 - 0.2 > intent.fall_s:
        off_s = up[0][1] - intent.fall_s
        return [f"{intent.note.id} is damped {off_s} s off"] if abs(off_s) > slack_s else []
    return []
