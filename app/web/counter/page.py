"""Everything that the counter page shows, made once from what was typed, for a first look and a refused post."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy.orm import Session

from app.errors import Problem
from app.ledger.jobs.queries import show_margin
from app.ledger.keysystems.system_queries import list_systems
from app.ledger.quoting.counter_queries import plain_numbers
from app.ledger.quoting.key_lines import OWN, is_keyed
from app.ledger.quoting.lost_keys import OWNERS_BOX
from app.ledger.quoting.quoting import PricedQuote, price_ask
from app.ledger.quoting.snapshot import SnapshotLine
from app.ledger.sites.customer_queries import find_customers, get_customer
from app.ledger.store.errors import NotFound
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Job, KeySystem, LineKind, Role, Site
from app.web.counter.boxes import record_id
from app.web.counter.choices import ADDABLE, Choices, LineChoices, load_choices
from app.web.counter.fit import LineFit, fit_of
from app.web.counter.forms import Reading, read
from app.web.counter.guard import AskView, asks_of
from app.web.counter.labels import (
    CUSTOMER_FIELDS,
    HEAD_LABELS,
    JOB_FIELDS,
    LINE_LABELS,
    OWNERS_FIELDS,
    head_field,
    line_field,
)
from app.web.counter.line_form import Knowledge
from app.web.counter.option import OptionView, second_way
from app.web.counter.starting import kept_reason, with_kept_loss
from app.web.counter.typed import TypedLine, TypedPage


@dataclass(frozen=True, slots=True)
class Told:
    """Something to put right: the field's id in the page ("" for none), its label, and a sentence."""

    field: str
    label: str
    message: str


@dataclass(frozen=True, slots=True)
class LineView:
    """One line as shown: its boxes, and below them what was understood."""

    typed: TypedLine
    heading: str
    choices: LineChoices
    entries: tuple[Any, ...]  # the price book's, for a line that names one
    printed: SnapshotLine | None  # None where the line was not understood
    maker_name: str
    parts: tuple[SnapshotLine, ...]  # its keying, its keys, a new system's making
    amount_cents: int
    notes: tuple[str, ...]
    problems: tuple[Told, ...]
    is_waiting: bool  # nothing said yet, and nobody has pressed a button
    fit: LineFit


@dataclass(frozen=True, slots=True)
class CounterPage:
    """The page. `priced` is None before there is a line; `problems` are those of the page's head."""

    typed: TypedPage
    job: Job | None
    customer: Customer | None
    sites: Sequence[Site]
    systems: Sequence[KeySystem]
    stray_system: str  # the name of the one chosen that is not among them: it was chosen for another customer
    system_name: str  # what a new key system is called when nobody says
    found: Sequence[Customer]  # what the search for a customer gave
    choices: Choices
    lines: tuple[LineView, ...]
    priced: PricedQuote | None
    problems: tuple[Told, ...]
    reading: Reading
    is_owner: bool
    margin: str
    asks: tuple[AskView, ...]
    option: OptionView

    def problem(self, field: str) -> str:
        """The sentence beside a field of the page's head; "" where all is well."""
        return next((told.message for told in self.problems if told.field == field), "")

    @property
    def is_under_lost(self) -> bool:
        """Whether a line is refused for a lost key, which the owner may let go on."""
        return any(OWNERS_BOX in told.message for told in self.all_problems)

    @property
    def opens_customer(self) -> bool:
        """Whether a new customer's lesser boxes stand open: something is in them, or wrong with them."""
        t = self.typed
        filled = (t.customer_email, t.customer_address, t.customer_tier, t.customer_tax_place)
        return any((*filled, t.customer_exempt_certificate, t.customer_exempt_until)) or any(
            self.problem(name) for name in CUSTOMER_FIELDS[2:]
        )

    @property
    def open_asks(self) -> int:
        """How many questions about missing lines have no answer yet."""
        return sum(not ask.answer for ask in self.asks)

    @property
    def asks_shown(self) -> str:
        """Which questions the page shows, in one word: they are drawn anew only when these change."""
        return " ".join(ask.code for ask in self.asks)

    @property
    def slots(self) -> tuple[str, ...]:
        """The fields of the page's head that have a place for a sentence beside them."""
        who: tuple[str, ...]
        if self.customer:
            who = ("find", "site_id", "site") if self.sites else ("find", "site")
        else:
            who = (*CUSTOMER_FIELDS, "site") if self.typed.is_new_customer else ("find",)
        return (*who, *(name for name in JOB_FIELDS if self.is_owner or name not in OWNERS_FIELDS))

    @property
    def all_problems(self) -> tuple[Told, ...]:
        """Everything that stands between this page and a quote."""
        return (*self.problems, *(told for line in self.lines for told in line.problems))


