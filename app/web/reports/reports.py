"""Reports: questions to the whole record, each answered by a list that can be filtered, bookmarked and saved."""

import re
from calendar import monthrange
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from flask import Blueprint, Response, abort, render_template, request
from flask.typing import ResponseReturnValue
from flask_login import current_user

from app.documents import DayList, day_list
from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.maker_queries import list_makers
from app.ledger.catalog.money_rules import money_rules_on
from app.ledger.money.owing import AgingRow, aging
from app.ledger.reports.promises import (
    GroupedBy,
    KeyingPlace,
    PromiseOutcome,
    PromiseQuestion,
    find_makers,
    find_promised,
    find_promises,
)
from app.ledger.reports.recall import CylinderQuestion, Whereabouts, find_customers_to_call, find_cylinders
from app.ledger.reports.reveals import RevealQuestion, find_reveals
from app.ledger.reports.sales import (
    PARTS,
    LossQuestion,
    SalesQuestion,
    find_bought,
    find_purchases,
    find_unprofitable,
)
from app.ledger.store.engine import Page, page_in
from app.ledger.store.work import Work
from app.ledger.tables import Role
from app.spreadsheets import read_date
from app.validation import counted
from app.web.access import roles
from app.web.files import CSV, XLSX, send
from app.web.navigation import address_of
from app.web.query_args import read_page, read_text
from app.web.reports.day import MOST_ROWS, NO_END
from app.web.services import current_work
from app.web.templating import show_day

Asked = Mapping[str, Any]
Choices = Sequence[tuple[str, str]]
Link = Callable[[Any, Mapping[str, str]], str | None]


@dataclass(frozen=True, slots=True)
class Box:
    """A box that narrows a report. choices: what it offers; without, it takes words, or a day where is_day.

    usual: the day that stands in it where the address says none.
    """

    name: str
    label: str
    hint: str = ""
    is_day: bool = False
    usual: Callable[[Work], date] | None = None
    choices: Callable[[Work], Choices] | None = None

    def read(self, sent: str, work: Work) -> Any:
        """What stands in it: a day or None, one of its choices or "", words. BitternError where it is no day."""
        if self.is_day:
            return read_date(sent, self.name) if sent else None
        if self.choices is not None:
            return sent if any(sent == value for value, _ in self.choices(work)) else ""
        return sent


@dataclass(frozen=True, slots=True)
class ReportList:
    """A question: what it is called, what its list tells, its boxes, what finds the rows, and where cells lead to.

    unasked: what to say where no box is filled in yet. also: who may ask it beside the owner.
    """

    name: str
    title: str
    what: str
    boxes: tuple[Box, ...]
    find: Callable[[Work, Asked, int, int], Page[Any]]
    links: Mapping[str, Link] = field(default_factory=dict)
    also: tuple[Role, ...] = ()
    unasked: str = ""
    is_summed: bool = False  # its amounts have a sum
    is_listed: bool = True  # False: what another's figures lead to
    other: tuple[str, str] | None = None  # the report that answers the same otherwise, and what its button says
    notes: tuple[str, ...] = ()
    told: Callable[[Work], tuple[str, ...]] = lambda work: ()  # what the house settled about it

    @property
    def is_open(self) -> bool:
        """Whether the person logged in may ask it."""
        return current_user.role is Role.OWNER or current_user.role in self.also


def _makers(work: Work) -> Choices:
    return [("", "any"), *((maker.code, maker.name) for maker, _, _ in list_makers(work.session))]


def _where(work: Work) -> Choices:
    return [("", "anywhere"), *((one.value, one.value) for one in Whereabouts)]


_CYLINDER_BOXES = (
    Box("part", "Part number", "Whole, or its beginning"),
    Box("finish", "Finish", "As in 626"),
    Box("maker", "Maker", choices=_makers),
    Box("keyset", "Keyset", "As in AA1"),
    Box("system", "Key system"),
    Box("customer", "Customer"),
    Box("site", "Site"),
    Box("fitted_from", "Fitted from", is_day=True),
    Box("fitted_to", "Fitted to, included", is_day=True),
)
_ASK_ONE = "Fill in at least one box, then press Filter."


