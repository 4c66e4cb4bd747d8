"""Measured figures into a palette file that stays the user's own.

- Comments stay, and so do keys that a test can't know (channels, coils, drivers).
- A value whose comment says "by hand" or "keep" stays, as does one named in
  `keep`; the report tells what was measured instead.
- A measured value says so in its comment, with its uncertainty; measuring again
  replaces that part of the comment only.
- The whole is checked as a palette before it is written anywhere.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from callresp.errors import UserError
from callresp.io.wording import counted
from callresp.palette.files import palette_of
from callresp.strike_test.draft import DRAFT_KIND, DRAFTED, LOWERED, MEASURED, NOT_YET
from callresp.strike_test.force import palette_points
from callresp.strike_test.results import (
    DamperResult,
    MeasuredValue,
    StrikerResult,
    StrikeTestResult,
)

if TYPE_CHECKING:
    from tomlkit.items import AbstractTable, Item

_OURS = re.compile(rf"\s*;?\s*({NOT_YET}|measured\b.*|{LOWERED}.*)$")
_WAS = re.compile(rf"{LOWERED} ([0-9.]+)")
_KEEP = re.compile(r"\b(by hand|keep)\b", re.IGNORECASE)
_COMMENT = re.compile(r"#\s*(.*)$")


@dataclass
class UpdatedPalette:
    """The new text, and what was kept by hand: (striker, key, measured instead).

    `absent` are measured strikers that the palette does not have.
    """

    text: str = ""
    absent: tuple[str, ...] = ()
    kept: list[tuple[str, str, str]] = field(default_factory=list)


def update_palette(
    text: str, found: StrikeTestResult, name: str, keep: Sequence[str] = ()
) -> UpdatedPalette:
    """A palette's text with measured values in place.

    Parameters
    ----------
    text
        The palette as it was.
    found
        What was measured; strikers are matched by name.
    name
        File name, for faults.
    keep
        Keys to leave alone: ``restrike_ms`` or ``tube 1.restrike_ms``.

    Raises
    ------
    UserError
        The result would be no sound palette.
    """
    import tomlkit

    document = tomlkit.parse(text.replace(f"# {DRAFTED}", f"# {MEASURED}"))
    done = UpdatedPalette()
    measured = {one.name: one for one in found.strikers}
    names = {str(table.get("name", "")) for table in document.get("striker", [])}
    done.absent = tuple(name for name in measured if name not in names)
    if measured and len(done.absent) == len(measured):
        raise UserError(
            f"has none of the measured strikers ({', '.join(measured)})",
            where=name,
            remedy="give another -o, or name its strikers as in the plan's palette",
        )
    if document.get("description") == DRAFTED and measured:
        document["description"] = MEASURED
    for table in document.get("striker", []):
        one = measured.get(str(table.get("name", "")))
        if one is None:
            _put_back(table)
            continue
        _write_striker(table, one, found, _Pen(done, str(one.name), tuple(keep)))
    done.text = tomlkit.dumps(document)
    palette_of(done.text, Path(name))
    return done


@dataclass
class _Pen:
    """Writes one striker's keys, or keeps them."""

    done: UpdatedPalette
    striker: str
    keep: tuple[str, ...]

    def write(
        self, table: AbstractTable, key: str, value: object, note: str, where: str = ""
    ) -> None:
        """Put `value` at `key`, with `note` as its comment behind the user's own words."""
        old = table.get(key)
        said = _said(old)
        dotted = f"{where}{key}"
        wanted = {dotted, key, f"{self.striker}.{dotted}", f"{self.striker}.{key}"}
        if old is not None and (_KEEP.search(said) or wanted & set(self.keep)):
            brief = counted(len(value), "point") if isinstance(value, list) else f"{value}"
            self.done.kept.append((self.striker, dotted, brief))
            return
        own = _OURS.sub("", said).strip()
        inner = _inner_comments(old)
        new = _item(key, value, inner)
        table[key] = new
        if _can_comment(table):
            table[key].comment(f"{own}; {note}" if own else note)


def _said(item: object) -> str:
    trivia = getattr(item, "trivia", None)
    return (trivia.comment or "").lstrip("#").strip() if trivia is not None else ""