def build(
    work: Work, typed: TypedPage, *, asked: bool, job: Job | None = None, more: Sequence[Problem] = ()
) -> CounterPage:
    """The page for what was typed. asked: somebody pressed a button, so what is missing is said as well.

    more: what a use case refused, by the ask's own field names. Nothing is saved. A bounded number of queries
    and one or two a line of cylinders.
    """
    choices = load_choices(work)
    customer, problems = _customer(work, typed)
    systems = [s for s in list_systems(work.session, customer.id) if s.levels > 1] if customer else []
    stray = _stray_system(work, typed, systems)
    name = _system_name(typed, customer)
    reading = read(
        typed,
        Knowledge(
            keyway_makers=choices.keyway_makers(),
            spellings=choices.spellings(),
            finishes=choices.finishes(),
            plain_numbers=plain_numbers(
                work.session, [line.part_number for line in typed.lines if line.sort is LineKind.PART]
            ),
            tiers=choices.tiers,
            site_ids=[site.id for site in customer.sites] if customer else [],
            system_ids=[system.id for system in systems],
            system_name=name,
            stray_system=stray,
        ),
    )
    if reason := kept_reason(job, typed):
        reading = replace(reading, ask=replace(reading.ask, override_reason=reason))
    reading = replace(reading, ask=with_kept_loss(work, job, reading.ask))
    problems += reading.problems
    priced, option = None, OptionView()
    if reading.ask.lines or asked:
        try:
            priced = price_ask(work, reading.ask, customer or _buyer(reading))
        except NotFound as error:  # no bench terms, no house: the owner's to put right
            problems.append(Problem("", error.message))
        else:
            option, refused = second_way(work, reading.ask, priced, customer or _buyer(reading))
            problems += [_own(problem, reading) for problem in (*priced.problems, *refused)]
    problems += [_own(problem, reading) for problem in more]
    if asked and not customer and not typed.is_new_customer:
        problems.append(Problem("find", "Choose a customer, or press New customer."))
    told = _tell(typed, problems, asked=asked)
    subtotal = priced.totals.subtotal_cents if priced else 0
    return CounterPage(
        typed=typed,
        job=job,
        customer=customer,
        sites=customer.sites if customer else [],
        systems=systems,
        stray_system=stray,
        system_name=name,
        found=find_customers(work.session, typed.find[:120]) if typed.find and not customer else [],
        choices=choices,
        lines=_lines(work.session, typed, choices, reading, priced, told, asked=asked),
        priced=priced,
        problems=tuple(one for place, one in told if place is None),
        reading=reading,
        is_owner=work.actor.role is Role.OWNER,
        margin=show_margin(subtotal, priced.cost_cents) if priced else "",
        asks=asks_of(work, priced, typed, choices),
        option=option,
    )


def _customer(work: Work, typed: TypedPage) -> tuple[Customer | None, list[Problem]]:
    if not typed.customer_id:
        return None, []
    try:
        wanted = int(typed.customer_id) if typed.customer_id.isdecimal() and len(typed.customer_id) < 10 else 0
        return get_customer(work.session, wanted), []
    except NotFound:
        return None, [Problem("find", "This customer is not on record; choose one from the list.")]


def _system_name(typed: TypedPage, customer: Customer | None) -> str:
    """A new key system is called after its site, else after its owner."""
    site = next((s.name for s in customer.sites if str(s.id) == typed.site_id), "") if customer else ""
    return (typed.site or site or (customer.name if customer else typed.customer_name))[:120]


def _stray_system(work: Work, typed: TypedPage, systems: Sequence[KeySystem]) -> str:
    if typed.system_id in ("", "new", *(str(system.id) for system in systems)):
        return ""
    chosen = work.session.get(KeySystem, record_id(typed.system_id))
    return chosen.name if chosen else ""


def _buyer(reading: Reading) -> Customer:
    """Somebody not on record yet; without even a name they pay the walk-in price."""
    form = reading.new_customer
    if form is None:
        return Customer(name="", tier="", tax_place="")
    return Customer(
        name=form.name,
        tier=form.tier,
        tax_place=form.tax_place,
        exempt_certificate=form.exempt_certificate,
        exempt_until=form.exempt_until,
    )


