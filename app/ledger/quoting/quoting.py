"""Price a request: every line, shop or factory for what is keyed, the totals with tax, and a second way on the same
quote. Nothing is saved.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal

from sqlalchemy.orm import Session

from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.item_prices import ListedPrice
from app.ledger.catalog.money_rules import money_rules_on
from app.ledger.catalog.price_queries import (
    CONSTRUCTION_CORE,
    CONSTRUCTION_KEPT,
    CONSTRUCTION_SETUP,
    KEY_CONTROL,
    KEY_CUT,
    KEY_DECODE,
    RUSH,
    deciding_day_on,
    get_house,
    rule_in_words,
    system_code,
    tax_table,
)
from app.ledger.catalog.quote_rules import deposit_rule, quote_rules
from app.ledger.keysystems.construction import LENT, ConstructionWay
from app.ledger.quoting.allocation import system_problems
from app.ledger.quoting.changing_rates import has_dated_change, line_rises, tell_prices, tell_tax
from app.ledger.quoting.deciding import KEYED_AT, Decided, choose
from app.ledger.quoting.in_time import OfferInTime, PartInTime, tell, two_deliveries
from app.ledger.quoting.key_lines import whose_keys
from app.ledger.quoting.line_supply import RequestSupply
from app.ledger.quoting.loss_lines import with_loss
from app.ledger.quoting.lost_keys import lost_problems
from app.ledger.quoting.low_prices import ASK, low_discount
from app.ledger.quoting.planning import lines_refused, make_plan, proof_problems
from app.ledger.quoting.promises import lead_time
from app.ledger.quoting.quoted import asked_in
from app.ledger.quoting.rekeying import as_on_record, hanging, told_of
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.resolving import Resolved, Resolver, told_customer
from app.ledger.quoting.snapshot import WHERE, KeyingChoice, QuoteOption, QuoteSnapshot, SnapshotLine
from app.ledger.store.errors import NotFound
from app.ledger.store.work import Work
from app.ledger.tables import Customer, LineKind, Marking, Site
from app.pricing import (
    Exemption,
    KeyingKind,
    PriceKind,
    TaxRule,
    Totals,
    Urgency,
    show_cents,
    show_day,
    total,
)
from app.validation import check_lengths, fault_of_length

NO_LINES = "Add at least one line."
_MOST_CONSTRUCTION_KEYS = 999
_OFFERED = "Offered to the customer as option B."

_NOT_HERE = "None of this is keyed on our bench, so there is nothing to rush: leave it in its turn."
_LETTERS = "abcdefghijkl"
_NO_PLACE = "The house has no place whose sales tax holds; the owner names it under Settings, Papers, tax and tiers."


@dataclass(frozen=True, slots=True, kw_only=True)
class PricedQuote(QuoteOption):
    """A request priced as far as it is understood.

    `ask` has resolved lines; lines with a problem keep what was typed and bring no amount. `problems` name
    fields as `lines.0.keyway` (from 0) or by themselves; a quote is issued only when there are none. low_discount:
    what is asked of the discount. in_time: what part can be ready when all of it is needed, where not all can.
    """

    ask: QuoteRequest
    resolved: tuple[Resolved | None, ...]
    notes: tuple[tuple[int, str], ...]  # (line from 0, what the counter should know)
    problems: tuple[Problem, ...]
    low_discount: str = ""
    in_time: OfferInTime | None = None


def price_request(
    work: Work,
    ask: QuoteRequest,
    customer: Customer | None = None,
    *,
    is_issued: bool = False,
    prices_of: date | None = None,
) -> PricedQuote:
    """Price a request for a customer on record, or (customer_id 0) for a `customer` not saved yet.

    prices_of: the day whose prices it bears, where that is not today: the house's own rule may say so of what is
    dated to change before it is ready.

    is_issued: whether a customer is to have it in hand, so that what costs more to know is asked, too: what a key
    system has left to the last keyset, and that nothing interchanges.
    """
    session = work.session
    buyer = customer or session.get(Customer, ask.customer_id)
    if buyer is None:
        raise NotFound("customer")
    ask, problems = with_loss(session, ask)
    problems += _header_problems(work, ask)
    has_sound_system = not any(problem.field.startswith("system_") for problem in problems)
    rules = quote_rules(session)
    resolver = resolver_on(session, [ask], prices_of or work.today, buyer.tier, Decimal(rules.most_off_percent))
    resolved = _resolve(session, resolver, ask, problems)
    if not ask.lines:
        problems.append(Problem("lines", NO_LINES))
    resolved, key_problems = whose_keys(session, ask, resolved)
    problems += key_problems
    understood = [found.line if found else None for found in resolved]
    problems += lost_problems(work, ask, understood)
    supply = RequestSupply(work, ask, understood)
    decided = choose(work, ask, resolved, supply.copy())
    problems += decided.problems
    problems += system_problems(work, ask, understood, None if decided.problems else decided.keying)
    lines = _print_lines(resolver, ask, resolved, decided, problems)
    supplies = supply.take_all(decided.keying)
    lead = lead_time(work, supplies, decided.keying, ask.urgency, decided.bench_minutes)
    days = _deciding_days(work, buyer, ask, decided, lines, lead.ready_on, prices_of)
    if days.prices_wait and prices_of is None:
        return price_request(work, ask, customer, is_issued=is_issued, prices_of=lead.ready_on)
    totals = _totals(work, buyer, ask, lines, problems, days.tax_of)
    low = _low_discount(ask, resolved, lines, Decimal(rules.most_off_percent))
    if low and ask.discount_meant != low:
        problems.append(Problem("discount_meant", f"{low} {ASK}"))
    if not totals.subtotal_cents:  # lines too large come to nothing
        lines = [replace(line, amount_cents=0, discount_cents=0, discount_note="") for line in lines]
    in_time = _offer_in_time(work, ask, decided.in_time, customer) if decided.in_time else None
    ask = replace(ask, lines=tuple(f.line if f else line for f, line in zip(resolved, ask.lines, strict=True)))
    # Counts that were refused may be such as no plan can hold, and of no line that is refused it says what it gets.
    refused = {number for number, found in enumerate(resolved, start=1) if found is None}
    refused |= lines_refused(problems)
    planned = ask if has_sound_system else replace(ask, system=None)
    made = make_plan(work, planned, decided.keying, supplies, refused, is_exact=is_issued)
    problems += made.problems
    if is_issued and not problems:
        problems += proof_problems(work, ask, made.plan)
    notes = [(place, note) for place, found in enumerate(resolved) if found for note in found.notes]
    return PricedQuote(
        lines=tuple(lines),
        totals=totals,
        keying=decided.keying,
        ready_on=lead.ready_on,
        lead_time=lead.sentence,
        cost_cents=sum(line.cost_cents for line in lines),
        bench_minutes=decided.bench_minutes,
        deposit_cents=deposit_rule(rules).asked_cents(totals.total_cents),
        working_days=lead.working_days,
        plan=made.plan,
        coming_changes=days.told,
        day_rule=days.rule,
        of_hand_over=days.of_hand_over,
        ask=ask,
        resolved=tuple(resolved),
        notes=(*notes, *made.notes),
        problems=tuple(problems),
        low_discount=low,
        in_time=in_time,
    )


def resolver_on(
    session: Session,
    asks: Sequence[QuoteRequest],
    on: date,
    tier: str,
    most_off: Decimal = Decimal(100),
    proposed: Mapping[int, ListedPrice] | None = None,
) -> Resolver:
    """What resolves the lines of these requests at the prices of a day and a customer's tier; proposed: list prices
    and costs that a maker's list would bring, by item.
    """
    numbers = (one for ask in asks for line in ask.lines for one in (line.part_number, line.price_code))
    return Resolver(session, on, tier, [one.strip() for one in numbers if one], most_off, proposed)


def _resolve(
    session: Session, resolver: Resolver, ask: QuoteRequest, problems: list[Problem]
) -> list[Resolved | None]:
    """Each line understood, None where it is not; what is wrong is added to `problems`."""
    resolved: list[Resolved | None] = []
    for place, line in enumerate(ask.lines):
        try:
            there = hanging(session, ask.customer_id, ask, line)
            found = resolver.resolve(as_on_record(line, there))
            check_lengths(line, {"remark": 500, "price_reason": 500})
            resolved.append(told_of(session, found, there))
            problems += [Problem(f"lines.{place}.{told.field}", told.message) for told in found.problems]
        except BitternError as error:
            problems += [replace(told, field=f"lines.{place}.{told.field}") for told in error.problems]
            resolved.append(None)
    return resolved


def lines_at(
    session: Session, resolver: Resolver, ask: QuoteRequest, keying: Sequence[KeyingChoice]
) -> list[SnapshotLine]:
    """The printed lines of a request, keyed where it was decided, at the resolver's prices: as far as there are any.
    What keying costs the house is left out of their costs.
    """
    decided = Decided(tuple(keying), {}, 0, ())
    return _print_lines(resolver, ask, _resolve(session, resolver, ask, []), decided, [])


@dataclass(frozen=True, slots=True)
class _DecidingDays:
    """The day whose tax the totals bear, and what is said of it. prices_wait: the prices are to be those of the day
    of hand-over, and are others then."""

    tax_of: date
    prices_wait: bool = False
    told: tuple[str, ...] = ()
    rule: str = ""
    of_hand_over: tuple[str, ...] = ()


def _deciding_days(
    work: Work,
    buyer: Customer,
    ask: QuoteRequest,
    decided: Decided,
    lines: Sequence[SnapshotLine],
    ready_on: date | None,
    prices_of: date | None,
) -> _DecidingDays:
    """Which day decides where tax or prices are dated to change before the work is ready, by the house's rule."""
    session, row = work.session, deciding_day_on(work.session, work.today)
    late_tax, late_prices = (row.tax_of_hand_over, row.prices_of_hand_over) if row else (False, False)
    of_hand_over = (*(["tax"] if late_tax else []), *(["prices"] if late_prices else []))
    rule = f"{rule_in_words(late_tax, late_prices)}{f' Our rule since {show_day(row.valid_from)}.' if row else ''}"
    usual = _DecidingDays(work.today, rule=rule if row else "", of_hand_over=of_hand_over)
    is_exempt_now = bool(buyer.exempt_certificate and buyer.exempt_until and buyer.exempt_until >= work.today)
    if ready_on is None or ready_on <= work.today:
        return usual
    loses_exemption = is_exempt_now and buyer.exempt_until is not None and buyer.exempt_until < ready_on
    if not loses_exemption and not has_dated_change(session, work.today, ready_on):
        return usual
    other = resolver_on(session, [ask], ready_on if prices_of is None else work.today, buyer.tier)
    beside = lines_at(session, other, ask, decided.keying)
    rises = line_rises(lines, beside) if prices_of is None else line_rises(beside, lines)
    if rises and late_prices and prices_of is None:
        return replace(usual, prices_wait=True)
    now, then = (_totals(work, buyer, ask, lines, [], day) for day in (work.today, ready_on))
    new_rule = None
    if not loses_exemption and now.tax_place and now.tax_cents != then.tax_cents:
        new_rule = tax_table(session).rule(now.tax_place, ready_on)
    told = (
        tell_tax(new_rule, now.tax_cents, then.tax_cents, ready_on, of_hand_over=late_tax),
        tell_prices(rises, ready_on, of_hand_over=late_prices),
    )
    said = tuple(filter(None, told))
    return replace(usual, tax_of=ready_on if late_tax else work.today, told=said, rule=rule if row or said else "")


