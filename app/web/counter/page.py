"""Everything that the counter page shows, made once from what was typed, for a first look and a refused post."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from app.errors import BitternError, Problem, Problems
from app.fitting import Match
from app.ledger.catalog.maker_papers import FoundPage, find_pages
from app.ledger.catalog.maker_queries import plain_numbers
from app.ledger.jobs.queries import show_margin
from app.ledger.keysystems.keysets import over_changes
from app.ledger.keysystems.system_queries import list_systems
from app.ledger.quoting.key_lines import OWN
from app.ledger.quoting.lost_keys import OWNERS_BOX
from app.ledger.quoting.missing import questions_about
from app.ledger.quoting.plan import Plan
from app.ledger.quoting.quick_line import QuickReading, read_quick_line
from app.ledger.quoting.quoting import NO_LINES, PricedQuote, offered_ways, price_option, price_request
from app.ledger.quoting.request import BEYOND, QuoteRequest
from app.ledger.quoting.resolving import Resolved
from app.ledger.quoting.snapshot import SnapshotLine
from app.ledger.sites.customer_queries import find_customers, get_customer
from app.ledger.sites.customers import CustomerForm
from app.ledger.sites.likeness import LikeCustomer, find_like
from app.ledger.store.errors import NotFound
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Job, KeySystem, Role, Site
from app.web.counter.buttons import ANOTHER, mend_label
from app.web.counter.choices import ADDABLE, Choices, load_choices
from app.web.counter.drafts import kept_reason, with_kept_loss
from app.web.counter.fit import LineFit, fit_of, open_matches
from app.web.counter.forms import (
    CUSTOMER_BOXES,
    CounterForm,
    CylinderBody,
    CylinderLine,
    KeysLine,
    LineForm,
    PartLine,
    RekeyLine,
    Told,
)
from app.web.counter.reading import Knowledge, Reading, read
from app.web.forms_base import record_id

_HEADINGS = {kind: heading for kind, _, _, heading in ADDABLE}
_MOST_NUMBERS, _MOST_PAGES = 3, 3


@dataclass(frozen=True, slots=True)
class LineView:
    """One line as shown: its boxes, and below them what was understood."""

    form: LineForm
    heading: str
    offers: str  # the name of what is offered in its boxes
    entries: list[tuple[str, str]]  # the price book's, for a line that names one: code and words
    printed: SnapshotLine | None  # None where the line was not understood
    maker_name: str
    parts: tuple[SnapshotLine, ...]  # its keying, its keys, a new system's making
    amount_cents: int
    notes: tuple[str, ...]
    is_waiting: bool  # nothing said yet, and nobody has pressed a button
    fit: LineFit
    could_be: tuple[Match, ...]  # what the catalog has of it, while it is open which is meant
    keysets: str  # what its cylinders get when the quote is accepted, in words
    stock: str  # where its goods come from
    low_price: str  # what is asked of its own price


@dataclass(frozen=True, slots=True)
class MissingLine:
    """A question about a line that might be missing. `answer`: why it is not needed, as typed. `mend`: what one press
    adds, "" for nothing.
    """

    code: str
    question: str
    answer: str
    mend: str


@dataclass(frozen=True, slots=True)
class OptionView:
    """`offered`: the other ways that are possible, shop or factory. `priced`: the one asked for, as a whole."""

    offered: tuple[str, ...] = ()
    priced: PricedQuote | None = None


@dataclass(frozen=True, slots=True)
class CounterPage:
    """The page. `priced` is None before there is a line."""

    form: CounterForm
    job: Job | None
    customer: Customer | None
    systems: Sequence[KeySystem]
    stray_system: str  # the name of the one chosen that is not among them: it was chosen for another customer
    system_name: str  # what a new key system is called when nobody says
    found: Sequence[Customer]  # what the search for a customer gave
    like: Sequence[LikeCustomer]  # who on record may be the new customer, until somebody says that it is another
    choices: Choices
    lines: tuple[LineView, ...]
    priced: PricedQuote | None
    problems: tuple[Told, ...]  # everything that stands between this page and a quote
    reading: Reading
    is_owner: bool
    margin: str
    asks: tuple[MissingLine, ...]
    option: OptionView
    offers: Mapping[str, Mapping[str, tuple[str, ...]]]  # by name: box → what is offered there
    quick: QuickReading  # what the words in the quick line mean, or what those meant that were just added
    is_quick_added: bool = False
    quick_pages: Mapping[str, Sequence[FoundPage]] = field(default_factory=dict)  # by a number not understood
    blank_fit: dict[str, Any] = field(default_factory=dict)  # kind of line → its boxes about the door, as written

    @property
    def two_deliveries(self) -> QuoteRequest | None:
        """The request that has in time what can be; None where it cannot be quoted so, or a line is not read yet."""
        in_time = self.priced.in_time if self.priced else None
        return in_time.ask if in_time and len(self.reading.lines) == len(self.form.lines.forms) else None

    @property
    def plan(self) -> Plan:
        """What accepting the quote does; nothing before there is a line."""
        return self.priced.plan if self.priced else Plan()

    def has_all(self, numbers: Sequence[str]) -> bool:
        """Whether each of these part numbers stands in a line."""
        return set(numbers) <= {line.text("part_number") for line in self.form.lines.forms}

    @property
    def sites(self) -> Sequence[Site]:
        """The chosen customer's."""
        return self.customer.sites if self.customer else []

    @property
    def site_options(self) -> list[tuple[str, str]]:
        """The sites to choose from."""
        return [("", "none"), *((str(site.id), site.name) for site in self.sites)]

    @property
    def system_options(self) -> list[tuple[str, str]]:
        """The key systems to choose from: the customer's own, beside one that was chosen for another customer."""
        chosen = self.form.text("system_id")
        if not self.systems and not self.stray_system:
            return [("new" if chosen == "new" else "", "A new one")]
        stray = [(chosen, f"{self.stray_system}: another customer's")] if self.stray_system else []
        own = [(str(one.id), f"{one.name}: {one.levels} levels, {one.keyway}") for one in self.systems]
        return [("", "choose"), *stray, *own, ("new", "A new one")]

    @property
    def masters(self) -> list[str]:
        """The symbols of the masters of the key system that is chosen."""
        return [one.symbol for one in over_changes(self._chosen.keysets)] if self._chosen else []

    @property
    def reserves(self) -> list[str]:
        """What changes of the key system that is chosen are kept back for, and each with free ones behind it."""
        keysets = self._chosen.keysets if self._chosen else ()
        names = dict.fromkeys(one.reserved_for for one in keysets if one.reserved_for)
        return [one for name in names for one in (name, name + BEYOND)]

    @property
    def _chosen(self) -> KeySystem | None:
        return next((one for one in self.systems if str(one.id) == self.form.text("system_id")), None)

    @property
    def is_under_lost(self) -> bool:
        """Whether a line is refused for a lost key, which the owner may let go on."""
        return any(OWNERS_BOX in told.message for told in self.problems)

    @property
    def opens_customer(self) -> bool:
        """Whether a new customer's lesser boxes stand open: something is in them, or wrong with them."""
        return self.form.is_filled(*CUSTOMER_BOXES[2:])

    @property
    def open_asks(self) -> int:
        """How many questions about missing lines have no answer yet."""
        return sum(not ask.answer for ask in self.asks)