def _can_comment(table: AbstractTable) -> bool:
    import tomlkit.items

    return not isinstance(table, tomlkit.items.InlineTable)


def _inner_comments(item: object) -> list[str]:
    """Comments that stand between the lines of an array."""
    if not isinstance(item, list):
        return []
    rows = item.as_string().splitlines() if hasattr(item, "as_string") else []
    return [m[1] for m in (_COMMENT.search(row) for row in rows[:-1]) if m]


def _item(key: str, value: object, comments: Iterable[str]) -> Item:
    import tomlkit

    if not isinstance(value, list):
        return tomlkit.item(value)
    rows = [f"    # {comment}" for comment in comments]
    for entry in value:
        inside = ", ".join(f"{k} = {_number(v)}" for k, v in entry.items())
        rows.append(f"    {{ {inside} }},")
    found: Item = tomlkit.parse(f"{key} = [\n" + "\n".join(rows) + "\n]\n")[key]
    return found


def _number(value: float) -> str:
    text = f"{value:.6g}"
    return text if any(c in text for c in ".e") else f"{text}.0"


def _put_back(table: AbstractTable) -> None:
    """Undo what only the test needed, where nothing was measured."""
    said = _said(table.get("restrike_ms"))
    was = _WAS.search(said)
    if was:
        table["restrike_ms"] = float(was[1])
        own = _OURS.sub("", said).strip()
        if own:
            table["restrike_ms"].comment(own)


def note_of(value: MeasuredValue | None, unit: str, relative: bool = False) -> str:
    """The comment of a measured value.

    Examples
    --------
    >>> note_of(MeasuredValue(11.5, 0.02, 12), "ms")
    'measured ±0.020 ms, n 12'
    >>> note_of(MeasuredValue(11.5, 0.001, 12, systematic=0.1), "ms")
    'measured ±0.10 ms (repeats ±0.001), n 12'
    """
    if value is None or value.combined is None:
        return "measured" if value is None else f"measured, n {value.n}"
    scale = 1.0
    if relative:
        scale, unit = 100 / value.value, "%"
    repeats = ""
    if value.uncertainty is not None and value.systematic is not None:
        repeats = f" (repeats ±{_two(scale * value.uncertainty)})"
    return f"measured ±{_two(scale * value.combined)} {unit}{repeats}, n {value.n}"


def _two(value: float) -> str:
    """Two significant digits, never in powers of ten, nor finer than a thousandth."""
    value = max(value, 0.001)
    digits = max(0, 1 - math.floor(math.log10(value)))
    return f"{value:.{min(digits, 3)}f}"


def _write_striker(
    table: AbstractTable, one: StrikerResult, found: StrikeTestResult, pen: _Pen
) -> None:
    drafted = NOT_YET in _said(table.get("kind"))
    if drafted:
        own = table["kind"] != DRAFT_KIND
        note = "as given" if own else "measured: what its partials look like"
        pen.write(table, "kind", str(table["kind"]) if own else one.kind, note)
    if one.partials:
        _write_sound(table, one, pen)
    if not found.by_hand:
        _write_timing(table, one, found, pen)
        _write_force(table, one, pen)
    else:
        _put_back(table)
    if "damper" not in table:
        return
    damper = one.damper or DamperResult()
    for key, value, unit, digits in (
        ("lift_ms", damper.lift_ms, "ms", 2),
        ("fall_ms", damper.fall_ms, "ms", 2),
        ("damped_t60_s", damper.damped_t60_s, "%", 4),
        ("noise_db", damper.noise_db, "dB", 1),
    ):
        if value is not None:
            number = max(round(value.value, digits), 0.001 if key.endswith("_s") else 0.0)
            note = note_of(value, unit, relative=unit == "%")
            pen.write(table["damper"], key, number, note, "damper.")
    _no_longer_than_free(table, one)


