"""Plain tables for the benches: a title, a header, rows, and notes below."""

from __future__ import annotations

from dataclasses import dataclass, field

Cell = str | float | int | None


@dataclass(slots=True)
class Table:
    """One table; `places` is the number of decimals of its floats."""

    title: str
    header: tuple[str, ...]
    rows: list[tuple[Cell, ...]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    places: int = 3

    def add(self, *cells: Cell) -> None:
        """Add a row."""
        self.rows.append(cells)

    def text(self) -> str:
        """The table as text, the first column to the left and the rest to the right."""
        body = [[_shown(cell, self.places) for cell in row] for row in self.rows]
        columns = list(zip(self.header, *body, strict=True))
        widths = [max(map(len, column)) for column in columns]
        lines = ["", self.title, _row(list(self.header), widths)]
        lines.append("  ".join("-" * width for width in widths))
        lines += [_row(row, widths) for row in body]
        return "\n".join([*lines, *(f"  {note}" for note in self.notes)])

    def plain(self) -> dict[str, object]:
        """The table for machines."""
        rows = [dict(zip(self.header, row, strict=True)) for row in self.rows]
        return {"title": self.title, "rows": rows, "notes": self.notes}


def _shown(cell: Cell, places: int) -> str:
    if cell is None:
        return "-"
    if isinstance(cell, float):
        return f"{cell:.{places}f}"
    return str(cell)


def _row(cells: list[str], widths: list[int]) -> str:
    first = cells[0].ljust(widths[0])
    rest = [cell.rjust(width) for cell, width in zip(cells[1:], widths[1:], strict=True)]
    return "  ".join([first, *rest]).rstrip()
