"""Plans as JSON Lines: a header, then commands in order of time, then changes."""

from __future__ import annotations

from itertools import chain
from pathlib import Path

import msgspec

from callresp.errors import UserError
from callresp.io.files import read_text
from callresp.io.score import write_lines
from callresp.plan.model import Change, Command, Plan, PlanHeader


def write_plan(path: Path, plan: Plan) -> None:
    """Write a plan, whole or not at all."""
    write_lines(path, chain((plan.header,), plan.commands, plan.changes))


def read_plan(path: Path) -> Plan:
    """Read a plan. It is not a checked one: hold it against its palette next.

    Raises
    ------
    UserError
        Names the file and line that is wrong.
    """
    header: PlanHeader | None = None
    commands: list[Command] = []
    changes: list[Change] = []
    for number, text in enumerate(read_text(path).split("\n"), start=1):
        if not text.strip():
            continue
        where = f"{path}, line {number}"
        try:
            value = msgspec.json.decode(text)
            if not isinstance(value, dict):
                raise ValueError("not a JSON object")
            if "score" in value:
                header = _header(value)
            elif "change" in value:
                changes.append(msgspec.convert(value, Change))
            else:
                commands.append(msgspec.convert(value, Command))
        except (msgspec.DecodeError, ValueError) as fault:
            raise UserError(
                f"not a line of a plan ({fault})", where=where, remedy="make the plan anew"
            ) from None
    if header is None:
        raise UserError("no header, so not a plan", where=str(path), remedy="give a *.plan.jsonl")
    commands.sort(key=lambda command: command.at_s)
    return Plan(header=header, commands=tuple(commands), changes=tuple(changes))


def _header(value: dict[str, object]) -> PlanHeader:
    if value["score"] != "plan":
        raise ValueError(f"this is a {value['score']} score")
    return msgspec.convert(value, PlanHeader)