def build(
    work: Work,
    form: CounterForm,
    *,
    asked: bool,
    job: Job | None = None,
    more: Sequence[Problem] = (),
    quick: QuickReading | None = None,
) -> CounterPage:
    """The page for what was typed. asked: somebody pressed a button, so what is missing is said as well.

    quick: what the words meant that just became lines. more: what a use case refused, by the ask's own field names.
    Nothing is saved. A bounded number of queries and one or two a line of cylinders.
    """
    choices = load_choices(work)
    customer = _customer(work, form)
    systems = [s for s in list_systems(work.session, customer.id, in_use=True) if s.levels > 1] if customer else []
    _choose_named_system(form, systems)
    stray, name = _stray_system(work, form, systems), _system_name(form, customer)
    numbers = [line.text("part_number") for line in form.lines.forms if isinstance(line, PartLine)]
    reading = read(
        form,
        Knowledge(
            keyway_makers=choices.keyway_makers(),
            spellings=choices.spellings(),
            finishes=choices.finishes(),
            plain_numbers=plain_numbers(work.session, numbers),
            tiers=choices.tiers,
            site_ids=[site.id for site in customer.sites] if customer else [],
            system_ids=[system.id for system in systems],
            system_name=name,
            stray_system=stray,
        ),
    )
    ask = reading.ask
    if reason := kept_reason(work, job, form):
        ask = replace(ask, override_reason=reason)
    reading = replace(reading, ask=with_kept_loss(work, job, ask))
    if form.text("customer_id") and customer is None:
        form.refuse("find", "This customer is not on record; choose one from the list.")
    priced, option = None, OptionView()
    refused: list[Problem] = []
    if reading.ask.lines or asked:
        try:
            # Somebody not on record yet pays the walk-in price, without even a name.
            buyer = customer or Customer(**asdict(reading.new_customer or CustomerForm("")))
            priced = price_request(work, reading.ask, buyer)
        except NotFound as error:  # no bench terms, no house: the owner's to put right
            form.refuse("", error.message)
        else:
            option, against = _second_way(work, reading.ask, priced, buyer)
            refused = [*priced.problems, *against]
    for problem in (*refused, *more):
        _refuse(form, reading, problem, asked=asked)
    if asked and not customer and not form.text("is_new_customer"):
        form.refuse("find", "Choose a customer, or press New customer.")
    said = quick or _quick(work, form, asked=asked)
    if not asked:
        form.hush()
    offers: dict[str, Mapping[str, tuple[str, ...]]] = {}
    joinable = [one for one in systems if form.text("system_id") in ("", str(one.id))]
    views = tuple(
        _line_view(work, line, choices, reading, priced, offers, joinable, asked=asked) for line in form.lines.forms
    )
    return CounterPage(
        form=form,
        job=job,
        customer=customer,
        systems=systems,
        stray_system=stray,
        system_name=name,
        found=find_customers(work.session, form.text("find")[:120]) if form.text("find") and not customer else [],
        like=_like(work, form, reading),
        choices=choices,
        lines=views,
        priced=priced,
        problems=(
            *form.told(),
            *(
                replace(told, label=f"Line {number}" if told.label == line.CALLED else f"Line {number}, {told.label}")
                for number, line in enumerate(form.lines.forms, start=1)
                for told in line.told()
            ),
        ),
        reading=reading,
        is_owner=work.actor.role is Role.OWNER,
        margin=show_margin(priced.totals.subtotal_cents, priced.cost_cents) if priced else "",
        asks=_asks(work, form, choices, priced),
        option=option,
        offers=offers,
        quick=said,
        is_quick_added=quick is not None and bool(quick.lines or quick.urgency),
        quick_pages=_quick_pages(work, said),
    )


