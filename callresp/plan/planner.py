"""From a reply score to a plan that keeps every limit.

What can't be played as asked is changed in a stated order of preference
(`model.PREFERENCE`), and each change is listed with its reason. Notes are placed
in order of time, so an earlier note is never given up for a later one: what has
sounded can't be taken back, and live playing has no choice. One timeline holds
the currents of all channels; each coil and motor has a scheduler of its own.

The board's lights are dark while the machine plays, so that no bird is disturbed.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import msgspec

from callresp.io.score import ReplyNote, ReplyScore
from callresp.palette.files import fingerprint
from callresp.palette.model import Palette, Striker, Turner
from callresp.plan.checked_plan import CheckedPlan, check
from callresp.plan.electrical.battery import BatteryDay, BatteryStop
from callresp.plan.electrical.loads import CurrentTimeline, LoadModel, stretches, supply_limit_a
from callresp.plan.intents import Intent, StrikeIntent, TurnIntent, intent_of, pulse_for
from callresp.plan.model import Change, ChangeList, Command, Hold, Light, Plan, PlanHeader, Strike
from callresp.plan.schedulers.coil import CoilHistory
from callresp.plan.schedulers.damper import DamperScheduler
from callresp.plan.schedulers.motor import MotorScheduler
from callresp.plan.schedulers.striker import MOVE_MAX_S, StrikerScheduler

# Loads are kept this long, for intents whose dampers move before those placed already.
LOOK_BACK_S = 1.0


class Planner:
    """Plans note by note, for the live engine; `make_plan` plans whole scores.

    Examples
    --------
    Notes go in by order of onset; commands and changes come out. Damper holds
    are final only when they begin, so they are asked for as time goes on::

        planner = Planner(palette)
        commands, changes = planner.add(note, now_s)
        commands += planner.settle(now_s + ahead_s)

    Who plays by hand does not know yet when a note will end: `strike`, `hold` and
    `turn` place what begins now, piece by piece, within the same limits.
    """

    def __init__(self, palette: Palette, move_max_s: float = MOVE_MAX_S) -> None:
        self.palette = palette
        self._timeline = timeline = CurrentTimeline(LoadModel(palette))
        self._strikers: dict[int, StrikerScheduler] = {}
        self._dampers: dict[int, DamperScheduler] = {}
        volts, ambient_c = palette.supply.highest_v, palette.ambient_c
        for striker in palette.striker:
            channel, history = striker.coil.channel, CoilHistory(striker.coil, volts, ambient_c)
            self._strikers[channel] = StrikerScheduler(striker, history, timeline, move_max_s)
            if striker.damper is not None:
                history = CoilHistory(striker.damper.coil, volts, ambient_c)
                self._dampers[channel] = DamperScheduler(striker, striker.damper, history, timeline)
        self._motors = {item.channel: MotorScheduler(item, timeline) for item in palette.turner}

    def add(self, note: ReplyNote, now_s: float = -math.inf) -> tuple[list[Command], list[Change]]:
        """Plan one note, with no command before `now_s`.

        Returns
        -------
        commands, changes
            Commands are final. A hold for this note is not among them: it
            comes with a later note or by `settle`.
        """
        changes = ChangeList()
        intent = _intent_of(note, self.palette, changes)
        return [] if intent is None else self.place(intent, now_s, changes), changes

    def place(self, intent: Intent, now_s: float, changes: ChangeList) -> list[Command]:
        """Place an intent within every limit, no earlier than `now_s`; returns what is final by it.

        Intents come in about the order of time.
        """
        self._timeline.forget_before(intent.starts_s - LOOK_BACK_S)
        now_s = max(now_s, self._timeline.since_s)
        if isinstance(intent, TurnIntent):
            return [*self._motors[intent.turner.channel].place(intent, now_s, changes)]
        channel = intent.striker.coil.channel
        strike = self._strikers[channel].place(intent, now_s, changes)
        if strike is None:
            return []
        # The stroke comes first: where both exceed a current, it is the damper that gives way.
        if channel not in self._dampers:
            return [strike]
        moved = intent.moved(strike.at_s - intent.at_s)
        return [*self._dampers[channel].place(moved, now_s, changes), strike]

    def strike(
        self, note: ReplyNote, striker: Striker, now_s: float
    ) -> tuple[Strike | None, list[Change]]:
        """Plan a stroke alone, to be heard at the note's onset; its damper stays as it is."""
        changes = ChangeList()
        at_s = note.onset_s - striker.latency_ms / 1000
        pulse_ms = pulse_for(striker, note.force)
        intent = StrikeIntent(note, striker, at_s, pulse_ms, None, None)
        self._timeline.forget_before(at_s - LOOK_BACK_S)
        return self._strikers[striker.coil.channel].place(intent, now_s, changes), changes

    def hold(
        self, note: ReplyNote, striker: Striker, from_s: float, until_s: float
    ) -> tuple[list[Command], list[Change]]:
        """Plan a piece of a damper's hold; none where it has no damper, or may not be held."""
        changes, damper = ChangeList(), self._dampers.get(striker.coil.channel)
        held = [] if damper is None else damper.hold(note, from_s, until_s, changes)
        return [*held], changes

    def turn(
        self, note: ReplyNote, turner: Turner, from_s: float, run_s: float, speed_rps: float
    ) -> tuple[list[Command], list[Change]]:
        """Plan a piece of a motor's run."""
        changes = ChangeList()
        intent = TurnIntent(note, turner, from_s, run_s, speed_rps)
        return self.place(intent, from_s, changes), changes

    def settle(self, before_s: float) -> list[Command]:
        """Make holds final that begin before a time; returns them."""
        return [hold for damper in self._dampers.values() for hold in damper.settle(before_s)]


