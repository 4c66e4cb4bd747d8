"""Auditions: what a rule set answers on one recording, planned and measured.

For comparing rule sets, and for sweeping one setting of a set over a range.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import msgspec

from callresp.errors import UserError
from callresp.io.score import HeardScore, ReplyScore
from callresp.io.settings import allowed_at
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.planner import make_plan
from callresp.plan.summary import summarise
from callresp.reply.metrics import ReplyMetrics, measure
from callresp.reply.replier import answer
from callresp.reply.rules import RuleSet


@dataclass(frozen=True)
class Audition:
    """One audition: the rules as they were tried, and what came of them."""

    label: str
    reply: ReplyScore
    checked: CheckedPlan
    measures: ReplyMetrics
    battery_hours: float | None

    def row(self) -> dict[str, object]:
        """As plain data."""
        changes = self.checked.plan.changes
        return {
            "label": self.label,
            **msgspec.to_builtins(self.measures),
            "changes": len(changes),
            "dropped": sum(change.change == "dropped" for change in changes),
            "battery_hours": self.battery_hours,
        }

    def caption(self) -> str:
        """The label with the measures, as a line for the picture."""
        row = self.row()
        parts = [
            f"answers {row['answered_share']:.0%}",
            f"overlap {row['overlap_share']:.0%}",
            f"{row['strokes_per_minute']:.0f} strokes a minute",
        ]
        if row["contour"] is not None:
            parts.append(f"contour {row['contour']:.2f}")
        if row.get("picked") is not None:
            by_chance = f"{row['picked_chance']:.0%} by chance"
            parts.append(f"call picked {row['picked']:.0%} ({by_chance})")
        if row["dropped"]:
            parts.append(f"{row['dropped']} dropped")
        return f"{self.label}:  {', '.join(parts)}"


def audition(
    label: str, heard: HeardScore, machine: Palette, rules: RuleSet, seed: int | None
) -> Audition:
    """Answer, plan and measure by one rule set.

    Parameters
    ----------
    label
        What it is called.
    heard
        What is answered.
    machine, rules
        By which strikers and rules.
    seed
        In place of the rule set's own; `None` keeps that.
    """
    reply = answer(heard, machine, rules, seed)
    return measured(label, heard, reply, make_plan(reply, machine))


def measured(label: str, heard: HeardScore, reply: ReplyScore, checked: CheckedPlan) -> Audition:
    """The measures of a reply that is planned already.

    Parameters
    ----------
    label
        What it is called.
    heard
        What was answered.
    reply, checked
        The reply, and its plan.
    """
    hours = summarise(checked).battery_hours
    return Audition(label, reply, checked, measure(heard, reply, checked.palette), hours)


def swept(rules: RuleSet, sweep: str, steps: int) -> list[tuple[str, RuleSet]]:
    """The rule set with one setting at each of `steps` values.

    Parameters
    ----------
    rules
        The rule set to begin from.
    sweep
        A setting and its range, like ``rule.1.stretch=0.5..3``.
    steps
        How many values, evenly apart.

    Returns
    -------
    list of (label, rule set)
        Each value once, as the setting takes it.

    Raises
    ------
    UserError
        When the key, the range or a value is not allowed.
    """
    try:
        key, _, span = sweep.partition("=")
        low, high = (float(end) for end in span.split(".."))
        if not math.isfinite(high - low):
            raise ValueError
    except ValueError:
        raise UserError(
            f"'{sweep}' is no sweep", argument="sweep", remedy="write it like rule.1.stretch=0.5..3"
        ) from None
    tried: dict[str, RuleSet] = {}  # by label: whole numbers come out the same more than once
    for number in range(steps):
        taken, changed = with_setting(rules, key, low + (high - low) * number / (steps - 1))
        tried.setdefault(f"{key}={taken:.6g}", changed)
    return list(tried.items())


def with_setting(rules: RuleSet, key: str, value: float) -> tuple[float, RuleSet]:
    """The value as the setting takes it, and the rule set with it, checked like a file's.

    Parameters
    ----------
    rules
        The rule set to begin from.
    key
        A setting, like ``rule.1.stretch``.
    value
        Rounded where the setting is a whole number.

    Returns
    -------
    value, rules
        As described.

    Raises
    ------
    UserError
        When there is no such number among the settings, or the value is not allowed.
    """
    tree = msgspec.to_builtins(rules)
    place: Any = tree
    *way, last = key.strip().split(".")
    # Rules are numbered from 1.
    path = [int(step) - 1 if step.isdigit() else step for step in way]
    try:
        for step in path:
            if step == -1:
                raise IndexError
            place = place[step]
        if isinstance(place[last], bool) or not isinstance(place[last], int | float):
            raise UserError(f"'{key}' is not a number", argument="sweep", remedy="sweep a number")
        place[last] = round(value) if isinstance(place[last], int) else value
        return place[last], msgspec.convert(tree, RuleSet)
    except (KeyError, IndexError, TypeError):
        raise UserError(
            f"no setting '{key}'", argument="sweep", remedy="name it like rule.1.stretch"
        ) from None
    except msgspec.ValidationError as fault:
        why = allowed_at(RuleSet, (*path, last)) or str(fault).partition(" - at `")[0]
        raise UserError(
            f"{value:.3g} is not allowed ({why})", where=key, remedy="narrow the range"
        ) from None