def rates_moved(work: Work, quote: QuoteSnapshot, promised_on: date | None) -> str:
    """Why a quote that bears the tax or the prices of the day of hand-over does not hold for the day that would be
    promised now; "" where it does.
    """
    reckoned = quote.ready_on or quote.issued_on
    if not quote.of_hand_over or promised_on is None or promised_on == reckoned:
        return ""
    days = sorted((reckoned, promised_on))
    ask = asked_in(work.session, quote)
    buyer = work.session.get_one(Customer, ask.customer_id)
    taxes = {_totals(work, buyer, ask, quote.lines, [], day).tax_cents for day in days}
    if "tax" in quote.of_hand_over and len(taxes) > 1:
        what = "The sales tax of this quote is that of the day of hand-over, and it"
    elif "prices" in quote.of_hand_over and has_dated_change(work.session, *days):
        first, last = (
            lines_at(work.session, resolver_on(work.session, [ask], day, buyer.tier), ask, quote.keying)
            for day in days
        )
        if not line_rises(first, last):
            return ""
        what = "The prices of this quote are those of the day of hand-over, and one of them"
    else:
        return ""
    return (
        f"{what} is another on {show_day(promised_on)}, when this would be ready now, than on {show_day(reckoned)}: "
        "issue it anew (Re-quote, on the quote's page)."
    )


