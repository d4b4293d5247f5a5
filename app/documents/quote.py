"""The customer's quote: what is offered, at what price, until when. No cost and no way's total is in the view."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from app.documents.filters import show_day as show_short_day
from app.documents.render import PaperHead, pdf
from app.ledger.quoting.promises import count_of_days
from app.ledger.quoting.snapshot import OPTIONS, QuoteSnapshot, SnapshotLine, as_accepted
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
    lines: tuple[CustomerLine, ...]

    @property
    def when(self) -> str:
        """The promise in words.

        >>> OptionRow("B", "", date(2026, 3, 2), None, None, Totals(0, 0, 0, 0, 0, "", ""), 0, ()).when
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
    lines: tuple[CustomerLine, ...]
    totals: Totals
    exclusions: str
    terms: str
    cautions: tuple[str, ...]
    deposit_cents: int
    options: tuple[OptionRow, ...]


def quote_number(snapshot: QuoteSnapshot) -> str:
    """Job number and revision, as on every paper of the quote."""
    return f"{snapshot.job_number}, revision {snapshot.revision}"


def quote_page(snapshot: QuoteSnapshot) -> QuotePage:
    """What the customer's paper says."""
    return QuotePage(
        head=PaperHead(snapshot.house, "Quote", quote_number(snapshot), snapshot.issued_on),
        title=snapshot.title,
        customer_name=snapshot.customer_name,
        customer_phone=snapshot.customer_phone,
        customer_address=snapshot.customer_address,
        site_name=snapshot.site_name,
        site_address=snapshot.site_address,
        issued_by=snapshot.issued_by,
        issued_on=snapshot.issued_on,
        valid_until=snapshot.valid_until,
        need_by=snapshot.need_by,
        ready_on=snapshot.ready_on,
        lead_time=snapshot.lead_time,
        lines=tuple(_line(line) for line in _said_once(snapshot.lines)),
        totals=snapshot.totals,
        exclusions=snapshot.exclusions,
        terms=snapshot.terms,
        cautions=snapshot.cautions,
        deposit_cents=snapshot.deposit_cents,
        options=_options(snapshot),
    )


def _options(snapshot: QuoteSnapshot) -> tuple[OptionRow, ...]:
    if snapshot.option_b is None:
        return ()
    usual = {_as_read(line) for line in snapshot.lines}
    return tuple(
        OptionRow(
            name=name,
            where=quote.where,
            issued_on=quote.issued_on,
            ready_on=quote.ready_on,
            working_days=quote.working_days,
            totals=quote.totals,
            deposit_cents=quote.deposit_cents,
            lines=tuple(
                _line(line) for line in (*quote.lines, *_free(snapshot, quote)) if _as_read(line) not in usual
            ),
        )
        for name, quote in ((name, as_accepted(snapshot, name)) for name in OPTIONS)
    )


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


def _line(line: SnapshotLine) -> CustomerLine:
    return CustomerLine(
        label=line.label,
        words=line.words,
        part_number=line.part_number,
        keying=line.keying,
        remark=line.remark,
        replaces=line.replaces,
        face=line.face,
        quantity=line.quantity,
        unit_cents=line.unit_cents,
        amount_cents=line.amount_cents,
        is_part=line.is_part,
    )


def quote_pdf(snapshot: QuoteSnapshot) -> bytes:
    """The customer's quote as PDF, on the house's paper."""
    return pdf("quote.html", quote_page(snapshot), snapshot.house.paper)