def _quick_pages(work: Work, said: QuickReading) -> dict[str, Sequence[FoundPage]]:
    """The pages of makers' papers for what looks like a number and was not understood."""
    numbers = [word.text for word in said.not_understood if len(word.text) > 2 and any(map(str.isdigit, word.text))]
    found = {number: find_pages(work.session, number, limit=_MOST_PAGES) for number in numbers[:_MOST_NUMBERS]}
    return {number: pages for number, pages in found.items() if pages}


def _quick(work: Work, form: CounterForm, *, asked: bool) -> QuickReading:
    """What the words in the quick line mean; while they are on no line, nothing is issued."""
    if not (typed := form.text("quick")):
        return QuickReading()
    if asked:
        form.refuse("quick", "This is on no line yet: press Enter here to add it, or clear the box.")
    try:
        return read_quick_line(work, typed)
    except BitternError as error:
        form.refuse("quick", error.message)
        return QuickReading()


def _customer(work: Work, form: CounterForm) -> Customer | None:
    if not form.text("customer_id"):
        return None
    try:
        customer = get_customer(work.session, record_id(form.text("customer_id")))
    except NotFound:
        return None
    if customer.merged_into_id is None:
        return customer
    form.say(customer_id=str(customer.merged_into_id))  # merged since the page was opened, or the draft kept
    return get_customer(work.session, customer.merged_into_id)