def _no_longer_than_free(table: AbstractTable, one: StrikerResult) -> None:
    """A damped sound rings no longer than a free one: an old figure may say so."""
    damper = table["damper"]
    free_s = max(
        (float(p["t60_s"]) for p in table.get("partials", []) if "t60_s" in p), default=1.0
    )
    if one.partials and float(damper.get("damped_t60_s", 0.0)) > free_s:
        damper["damped_t60_s"] = free_s
        if _can_comment(damper):
            damper["damped_t60_s"].comment("measured, no shorter than it rings free")


def _write_sound(table: AbstractTable, one: StrikerResult, pen: _Pen) -> None:
    if one.pitch_hz is not None:
        pitch, per_hz = one.pitch_hz, 1731.2 / one.pitch_hz.value
        repeats, other = (
            None if error is None else per_hz * error
            for error in (pitch.uncertainty, pitch.systematic)
        )
        cents = MeasuredValue(0.0, repeats, pitch.n, other)
        note = note_of(cents, "cents") + f", {one.pitch_from}"
        pen.write(table, "pitch_hz", round(one.pitch_hz.value, 3), note)
    else:
        if "pitch_hz" in table and (NOT_YET in _said(table["pitch_hz"])):
            del table["pitch_hz"]
        if "pitch_hz" not in table:
            pen.write(table, "base_hz", round(one.base_hz, 2), f"measured, {one.pitch_from}")
            band = [float(min(max(edge, 20), 20000)) for edge in one.band_hz]
            if "band_hz" not in table:
                table["band_hz"] = band
                table["band_hz"].comment("measured, where its sound lies")
    reference = _reference(table, one)
    partials = [
        {
            "ratio": round(p.hz.value / reference, 4),
            "level_db": round(min(max(p.level_db, -120.0), 20.0), 1),
            "t60_s": round(min(max(p.t60_s.value, 0.001), 120.0), 4),
        }
        for p in one.partials
    ]
    longest = one.t60_s
    pen.write(table, "partials", partials, f"{note_of(longest, '%', relative=True)} in T60")


def _reference(table: AbstractTable, one: StrikerResult) -> float:
    """What ratios are counted from: the pitch that stands in the file in the end."""
    for key in ("pitch_hz", "base_hz"):
        if key in table:
            return float(table[key])
    return one.base_hz


def _write_timing(
    table: AbstractTable, one: StrikerResult, found: StrikeTestResult, pen: _Pen
) -> None:
    if one.latency_ms is not None:
        note = f"{note_of(one.latency_ms, 'ms')}, from {found.latency_from}"
        pen.write(table, "latency_ms", round(max(one.latency_ms.value, 0.0), 2), note)
    if one.latency_spread_ms is not None:
        pen.write(table, "latency_spread_ms", round(one.latency_spread_ms, 3), "measured")
    if one.restrike_ms is not None:
        pen.write(
            table,
            "restrike_ms",
            round(max(one.restrike_ms.value, 10.0), 1),
            note_of(one.restrike_ms, "ms"),
        )
    elif one.repeats and one.shortest_tried_ms is not None:
        clean = max(one.shortest_tried_ms, 10.0)
        pen.write(
            table,
            "restrike_ms",
            math.ceil(10 * clean) / 10,
            "measured, no stroke failed down to it",
        )
    else:
        _put_back(table)


def _write_force(table: AbstractTable, one: StrikerResult, pen: _Pen) -> None:
    points = palette_points(one.force)
    if not points:
        return
    unsure = [f.level_db.uncertainty for f in one.force if f.level_db and f.level_db.uncertainty]
    spread = max(unsure, default=0.0)
    strokes = sum(f.spoke for f in one.force)
    note = f"measured ±{_two(spread)} dB, n {strokes}" if spread else f"measured, n {strokes}"
    rows = [
        {"pulse_ms": round(p, 3), "level_db": round(min(max(level, 0.0), 140.0), 1)}
        for p, level in points
    ]
    pen.write(table, "force", rows, note)


def json_report(found: StrikeTestResult, written: UpdatedPalette) -> dict[str, object]:
    """The JSON report: everything measured, and what was kept by hand."""
    whole: dict[str, object] = msgspec.to_builtins(found, enc_hook=float)
    whole["kept_by_hand"] = [{"striker": s, "key": k, "measured": m} for s, k, m in written.kept]
    return whole
