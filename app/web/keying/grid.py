"""Who opens what, as a grid on the page: names along both edges, a box to tick in each cell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

MOST = 40
FIRST_ROWS, FIRST_COLUMNS = 6, 8
_YES = frozenset({"x", "1", "yes", "y", "true", "✓", "✔"})


@dataclass(frozen=True, slots=True)
class Grid:
    """The grid as it stands in the page."""

    doors: tuple[str, ...] = ("",) * FIRST_COLUMNS
    holders: tuple[str, ...] = ("",) * FIRST_ROWS
    ticked: frozenset[tuple[int, int]] = frozenset()

    def larger(self, rows: int, columns: int) -> Grid:
        """The grid with room for more, up to what a page holds."""
        holders = (*self.holders, *("",) * rows)[:MOST]
        doors = (*self.doors, *("",) * columns)[:MOST]
        return Grid(doors, holders, self.ticked)

    @property
    def table(self) -> list[list[str]]:
        """As the keying room reads it; edges without a name and a tick fall away."""
        rows = [n for n, name in enumerate(self.holders) if name or any(row == n for row, _ in self.ticked)]
        columns = [n for n, name in enumerate(self.doors) if name or any(column == n for _, column in self.ticked)]
        head = ["", *(self.doors[column] for column in columns)]
        return [
            head,
            *([self.holders[r], *("x" if (r, c) in self.ticked else "" for c in columns)] for r in rows),
        ]


def _size(text: str | None, least: int) -> int:
    return min(int(text), MOST) if text and text.isascii() and text.isdecimal() and len(text) < 4 else least


def grid_from_form(sent: Mapping[str, str]) -> Grid:
    """The grid that was posted: `door-0`, `holder-0`, `open-0-1` (row, column)."""
    rows, columns = _size(sent.get("rows"), FIRST_ROWS), _size(sent.get("columns"), FIRST_COLUMNS)
    doors = tuple(" ".join(sent.get(f"door-{n}", "").split()) for n in range(columns))
    holders = tuple(" ".join(sent.get(f"holder-{n}", "").split()) for n in range(rows))
    ticked = frozenset((r, c) for r in range(rows) for c in range(columns) if f"open-{r}-{c}" in sent)
    return Grid(doors, holders, ticked)


def grid_of_table(table: Sequence[Sequence[str]]) -> Grid | None:
    """A table that was sent, as a grid to go on with; None where a page does not hold it."""
    if len(table) < 2 or len(table) > MOST + 1 or len(table[0]) > MOST + 1:
        return None
    doors = tuple(cell.strip() for cell in table[0][1:])
    ticked = frozenset(
        (r, c)
        for r, row in enumerate(table[1:])
        for c, cell in enumerate(row[1 : len(doors) + 1])
        if cell.strip().lower() in _YES
    )
    return Grid(doors, tuple(row[0].strip() if row else "" for row in table[1:]), ticked)