def _intent_of(note: ReplyNote, palette: Palette, changes: ChangeList) -> Intent | None:
    intent = intent_of(note, palette)
    if intent is None:
        changes.add("dropped", note, "striker.name", f"the palette has no '{note.instrument}'")
    return intent


def make_plan(
    reply: ReplyScore, palette: Palette, progress: Callable[[float], None] | None = None
) -> CheckedPlan:
    """Plan a whole reply score.

    Parameters
    ----------
    reply, palette
    progress
        Told the share that is placed, now and then.

    Returns
    -------
    CheckedPlan
        Its `plan.changes` lists what the limits forced, in order of time, and
        `plan.header.stop_s` says when the battery must stop, if it must.
    """
    commands, changes = _within_limits(reply, palette, progress or (lambda share: None))
    commands, stop = _within_battery(reply, palette, commands, changes)
    commands.sort(key=lambda command: (command.at_s, command.channel))
    changes.sort(key=lambda item: (item.at_s, item.reply))
    header = PlanHeader(
        palette=reply.header.palette or palette.name,
        palette_sha256=fingerprint(palette),
        recording=reply.header.recording,
        start=reply.header.start,
        duration_s=reply.header.duration_s,
        heard_file=reply.header.heard_file,
        stop_s=None if stop is None else stop.at_s,
    )
    plan = Plan(header=header, commands=tuple(commands), changes=tuple(changes))
    return check(plan, palette)


def _within_limits(
    reply: ReplyScore, palette: Palette, progress: Callable[[float], None]
) -> tuple[list[Command], ChangeList]:
    planner, changes = Planner(palette), ChangeList()
    asked = [_intent_of(note, palette, changes) for note in reply.notes]
    intents = [intent for intent in asked if intent is not None]
    # By the first coil that goes on: latencies differ, so this is not the order of onsets.
    intents.sort(key=lambda intent: (intent.starts_s, intent.note.id))
    commands: list[Command] = []
    for number, intent in enumerate(intents):
        commands.extend(planner.place(intent, -math.inf, changes))
        if number % 50 == 0:
            progress(number / len(intents))
    commands.extend(planner.settle(math.inf))
    return commands, changes


def _within_battery(
    reply: ReplyScore, palette: Palette, commands: list[Command], changes: ChangeList
) -> tuple[list[Command], BatteryStop | None]:
    """Stop where the battery must; everything later is dropped."""
    if not commands:
        return commands, None
    last_s = max(command.at_s + command.length_ms / 1000 for command in commands)
    day = _charge_of(palette, commands)
    if day.sure_of(last_s, supply_limit_a(palette)):
        return commands, None
    stop = battery_day_of(palette, commands).stop(last_s)
    if stop is None:
        return commands, None
    kept = [c for c in commands if c.at_s + c.length_ms / 1000 <= stop.at_s]
    sounding = {c.reply for c in kept if not isinstance(c, Hold)}
    asked = {c.reply for c in commands if not isinstance(c, Hold)}
    why = f"{stop.why}: it must stop at {stop.at_s / 3600:.2f} h"
    for note in reply.notes:
        if note.id in asked and note.id not in sounding:
            changes.add("dropped", note, stop.limit, why, note.onset_s, stop.at_s, "s")
    # A hold whose stroke has gone would lift a damper for nothing.
    kept = [c for c in kept if not isinstance(c, Hold) or c.reply in sounding]
    return kept, stop


def battery_day_of(palette: Palette, commands: list[Command]) -> BatteryDay:
    """What commands take from the battery, with the peaks of current."""
    day, most = _charge_of(palette, commands), LoadModel(palette)
    day.peak(stretches(load for command in commands for load in most.loads_of(command)))
    return day


def _charge_of(palette: Palette, commands: list[Command]) -> BatteryDay:
    """What commands take from the battery, without the peaks of current."""
    day, mean = BatteryDay(palette), LoadModel(palette, palette.supply.nominal_v)
    day.use(load for command in commands for load in mean.loads_of(command))
    return day


# Lights go off this long before the first command.
DARK_BEFORE_S = 0.2


def darkened(checked: CheckedPlan) -> CheckedPlan:
    """The same plan, judged anew, with every light off from before its first command."""
    plan = checked.plan
    first_s = min((command.at_s for command in plan.commands), default=0.0) - DARK_BEFORE_S
    commands = (*all_off(checked.palette, first_s), *plan.commands)
    return check(msgspec.structs.replace(plan, commands=commands), checked.palette)


def all_off(palette: Palette, at_s: float) -> tuple[Light, ...]:
    """Commands that make every light of a board dark from `at_s` on."""
    return tuple(Light(at_s=at_s, channel=number) for number in range(palette.board.lights))
