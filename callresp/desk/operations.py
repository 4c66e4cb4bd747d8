"""What the page may do to a session: each operation of `messages` carried out."""

from __future__ import annotations

from functools import singledispatch
from pathlib import Path
from typing import cast

from callresp.desk import messages as ops
from callresp.desk.rule_text import RuleText
from callresp.desk.session import DeskSession
from callresp.desk.source import inside
from callresp.errors import UserError
from callresp.io.files import write_text
from callresp.io.kinds import kind_of
from callresp.reply.selection import carried


@singledispatch
def do(op: ops.Op, session: DeskSession) -> str:
    """Carry an operation out; returns what is to be told of it, if anything."""
    raise UserError(f"nobody knows how to {op}")


@do.register
def _(op: ops.Set, session: DeskSession) -> str:
    session.edit(", ".join(key for key, _ in op.changes), lambda text: text.set_all(op.changes))
    return ""


@do.register
def _(op: ops.AddRule, session: DeskSession) -> str:
    def added(text: RuleText) -> RuleText:
        rows = cast("list[dict[str, ops.Value]]", text.given()["rule"])
        if op.like is not None and not 1 <= op.like <= len(rows):
            raise UserError(f"no rule {op.like}", remedy=f"there are {len(rows)}")
        like = {} if op.like is None else rows[op.like - 1]
        return text.add({**like, "name": op.name})

    session.edit(f"add rule '{op.name}'", added)
    return ""


@do.register
def _(op: ops.RemoveRule, session: DeskSession) -> str:
    session.edit(f"remove rule {op.number}", lambda text: text.remove(op.number))
    return "the rule is taken out; undo brings it back"


@do.register
def _(op: ops.MoveRule, session: DeskSession) -> str:
    session.edit(f"move rule {op.number} to {op.to}", lambda text: text.move(op.number, op.to))
    return ""


@do.register
def _(op: ops.SwitchRule, session: DeskSession) -> str:
    did = f"switch rule {op.number} {'on' if op.on else 'off'}"
    session.edit(did, lambda text: text.switch(op.number, op.on))
    return ""


@do.register
def _(op: ops.Undo, session: DeskSession) -> str:
    session.step(back=True)
    return "undone"


@do.register
def _(op: ops.Redo, session: DeskSession) -> str:
    session.step(back=False)
    return "done again"


@do.register
def _(op: ops.LoadRules, session: DeskSession) -> str:
    session.load_rules(op.name)
    return f"set {session.active} is now '{op.name}'"


@do.register
def _(op: ops.LoadPalette, session: DeskSession) -> str:
    before = session.palette
    session.load_palette(op.name)
    lost = carried(session.slot.text.rules, before, session.palette).told
    return "; ".join([f"played on {session.palette.name}", *lost])


@do.register
def _(op: ops.Choose, session: DeskSession) -> str:
    session.choose(op.slot)
    return ""


@do.register
def _(op: ops.CopySet, session: DeskSession) -> str:
    session.copy_set()
    return "both sets are alike now"


@do.register
def _(op: ops.Listen, session: DeskSession) -> str:
    session.listen(op.distance_m, frozenset(op.muted))
    return ""


@do.register
def _(op: ops.Resume, session: DeskSession) -> str:
    session.resume()
    return "taken up where you left off"


@do.register
def _(op: ops.Forget, session: DeskSession) -> str:
    # It stays in the journal; it is only not offered again.
    for name in session.journal.latest():
        if name in session.slots:
            text = session.slots[name].text.text
            session.journal.add("leave", name, text, session.palette_name, saved=True)
    session.journal.forget()
    return ""


@do.register
def _(op: ops.Save, session: DeskSession) -> str:
    path = inside(session.source.folder, op.name, ".toml")
    _may_write(path, op.overwrite)
    with session.lock:
        text = session.slot.text.text
        write_text(path, text)
        session.slot.file, session.slot.saved = path.name, text
        session.slot.text = RuleText(text, path.name)
        session.journal.add(f"save {path.name}", session.active, text, session.palette_name, True)
        session.journal.forget()
    session.look_about()
    return f"wrote {path.name}"


def _may_write(path: Path, overwrite: bool) -> None:
    held = kind_of(path)
    if path.exists() and held != "rule set":
        raise UserError(
            f"is a {held or 'file of another kind'}", where=path.name, remedy="give another name"
        )
    if path.exists() and not overwrite:
        raise UserError("there already", where=path.name, remedy="give another name, or say so")
