"""Rules by which prices come about from cost or list: put on record, ended, and asked by quoting."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.ledger.catalog.price_book import ruled_categories
from app.ledger.catalog.price_queries import least_margin, place_in_time, price_book, tier_percent
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.records import check_texts
from app.ledger.store.work import Work
from app.ledger.tables import CatalogRow, Maker, PriceBookRow, PriceRuleRow, PriceTier
from app.pricing import PriceBasis, PriceBook, PriceRow, PriceRule, PriceRules, half_up, show_day

SUBJECT = "price rules"


@dataclass(frozen=True, slots=True)
class RuleForm:
    """A rule from a day on; "" in `code`, `category`, `maker` (a maker's code) or `tier` means any.

    is_thin_meant: the owner was told that it leaves less than the least margin, and means it.
    """

    basis: PriceBasis
    figure: Decimal
    code: str
    category: str
    maker: str
    tier: str
    valid_from: date
    is_thin_meant: bool = False


RuleSeen = int | None
"""The version of the rule that stood there when the form was loaded; None: there was none."""


@dataclass(frozen=True, slots=True)
class Ruled:
    """A catalog item or a price of the book that a rule speaks of: its price without any rule, and by this one.

    Both are the same where the rule makes none: it works from a cost that is not on record, or the part number
    has a price of its own.
    """

    code: str
    description: str
    list_cents: int
    cost_cents: int
    before_cents: int
    price_cents: int


class RuledBook(PriceBook):
    """The price book with the rules that name one of its codes, or a category and no maker: the row that holds, at
    the price by its rule. What a rule says of a maker or of everything is about catalogs alone.
    """

    def __init__(self, rows: Iterable[PriceRow], rules: PriceRules) -> None:
        super().__init__(rows)
        self.rules = rules

    def price(self, code: str, on: date, tier: str | None = None, quantity: int = 1) -> PriceRow:
        """As `PriceBook.price`; list is the row's own price."""
        row = super().price(code, on, tier, quantity)
        rule = self.rules.rule(code, row.category, None, tier, on)
        if rule is None or (rule.code is None and rule.category is None) or not rule.can_price(row.cost_cents):
            return row
        return replace(row, unit_cents=rule.price(row.cost_cents, row.unit_cents))

    def own(self, code: str, on: date, tier: str | None, quantity: int) -> PriceRow | None:
        """The book's own row for a part number, whatever the rules; None where none holds then: not yet, or ended."""
        try:
            return super().price(code, on, tier, quantity)
        except BitternError:
            return None


def rule_words(rule: PriceRuleRow) -> str:
    """The rule in words: "cost × 1.8", "a margin of 40 % of the price", "list less 12.5 %"."""
    figure = f"{Decimal(rule.figure).normalize():f}"
    return {
        PriceBasis.COST_TIMES: f"cost × {figure}",
        PriceBasis.MARGIN: f"a margin of {figure} % of the price",
        PriceBasis.LIST_LESS: f"list less {figure} %",
    }[PriceBasis(rule.basis)]


def list_rules(session: Session, today: date) -> list[tuple[PriceRuleRow, str]]:
    """Every rule with now, coming or past; the most particular first, the newest of each first."""
    rows = session.scalars(
        sa.select(PriceRuleRow).order_by(
            PriceRuleRow.code.desc(),
            PriceRuleRow.category.desc(),
            PriceRuleRow.maker.desc(),
            PriceRuleRow.tier.desc(),
            PriceRuleRow.valid_from.desc(),
        )
    ).all()
    return place_in_time(rows, today, lambda row: (row.code, row.category, row.maker, row.tier))


def get_rule(session: Session, rule_id: int) -> PriceRuleRow:
    """One rule; NotFound when there is none."""
    return get_row(session, PriceRuleRow, rule_id, "price rule")


def price_rules(session: Session) -> PriceRules:
    """All rules, as quoting asks them."""
    return PriceRules(_rule(row) for row in session.scalars(sa.select(PriceRuleRow).order_by(PriceRuleRow.id)))


def _rule(row: PriceRuleRow) -> PriceRule:
    return PriceRule(
        basis=PriceBasis(row.basis),
        figure=Decimal(row.figure),
        valid_from=row.valid_from,
        code=row.code or None,
        category=row.category or None,
        maker=row.maker or None,
        tier=row.tier or None,
        valid_until=row.valid_until,
    )


def ruled_items(session: Session, row: PriceRuleRow, most: int = 12) -> tuple[int, list[Ruled]]:
    """How many catalog items and prices of the book a rule speaks of, and the first of each with their prices."""
    items = sa.select(CatalogRow).join(Maker).order_by(CatalogRow.part_number)
    if row.code:
        items = items.where(CatalogRow.part_number == row.code)
    if row.category:
        items = items.where(CatalogRow.category == row.category)
    if row.maker:
        items = items.where(Maker.code == row.maker)
    count = session.scalar(sa.select(sa.func.count()).select_from(items.subquery())) or 0
    rule = _rule(row)
    book = RuledBook(price_book(session).rows, PriceRules([rule]))
    off = Fraction(100 - tier_percent(session, row.tier)) / 100
    found = []
    for item in session.scalars(items.limit(most)):
        own = book.own(item.part_number, row.valid_from, rule.tier, 1)
        before = own.unit_cents if own else half_up(item.list_cents * off)
        makes = rule.can_price(item.cost_cents) and (own is None or rule.code is not None)
        price = rule.price(item.cost_cents, item.list_cents) if makes else before
        found.append(Ruled(item.part_number, item.description, item.list_cents, item.cost_cents, before, price))
    rows = _ruled_rows(session, book, rule)
    for held in rows[:most]:
        price = book.price(held.code, row.valid_from, rule.tier).unit_cents
        found.append(Ruled(held.code, held.description, held.unit_cents, held.cost_cents, held.unit_cents, price))
    return count + len(rows), found


def _ruled_rows(session: Session, book: RuledBook, rule: PriceRule) -> list[PriceRow]:
    """The book's rows for one each, of no catalog, that a rule prices: it names their code, or their category."""
    if rule.maker is not None or (rule.code is None and rule.category is None):
        return []
    owned = (book.own(code, rule.valid_from, rule.tier, 1) for code in book.codes() if rule.code in (None, code))
    rows = [row for row in owned if row is not None and rule.category in (None, row.category)]
    codes = [row.code for row in rows]
    sold = set(session.scalars(sa.select(CatalogRow.part_number).where(CatalogRow.part_number.in_(codes))))
    return sorted((row for row in rows if row.code not in sold), key=lambda row: row.code)


def set_rule(work: Work, form: RuleForm, seen: RuleSeen = None) -> PriceRuleRow:
    """Put a rule on record from a day on; one for the same things and day is replaced when it is as it was `seen`.

    Raises LedgerError on the field at fault (`is_thin_meant` when the margin it leaves is thin and that was not
    said yet), Stale when somebody set the same rule first.
    """
    work.require_owner()
    check_texts(form, PriceRuleRow)
    rule = PriceRule(form.basis, form.figure, form.valid_from)  # refuses a figure that cannot be
    with transaction(work.session):
        _check_names(work.session, form)
        thin = _thin(rule, least_margin(work.session))
        if thin and not form.is_thin_meant:
            raise LedgerError("is_thin_meant", f"{thin} Tick this to set it all the same.")
        row = work.session.scalar(
            sa.select(PriceRuleRow).where(
                PriceRuleRow.code == form.code,
                PriceRuleRow.category == form.category,
                PriceRuleRow.maker == form.maker,
                PriceRuleRow.tier == form.tier,
                PriceRuleRow.valid_from == form.valid_from,
            )
        )
        if row is not None and row.version != seen:
            raise Stale()
        before = rule_words(row) if row else None
        row = row or PriceRuleRow(
            code=form.code, category=form.category, maker=form.maker, tier=form.tier, valid_from=form.valid_from
        )
        row.basis, row.figure, row.valid_until = form.basis.value, f"{form.figure:f}", None
        work.session.add(row)
        work.session.flush()
        was = f"; was {before}" if before else ""
        record(
            work,
            "price rule set",
            SUBJECT,
            f"{rule_subject(row)}: {rule_words(row)}, from {show_day(row.valid_from)}{was}",
            basis=row.basis,
            figure=row.figure,
            before=before,
        )
        return row


def end_rule(work: Work, rule_id: int, last_day: date, version: int) -> PriceRuleRow:
    """Let a rule hold up to and including a day; a coming one may be taken back by a day before its first."""
    work.require_owner()
    with transaction(work.session):
        row = get_rule(work.session, rule_id)
        if row.version != version:
            raise Stale()
        said = f"{rule_subject(row)}: {rule_words(row)}"
        if last_day < row.valid_from:
            if row.valid_from <= work.today:
                raise LedgerError("last_day", "The last day may not be before the rule's first.")
            work.session.delete(row)
            said += f" from {show_day(row.valid_from)} was undone"
        else:
            row.valid_until = last_day
            said += f" ends on {show_day(last_day)}"
        record(work, "price rule ended", SUBJECT, said)
        return row


def rule_subject(row: PriceRuleRow) -> str:
    """What a rule speaks of, in words: "hinge of ARD for trade", "everything"."""
    what = row.code or row.category
    if row.maker:
        what = f"{what or 'everything'} of {row.maker}"
    return f"{what or 'everything'}{f' for {row.tier}' if row.tier else ''}"


def _check_names(session: Session, form: RuleForm) -> None:
    """What a rule names must be there, else it would hold for nothing and nobody would see it."""
    if form.tier and not session.scalar(sa.select(PriceTier.id).where(PriceTier.name == form.tier)):
        raise LedgerError("tier", f"There is no customer tier named {form.tier}; add it under Settings.")
    if form.maker and not session.scalar(sa.select(Maker.id).where(Maker.code == form.maker)):
        raise LedgerError("maker", "Choose one of the makers on record.")
    if form.category and form.category not in ruled_categories(session):
        raise LedgerError("category", "Neither a catalog nor the price book has this category; choose one.")
    if form.code:
        book = sa.select(PriceBookRow.id).where(PriceBookRow.code == form.code).limit(1)
        catalog = sa.select(CatalogRow.id).where(CatalogRow.part_number == form.code).limit(1)
        if not session.scalar(book) and not session.scalar(catalog):
            raise LedgerError("code", "Neither the price book nor a catalog has this code or part number.")


def _thin(rule: PriceRule, least: Decimal) -> str:
    """Why the owner should look again; "" where the margin is wide enough, or depends on each item's list price."""
    try:
        price = rule.price(1_000_000, 0)
    except BitternError:
        return ""  # far above any guard
    if rule.basis is PriceBasis.LIST_LESS or price * (100 - least) >= 100 * 1_000_000:
        return ""
    return f"It leaves less than {least.normalize():f} % of the price, where the guard is."