def _cylinder_question(asked: Asked) -> CylinderQuestion:
    where = asked.get("where", "")
    boxes = {name: value for name, value in asked.items() if name != "where"}
    return CylinderQuestion(**boxes, where=Whereabouts(where) if where else None)


def _door_link(row: Any, asked: Mapping[str, str]) -> str | None:
    return address_of("doors.door", door_id=row.door_id) if row.door_id else None


def _customer_link(row: Any, asked: Mapping[str, str]) -> str | None:
    return address_of("customers.show", customer_id=row.customer_id)


_COUNTED = {Whereabouts.STANDING: "standing", Whereabouts.COMING: "coming", Whereabouts.REMOVED: "removed"}


def _their_cylinders(where: Whereabouts) -> Link:
    def link(row: Any, asked: Mapping[str, str]) -> str | None:
        if not getattr(row, _COUNTED[where]):
            return None
        narrowed = {**asked, "customer": row.customer_name, "where": where.value}
        return address_of("reports.show", name="cylinders", **narrowed)

    return link


def _a_year_ago(work: Work) -> date:
    return _years_before(work.today, 1)


def _years_before(day: date, years: int) -> date:
    """The same day of an earlier year; 28 Feb for 29 Feb.

    >>> _years_before(date(2028, 2, 29), 1)
    datetime.date(2027, 2, 28)
    """
    is_leap = (day.month, day.day) == (2, 29)
    return day.replace(year=day.year - years, day=28 if is_leap else day.day)


def _days(
    first: str, last: str, from_words: str, to_words: str, usual: Callable[[Work], date] | None = None
) -> tuple[Box, Box]:
    """The two days of a span; with `usual` it is one from that day to today where the address says none."""
    today = (lambda work: work.today) if usual else None
    return Box(first, from_words, is_day=True, usual=usual), Box(last, to_words, is_day=True, usual=today)


_SOLD = (
    Box("item", "Item", "Words, or a part number"),
    *_days("first", "last", "From", "To, included", usual=lambda work: _years_before(work.today, 3)),
)


def _promised_boxes() -> tuple[Box, ...]:
    return (
        Box(
            "place",
            "Place of keying",
            choices=lambda work: [("", "any"), *((one.value, one.value) for one in KeyingPlace)],
        ),
        Box("maker", "Maker", choices=_makers),
        *_days("first", "last", "Promised from", "To, included", usual=_a_year_ago),
    )


_KEPT = (
    "A promise is kept where the job was ready on its day or before; one that is past and not ready is late by the "
    "days so far."
)
_FIGURES = {
    "Fell due": None,
    "Kept": PromiseOutcome.KEPT,
    "Late": PromiseOutcome.LATE,
    "Day not on record": PromiseOutcome.UNKNOWN,
}


def _reveals(work: Work, asked: Asked, page: int, size: int) -> Page[Any]:
    said = {name: value for name, value in asked.items() if name != "own"}
    return find_reveals(work, RevealQuestion(**said, only_own=asked["own"] == "own"), page, size)


def _promise_question(asked: Asked) -> PromiseQuestion:
    place, outcome = asked.get("place"), asked.get("outcome")
    return PromiseQuestion(
        asked["first"],
        asked["last"],
        KeyingPlace(place) if place else None,
        asked.get("maker", ""),
        PromiseOutcome(outcome) if outcome else None,
    )


def _promises(work: Work, asked: Asked, page: int, size: int) -> Page[Any]:
    question, by = _promise_question(asked), GroupedBy(asked["by"] or GroupedBy.PLACE)
    return page_in([*find_promises(work, question, None), *find_promises(work, question, by)], page, size)


def _aged(work: Work, asked: Asked) -> list[AgingRow]:
    wanted = asked["customer"].casefold()
    return [row for row in aging(work.session, work.today).rows if wanted in row.customer_name.casefold()]


