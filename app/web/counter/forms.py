"""Read the counter page: texts to a request that can be priced, every problem beside its field."""

from __future__ import annotations

from dataclasses import dataclass

from app.errors import Problem
from app.ledger.quoting.request import LineAsk, QuoteAsk, SystemAsk
from app.ledger.sites.customers import CustomerForm, SiteForm
from app.pricing import KeyingKind
from app.web.counter.boxes import Notes, day, record_id, short, whole
from app.web.counter.line_form import Knowledge, read_line
from app.web.counter.typed import TypedPage

MOST_LINES = 100


@dataclass(frozen=True, slots=True)
class Reading:
    """A page read. `places[n]` says which of the page's lines became the ask's line n; unreadable ones did not."""

    ask: QuoteAsk
    places: tuple[int, ...]
    new_customer: CustomerForm | None
    new_site: SiteForm | None
    problems: tuple[Problem, ...]


def read(page: TypedPage, known: Knowledge) -> Reading:
    """What the page asks for, as far as it can be read, and everything wrong with the rest.

    Problems name the page's own fields: `need_by`, or `lines.2.quantity` for its third line.
    """
    notes = Notes()
    notes.check_writable(page, TypedPage.__dataclass_fields__)
    lines: list[LineAsk] = []
    places: list[int] = []
    if len(page.lines) > MOST_LINES:
        notes.add(
            "lines",
            f"At most {MOST_LINES} lines fit on one quote; this has {len(page.lines):,}. Split it into several "
            "quotes, or give equal lines a quantity.",
        )
    for place, typed in enumerate(page.lines[:MOST_LINES]):
        found = Notes()
        line = read_line(typed, known, found)
        for problem in found.problems:
            notes.add(f"lines.{place}.{problem.field}", problem.message)
        if not found.problems:
            lines.append(line)
            places.append(place)
    new_customer = _customer(page, known, notes)
    site_id, new_site = _site(page, known, notes)
    ask = QuoteAsk(
        customer_id=record_id(page.customer_id),
        lines=tuple(lines),
        site_id=site_id,
        title=short(page.title, "title", 200, notes),
        need_by=day(page.need_by, "need_by", notes),
        system=_system(page, lines, known, notes),
        keyed_at=page.keyed_at,
        override_reason=page.override_reason if page.keyed_at else "",
        option_b=page.option_b if page.option_b in ("shop", "factory") else "",
        answers=page.answers,
        lost_reason=page.lost_reason,
        replaced=tuple(dict.fromkeys(page.replaced.split())),
    )
    return Reading(ask, tuple(places), new_customer, new_site, tuple(notes.problems))


def _customer(page: TypedPage, known: Knowledge, notes: Notes) -> CustomerForm | None:
    if page.customer_id or not page.is_new_customer:
        return None
    if page.customer_tier and page.customer_tier not in known.tiers:
        notes.add("customer_tier", "Choose one of the price tiers in the list.")
    form = CustomerForm(
        name=short(page.customer_name, "customer_name", 120, notes),
        phone=short(page.customer_phone, "customer_phone", 40, notes),
        email=short(page.customer_email, "customer_email", 200, notes),
        address=short(page.customer_address, "customer_address", 2000, notes),
        tier=page.customer_tier,
        tax_place=short(page.customer_tax_place, "customer_tax_place", 80, notes),
        exempt_certificate=short(page.customer_exempt_certificate, "customer_exempt_certificate", 80, notes),
        exempt_until=day(page.customer_exempt_until, "customer_exempt_until", notes),
    )
    if not page.customer_name:
        notes.add("customer_name", "Enter the customer's name.")
    if page.customer_exempt_certificate and not page.customer_exempt_until:
        notes.add("customer_exempt_until", "Enter the day on which the exemption certificate expires.")
    if page.customer_exempt_until and not page.customer_exempt_certificate:
        notes.add("customer_exempt_certificate", "Enter the certificate's number, or clear its expiry day.")
    return form


def _site(page: TypedPage, known: Knowledge, notes: Notes) -> tuple[int | None, SiteForm | None]:
    """The site chosen, or the new one named; a name goes before a choice."""
    if page.site:
        return None, SiteForm(short(page.site, "site", 120, notes))
    if not page.site_id or not page.customer_id:
        return None, None
    if record_id(page.site_id) not in known.site_ids:
        notes.add("site_id", "This site belongs to another customer; choose one in the list, or name a new one.")
        return None, None
    return record_id(page.site_id), None


def _system(page: TypedPage, lines: list[LineAsk], known: Knowledge, notes: Notes) -> SystemAsk | None:
    """The key system that the lines need; None where no line is keyed into one, or which one is still to be said:
    a customer who has systems is sold a new one when somebody chose so, never because nobody chose.
    """
    kinds = {line.keying.kind for line in lines if line.kind.is_keyed}
    is_named = any(line.symbol for line in lines)  # of several systems, the keyset's
    is_mastered = any(kind.is_master_keyed for kind in kinds)
    is_chosen = page.system_id not in ("", "new")
    if not is_mastered and not (KeyingKind.SKD in kinds and page.system_id) and not (is_named and is_chosen):
        return None
    if is_chosen:
        if record_id(page.system_id) not in known.system_ids:
            whose = known.stray_system or "This key system"
            notes.add("system_id", f"{whose} belongs to another customer; choose one in the list.")
            return None
        return SystemAsk(existing_id=record_id(page.system_id))
    if not page.system_id and known.system_ids:
        return None
    return SystemAsk(
        name=short(page.system_name, "system_name", 120, notes) or known.system_name,
        levels=whole(page.system_levels or "2", "system_levels", notes, "Choose 2, 3 or 4 levels.", least=2),
        grands=whole(page.system_grands or "1", "system_grands", notes, "Enter a whole number, 1 or more.", least=1),
        masters=whole(
            page.system_masters or "1", "system_masters", notes, "Enter a whole number, 1 or more.", least=1
        ),
    )