def _like(work: Work, form: CounterForm, reading: Reading) -> Sequence[LikeCustomer]:
    is_open = form.text("is_new_customer") not in ("", ANOTHER)
    return find_like(work.session, reading.new_customer) if is_open and reading.new_customer else ()


def _system_name(form: CounterForm, customer: Customer | None) -> str:
    """A new key system is called after its site, else after its owner."""
    sites = customer.sites if customer else []
    site = next((site.name for site in sites if str(site.id) == form.text("site_id")), "")
    return (form.text("site") or site or (customer.name if customer else form.text("customer_name")))[:120]


def _choose_named_system(form: CounterForm, systems: Sequence[KeySystem]) -> None:
    """Choose the only one of the customer's systems that has every master named in the lines, where nobody chose."""
    named = {line.text("master").upper().partition("(")[0].strip() for line in form.lines.forms} - {""}
    if not named or form.text("system_id"):
        return
    having = [one for one in systems if named <= {master.symbol for master in over_changes(one.keysets)}]
    if len(having) == 1:
        form.say(system_id=str(having[0].id))


def _stray_system(work: Work, form: CounterForm, systems: Sequence[KeySystem]) -> str:
    system_id = form.text("system_id")
    if system_id in ("", "new", *(str(system.id) for system in systems)):
        return ""
    chosen = work.session.get(KeySystem, record_id(system_id))
    return chosen.name if chosen else ""


def _second_way(
    work: Work, ask: QuoteRequest, priced: PricedQuote, customer: Customer
) -> tuple[OptionView, Sequence[Problem]]:
    """Option B of a request as far as it is understood, and why the one asked for cannot be offered."""
    if not priced.keying or priced.problems:
        # What is not understood yet is said by itself; the option waits for it.
        return OptionView((ask.option_b,) if ask.option_b else ()), []
    offered = offered_ways(priced)
    try:
        return OptionView(offered, price_option(work, ask, priced, customer)), []
    except Problems as refused:
        # It stays in sight, so that it can be taken off.
        return OptionView(tuple(dict.fromkeys((*offered, ask.option_b)))), refused.problems


def _refuse(form: CounterForm, reading: Reading, problem: Problem, *, asked: bool) -> None:
    """A use case's problem beside its box: its line numbers count only the lines that were read."""
    head, _, rest = problem.field.partition(".")
    place, _, name = rest.partition(".")
    if head == "lines" and place.isdecimal() and int(place) < len(reading.lines):
        reading.lines[int(place)].refuse(name, problem.message)
    # To add a line is no help where there are some that could not be read.
    elif problem.message != NO_LINES or (asked and not form.lines.forms):
        form.refuse(problem.field, problem.message)


def _asks(work: Work, form: CounterForm, choices: Choices, priced: PricedQuote | None) -> tuple[MissingLine, ...]:
    """What the house asks about the page as it stands; answered questions keep their place."""
    if priced is None or not priced.lines:
        return ()
    answers = dict(form.answers)
    return tuple(
        MissingLine(one.code, one.question, answers.get(one.code, ""), mend_label(work, priced, choices, one))
        for one in questions_about(work, priced)
    )