def _promise_rows(outcome: PromiseOutcome | None) -> Link:
    """The jobs behind a figure of a place, a maker or a month."""

    def link(row: Any, asked: Mapping[str, str]) -> str | None:
        group = getattr(row, "promises", row)
        narrowed = {**asked, "outcome": outcome.value if outcome else ""}
        if group.key in set(KeyingPlace):
            narrowed["place"] = group.key
        elif _MONTH.fullmatch(group.key):
            first, last = _span_of(group.key)
            narrowed["first"] = max(asked.get("first", ""), first.isoformat())
            narrowed["last"] = min(asked.get("last", "9"), last.isoformat())
        elif group.key:
            narrowed["maker"] = group.key
        return address_of("reports.show", name="due", **{name: said for name, said in narrowed.items() if said})

    return link


_MONTH = re.compile(r"[0-9]{4}-[0-9]{2}")


def _span_of(month: str) -> tuple[date, date]:
    """The first and the last day of a month.

    >>> _span_of("2028-02")
    (datetime.date(2028, 2, 1), datetime.date(2028, 2, 29))
    """
    first = date.fromisoformat(f"{month}-01")
    return first, first.replace(day=monthrange(first.year, first.month)[1])


def _their_purchases(row: Any, asked: Mapping[str, str]) -> str | None:
    narrowed = {**asked, "customer": row.customer_name, "item": row.part_number or row.item}
    return address_of("reports.show", name="purchases", **narrowed)