def _offer_in_time(
    work: Work, ask: QuoteRequest, parts: Sequence[PartInTime], customer: Customer | None
) -> OfferInTime:
    """What can be told of an order that cannot be ready in time, priced as two deliveries where that is possible."""
    split = two_deliveries(ask, parts)
    then = price_request(work, split[0], customer) if split else None
    if split is None or then is None or not all(choice.choice for choice in then.keying):
        return OfferInTime(tell(ask, parts, set(), None), None)
    return OfferInTime(tell(ask, parts, split[1], then), split[0])


def _header_problems(work: Work, ask: QuoteRequest) -> list[Problem]:
    passed = f"This day has passed; enter {show_day(work.today)} or a later day."
    days = {
        "need_by": ask.need_by,
        **{f"lines.{place}.need_by": line.need_by for place, line in enumerate(ask.lines)},
    }
    problems = [Problem(field, passed) for field, day in days.items() if day is not None and day < work.today]
    if ask.keyed_at not in KEYED_AT:
        problems.append(Problem("keyed_at", "Choose shop or factory, or both, or leave the choice to the figures."))
    if ask.keyed_at and not ask.override_reason.strip():
        problems.append(
            Problem("override_reason", "Say why the keying is not left to the figures; the owner reads it.")
        )
    if ask.discount.is_given and not ask.discount_reason.strip():
        told = "Say why there is a discount; the house alone reads it, no paper prints it."
        problems.append(Problem("discount_reason", told))
    texts = [
        *(("override_reason", ask.override_reason, 500), ("discount_reason", ask.discount_reason, 500)),
        ("title", ask.title, 200),
    ]
    if ask.site_id is not None:
        site = work.session.get(Site, ask.site_id)
        if site is None or site.customer_id != ask.customer_id:
            problems.append(Problem("site", "This site belongs to another customer; choose one of this customer's."))
    system = ask.system
    if system is not None and system.construction:
        problems += _construction_problems(work, ask, system)
    if system is not None and system.existing_id is None:
        if not system.name.strip():
            problems.append(Problem("system_name", "Enter a name for the new key system."))
        texts.append(("system_name", system.name, 120))
        counts = (
            ("levels", system.levels, 2, 4),
            ("masters", system.masters, 1, 400),
            ("grands", system.grands, 1, 22),
        )
        problems += [
            Problem(f"system_{field}", f"Enter a whole number from {least} to {most}.")
            for field, count, least, most in counts
            if not least <= count <= most
        ]
    return problems + [Problem(field, fault) for field, text, most in texts if (fault := fault_of_length(text, most))]


