"""Papers, the house's books and the owner's lists as CSV and XLSX: typed text as on paper, never as a formula."""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Any

from app.documents.filters import printable
from app.ledger.goods.order_lines import to_come
from app.ledger.goods.to_order import ItemToOrder, KeyingToOrder, WantedByJob
from app.ledger.jobs.queries import show_margin
from app.ledger.reports.books import BookColumn, BookRow
from app.ledger.reports.promises import PromiseGroup
from app.ledger.reports.sales import PARTS
from app.pricing import AGE_CLASSES
from app.spreadsheets import Cell, csv_bytes, styled_book_bytes

Rows = Sequence[Sequence[Cell]]
_AMOUNT = re.compile(r"-?[0-9]+\.[0-9]{2}")
_NUMBER = re.compile(r"−?[0-9]+(\.[0-9])?( %)?")  # as a page has it


@dataclass(frozen=True, slots=True)
class PaperTable:
    """A paper's rows as a file. sheets: name, headings and rows of each."""

    title: str
    day: date
    sheets: tuple[tuple[str, Sequence[str], Rows], ...]

    def csv(self) -> bytes:
        """The first sheet as `app.spreadsheets.csv_bytes` writes it."""
        _, headings, rows = self.sheets[0]
        return csv_bytes([headings, *_printable(rows)])

    def xlsx(self) -> bytes:
        """All sheets as `styled_book_bytes` writes them."""
        sheets = [(name, headings, _printable(rows)) for name, headings, rows in self.sheets]
        return styled_book_bytes(self.title, self.day, sheets)


def _printable(rows: Rows) -> list[list[Cell]]:
    return [[printable(cell) for cell in row] for row in rows]


def books_csv(columns: Sequence[BookColumn], rows: Iterable[BookRow]) -> bytes:
    """The rows under their columns' names; UTF-8 with a byte order mark, commas, CRLF.

    A refund keeps its bare minus; any other cell that a spreadsheet would take for a formula is guarded.
    """
    cells = ([_amount(cell) for cell in row] for row in rows)
    return csv_bytes([[column.name for column in columns], *_printable(list(cells))])


def _amount(text: str) -> Cell:
    return Decimal(text) if _AMOUNT.fullmatch(text) else text


Value = str | int | date | None


class Kind(StrEnum):
    """What a column holds, and so how a page and a spreadsheet show it. Money is whole cents."""

    JOB = "job"
    QUOTE = "quote"
    TEXT = "text"
    STAGE = "stage"
    DAY = "day"
    COUNT = "number"
    MONEY = "money"


@dataclass(frozen=True, slots=True)
class ListColumn:
    """A column's heading, what stands in it for a row of the list, and what kind of thing that is."""

    label: str
    value: Callable[[Any], Value]
    kind: Kind = Kind.TEXT
    is_in_file_only: bool = False  # too much for a page
    is_owners: bool = False  # costs and margins


@dataclass(frozen=True, slots=True)
class DayList:
    """A list of the owner's day. `name` is for file names; `rows` fit `columns`."""

    name: str
    title: str
    columns: tuple[ListColumn, ...]
    rows: tuple[tuple[Value, ...], ...]

    def total(self, place: int) -> int:
        """The sum of one column."""
        return sum(value for row in self.rows if isinstance(value := row[place], int))

    def xlsx(self, day: date) -> bytes:
        """The list as a spreadsheet, money as numbers of two decimals, days as 2026-11-25."""
        return self._table(day).xlsx()

    def csv(self, day: date) -> bytes:
        """The same as CSV."""
        return self._table(day).csv()

    def _table(self, day: date) -> PaperTable:
        rows = [
            [_cell(value, column.kind) for value, column in zip(row, self.columns, strict=True)] for row in self.rows
        ]
        sheet = (self.name.capitalize(), [column.label for column in self.columns], rows)
        return PaperTable(self.title, day, (sheet,))


def _cell(value: Value, kind: Kind) -> Cell:
    """A value as a file has it.

    >>> [_cell(value, Kind.COUNT) for value in (7, "2.5", "−26 %", "")], _cell("7", Kind.TEXT)
    ([7, Decimal('2.5'), -26, ''], '7')
    """
    if kind is Kind.MONEY and isinstance(value, int):
        return Decimal(value).scaleb(-2)
    if kind is Kind.COUNT and isinstance(value, str) and _NUMBER.fullmatch(value):
        number = Decimal(value.removesuffix(" %").replace("−", "-"))
        return int(number) if number == int(number) else number
    return value.isoformat() if isinstance(value, date) else "" if value is None else value


