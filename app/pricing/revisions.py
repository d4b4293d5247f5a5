"""Two revisions of a quote side by side: lines added, removed, changed or the same."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from app.pricing.totals import QuoteLine


class LineStatus(StrEnum):
    """What became of a line."""

    SAME = "same"
    CHANGED = "changed"
    ADDED = "added"
    REMOVED = "removed"


@dataclass(frozen=True, slots=True)
class LineChange:
    """A line before and after; None where there is none."""

    status: LineStatus
    before: QuoteLine | None
    after: QuoteLine | None

    @property
    def difference_cents(self) -> int:
        """How much more the line comes to, before tax."""
        return (self.after.net_cents if self.after else 0) - (self.before.net_cents if self.before else 0)


def compare_revisions(before: Iterable[QuoteLine], after: Iterable[QuoteLine]) -> tuple[LineChange, ...]:
    """Each line of both revisions once: the later one's lines in their order, then those removed.

    Equal lines are matched first, then lines of the same description, in order; a line is matched once. The
    differences add up to the difference of the two subtotals.
    """
    left = list(before)
    new = list(after)
    matched: dict[int, LineChange] = {}
    for status in (LineStatus.SAME, LineStatus.CHANGED):
        for index, line in enumerate(new):
            if index in matched:
                continue
            fits = (
                old
                for old in left
                if (old == line if status is LineStatus.SAME else old.description == line.description)
            )
            old = next(fits, None)
            if old is not None:
                left.remove(old)
                matched[index] = LineChange(status, old, line)
    changes = [matched.get(index, LineChange(LineStatus.ADDED, None, line)) for index, line in enumerate(new)]
    return (*changes, *(LineChange(LineStatus.REMOVED, old, None) for old in left))