def _construction_problems(work: Work, ask: QuoteRequest, system: SystemRequest) -> list[Problem]:
    problems = []
    if not 1 <= system.construction_keys <= _MOST_CONSTRUCTION_KEYS:
        told = f"Enter how many construction keys go to the site, from 1 to {_MOST_CONSTRUCTION_KEYS}."
        problems.append(Problem("construction_keys", told))
    if system.handed_over_on is not None and system.handed_over_on < work.today:
        told = f"This day has passed; enter {show_day(work.today)} or a later day."
        problems.append(Problem("handed_over_on", told))
    return problems


def _print_lines(
    resolver: Resolver,
    ask: QuoteRequest,
    resolved: Sequence[Resolved | None],
    decided: Decided,
    problems: list[Problem],
) -> list[SnapshotLine]:
    """Each line with its keying and its keys below it, a new system's own line after its first, and what a maker
    charges for a small order after the first that it keys.
    """
    lines: list[SnapshotLine] = []
    rushed = next((number for one in decided.keying if one.choice == "shop" for number in one.lines), 0)
    if ask.urgency is not Urgency.RUSH:
        rushed = 0
    elif not rushed and decided.keying:
        problems.append(Problem("urgency", _NOT_HERE))
    begun = ask.system if ask.system is not None and ask.system.existing_id is None else None
    sites = ask.construction_keyed([one.line if one else None for one in resolved])
    decoded: set[KeyingInstruction] = set()
    at_factory = {number for choice in decided.keying if choice.choice == "factory" for number in choice.lines}
    for number, found in enumerate(resolved, start=1):
        if found is None:
            continue
        line = found.line
        lines.append(_print_line(str(number), found))
        extras: list[tuple[str, str, int, str]] = []
        if line.is_keyed:
            code = resolver.code_of_keying(ask.keyed_as(number), at_factory=number in at_factory)
            extras.append(("keying", f"Keying: {line.keying.words}", line.quantity, code))
            if line.keying.kind is KeyingKind.OWN and line.keying not in decoded and resolver.has_price(KEY_DECODE):
                decoded.add(line.keying)
                extras.append(("decoding", "Decoding the customer's key", 1, KEY_DECODE))
            if line.keys:
                said = f"{line.keys_each} a cylinder" if line.keys_in_all is None else f"{line.keys:,} in all"
                extras.append(("keys", f"Keys, {said}", line.keys, KEY_CUT))
            if begun is not None and line.keying.kind.is_master_keyed:
                levels = begun.levels_for(one.line for one in resolved if one)
                named = " ".join(("New key system", *begun.name.split()))
                marks = f"{_marked('keys', begun.mark_keys)}, {_marked('cylinders', begun.mark_cylinders)}"
                text = f"{named}, {levels} levels: design and records; {marks}"
                extras.append(("key system", text, 1, system_code(levels)))
                begun = None
        if ask.system is not None and number == next(iter(sites), 0):
            has_kept = resolver.has_price(CONSTRUCTION_KEPT)
            kept = show_cents(resolver.price(CONSTRUCTION_KEPT, 1).unit_cents) if has_kept else ""
            extras += _construction(ask.system, sum(sites.values()), kept)
        if number == rushed:
            extras.append(("rush", "Rush: before the bench's other work", 1, RUSH))
        for letter, (kind, text, quantity, code) in zip(_LETTERS, extras, strict=False):
            try:
                row = resolver.price(code, quantity)
            except BitternError as error:
                on_page = {"rush": "urgency", "construction": "construction"}
                field = on_page.get(kind, f"lines.{number - 1}.keying")
                problems.append(replace(error.problems[0], field=field))
                continue
            cost = decided.costs.get(number - 1, 0) if kind == "keying" else 0
            if code == CONSTRUCTION_CORE:
                cost = decided.lent_cents
            if row.unit_cents == 0 and kind == "keying":
                # Keying that costs the customer nothing stands on the line itself; the house's cost stays counted.
                lines[-1] = replace(lines[-1], cost_cents=lines[-1].cost_cents + cost)
                continue
            lines.append(_part_line(number, letter, kind, text, quantity, row.unit_cents, row.kind, cost))
        if small := next((one.small_order_cents for one in decided.keying if one.lines[0] == number), 0):
            text = f"Small-order charge of {found.maker_name}, under its minimum"
            letter = _LETTERS[len(extras)]
            lines.append(_part_line(number, letter, "small order", text, 1, small, PriceKind.LABOR, small))
    return lines


