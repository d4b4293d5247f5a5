"""The owner's lists: the same columns and rows on the page and in the spreadsheet."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum

from app.documents.spreadsheet import xlsx_bytes
from app.ledger.jobs.queries import LedgerRow, StageCount, show_margin
from app.ledger.reports.lapsing import LapsingQuote
from app.ledger.reports.outcomes import Lost, Won
from app.ledger.reports.owed import Owed
from app.ledger.reports.promised import PromisedJob
from app.ledger.reports.waiting import Waiting
from app.spreadsheets import Cell

Value = str | int | date | None


class Kind(StrEnum):
    """What a column holds, and so how a page and a spreadsheet show it. Money is whole cents."""

    JOB = "job"
    TEXT = "text"
    STAGE = "stage"
    DAY = "day"
    COUNT = "number"
    MONEY = "money"


@dataclass(frozen=True, slots=True)
class Heading:
    """A column's heading and what it holds."""

    label: str
    kind: Kind = Kind.TEXT


@dataclass(frozen=True, slots=True)
class DayList:
    """A list of the owner's day. `name` is for file names; `rows` fit `columns`."""

    name: str
    title: str
    columns: tuple[Heading, ...]
    rows: tuple[tuple[Value, ...], ...]

    def total(self, place: int) -> int:
        """The sum of one column."""
        return sum(value for row in self.rows if isinstance(value := row[place], int))


_JOB, _CUSTOMER, _TITLE = Heading("Job", Kind.JOB), Heading("Customer"), Heading("Title")
_STAGE, _VALUE = Heading("Stage", Kind.STAGE), Heading("Value", Kind.MONEY)


def waiting_list(rows: Iterable[Waiting], title: str) -> DayList:
    """Open jobs by whose move it is."""
    columns = (
        _JOB,
        _CUSTOMER,
        _TITLE,
        _STAGE,
        Heading("Waits on"),
        Heading("For what"),
        Heading("Since", Kind.DAY),
    )
    return DayList(
        "waiting",
        title,
        (*columns, Heading("Days", Kind.COUNT), _VALUE),
        tuple(
            (
                *(row.number, row.customer_name, row.title, row.stage.word),
                ", ".join(row.makers) or row.whom.value,
                *(row.to_do, row.since, row.days, row.value_cents),
            )
            for row in rows
        ),
    )


def promised_list(rows: Iterable[PromisedJob], title: str) -> DayList:
    """Jobs by their promise, with the bench's minutes."""
    return DayList(
        "promised",
        title,
        (
            *(_JOB, _CUSTOMER, _TITLE, _STAGE, Heading("Promised", Kind.DAY), Heading("Days late", Kind.COUNT)),
            *(
                Heading("Keyed at"),
                Heading("Bench minutes", Kind.COUNT),
                Heading("Still to do", Kind.COUNT),
                _VALUE,
            ),
        ),
        tuple(
            (
                *(row.number, row.customer_name, row.title, row.stage.word, row.promised_on, row.late_days or None),
                *(row.keyed_at, row.minutes, row.still, row.value_cents),
            )
            for row in rows
        ),
    )


def won_list(rows: Iterable[Won], title: str) -> DayList:
    """Accepted quotes with their margin."""
    money = (_VALUE, Heading("Cost", Kind.MONEY), Heading("Margin", Kind.MONEY), Heading("Margin, percent"))
    return DayList(
        "won",
        title,
        (_JOB, _CUSTOMER, _TITLE, Heading("Accepted", Kind.DAY), _STAGE, *money),
        tuple(
            (
                *(row.number, row.customer_name, row.title, row.accepted_on, row.stage.word),
                *(row.value_cents, row.cost_cents, row.value_cents - row.cost_cents),
                show_margin(row.value_cents, row.cost_cents),
            )
            for row in rows
        ),
    )


def lost_list(rows: Iterable[Lost], title: str) -> DayList:
    """Lost quotes with their reasons."""
    return DayList(
        "lost",
        title,
        (_JOB, _CUSTOMER, _TITLE, Heading("Lost", Kind.DAY), Heading("Because"), _VALUE),
        tuple((row.number, row.customer_name, row.title, row.lost_on, row.reason, row.value_cents) for row in rows),
    )