def _in_file(label: str, value: Callable[[Any], Value], kind: Kind = Kind.TEXT) -> ListColumn:
    return ListColumn(label, value, kind, is_in_file_only=True)


def _promise_columns(of: Callable[[Any], PromiseGroup]) -> tuple[ListColumn, ...]:
    return (
        ListColumn("Fell due", lambda row: of(row).due, Kind.COUNT),
        ListColumn("Kept", lambda row: of(row).kept, Kind.COUNT),
        ListColumn("Kept, percent", lambda row: of(row).percent, Kind.COUNT),
        ListColumn("Late", lambda row: of(row).late, Kind.COUNT),
        ListColumn("Median days late", lambda row: _halves(of(row).median_days), Kind.COUNT),
        ListColumn("Worst", lambda row: of(row).worst_days, Kind.COUNT),
        ListColumn("Day not on record", lambda row: of(row).unknown, Kind.COUNT),
    )


def _halves(days: Fraction | None) -> str:
    """A median of whole days.

    >>> _halves(Fraction(5, 2)), _halves(Fraction(3)), _halves(None)
    ('2.5', '3', '')
    """
    return "" if days is None else f"{days.__floor__()}{'.5' if days.denominator == 2 else ''}"


def _minutes(hundredths: int | None) -> str:
    """Minutes as they were recorded.

    >>> _minutes(6270), _minutes(400), _minutes(None)
    ('62.7', '4', 'not recorded')
    """
    return "not recorded" if hundredths is None else f"{(Decimal(hundredths) / 100).normalize():f}"


def _shortfall(part: str) -> Callable[[Any], Value]:
    return lambda row: row.shortfalls[part]


def _to_order(one: ItemToOrder | KeyingToOrder) -> str:
    if isinstance(one, ItemToOrder):
        return f"{one.item.code} {one.item.words}"
    return "Cylinders that the factory keys"


def _numbers(wanted: Sequence[WantedByJob]) -> str:
    return ", ".join(str(number) for number in sorted({one.job_number for one in wanted}))


def _reach(name: str, phone: str) -> str:
    """Whom to call, and how."""
    return ", ".join(filter(None, (name, phone)))


def _aged(place: int) -> Callable[[Any], int]:
    return lambda row: int(row.cents[place])