def _marked(what: str, marking: Marking) -> str:
    return f"{what} {'not marked' if marking is Marking.NONE else f'marked {marking.value}'}"


def _construction(system: SystemRequest, cylinders: int, kept: str) -> list[tuple[str, str, int, str]]:
    """What a site costs that is construction keyed: kind, words, quantity and price code of each line; kept: what a
    construction core costs that does not come back, "" where nobody has said.
    """
    keys = [("construction", "Construction keys", system.construction_keys, KEY_CUT)]
    if system.construction_keys < 1:
        keys = []  # a problem of its own
    if system.construction is ConstructionWay.MASTER:
        words = "Setting up for a construction key, until it is made dead"
        return [("construction", words, cylinders, CONSTRUCTION_SETUP), *keys]
    return [
        (
            "construction",
            f"{LENT}: the house has them back{f', or charges {kept} each' if kept else ''}",
            cylinders,
            CONSTRUCTION_CORE,
        ),
        *keys,
        ("construction", "Control key to the construction cores", 1, KEY_CONTROL),
    ]


def _part_line(
    number: int, letter: str, kind: str, text: str, quantity: int, unit_cents: int, sort: PriceKind, cost_cents: int
) -> SnapshotLine:
    return SnapshotLine(
        label=f"{number}{letter}",
        kind=kind,
        words=text,
        part_number="",
        keying="",
        quantity=quantity,
        unit_cents=unit_cents,
        amount_cents=unit_cents * quantity,
        is_labour=sort is PriceKind.LABOR,
        cost_cents=cost_cents,
    )