def owed_list(rows: Iterable[Owed], title: str) -> DayList:
    """Jobs handed over that are not paid in full; money with tax."""
    return DayList(
        "owed",
        title,
        (
            *(
                _JOB,
                _CUSTOMER,
                Heading("Phone"),
                _TITLE,
                Heading("Since", Kind.DAY),
                Heading("Days", Kind.COUNT),
            ),
            *(Heading("Total", Kind.MONEY), Heading("Paid", Kind.MONEY), Heading("Owed", Kind.MONEY)),
        ),
        tuple(
            (
                *(row.number, row.customer_name, row.phone, row.title, row.since, row.days),
                *(row.total_cents, row.paid_cents, row.owed_cents),
            )
            for row in rows
        ),
    )


def lapsing_list(rows: Iterable[LapsingQuote], title: str) -> DayList:
    """Quotes to ring about."""
    return DayList(
        "follow-up",
        title,
        (
            *(
                _JOB,
                Heading("Revision", Kind.COUNT),
                _CUSTOMER,
                Heading("Phone"),
                Heading("Contact"),
                _TITLE,
            ),
            *(
                Heading("Valid until", Kind.DAY),
                Heading("Days left", Kind.COUNT),
                Heading("Quoted by"),
                _VALUE,
            ),
        ),
        tuple(
            (
                *(row.number, row.revision, row.customer_name, row.phone, row.contact, row.title),
                *(row.valid_until, row.days, row.quoted_by, row.value_cents),
            )
            for row in rows
        ),
    )


def stage_list(rows: Iterable[StageCount], title: str) -> DayList:
    """Value and margin by stage."""
    return DayList(
        "stages",
        title,
        (
            *(
                _STAGE,
                Heading("Jobs", Kind.COUNT),
                Heading("Late", Kind.COUNT),
                _VALUE,
                Heading("Cost", Kind.MONEY),
            ),
            *(Heading("Margin", Kind.MONEY), Heading("Margin, percent")),
        ),
        tuple(
            (
                *(row.stage.word, row.jobs, row.late, row.value_cents, row.cost_cents),
                *(row.value_cents - row.cost_cents, show_margin(row.value_cents, row.cost_cents)),
            )
            for row in rows
        ),
    )


def open_list(rows: Iterable[LedgerRow], title: str) -> DayList:
    """Jobs as the ledger page lists them, with cost and margin."""
    return DayList(
        "jobs",
        title,
        (
            *(_JOB, _CUSTOMER, Heading("Site"), _TITLE, _STAGE, Heading("Promised", Kind.DAY)),
            *(Heading("Days late", Kind.COUNT), Heading("Needed by", Kind.DAY), Heading("Keyed at"), _VALUE),
            *(Heading("Cost", Kind.MONEY), Heading("Margin, percent")),
        ),
        tuple(
            (
                *(row.number, row.customer_name, row.site_name, row.title, row.stage.word),
                # What is only offered stands on the quote; here it would read as promised.
                *(
                    row.promised_on if row.stage.was_accepted else None,
                    row.late_days or None,
                    row.need_by,
                    row.keyed_at,
                    row.value_cents,
                    row.cost_cents,
                    row.margin,
                ),
            )
            for row in rows
        ),
    )


def day_list_xlsx(given: DayList, day: date) -> bytes:
    """The list as a spreadsheet, money as numbers of two decimals, days as 2026-11-25."""
    rows = [
        [_cell(value, column.kind) for value, column in zip(row, given.columns, strict=True)] for row in given.rows
    ]
    return xlsx_bytes(given.title, day, [(given.name.capitalize(), [one.label for one in given.columns], rows)])


def _cell(value: Value, kind: Kind) -> Cell:
    if kind is Kind.MONEY and isinstance(value, int):
        return Decimal(value) / 100
    return value.isoformat() if isinstance(value, date) else "" if value is None else value
