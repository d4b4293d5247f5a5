"""The customer's quote: what is offered, at what price, until when. No cost and no way's total is in the view."""

from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from datetime import date
from typing import Any, TypeVar

from app.documents.filters import show_day as show_short_day
from app.documents.render import PaperHead, pdf
from app.ledger.quoting.promises import count_of_days
from app.ledger.quoting.snapshot import OPTIONS, QuoteSnapshot, SnapshotLine, as_accepted
from app.ledger.store.numbers import quote_number
from app.pricing import Totals


@dataclass(frozen=True, slots=True)
class CustomerLine:
    """One line as the customer reads it: no cost, no reason of a price. `keying`: "" where a part says it.

    `is_part`: belongs to the line above it (1a, 1b under 1).
    """

    label: str
    words: str
    part_number: str
    keying: str
    remark: str
    replaces: str
    face: str
    quantity: int
    unit_cents: int
    amount_cents: int
    discount_note: str
    is_part: bool


@dataclass(frozen=True, slots=True)
class OptionRow:
    """One of the two ways that a quote offers. `lines`: those whose price is not option A's; A has none."""

    name: str  # A or B
    where: str  # "keyed at the factory"
    issued_on: date
    ready_on: date | None
    working_days: int | None
    totals: Totals
    deposit_cents: int
    coming_changes: tuple[str, ...]
    lines: tuple[CustomerLine, ...]

    @property
    def when(self) -> str:
        """The promise in words.

        >>> OptionRow("B", "", date(2026, 3, 2), None, None, Totals(0, 0, 0, 0, 0, "", ""), 0, (), ()).when
        'date confirmed with the order'
        """
        if self.ready_on is None:
            return "date confirmed with the order"
        count = "" if self.working_days is None else f"{count_of_days(self.working_days)}; "
        return f"{count}{show_short_day(self.ready_on)} if accepted on {show_short_day(self.issued_on)}"


@dataclass(frozen=True, slots=True)
class QuotePage:
    """A quote revision for the customer. `options`: A and B where the quote offers two ways, else none."""

    head: PaperHead
    title: str
    customer_name: str
    customer_phone: str
    customer_address: str
    site_name: str
    site_address: str
    issued_by: str
    issued_on: date
    valid_until: date
    need_by: date | None
    ready_on: date | None
    lead_time: str
    coming_changes: tuple[str, ...]
    day_rule: str
    lines: tuple[CustomerLine, ...]
    totals: Totals
    exclusions: str
    terms: str
    cautions: tuple[str, ...]
    deposit_cents: int
    options: tuple[OptionRow, ...]


def quote_page(snapshot: QuoteSnapshot) -> QuotePage:
    """What the customer's paper says."""
    number = quote_number(snapshot.job_number, snapshot.revision)
    return _public(
        QuotePage,
        snapshot,
        head=PaperHead(snapshot.house, "Quote", number, snapshot.issued_on),
        lines=_customer_lines(_said_once(snapshot.lines)),
        options=_options(snapshot),
    )


_View = TypeVar("_View", CustomerLine, OptionRow, QuotePage)


def _public(kind: type[_View], frozen: object, **own: Any) -> _View:
    """A customer's value: what `kind` names of the frozen one, and its own beside that; nothing else gets through."""
    shared = {one.name: getattr(frozen, one.name) for one in fields(kind) if one.name not in own}
    return kind(**shared, **own)


def _customer_lines(lines: Iterable[SnapshotLine]) -> tuple[CustomerLine, ...]:
    return tuple(_public(CustomerLine, line) for line in lines)


def _options(snapshot: QuoteSnapshot) -> tuple[OptionRow, ...]:
    if snapshot.option_b is None:
        return ()
    usual = {_as_read(line) for line in snapshot.lines}
    rows = []
    for name in OPTIONS:
        quote = as_accepted(snapshot, name)
        lines = [line for line in (*quote.lines, *_free(snapshot, quote)) if _as_read(line) not in usual]
        rows.append(_public(OptionRow, quote, name=name, lines=_customer_lines(lines)))
    return tuple(rows)


def _said_once(lines: tuple[SnapshotLine, ...]) -> list[SnapshotLine]:
    """The lines, without the keying of those that have a row of their own below that says it."""
    told = {(line.label[:-1], line.words) for line in lines if line.kind == "keying"}
    return [replace(line, keying="") if (line.label, f"Keying: {line.keying}") in told else line for line in lines]


def _free(snapshot: QuoteSnapshot, quote: QuoteSnapshot) -> list[SnapshotLine]:
    """Lines of option A that the other charges nothing for, and so leaves out."""
    there = {line.label for line in quote.lines}
    return [replace(line, unit_cents=0, amount_cents=0) for line in snapshot.lines if line.label not in there]


def _as_read(line: SnapshotLine) -> tuple[object, ...]:
    """What the customer reads of a line; what it costs the house is not theirs."""
    return (line.label, line.words, line.quantity, line.unit_cents, line.amount_cents)


def quote_pdf(snapshot: QuoteSnapshot) -> bytes:
    """The customer's quote as PDF, on the house's paper."""
    page = quote_page(snapshot)
    return pdf("quote.html", page.head, view=page)
