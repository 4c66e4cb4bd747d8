"""Plans as JSON Lines: a header, then commands in order of time, then changes."""

from __future__ import annotations

from itertools import chain
from pathlib import Path
from typing import cast

from callresp.errors import UserError
from callresp.io.score_files import convert_line, read_score, write_score
from callresp.plan.model import Change, Command, Plan, PlanHeader


def write_plan(path: Path, plan: Plan) -> None:
    """Write a plan, whole or not at all."""
    rows = chain(plan.commands, plan.changes)
    write_score(path, plan.header, rows, len(plan.commands) + len(plan.changes))


def read_plan(path: Path) -> Plan:
    """Read a plan. It is not a checked one: hold it against its palette next.

    Raises
    ------
    UserError
        Names the file and line that is wrong.
    """
    commands: list[Command] = []
    changes: list[Change] = []
    command = cast("type[Command]", Command)  # a union, which has no type of its own

    def take(where: str, value: dict[str, object], header: PlanHeader | None) -> None:
        if "change" in value:
            changes.append(convert_line(Change, value, where))
        else:
            commands.append(convert_line(command, value, where))

    header = read_score(path, "plan", PlanHeader, take)
    if header is None:
        raise UserError("no header, so not a plan", where=str(path), remedy="give a *.plan.jsonl")
    commands.sort(key=lambda command: command.at_s)
    return Plan(header=header, commands=tuple(commands), changes=tuple(changes))