def _line_view(
    work: Work,
    line: LineForm,
    choices: Choices,
    reading: Reading,
    priced: PricedQuote | None,
    offers: dict[str, Mapping[str, tuple[str, ...]]],
    systems: Sequence[KeySystem],
    *,
    asked: bool,
) -> LineView:
    rows: tuple[SnapshotLine, ...] = ()
    notes: list[str] = []
    keysets = stock = ""
    resolved: Resolved | None = None
    if priced is not None and line in reading.lines:
        number = reading.lines.index(line)
        rows = tuple(row for row in priced.lines if row.label.rstrip("abcdefgh") == str(number + 1))
        resolved = priced.resolved[number]
        notes = [note for which, note in priced.notes if which == number]
        lines = (*priced.plan.lines, *priced.plan.goods)
        if (planned := next((one for one in lines if one.number == number + 1), None)) is not None:
            keysets, stock = planned.words, planned.stock_words
    could_be: tuple[Match, ...] = ()
    if resolved is None and isinstance(line, CylinderLine) and line in reading.lines:
        ask = reading.ask.lines[reading.lines.index(line)]
        could_be = open_matches(work.session, choices.tables, ask, systems)
    fit = fit_of(work.session, choices.tables, line, resolved)
    found = fit.number is not None and (fit.number.candidates or (fit.number.matches and not fit.number.refusal))
    if found and isinstance(line, PartLine) and line.part_number.errors:
        # Words or a worn number in the part number's box are no mistyped one: what they find stands below.
        line.part_number.errors = ["No number yet: press one of those below, or type one."]
    return LineView(
        form=line,
        heading=_HEADINGS[line.sort],
        offers=_offers(line, choices, reading, offers),
        entries=[(entry.code, entry.description) for entry in choices.entries(line.sort)],
        printed=rows[0] if rows else None,
        maker_name=resolved.maker_name if resolved else "",
        parts=rows[1:],
        amount_cents=sum(row.amount_cents for row in rows),
        notes=(*notes, *_cautions(line, choices)),
        is_waiting=line.is_blank and not asked,
        fit=fit,
        could_be=could_be,
        keysets=keysets,
        stock=stock,
        low_price=resolved.low_price if resolved else "",
    )


def _offers(
    line: LineForm, choices: Choices, reading: Reading, offers: dict[str, Mapping[str, tuple[str, ...]]]
) -> str:
    """Put what a line's boxes offer among all that is offered; its name there."""
    if isinstance(line, KeysLine):
        keyed = [number for number, each in enumerate(reading.ask.lines, start=1) if each.is_keyed]
        has_system = any(each.joins_system for each in reading.ask.lines) and reading.ask.system is not None
        bodies = {number: reading.ask.lines[number - 1].attributes for number in keyed}
        cores = [number for number, body in bodies.items() if body is not None and body.type in ("sfic", "lfic")]
        others = [*(["masters"] if has_system else []), *(f"control line {number}" for number in cores)]
        offered = {"symbol": (*(f"line {number}" for number in keyed), *others, OWN)}
    elif isinstance(line, CylinderBody):
        offered = choices.of(line.text("maker"), line.text("type"))
    else:
        return ""
    return next((name for name, one in offers.items() if one == offered), None) or _add(offers, offered)


def _add(offers: dict[str, Mapping[str, tuple[str, ...]]], offered: Mapping[str, tuple[str, ...]]) -> str:
    name = f"offers-{len(offers)}"
    offers[name] = offered
    return name


def _cautions(line: LineForm, choices: Choices) -> list[str]:
    """What need not be known for a quote, but before the work."""
    if not isinstance(line, RekeyLine) or line.is_blank:
        return []
    if not line.text("keyway") or not line.text("chambers"):
        return ["Before it is accepted, the bench needs the keyway and the chambers."]
    if choices.spellings().get(line.text("keyway").casefold()) is None:
        return ["No maker on record has this keyway; the bench cannot draw bittings for it yet."]
    return []
