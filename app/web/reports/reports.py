"""Reports: questions to the whole record, each answered by a list that can be filtered, bookmarked and saved."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from flask import Blueprint, Response, abort, render_template, request
from flask.typing import ResponseReturnValue
from flask_login import current_user

from app.documents import DayList, day_list
from app.errors import BitternError
from app.ledger.catalog.maker_queries import list_makers
from app.ledger.reports.recall import CylinderQuestion, Whereabouts, find_customers_to_call, find_cylinders
from app.ledger.store.engine import Page
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

Asked = Mapping[str, Any]
Choices = Sequence[tuple[str, str]]
Link = Callable[[Any, Mapping[str, str]], str | None]


@dataclass(frozen=True, slots=True)
class Box:
    """A box that narrows a report. choices: what it offers; without, it takes words, or a day where is_day."""

    name: str
    label: str
    hint: str = ""
    is_day: bool = False
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
    other: tuple[str, str] | None = None  # the report that answers the same otherwise, and what its button says
    notes: tuple[str, ...] = ()

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
        ("recall", "By customer"),
        ("A cylinder on no door stands under the customer who bought it.",),
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
        ("cylinders", "By door"),
    ),
)
blueprint = Blueprint("reports", __name__, url_prefix="/reports")


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """The questions that this person may ask."""
    return render_template("reports/reports.html", reports=[one for one in REPORTS if one.is_open])


@blueprint.get("/<name>")
@roles(Role.COUNTER, Role.BENCH)
def show(name: str) -> ResponseReturnValue:
    """A report's boxes, and a page of its list."""
    work, report = current_work(), _report(name)
    typed = {box.name: read_text(request.args, box.name) for box in report.boxes}
    asked, problems = _read(work, report, typed)
    sent = {one: value for one, value in typed.items() if value}
    found, answer = None, None
    if not problems:
        answer = report.find(work, asked, read_page(request.args), 50)
        found = _listed(report, answer.rows, is_page=True)
    return render_template(
        "reports/report.html",
        report=report,
        choices={box.name: box.choices(work) for box in report.boxes if box.choices},
        typed=typed,
        sent=sent,
        problems=problems,
        found=found,
        answer=answer,
        links=_links(report, found, answer, sent) if found and answer else (),
        told=counted(answer.count, "row") if answer else "",
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


def _read(work: Work, report: ReportList, typed: Mapping[str, str]) -> tuple[dict[str, Any], dict[str, str]]:
    """What the boxes ask, and what is wrong with them by box."""
    asked: dict[str, Any] = {}
    problems: dict[str, str] = {}
    for box in report.boxes:
        try:
            asked[box.name] = box.read(typed[box.name], work)
        except BitternError as error:
            problems[box.name] = error.message
    return asked, problems


def _whole(name: str, most: int) -> tuple[ReportList, DayList, date]:
    work, report = current_work(), _report(name)
    typed = {box.name: read_text(request.args, box.name) for box in report.boxes}
    asked, problems = _read(work, report, typed)
    for field_name, message in problems.items():
        raise BitternError(field_name, message)
    return report, _listed(report, report.find(work, asked, 1, most).rows, is_page=False), work.today


def _listed(report: ReportList, rows: Sequence[Any], *, is_page: bool) -> DayList:
    is_owners = current_user.role is Role.OWNER
    return day_list(report.name, report.title, rows, is_page=is_page, is_owners=is_owners)


def _links(report: ReportList, found: DayList, answer: Page[Any], sent: Mapping[str, str]) -> list[list[str | None]]:
    """Where each cell of the page leads to."""
    ways = [report.links.get(column.label) for column in found.columns]
    return [[way(row, sent) if way else None for way in ways] for row in answer.rows]
