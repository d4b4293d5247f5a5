"""What a quote's page and the page that accepts it show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from flask import Blueprint

from app.documents import QuotePage, WaysTable, WholeJob, lines_without_cost, quote_page, ways_table, whole_job
from app.errors import BitternError
from app.ledger.jobs.queries import get_job
from app.ledger.keysystems.lost_keysets import LostKeyset, lost_masters
from app.ledger.quoting.promises import promise_from
from app.ledger.quoting.rekeying import hanging, places_of
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.snapshot import OPTIONS, QuoteSnapshot, as_accepted, read_snapshot
from app.ledger.store.errors import NotFound
from app.ledger.store.work import Work
from app.ledger.tables import Job, QuoteRevision, Role, Stage
from app.pricing import show_cents
from app.web.quotes.accepting import MOST_ROWS, AcceptQuoteForm, CellProblems
from app.web.templating import show_day

blueprint = Blueprint("quotes", __name__, url_prefix="/quotes/<int(max=999999999):number>")
REVISION = "/<int(max=999999999):revision>"


@dataclass(frozen=True, slots=True)
class QuoteView:
    """A revision as on paper. `paper` is what the customer reads; costs are in the snapshot alone."""

    job: Job
    revision: QuoteRevision
    snapshot: QuoteSnapshot
    paper: QuotePage
    is_newest: bool
    is_expired: bool
    can_revise: bool
    is_owner: bool
    without_cost: str = ""  # lines of goods whose cost is not on record, for the owner
    weighed: tuple[WaysTable, ...] = ()  # both ways with their costs, for the owner; () for everybody else
    whole: WholeJob | None = None  # all groups together, for the owner

    @property
    def can_accept(self) -> bool:
        """Whether the Accept button stands there."""
        return self.is_newest and self.job.stage is Stage.QUOTED and not self.is_expired


@dataclass(frozen=True, slots=True)
class Slot:
    """One cylinder of the quote that wants a door."""

    number: int
    label: str  # the quote's line
    words: str
    keying: str


@dataclass(frozen=True, slots=True)
class Rekeyed:
    """A line whose cylinders are rekeyed where they hang: they want no door."""

    label: str
    quantity: int
    words: str
    places: str


@dataclass(frozen=True, slots=True)
class AcceptPage:
    """The page that accepts a quote. `rows`: what stands in the table's boxes, by row and column."""

    view: QuoteView
    form: AcceptQuoteForm
    slots: tuple[Slot, ...]
    rows: Mapping[int, Mapping[str, str]]
    problems: CellProblems
    lost: tuple[LostKeyset, ...]  # masters of its system of which a key is lost
    promised_on: date | None  # where one way is offered and it is accepted today
    short: tuple[str, ...]  # what the shelf has not left by now, so that it is promised later than the quote says
    rekeyed: tuple[Rekeyed, ...]

    @property
    def cylinders(self) -> int:
        """How many cylinders the quote keys."""
        return len(self.slots) + sum(one.quantity for one in self.rekeyed)

    @property
    def has_table(self) -> bool:
        """Whether there are few enough cylinders for a row of boxes each."""
        return 0 < len(self.slots) <= MOST_ROWS

    @property
    def needs_site(self) -> bool:
        """Whether the job has no site yet."""
        return self.view.job.site_id is None

    def box(self, row: int, column: str) -> str:
        """What stands in a box."""
        return self.rows.get(row, {}).get(column, "")

    def problem(self, row: int, column: str) -> str:
        """What is wrong with it."""
        return self.problems.cells.get((row, column), "")


def quote_view(work: Work, number: int, revision: int | None = None) -> QuoteView:
    """A revision (None: the newest) of the quote of job `number`; NotFound where there is none."""
    job = get_job(work.session, number)
    found = [each for each in job.revisions if revision in (None, each.revision)]
    if not found:
        raise NotFound("quote")
    snapshot = read_snapshot(found[-1].snapshot)
    return QuoteView(
        job=job,
        revision=found[-1],
        snapshot=snapshot,
        paper=quote_page(snapshot),
        is_newest=found[-1] is job.revisions[-1],
        is_expired=found[-1].valid_until < work.today,
        can_revise=job.stage in (Stage.ASKED, Stage.QUOTED, Stage.LOST),
        is_owner=work.actor.role is Role.OWNER,
        weighed=tuple(map(ways_table, snapshot.keying)) if work.actor.role is Role.OWNER else (),
        without_cost=lines_without_cost(snapshot) if work.actor.role is Role.OWNER else "",
        whole=whole_job(snapshot.keying) if work.actor.role is Role.OWNER else None,
    )


def ways_to_accept(work: Work, view: QuoteView) -> list[tuple[str, str]]:
    """The options of a quote that offers two ways, each with what it means if accepted today; else none."""
    ways = []
    for option in view.paper.options:
        promised = promise_from(work, as_accepted(view.snapshot, option.name), work.today).on
        when = f"promised {show_day(promised)}" if promised else "date confirmed with the order"
        ways.append((option.name, f"{option.name}: {option.where}, {when}, {show_cents(option.totals.total_cents)}"))
    return ways


def accept_page(
    work: Work,
    view: QuoteView,
    form: AcceptQuoteForm,
    rows: Mapping[int, Mapping[str, str]] | None = None,
    problems: CellProblems | None = None,
) -> AcceptPage:
    """The page for a quote's newest revision."""
    ask = QuoteRequest.from_json(view.snapshot.ask)
    system_id = ask.system.existing_id if ask.system else None
    names = OPTIONS if view.snapshot.option_b else ("",)
    promises = {name: promise_from(work, as_accepted(view.snapshot, name), work.today) for name in names}
    return AcceptPage(
        view=view,
        form=form,
        slots=_slots(view.snapshot),
        rows=rows or {},
        problems=problems or CellProblems({}, ()),
        lost=lost_masters(work.session, [system_id]) if system_id is not None else (),
        promised_on=None if view.snapshot.option_b else promises[""].on,
        short=tuple(
            f"Option {name}: {one.short}" if name else one.short for name, one in promises.items() if one.short
        ),
        rekeyed=_rekeyed(work, view.job, ask, view.snapshot),
    )


def _slots(snapshot: QuoteSnapshot) -> tuple[Slot, ...]:
    printed = {line.label: line for line in snapshot.lines}
    slots: list[Slot] = []
    for number, line in enumerate(QuoteRequest.from_json(snapshot.ask).lines, start=1):
        if line.kind.is_keyed and not line.standing:
            shown = printed[str(number)]
            slots += [
                Slot(len(slots) + place + 1, shown.label, shown.words, shown.keying) for place in range(line.quantity)
            ]
    return tuple(slots)


def _rekeyed(work: Work, job: Job, ask: QuoteRequest, snapshot: QuoteSnapshot) -> tuple[Rekeyed, ...]:
    printed = {line.label: line for line in snapshot.lines}
    found = []
    for number, line in enumerate(ask.lines, start=1):
        if line.standing:
            shown = printed[str(number)]
            try:
                places = places_of(hanging(work.session, job.customer_id, ask, line))
            except BitternError as error:
                places = error.message
            found.append(Rekeyed(shown.label, line.quantity, shown.words, places))
    return tuple(found)