def _print_line(label: str, found: Resolved) -> SnapshotLine:
    line = found.line
    return SnapshotLine(
        label=label,
        kind=line.kind.value,
        words=found.words,
        part_number=found.part_number,
        keying=line.keying.words if line.kind.is_keyed else "",
        quantity=line.quantity,
        unit_cents=found.unit_cents,
        amount_cents=found.unit_cents * line.quantity - found.off_cents,
        is_labour=found.kind is PriceKind.LABOR,
        cost_cents=found.cost_cents * line.quantity,
        remark=line.remark,
        replaces=found.replaces,
        face=told_customer(line.face_asked, line.face_answer),
        price_reason=line.price_reason if line.unit_cents is not None or line.discount.is_given else "",
        discount_cents=found.off_cents,
        discount_note=line.discount.words_of_line(found.off_cents),
    )


def _low_discount(
    ask: QuoteRequest, resolved: Sequence[Resolved | None], printed: Sequence[SnapshotLine], most_off: Decimal
) -> str:
    """What is asked of the discount; a line that is not understood yet has no part in it."""
    book, costs = 0, dict[str, int]()
    for line in printed:
        found = None if line.is_part else resolved[int(line.label) - 1]
        if not line.is_labour:
            book += found.listed_cents * line.quantity if found else line.amount_cents
            costs[line.label] = found.cost_cents * line.quantity if found else 0
    return low_discount(ask.discount, [(line.label, line.priced) for line in printed], book, costs, most_off)