REPORTS = (
    ReportList(
        "cylinders",
        "Where cylinders stand",
        "Doors by finish, part number, maker, keyset, key system, customer, site and day of fitting, any of them "
        "together; what was removed is told apart.",
        (*_CYLINDER_BOXES, Box("where", "Where", choices=_where)),
        lambda work, asked, page, size: find_cylinders(work, _cylinder_question(asked), page, size),
        {"Door": _door_link, "Customer": _customer_link},
        (Role.COUNTER, Role.BENCH),
        _ASK_ONE,
        other=("recall", "By customer"),
        notes=(
            "A cylinder on no door stands under the customer who bought it; one that was rekeyed is listed once, "
            "as it is keyed now, and for each of its keysets where you ask for a keyset or a key system.",
        ),
    ),
    ReportList(
        "recall",
        "Recall: whom to call",
        "The same by customer: phone, address and contact of everybody who has such a part, with how many stand "
        "there, are on their way and were removed. As a spreadsheet it is a list for letters and calls.",
        _CYLINDER_BOXES,
        lambda work, asked, page, size: find_customers_to_call(work, _cylinder_question(asked), page, size),
        {
            "Customer": lambda row, asked: address_of("customers.show", customer_id=row.id),
            "Standing": _their_cylinders(Whereabouts.STANDING),
            "On their way": _their_cylinders(Whereabouts.COMING),
            "Removed": _their_cylinders(Whereabouts.REMOVED),
        },
        (Role.COUNTER, Role.BENCH),
        _ASK_ONE,
        other=("cylinders", "By door"),
    ),
    ReportList(
        "bought",
        "What a customer bought",
        "By item, over three years or any other span: how many, in how many jobs, first and last day, and what it "
        "came to before tax.",
        (Box("customer", "Customer"), *_SOLD),
        lambda work, asked, page, size: find_bought(work, SalesQuestion(**asked), page, size),
        {"Customer": _customer_link, "Quantity": _their_purchases, "Jobs": _their_purchases},
        (Role.COUNTER,),
        "Enter the customer, then press Filter.",
        other=("purchases", "Line by line"),
        is_summed=True,
    ),
    ReportList(
        "purchases",
        "What a customer bought, line by line",
        "",
        (Box("customer", "Customer"), *_SOLD),
        lambda work, asked, page, size: find_purchases(work, SalesQuestion(**asked), page, size),
        {"Customer": _customer_link},
        (Role.COUNTER,),
        "Enter the customer, then press Filter.",
        is_listed=False,
        other=("bought", "By item"),
        is_summed=True,
    ),
    ReportList(
        "aging",
        "Money: what is owed, by age",
        "What each customer owes by how long it is overdue, what is handed over and not invoiced yet, and credit.",
        (Box("customer", "Customer"),),
        lambda work, asked, page, size: page_in(_aged(work, asked), page, size),
        {"Customer": lambda row, asked: address_of("accounts.show", customer_id=row.customer_id)},
        also=(Role.COUNTER,),
        is_summed=True,
        told=lambda work: (money_rules_on(work.session, work.today).age_sentence,),
    ),
    ReportList(
        "reveals",
        "Who saw a bitting",
        "Every reveal, the newest first: bench sheets, bitting lists, keyset and cylinder pages, decoded keys, "
        "corrections by hand. Of a door, those of each key system that it was ever keyed in, and whether its own "
        "key's bitting was among what was shown.",
        (
            Box("door", "Door", "Its opening number"),
            Box("site", "Site"),
            Box("customer", "Customer"),
            Box("person", "Who", "As they log in"),
            *_days("first", "last", "From", "To, included"),
            Box("own", "Of a door", choices=lambda work: (("", "all of its systems"), ("own", "its own key alone"))),
        ),
        _reveals,
        {"Door": lambda row, asked: address_of("doors.door", door_id=row.door_id) if row.door_id else None},
        notes=("Whoever saw the bitting of a master above the door's key can make a key for it too.",),
    ),
    ReportList(
        "promises",
        "Promises kept",
        "How many of the promises that fell due were kept, and by how many days the others were missed, by place of "
        "keying, maker or month.",
        (
            Box("by", "By", choices=lambda work: [(one.value, one.value) for one in GroupedBy]),
            *_promised_boxes(),
        ),
        _promises,
        {label: _promise_rows(outcome) for label, outcome in _FIGURES.items()},
        notes=(_KEPT, "A job with parts of two makers counts for each."),
    ),
    ReportList(
        "due",
        "Promises that fell due",
        "",
        (
            *_promised_boxes(),
            Box(
                "outcome",
                "Promise",
                choices=lambda work: [("", "any"), *((one.value, one.value) for one in PromiseOutcome)],
            ),
        ),
        lambda work, asked, page, size: find_promised(work, _promise_question(asked), page, size),
        {"Customer": _customer_link},
        is_listed=False,
        notes=(_KEPT,),
        other=("promises", "Promises kept"),
    ),
    ReportList(
        "unprofitable",
        "Jobs that lost money",
        "Jobs that cost more than was charged, and the part of the cost that did it: goods, keying and keys, labor, "
        "trips, or what was taken off the price.",
        (
            Box("part", "What did it", choices=lambda work: [("", "any part"), *((part, part) for part in PARTS)]),
            Box("customer", "Customer"),
            Box("maker", "Maker", choices=_makers),
            *_days("first", "last", "Accepted from", "To, included", usual=_a_year_ago),
        ),
        lambda work, asked, page, size: find_unprofitable(work, LossQuestion(**asked), page, size),
        {"Customer": _customer_link},
        notes=(
            "Costs are those reckoned when the job was accepted, and the minutes that the bench recorded beyond "
            "those reckoned, at the bench terms of that day. What goods, pins, keys and trips came to in the end is "
            "not on record, nor the bench where nobody recorded its minutes: they stand as reckoned.",
        ),
        is_summed=True,
    ),
    ReportList(
        "makers",
        "Makers: cost and lateness",
        "What each maker's goods cost and brought in the jobs promised for these days, and how those jobs kept their "
        "promises.",
        _promised_boxes(),
        lambda work, asked, page, size: page_in(find_makers(work, _promise_question(asked)), page, size),
        {label: _promise_rows(outcome) for label, outcome in _FIGURES.items()},
        notes=(_KEPT, "A job with parts of two makers counts for each; keying is that of its parts."),
    ),
)
blueprint = Blueprint("reports", __name__, url_prefix="/reports")


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """The questions that this person may ask."""
    return render_template("reports/reports.html", reports=[one for one in REPORTS if one.is_open and one.is_listed])


