"""From a reply score to a plan that keeps every limit.

Order of preference
-------------------
What can't be played as asked is changed in this order, and each change is
listed with its reason:

1. *moved*: up to 30 ms later, where a striker, driver or the supply is free by then;
2. *softened*: a shorter pulse, where a coil's duty or heat allows no longer one;
3. *damped*: a damper that falls earlier, where its coil may not hold so long;
   *shortened*: a motor that runs less; *slowed*: a motor within its speeds;
4. *dropped*: nothing of the above helps, or the battery is empty by then.

Notes are taken in order of time, so an earlier note is never given up for a
later one: what has sounded can't be taken back, and live playing has no choice.
"""

from __future__ import annotations

from callresp.palette import fingerprint
from callresp.palette.model import Palette
from callresp.plan.battery import Charge
from callresp.plan.intents import Intent, intent_of
from callresp.plan.limits import CheckedPlan, check
from callresp.plan.loads import Wiring
from callresp.plan.model import Change, Command, Hold, Plan, PlanHeader
from callresp.plan.placing import Placer
from callresp.score import ReplyNote, ReplyScore

PREFERENCE = (
    "What can't be played as asked is moved by up to 30 ms; else softened; else damped"
    " earlier, shortened or slowed; else dropped. Earlier notes go before later ones."
)


class Planner:
    """Plans note by note; `make_plan` and the live engine both use it.

    Examples
    --------
    Notes go in by order of onset; commands and changes come out::

        planner = Planner(palette)
        for note in reply.notes:
            commands, changes = planner.add(note)
    """

    def __init__(self, palette: Palette) -> None:
        self.palette = palette
        self._placer = Placer(palette)

    def add(self, note: ReplyNote) -> tuple[list[Command], list[Change]]:
        """Plan one note; its commands are final but for holds that later notes extend."""
        intent = intent_of(note, self.palette)
        if intent is None:
            return [], [missing(note)]
        return self.place(intent)

    def place(self, intent: Intent) -> tuple[list[Command], list[Change]]:
        """Plan one intent."""
        changes: list[Change] = []
        commands = self._placer.place(intent, changes)
        return commands, changes

    @property
    def open_holds(self) -> list[Command]:
        """Holds that a later note may still extend."""
        return self._placer.open_holds()


def missing(note: ReplyNote) -> Change:
    """The change for a note whose instrument the palette lacks."""
    return Change(
        change="dropped",
        reply=note.id,
        at_s=note.onset_s,
        limit="striker.name",
        why=f"the palette has no '{note.instrument}'",
    )


def make_plan(reply: ReplyScore, palette: Palette) -> CheckedPlan:
    """Plan a whole reply score.

    Returns
    -------
    CheckedPlan
        Its `plan.changes` lists what the limits forced, in order of time.
    """
    placer = Placer(palette)
    changes: list[Change] = []
    intents: list[Intent] = []
    for note in reply.notes:
        intent = intent_of(note, palette)
        if intent is None:
            changes.append(missing(note))
        else:
            intents.append(intent)
    # By the first coil that goes on: latencies differ, so this is not the order of onsets.
    intents.sort(key=lambda intent: (intent.starts_s, intent.note.id))
    commands: list[Command] = []
    for intent in intents:
        commands.extend(placer.place(intent, changes))
    commands.extend(placer.open_holds())
    commands = _within_battery(palette, commands, changes)
    commands.sort(key=lambda command: (command.at_s, command.channel))
    changes.sort(key=lambda change: (change.at_s, change.reply))
    header = PlanHeader(
        palette=reply.header.palette or palette.name,
        palette_sha256=fingerprint(palette),
        recording=reply.header.recording,
        start=reply.header.start,
        duration_s=reply.header.duration_s,
    )
    plan = Plan(header=header, commands=tuple(commands), changes=tuple(changes))
    return check(plan, palette)


def _within_battery(
    palette: Palette, commands: list[Command], changes: list[Change]
) -> list[Command]:
    """Stop where the battery is empty; everything later is dropped."""
    if not commands:
        return commands
    wiring, charge = Wiring(palette), Charge(palette)
    for command in commands:
        charge.add(wiring.loads_of(command))
    last_s = max(command.at_s + command.length_ms / 1000 for command in commands)
    empty_s = charge.empty_at_s(last_s)
    if empty_s is None:
        return commands
    # A minute's margin: the law is kept by the minute, and a board must still stop in order.
    stop_s = max(empty_s - 60.0, 0.0)
    kept = [c for c in commands if c.at_s + c.length_ms / 1000 <= stop_s]
    sounding = {c.reply for c in kept if not isinstance(c, Hold)}
    for command in commands:
        # A hold is no sound of its own: what counts is whether the stroke is still there.
        if isinstance(command, Hold) or command.reply is None or command.reply in sounding:
            continue
        changes.append(
            Change(
                change="dropped",
                reply=command.reply,
                at_s=command.at_s,
                limit="supply.capacity_ah",
                why=f"the battery must stop at {stop_s / 3600:.2f} h",
                asked=round(command.at_s, 3),
                given=round(stop_s, 3),
                unit="s",
            )
        )
    return kept