def _totals(
    work: Work,
    buyer: Customer,
    ask: QuoteRequest,
    printed: Sequence[SnapshotLine],
    problems: list[Problem],
    on: date,
) -> Totals:
    """The totals of the lines, less the discount, with a day's tax of the place that counts: the site's, else the
    customer's, else the house's own. What is wrong is added to `problems`: a place without a rule then taxes nothing,
    lines too large come to nothing.
    """
    site = work.session.get(Site, ask.site_id) if ask.site_id else None
    place = (site.tax_place if site else "") or buyer.tax_place or get_house(work.session).tax_place
    lines = [line.priced for line in printed]
    exemption = None
    if buyer.exempt_certificate and buyer.exempt_until:
        exemption = Exemption(buyer.exempt_certificate, buyer.exempt_until)
    try:
        rule = tax_table(work.session).rule(place, on)
    except BitternError as error:
        problems.append(Problem("tax_place", error.message if place else _NO_PLACE))
        rule = TaxRule(place or "unknown place", Decimal(0), False, False, on)
    goods = sum(line.listed_cents for line in lines if line.kind is PriceKind.GOODS)
    if ask.discount.is_given and printed and not goods:
        problems.append(Problem("discount", "There are no goods here to take a discount off; labor has none."))
    elif ask.discount.cents > goods and printed:
        told = f"The goods come to {show_cents(goods)}: take off at most that."
        problems.append(Problem("discount", told))
    try:
        tax_by = money_rules_on(work.session, work.today).tax
        return total(lines, rule, exemption, on, ask.discount, tax_by)
    except BitternError as error:
        problems.append(Problem(error.field, error.message))
        return total([replace(line, unit_cents=0, off_cents=0) for line in lines], rule, exemption, on)


def offered_ways(priced: PricedQuote) -> tuple[str, ...]:
    """Where else the keying could be done: each way that every group could go, with no obstacle, and that differs.

    The customer's own cylinders, and those to the customer's key, stay on the bench whatever is chosen for the rest.
    """
    groups = [
        choice
        for choice in priced.keying
        if (choice.ways or not (choice.in_two_places or choice.in_two_deliveries))
        and not any(_stays(priced.ask.lines[number - 1]) for number in choice.lines)
    ]
    return tuple(
        name
        for name in WHERE
        if any(choice.choice != name for choice in groups)
        and all(any(way.name == name and way.possible for way in choice.ways) for choice in groups)
    )


def _stays(line: LineRequest) -> bool:
    return line.kind is LineKind.REKEY or line.keying.kind is KeyingKind.OWN


def price_option(
    work: Work, ask: QuoteRequest, priced: PricedQuote, customer: Customer | None = None, *, is_issued: bool = False
) -> PricedQuote | None:
    """Option B of a request whose option A is `priced`: keyed elsewhere, accepted as a whole; None when none is asked
    for. customer, is_issued: as for `price_request`.

    Raises Problems on `option_b` when that way is not possible, or no other way than A's.
    """
    if not ask.option_b:
        return None
    if ask.option_b not in offered_ways(priced):
        raise Problems([Problem("option_b", _why_not_offered(ask.option_b, priced))])
    elsewhere = replace(ask, keyed_at=ask.option_b, override_reason=_OFFERED, option_b="")
    other = price_request(work, elsewhere, customer, is_issued=is_issued)
    if other.problems:
        raise Problems([Problem("option_b", f"Option B: {problem.message}") for problem in other.problems])
    return other


def _why_not_offered(wanted: str, priced: PricedQuote) -> str:
    if wanted not in WHERE:
        return "Choose the shop or the factory as option B, or none."
    if priced.keying and all(choice.choice == wanted for choice in priced.keying):
        return f"The keying is done {WHERE[wanted]} already: there is no second way to offer. Take option B off."
    return f"The keying cannot be done {WHERE[wanted]} as it stands, so it is not offered: take option B off."