@blueprint.get("/<name>")
@roles(Role.COUNTER, Role.BENCH)
def show(name: str) -> ResponseReturnValue:
    """A report's boxes, and a page of its list."""
    work, report = current_work(), _report(name)
    typed = _typed(work, report)
    answer, problems = None, dict[str, str]()
    try:
        answer = report.find(work, _read(work, report, typed), read_page(request.args), 50)
    except BitternError as error:
        problems = {one.field: one.message for one in error.problems}
        if problems.keys() - typed.keys():
            raise
    found = _listed(report, answer.rows, is_page=True) if answer else None
    return render_template(
        "reports/report.html",
        report=report,
        choices={box.name: box.choices(work) for box in report.boxes if box.choices},
        typed=typed,
        sent={box.name: typed[box.name] for box in report.boxes if request.args.get(box.name, "").strip()},
        problems=problems,
        found=found,
        answer=answer,
        totals=_totals(work, report, typed, found, answer) if found and answer and report.is_summed else (),
        links=_links(report, found, answer, typed) if found and answer else (),
        told=counted(answer.count, "row") if answer else "",
        notes=(*report.notes, *report.told(work)),
        most=MOST_ROWS,
    ), 422 if problems else 200


@blueprint.get("/<name>.csv")
@roles(Role.COUNTER, Role.BENCH)
def csv(name: str) -> ResponseReturnValue:
    """The whole list as CSV."""
    report, found, day = _whole(name, NO_END)
    return send(found.csv(day), f"{report.name}-{day.isoformat()}.csv", CSV)


@blueprint.get("/<name>.xlsx")
@roles(Role.COUNTER, Role.BENCH)
def xlsx(name: str) -> Response:
    """The list as a workbook, as far as one that people read goes."""
    report, found, day = _whole(name, MOST_ROWS)
    return send(found.xlsx(day), f"{report.name}-{day.isoformat()}.xlsx", XLSX)


def _report(name: str) -> ReportList:
    report = next((one for one in REPORTS if one.name == name), None)
    if report is None:
        abort(404)
    if not report.is_open:
        abort(403)
    return report


def _typed(work: Work, report: ReportList) -> dict[str, str]:
    """What stands in each box: what the address says, else the usual day."""
    return {
        box.name: read_text(request.args, box.name) or (box.usual(work).isoformat() if box.usual else "")
        for box in report.boxes
    }


def _read(work: Work, report: ReportList, typed: Mapping[str, str]) -> dict[str, Any]:
    """What the boxes ask; Problems by box where a day is none, or the last is before the first."""
    asked: dict[str, Any] = {}
    problems = []
    for box in report.boxes:
        try:
            asked[box.name] = box.read(typed[box.name], work)
        except BitternError as error:
            problems.append(Problem(box.name, error.message))
    for first, last in (("first", "last"), ("fitted_from", "fitted_to")):
        if (begin := asked.get(first)) and (end := asked.get(last)) and end < begin:
            problems.append(Problem(last, f"The last day is before the first, {show_day(begin)}."))
    if problems:
        raise Problems(problems)
    return asked


def _whole(name: str, most: int) -> tuple[ReportList, DayList, date]:
    work, report = current_work(), _report(name)
    asked = _read(work, report, _typed(work, report))
    return report, _listed(report, report.find(work, asked, 1, most).rows, is_page=False), work.today


def _listed(report: ReportList, rows: Sequence[Any], *, is_page: bool) -> DayList:
    is_owners = current_user.role is Role.OWNER
    return day_list(report.name, report.title, rows, is_page=is_page, is_owners=is_owners)


def _totals(
    work: Work, report: ReportList, typed: Mapping[str, str], found: DayList, answer: Page[Any]
) -> list[int | None]:
    """The sum of each column of amounts, over all pages; None of the others."""
    whole = found
    if answer.pages > 1:
        whole = _listed(report, report.find(work, _read(work, report, typed), 1, NO_END).rows, is_page=True)
    return [whole.total(place) if column.kind == "money" else None for place, column in enumerate(found.columns)]


def _links(report: ReportList, found: DayList, answer: Page[Any], typed: Mapping[str, str]) -> list[list[str | None]]:
    """Where each cell of the page leads to."""
    ways = [report.links.get(column.label) for column in found.columns]
    asked = {name: said for name, said in typed.items() if said}
    return [[way(row, asked) if way else None for way in ways] for row in answer.rows]
