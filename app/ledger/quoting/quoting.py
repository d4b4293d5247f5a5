"""Price a request: every line, shop or factory for what is keyed, and the totals, without saving anything."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from app.errors import BitternError, Problem
from app.ledger.catalog.price_queries import KEY_CUT, factory_keying_code, keying_code, price_book, system_code
from app.ledger.catalog.price_rules import RuledBook, price_rules
from app.ledger.quoting.deciding import KEYED_AT, Group, choose
from app.ledger.quoting.grouping import groups_of
from app.ledger.quoting.key_lines import whose_keys
from app.ledger.quoting.lead_time import lead_time
from app.ledger.quoting.lost_keys import lost_problems
from app.ledger.quoting.rekeying import as_on_record, hanging, told_of
from app.ledger.quoting.replacing import told_customer
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.resolving import Resolved, Resolver
from app.ledger.quoting.snapshot import KeyingChoice, SnapshotLine
from app.ledger.quoting.system_fit import records_problems, system_problems
from app.ledger.quoting.taxing import tax_place_of, tax_totals
from app.ledger.store.errors import NotFound
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Site
from app.pricing import KeyingKind, PriceBook, PriceKind, Totals, show_day
from app.validation import check_lengths, fault_of_length

NO_LINES = "Add at least one line."

_LETTERS = "abcdefgh"


@dataclass(frozen=True, slots=True)
class PricedQuote:
    """A request priced as far as it is understood.

    `ask` has resolved lines; lines with a problem keep what was typed and bring no amount. `problems` name
    fields as `lines.0.keyway` (from 0) or by themselves; a quote is issued only when there are none.
    `bench_minutes`: the shop's own keying work, whole minutes upwards.
    """

    ask: QuoteRequest
    lines: tuple[SnapshotLine, ...]
    resolved: tuple[Resolved | None, ...]
    totals: Totals
    keying: tuple[KeyingChoice, ...]
    ready_on: date | None
    lead_time: str
    cost_cents: int
    bench_minutes: int
    notes: tuple[tuple[int, str], ...]  # (line from 0, what the counter should know)
    problems: tuple[Problem, ...]


def price_request(work: Work, ask: QuoteRequest, customer: Customer | None = None) -> PricedQuote:
    """Price a request for a customer on record, or (customer_id 0) for a `customer` not saved yet."""
    session, today = work.session, work.today
    buyer = customer or session.get(Customer, ask.customer_id)
    if buyer is None:
        raise NotFound("customer")
    problems = _header_problems(work, ask)
    book = RuledBook(price_book(session).rows, price_rules(session))
    numbers = [line.part_number.strip() for line in ask.lines if line.part_number]
    resolver = Resolver(session, book, today, buyer.tier, numbers)
    resolved: list[Resolved | None] = []
    for place, line in enumerate(ask.lines):
        try:
            there = hanging(session, ask.customer_id, ask, line)
            found = resolver.resolve(as_on_record(line, there))
            check_lengths(line, {"remark": 500, "price_reason": 500})
            resolved.append(told_of(session, found, there))
            problems += [Problem(f"lines.{place}.{told.field}", told.message) for told in found.problems]
        except BitternError as error:
            problems += [Problem(f"lines.{place}.{told.field}", told.message) for told in error.problems]
            resolved.append(None)
    if not ask.lines:
        problems.append(Problem("lines", NO_LINES))
    resolved, key_problems = whose_keys(session, ask, resolved)
    problems += key_problems
    understood = [found.line if found else None for found in resolved]
    problems += system_problems(work, ask, understood)
    problems += lost_problems(work, ask, understood)
    groups = groups_of(resolved)
    chosen, choice_problems = choose(work, ask, groups)
    problems += choice_problems
    if not choice_problems:
        understood = [found.line if found else None for found in resolved]
        problems += records_problems(work, ask, understood, [one.choice for one in chosen])
    lines = _print_lines(book, today, buyer.tier, ask, resolved, chosen, problems)
    totals = tax_totals(work, buyer, tax_place_of(work, buyer, ask.site_id), lines, problems)
    if not totals.subtotal_cents:  # lines too large come to nothing
        lines = [replace(line, amount_cents=0) for line in lines]
    ready, lead = lead_time(work, resolved, [one.choice for one in chosen])
    return PricedQuote(
        ask=replace(ask, lines=tuple(f.line if f else line for f, line in zip(resolved, ask.lines, strict=True))),
        lines=tuple(lines),
        resolved=tuple(resolved),
        totals=totals,
        keying=tuple(one.choice for one in chosen),
        ready_on=ready,
        lead_time=lead,
        cost_cents=sum(line.cost_cents for line in lines),
        bench_minutes=sum(one.bench_minutes for one in chosen),
        notes=tuple((place, note) for place, found in enumerate(resolved) if found for note in found.notes),
        problems=tuple(problems),
    )


def _header_problems(work: Work, ask: QuoteRequest) -> list[Problem]:
    problems = []
    if ask.need_by is not None and ask.need_by < work.today:
        problems.append(Problem("need_by", f"This day has passed; enter {show_day(work.today)} or a later day."))
    problems += [
        Problem(f"lines.{place}.need_by", f"This day has passed; enter {show_day(work.today)} or a later day.")
        for place, line in enumerate(ask.lines)
        if line.need_by is not None and line.need_by < work.today
    ]
    if ask.keyed_at not in KEYED_AT:
        problems.append(Problem("keyed_at", "Choose shop or factory, or both, or leave the choice to the figures."))
    if ask.keyed_at and not ask.override_reason.strip():
        problems.append(
            Problem("override_reason", "Say why the keying is not left to the figures; the owner reads it.")
        )
    if fault := fault_of_length(ask.override_reason, 500):
        problems.append(Problem("override_reason", fault))
    if fault := fault_of_length(ask.title, 200):
        problems.append(Problem("title", fault))
    if ask.site_id is not None:
        site = work.session.get(Site, ask.site_id)
        if site is None or site.customer_id != ask.customer_id:
            problems.append(Problem("site", "This site belongs to another customer; choose one of this customer's."))
    system = ask.system
    if system is not None and system.existing_id is None:
        if not system.name.strip():
            problems.append(Problem("system_name", "Enter a name for the new key system."))
        if fault := fault_of_length(system.name, 120):
            problems.append(Problem("system_name", fault))
        for field, count, most in (("levels", system.levels, 4), ("masters", system.masters, 400)):
            least = 2 if field == "levels" else 1
            if not least <= count <= most:
                problems.append(Problem(f"system_{field}", f"Enter a whole number from {least} to {most}."))
        if not 1 <= system.grands <= 22:
            problems.append(Problem("system_grands", "Enter a whole number from 1 to 22."))
    return problems


def _print_lines(
    book: PriceBook,
    today: date,
    tier: str,
    ask: QuoteRequest,
    resolved: Sequence[Resolved | None],
    chosen: Sequence[Group],
    problems: list[Problem],
) -> list[SnapshotLine]:
    """Each line with its keying and its keys below it, and a new system's own line after its first."""
    lines: list[SnapshotLine] = []
    system_due = ask.system is not None and ask.system.existing_id is None
    for place, found in enumerate(resolved):
        if found is None:
            continue
        label = str(place + 1)
        line = found.line
        lines.append(_print_line(label, found))
        if not line.kind.is_keyed:
            continue
        extras: list[tuple[str, str, int, str]] = []
        if line.keying.kind is not KeyingKind.NONE:
            code = _keying_code(book, today, line.keying.kind, chosen, place)
            extras.append(("keying", f"Keying: {line.keying.words}", line.quantity, code))
            if line.keys_each:
                extras.append(("keys", f"Keys, {line.keys_each} a cylinder", line.quantity * line.keys_each, KEY_CUT))
        if system_due and ask.system is not None and line.keying.kind.is_master_keyed:
            levels = ask.system.levels_for(one.line for one in resolved if one)
            text = f"New key system {ask.system.name.strip()}, {levels} levels: design and records"
            extras.append(("key system", text, 1, system_code(levels)))
            system_due = False
        for letter, (kind, text, quantity, code) in zip(_LETTERS, extras, strict=False):
            try:
                row = book.price(code, today, tier or None, quantity)
            except BitternError as error:
                problems.append(Problem(f"lines.{place}.keying", error.message))
                continue
            cost = _keying_cost(chosen, place) if kind == "keying" else 0
            if row.unit_cents == 0 and kind == "keying":
                # Keying that costs the customer nothing stands on the line itself; the house's cost stays counted.
                lines[-1] = replace(lines[-1], cost_cents=lines[-1].cost_cents + cost)
                continue
            lines.append(
                SnapshotLine(
                    label=f"{label}{letter}",
                    kind=kind,
                    words=text,
                    part_number="",
                    keying="",
                    quantity=quantity,
                    unit_cents=row.unit_cents,
                    amount_cents=row.unit_cents * quantity,
                    is_labour=row.kind is PriceKind.LABOR,
                    cost_cents=cost,
                )
            )
    return lines


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
        amount_cents=found.unit_cents * line.quantity,
        is_labour=found.kind is PriceKind.LABOR,
        cost_cents=found.cost_cents * line.quantity,
        remark=line.remark,
        replaces=found.replaces,
        face=told_customer(line.face_asked, line.face_answer),
        price_reason=line.price_reason if line.unit_cents is not None else "",
    )


def _keying_code(book: PriceBook, today: date, kind: KeyingKind, chosen: Sequence[Group], place: int) -> str:
    """The factory's own charge where the line is keyed there and the book has one that holds, else the usual one."""
    at_factory = any(place in group.places and group.choice.choice == "factory" for group in chosen)
    code = factory_keying_code(kind)
    holds = any(
        row.code == code and row.tier is None and row.quantity_from == 1 and row.holds_on(today) for row in book.rows
    )
    return code if at_factory and holds else keying_code(kind)


def _keying_cost(chosen: Sequence[Group], place: int) -> int:
    """The line's share of what its group's keying costs the house, by cylinders; shares add up to the whole."""
    for group in chosen:
        if place in group.places:
            return group.cost_shares[group.places.index(place)]
    return 0