_JOB = ListColumn("Job", lambda row: row.number, Kind.JOB)
_CUSTOMER = ListColumn("Customer", lambda row: row.customer_name)
_PHONE = ListColumn("Phone", lambda row: row.phone)
_TITLE = ListColumn("Title", lambda row: row.title)
_STAGE = ListColumn("Stage", lambda row: row.stage.word, Kind.STAGE)
_SINCE = ListColumn("Since", lambda row: row.since, Kind.DAY)
_DAYS = ListColumn("Days", lambda row: row.days, Kind.COUNT)
_LATE = ListColumn("Days late", lambda row: row.late_days or None, Kind.COUNT)
_KEYED_AT = ListColumn("Keyed at", lambda row: row.keyed_at)
_VALUE = ListColumn("Value", lambda row: row.value_cents, Kind.MONEY)
_COST = ListColumn("Cost", lambda row: row.cost_cents, Kind.MONEY)
_MARGIN = ListColumn("Margin", lambda row: row.value_cents - row.cost_cents, Kind.MONEY)
_PERCENT = ListColumn("Margin, percent", lambda row: show_margin(row.value_cents, row.cost_cents), Kind.COUNT)
_AMOUNTS = (
    ListColumn("Amount", lambda row: row.amount_cents, Kind.MONEY),
    ListColumn("Cost", lambda row: row.cost_cents, Kind.MONEY, is_owners=True),
    ListColumn("Margin", lambda row: row.amount_cents - row.cost_cents, Kind.MONEY, is_owners=True),
)
_COLUMNS: Mapping[str, tuple[ListColumn, ...]] = {
    "waiting": (
        *(_JOB, _CUSTOMER, _TITLE, _STAGE),
        ListColumn("Waits on", lambda row: ", ".join(row.makers) or row.whom.value),
        ListColumn("For what", lambda row: row.to_do),
        *(_SINCE, _DAYS, _VALUE),
    ),
    "promised": (
        *(_JOB, _CUSTOMER, _TITLE, _STAGE),
        ListColumn("Promised", lambda row: row.promised_on, Kind.DAY),
        *(_LATE, _KEYED_AT),
        ListColumn("Bench minutes", lambda row: row.minutes, Kind.COUNT),
        ListColumn("Still to do", lambda row: row.still, Kind.COUNT),
        _VALUE,
    ),
    "start": (
        *(_JOB, _CUSTOMER, _TITLE, _STAGE),
        ListColumn("Promised", lambda row: row.promised_on, Kind.DAY),
        *(_LATE, _KEYED_AT),
        ListColumn("Bench minutes", lambda row: row.minutes, Kind.COUNT),
    ),
    "bench": (
        ListColumn("Job", lambda row: row.job.number, Kind.JOB),
        ListColumn("Customer", lambda row: row.job.customer.name),
        ListColumn("Title", lambda row: row.job.title),
        ListColumn("Promised", lambda row: row.job.promised_on, Kind.DAY),
        ListColumn("Days late", lambda row: row.late_days or None, Kind.COUNT),
        ListColumn("Minutes", lambda row: row.minutes, Kind.COUNT),
        ListColumn("Done by, in this order", lambda row: row.ready_on, Kind.DAY),
    ),
    "order": (
        ListColumn("Maker", lambda row: row[0].maker.name if row[0].maker else "nobody's catalog"),
        ListColumn("What", lambda row: _to_order(row[1])),
        ListColumn("Quantity", lambda row: row[1].quantity, Kind.COUNT),
        ListColumn("For jobs", lambda row: _numbers(row[1].wanted)),
        ListColumn("Needed", lambda row: row[1].needed_on, Kind.DAY),
        ListColumn("Order by", lambda row: row[1].order_by, Kind.DAY),
    ),
    "late": (
        ListColumn("Maker", lambda row: row.order.maker.name),
        ListColumn("Order", lambda row: row.order.number),
        ListColumn("Their number", lambda row: row.order.maker_number),
        ListColumn("What", lambda row: f"{row.line.item.code} {row.line.item.words}"),
        ListColumn("To come", lambda row: to_come(row.line), Kind.COUNT),
        ListColumn("Expected", lambda row: row.line.expected_on, Kind.DAY),
        ListColumn("Days late", lambda row: row.days, Kind.COUNT),
    ),
    "came": (
        ListColumn("Came", lambda row: row[0].at.astimezone().date(), Kind.DAY),
        ListColumn("Maker", lambda row: row[0].order.maker.name),
        ListColumn("Order", lambda row: row[0].order.number),
        ListColumn("What", lambda row: f"{row[1].item.code} {row[1].item.words}"),
        ListColumn("Good", lambda row: row[1].good, Kind.COUNT),
        ListColumn("Damaged", lambda row: row[1].damaged or None, Kind.COUNT),
        ListColumn("Wrong", lambda row: row[1].wrong or None, Kind.COUNT),
    ),
    "call": (
        ListColumn("Job", lambda row: row.job.number, Kind.JOB),
        *(_CUSTOMER, _PHONE),
        ListColumn("Title", lambda row: row.job.title),
        ListColumn("Was promised for", lambda row: row.was_on, Kind.DAY),
        ListColumn("Is promised for", lambda row: row.now_on, Kind.DAY),
        ListColumn("By order", lambda row: row.late_words or row.order.number),
    ),
    "won": (
        *(_JOB, _CUSTOMER, _TITLE),
        ListColumn("Accepted", lambda row: row.accepted_on, Kind.DAY),
        *(_STAGE, _VALUE, _COST, _MARGIN, _PERCENT),
    ),
    "lost": (
        *(_JOB, _CUSTOMER, _TITLE),
        ListColumn("Lost", lambda row: row.lost_on, Kind.DAY),
        ListColumn("Because", lambda row: row.reason),
        _VALUE,
    ),
    "owed": (
        *(_JOB, _CUSTOMER, _PHONE, _TITLE, _SINCE, _DAYS),
        ListColumn("Total", lambda row: row.total_cents, Kind.MONEY),
        ListColumn("Paid", lambda row: row.paid_cents, Kind.MONEY),
        ListColumn("Owed", lambda row: row.owed_cents, Kind.MONEY),
    ),
    "follow-up": (
        _JOB,
        ListColumn("Revision", lambda row: row.revision, Kind.COUNT),
        *(_CUSTOMER, _PHONE),
        ListColumn("Contact", lambda row: row.contact),
        _TITLE,
        ListColumn("Valid until", lambda row: row.valid_until, Kind.DAY),
        ListColumn("Days left", lambda row: row.days, Kind.COUNT),
        ListColumn("Quoted by", lambda row: row.quoted_by),
        _VALUE,
    ),
    "rises": (
        ListColumn("Quote", lambda row: row.quote, Kind.QUOTE),
        *(_CUSTOMER, _TITLE, _STAGE),
        ListColumn("Holds until", lambda row: row.until, Kind.DAY),
        _VALUE,
        ListColumn("Sold under the new prices by", lambda row: row.price_cents, Kind.MONEY),
        ListColumn("Goods cost more by", lambda row: row.cost_cents, Kind.MONEY),
    ),
    "stages": (
        _STAGE,
        ListColumn("Jobs", lambda row: row.jobs, Kind.COUNT),
        ListColumn("Late", lambda row: row.late, Kind.COUNT),
        *(_VALUE, _COST, _MARGIN, _PERCENT),
    ),
    "jobs": (
        *(_JOB, _CUSTOMER, ListColumn("Site", lambda row: row.site_name), _TITLE, _STAGE),
        # What is only offered stands on the quote; here it would read as promised.
        ListColumn("Promised", lambda row: row.promised_on if row.stage.was_accepted else None, Kind.DAY),
        _LATE,
        ListColumn("Needed by", lambda row: row.need_by, Kind.DAY),
        *(_KEYED_AT, _VALUE, _COST, _PERCENT),
    ),
    "cylinders": (
        *(_CUSTOMER, ListColumn("Site", lambda row: row.site_name)),
        ListColumn("Door", lambda row: row.opening),
        _in_file("Location", lambda row: row.location),
        ListColumn("Position", lambda row: row.position),
        ListColumn("Part number", lambda row: row.part_number),
        _in_file("What it is", lambda row: row.words),
        ListColumn("Finish", lambda row: row.finish),
        ListColumn("Maker", lambda row: row.maker_name),
        ListColumn("Keyset", lambda row: row.symbol),
        _in_file("Key system", lambda row: row.system_name),
        ListColumn("Where it is", lambda row: row.where),
        ListColumn("Fitted", lambda row: row.fitted_on, Kind.DAY),
        ListColumn("Removed", lambda row: row.removed_on, Kind.DAY),
        ListColumn("Job", lambda row: row.job_number, Kind.JOB),
        ListColumn("Call", lambda row: _reach(row.contact, row.contact_phone or row.phone)),
        _in_file("Phone", lambda row: row.phone),
        _in_file("E-mail", lambda row: row.email),
        _in_file("Site's address", lambda row: row.site_address),
    ),
    "recall": (
        *(_CUSTOMER, _PHONE, ListColumn("Contact", lambda row: row.contact)),
        ListColumn("Contact's phone", lambda row: row.contact_phone),
        ListColumn("E-mail", lambda row: row.email),
        _in_file("Address", lambda row: row.address),
        ListColumn("Sites", lambda row: row.sites, Kind.COUNT),
        ListColumn("Standing", lambda row: row.standing, Kind.COUNT),
        ListColumn("On their way", lambda row: row.coming, Kind.COUNT),
        ListColumn("Removed", lambda row: row.removed, Kind.COUNT),
    ),
    "aging": (
        *(_CUSTOMER, _PHONE),
        *(ListColumn(words.capitalize(), _aged(place), Kind.MONEY) for place, words in enumerate(AGE_CLASSES)),
        ListColumn("Not invoiced yet", lambda row: row.not_invoiced_cents, Kind.MONEY),
        ListColumn("Paid ahead", lambda row: row.ahead_cents, Kind.MONEY),
        ListColumn("Credit", lambda row: row.credit_cents, Kind.MONEY),
        ListColumn("Balance", lambda row: row.total_cents, Kind.MONEY),
    ),
    "reveals": (
        ListColumn("When", lambda row: f"{row.at.astimezone():%Y-%m-%d %H:%M}"),
        ListColumn("Who", lambda row: row.who),
        ListColumn("What was shown", lambda row: row.what),
        ListColumn("Job", lambda row: row.job_number, Kind.JOB),
        ListColumn("Door", lambda row: row.door),
        ListColumn("Site", lambda row: row.site_name),
        ListColumn("Its keysets in that system", lambda row: row.keysets),
        ListColumn("Its own key's bitting", lambda row: row.shown.value if row.shown else ""),
    ),
    "bought": (
        _CUSTOMER,
        ListColumn("Item", lambda row: row.item or row.words),
        ListColumn("Part number", lambda row: row.part_number),
        ListColumn("Quantity", lambda row: row.quantity, Kind.COUNT),
        ListColumn("Jobs", lambda row: row.jobs, Kind.COUNT),
        ListColumn("First bought", lambda row: row.first, Kind.DAY),
        ListColumn("Last bought", lambda row: row.last, Kind.DAY),
        *_AMOUNTS,
    ),
    "purchases": (
        _JOB,
        _CUSTOMER,
        ListColumn("Bought", lambda row: row.accepted_on, Kind.DAY),
        ListColumn("Item", lambda row: row.words),
        ListColumn("Part number", lambda row: row.part_number),
        ListColumn("Quantity", lambda row: row.quantity, Kind.COUNT),
        *_AMOUNTS,
    ),
    "promises": (
        ListColumn("Promises", lambda row: row.label),
        *_promise_columns(lambda row: row),
    ),
    "due": (
        *(_JOB, _CUSTOMER, _TITLE, _STAGE),
        _KEYED_AT,
        ListColumn("Promised", lambda row: row.promised_on, Kind.DAY),
        ListColumn("Ready", lambda row: row.ready_on, Kind.DAY),
        ListColumn("Days late", lambda row: row.days_late, Kind.COUNT),
        ListColumn("Promise", lambda row: row.outcome),
    ),
    "unprofitable": (
        *(_JOB, _CUSTOMER, _in_file("Title", lambda row: row.title)),
        ListColumn("Accepted", lambda row: row.accepted_on, Kind.DAY),
        ListColumn("Charged", lambda row: row.charged_cents, Kind.MONEY),
        ListColumn("Cost, as reckoned", lambda row: row.cost_cents, Kind.MONEY),
        ListColumn("Bench beyond it", lambda row: row.over_cents, Kind.MONEY),
        ListColumn("Parts beyond it", lambda row: row.more_cents, Kind.MONEY),
        ListColumn("Margin", lambda row: row.margin_cents, Kind.MONEY),
        ListColumn("What did it", lambda row: row.part),
        ListColumn("Lost by that", lambda row: row.shortfalls[row.part], Kind.MONEY),
        ListColumn("Bench minutes", lambda row: _minutes(row.minutes_hundredths)),
        ListColumn("Reckoned", lambda row: row.reckoned_minutes, Kind.COUNT),
        ListColumn("Warranty", lambda row: f"the {row.warranty}'s cost" if row.warranty else ""),
        *(_in_file(f"Short by {part}", _shortfall(part), Kind.MONEY) for part in PARTS),
    ),
    "makers": (
        ListColumn("Maker", lambda row: row.promises.label),
        ListColumn("Jobs", lambda row: row.jobs, Kind.COUNT),
        ListColumn("Pieces", lambda row: row.pieces, Kind.COUNT),
        ListColumn("Goods charged", lambda row: row.charged_cents, Kind.MONEY),
        ListColumn("Goods cost", lambda row: row.cost_cents, Kind.MONEY),
        ListColumn("Margin, percent", lambda row: show_margin(row.charged_cents, row.cost_cents), Kind.COUNT),
        ListColumn("Keying cost", lambda row: row.keying_cents, Kind.MONEY),
        *_promise_columns(lambda row: row.promises),
    ),
}


def day_list(name: str, title: str, rows: Iterable[Any], *, is_page: bool = False, is_owners: bool = True) -> DayList:
    """A list of the owner's day, or a report, from its rows in the ledger; name: a key of the columns above.

    is_page: without what is for files alone. is_owners: with costs and margins.
    """
    columns = tuple(
        one for one in _COLUMNS[name] if not (is_page and one.is_in_file_only) and (is_owners or not one.is_owners)
    )
    return DayList(name, title, columns, tuple(tuple(column.value(row) for column in columns) for row in rows))