def _own(problem: Problem, reading: Reading) -> Problem:
    """A use case's problem under the page's own names: its line numbers count only the lines that were read."""
    parts = problem.field.split(".", 2)
    if len(parts) == 3 and parts[0] == "lines" and parts[1].isdecimal() and int(parts[1]) < len(reading.places):
        place = int(parts[1])
        return Problem(
            f"lines.{reading.places[place]}.{line_field(parts[2], reading.ask.lines[place].kind)}", problem.message
        )
    return Problem(head_field(problem.field), problem.message)


def _tell(typed: TypedPage, problems: Sequence[Problem], *, asked: bool) -> list[tuple[int | None, Told]]:
    """Each problem once a field, with its line's place; what is merely missing waits until it is asked for."""
    told: dict[str, tuple[int | None, Told]] = {}
    for problem in problems:
        parts = problem.field.split(".", 2)
        if len(parts) == 3 and parts[0] == "lines":
            place, name = int(parts[1]), parts[2]
            line = typed.lines[place]
            if line.is_blank and not asked:
                continue
            field = f"lines-{line.key}-{name}" if name in LINE_LABELS else ""
            told.setdefault(
                f"{place}.{name}", (place, Told(field, LINE_LABELS.get(name, "This line"), problem.message))
            )
            continue
        name = problem.field
        if name == "lines" and ((typed.lines and len(problem.message) < 40) or not asked):
            continue  # "add a line" where there are lines that could not be read
        # Which key system is asked at once: the total waits for it.
        if not asked and name in HEAD_LABELS and name != "system_id" and not getattr(typed, name, ""):
            continue
        told.setdefault(
            name or problem.message,
            (None, Told(name if name in HEAD_LABELS else "", HEAD_LABELS.get(name, ""), problem.message)),
        )
    return list(told.values())


def _lines(
    session: Session,
    typed: TypedPage,
    choices: Choices,
    reading: Reading,
    priced: PricedQuote | None,
    told: Sequence[tuple[int | None, Told]],
    *,
    asked: bool,
) -> tuple[LineView, ...]:
    headings = {kind: heading for kind, _, _, heading in ADDABLE}
    at = {place: number for number, place in enumerate(reading.places)}
    views = []
    for place, line in enumerate(typed.lines):
        number = at.get(place)
        rows: tuple[SnapshotLine, ...] = ()
        maker, notes, resolved = "", [], None
        if priced is not None and number is not None:
            label = str(number + 1)
            rows = tuple(row for row in priced.lines if row.label.rstrip("abcdefgh") == label)
            resolved = priced.resolved[number]
            maker = resolved.maker_name if resolved else ""
            notes = [note for which, note in priced.notes if which == number]
        fit = fit_of(session, choices.tables, line, resolved)
        views.append(
            LineView(
                typed=line,
                heading=headings[line.sort],
                choices=_choices_of(line, choices, reading),
                entries=choices.entries(line.sort),
                printed=rows[0] if rows else None,
                maker_name=maker,
                parts=rows[1:],
                amount_cents=sum(row.amount_cents for row in rows),
                notes=(*notes, *_cautions(line, choices)),
                problems=tuple(_in_words(one, fit) for which, one in told if which == place),
                is_waiting=line.is_blank and not asked,
                fit=fit,
            )
        )
    return tuple(views)


def _choices_of(line: TypedLine, choices: Choices, reading: Reading) -> LineChoices:
    if line.sort is LineKind.KEYS:
        keyed = [number for number, each in enumerate(reading.ask.lines, start=1) if is_keyed(each)]
        return LineChoices(symbol=(*(f"line {number}" for number in keyed), OWN))
    return choices.of(line) if line.sort in (LineKind.CYLINDER, LineKind.REKEY) else LineChoices()


def _in_words(told: Told, fit: LineFit) -> Told:
    """Words in the part number's box are no mistyped number: the items that they find stand below."""
    is_words = fit.number is not None and fit.number.matches and fit.number.refusal is None
    if is_words and told.field.endswith("-part_number"):
        return replace(told, message="No number yet: press one of those below, or type one.")
    return told


def _cautions(line: TypedLine, choices: Choices) -> list[str]:
    """What need not be known for a quote, but before the work."""
    if line.sort is not LineKind.REKEY or line.is_blank:
        return []
    if not line.keyway or not line.chambers:
        return ["Before it is accepted, the bench needs the keyway and the chambers."]
    if choices.spellings().get(line.keyway.casefold()) is None:
        return ["No maker on record has this keyway; the bench cannot draw bittings for it yet."]
    return []
