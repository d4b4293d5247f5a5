"""Sales tax and prices that are dated to change before an order is ready: what a quote says of them."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.quoting.snapshot import SnapshotLine
from app.ledger.store.engine import asked_once
from app.ledger.tables import ItemPrice, PriceBookRow, PriceRuleRow, TaxRuleRow
from app.pricing import TaxRule, show_cents, show_day
from app.validation import counted

_NAMED = 3
_LONGEST = 60


@asked_once
def has_dated_change(session: Session, after: date, until: date) -> bool:
    """Whether a price, price rule or sales tax begins after a day and by another, or ends before that: one query."""
    begin = [
        sa.and_(table.valid_from > after, table.valid_from <= until)
        for table in (PriceBookRow, PriceRuleRow, TaxRuleRow, ItemPrice)
    ]
    end = [sa.and_(table.valid_until >= after, table.valid_until < until) for table in (PriceBookRow, PriceRuleRow)]
    there = (sa.exists().where(condition) for condition in (*begin, *end))
    return bool(session.scalar(sa.select(sa.or_(*there))))


@dataclass(frozen=True, slots=True)
class LineRise:
    """A printed line whose price each is another on another day; cents each."""

    label: str
    words: str
    quantity: int
    before_cents: int
    after_cents: int

    @property
    def more_cents(self) -> int:
        """What the whole line comes to more, less where it is below 0."""
        return self.quantity * (self.after_cents - self.before_cents)


def line_rises(before: Iterable[SnapshotLine], after: Iterable[SnapshotLine]) -> tuple[LineRise, ...]:
    """The lines whose price is another afterwards; one that nothing was charged for is there, one without a price
    afterwards is not."""
    was: Mapping[str, SnapshotLine] = {line.label: line for line in before}
    return tuple(
        LineRise(line.label, line.words, line.quantity, unit, line.unit_cents)
        for line in after
        if (unit := was[line.label].unit_cents if line.label in was else 0) != line.unit_cents
    )


def tell_prices(rises: Sequence[LineRise], ready_on: date, *, of_hand_over: bool) -> str:
    """What is said of prices that change before the work is ready; "" where none does.

    >>> rise = LineRise("1b", "Keys, 2 a cylinder", 10, 325, 350)
    >>> tell_prices([rise], date(2027, 1, 10), of_hand_over=False).split(": ")[1]
    'line 1b (Keys, 2 a cylinder) from $3.25 to $3.50 each. That is $2.50 more before tax. The prices of the day of \
the quote hold, so those above stay.'
    """
    if not rises:
        return ""
    named = [
        f"line {one.label} ({one.words if len(one.words) <= _LONGEST else one.words[: _LONGEST - 1] + '…'}) from "
        f"{show_cents(one.before_cents)} to {show_cents(one.after_cents)} each"
        for one in rises[:_NAMED]
    ]
    if len(rises) > _NAMED:
        named.append(f"{counted(len(rises) - _NAMED, 'further line')}")
    more = sum(one.more_cents for one in rises)
    said = f"{show_cents(abs(more))} {'more' if more >= 0 else 'less'}"
    settled = (
        "The prices of the day of hand-over hold, so the new ones stand above."
        if of_hand_over
        else "The prices of the day of the quote hold, so those above stay."
    )
    told = "; ".join(named)
    return f"Prices change by {show_day(ready_on)}, when this is ready: {told}. That is {said} before tax. {settled}"


def tell_tax(rule: TaxRule | None, before_cents: int, after_cents: int, ready_on: date, *, of_hand_over: bool) -> str:
    """What is said of a sales tax that is another when the work is ready; "" where it comes to the same.

    rule: the one that begins by then; None where it is the customer's exemption that ends.
    """
    if before_cents == after_cents:
        return ""
    what = (
        f"Sales tax changes by {show_day(ready_on)}, when this is ready. From {show_day(rule.valid_from)}: "
        f"{rule.sentence}"
        if rule is not None
        else f"The exemption certificate ends before this is ready, on {show_day(ready_on)}."
    )
    settled = (
        f"The tax of the day of hand-over holds, so {show_cents(after_cents)} is in the total."
        if of_hand_over
        else f"The tax of the day of the quote holds, so it stays {show_cents(before_cents)}."
    )
    return f"{what} On this quote that is {show_cents(after_cents)} instead of {show_cents(before_cents)}. {settled}"
