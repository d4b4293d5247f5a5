"""Rules by which prices come about from cost or list: put on record, ended, and asked by quoting."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.ledger.catalog.item_prices import ListedPrice, waiting_prices
from app.ledger.catalog.maker_queries import IN_CATALOG
from app.ledger.catalog.price_book import ruled_categories
from app.ledger.catalog.price_editing import end_row, refuse_thin, refuse_unknown_tier
from app.ledger.catalog.price_queries import NOW, least_margin, place_in_time, price_book, tier_percent
from app.ledger.store.engine import asked_once, get_row, get_version, transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.records import check_texts
from app.ledger.store.work import Work
from app.ledger.tables import Item, Maker, PriceBookRow, PriceRuleRow
from app.pricing import PriceBasis, PriceBook, PriceRow, PriceRule, PriceRules, half_up, show_day

SUBJECT = "price rules"


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

    def selling(
        self,
        item: Item,
        maker: str | None,
        on: date,
        tier: str | None,
        percent_off: Decimal,
        quantity: int = 1,
        listed: ListedPrice | None = None,
    ) -> int | None:
        """What one of an item sells for: by the book's own row for its number, else by the price rule that counts,
        else list less the tier's percentage; None where nobody knows. A rule that names the number goes before its
        row; one that works from a cost says nothing of an item without one. maker: its code, None of the house's own.
        listed: its list price and cost on that day, where they are not those of today.
        """
        list_cents, cost_cents = listed or (item.list_cents, item.cost_cents)
        own = self.own(item.code, on, tier, quantity)
        if maker is None:
            return self.price(item.code, on, tier, quantity).unit_cents if own is not None else None
        rule = self.rules.rule(item.code, item.category, maker, tier, on)
        makes = rule if rule is not None and rule.can_price(cost_cents) else None
        if own is not None and (makes is None or makes.code is None):
            return own.unit_cents
        if makes is not None and (list_cents is not None or makes.basis is not PriceBasis.LIST_LESS):
            return makes.price(cost_cents, list_cents or 0)
        return None if list_cents is None else half_up(list_cents * Fraction(100 - percent_off) / 100)

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


@asked_once
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


def selling_prices(session: Session, items: Sequence[Item], on: date) -> dict[int, int | None]:
    """Item → what one costs everybody on a day; None where nobody knows."""
    book = RuledBook(price_book(session, frozenset(item.code for item in items)).rows, price_rules(session))
    makers = dict(session.execute(sa.select(Maker.id, Maker.code)).all())
    waiting = waiting_prices(session, on, [one.id for one in items])
    return {
        one.id: book.selling(one, makers.get(one.maker_id or 0), on, None, Decimal(0), 1, waiting.get(one.id))
        for one in items
    }


def rules_for(session: Session, item: Item, today: date) -> list[PriceRuleRow]:
    """The rules that hold now and speak of an item, the most particular first."""
    maker = session.scalar(sa.select(Maker.code).where(Maker.id == item.maker_id))
    return [
        row
        for row, state in list_rules(session, today)
        if state == NOW
        and row.code in ("", item.code)
        and row.category in ("", item.category)
        and row.maker in ("", maker)
        and (item.maker_id is not None or row.code or row.category)
    ]


def ruled_items(session: Session, row: PriceRuleRow) -> tuple[int, list[Ruled]]:
    """How many catalog items and prices of the book a rule speaks of, and the first of each with their prices."""
    items = sa.select(Item).join(Maker).where(IN_CATALOG).order_by(Item.code, Item.id)
    if row.code:
        items = items.where(Item.code == row.code)
    if row.category:
        items = items.where(Item.category == row.category)
    if row.maker:
        items = items.where(Maker.code == row.maker)
    count = session.scalar(sa.select(sa.func.count()).select_from(items.subquery())) or 0
    rule = _rule(row)
    book = RuledBook(price_book(session).rows, PriceRules([rule]))
    off = Fraction(100 - tier_percent(session, row.tier)) / 100
    found = []
    for item in session.scalars(items.limit(12)):
        list_cents = item.list_cents or 0
        own = book.own(item.code, row.valid_from, rule.tier, 1)
        before = own.unit_cents if own else half_up(list_cents * off)
        makes = rule.can_price(item.cost_cents) and (own is None or rule.code is not None)
        price = rule.price(item.cost_cents, list_cents) if makes else before
        found.append(Ruled(item.code, item.words, list_cents, item.cost_cents, before, price))
    rows = _ruled_rows(session, book, rule)
    for held in rows[:12]:
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
    sold = set(session.scalars(sa.select(Item.code).where(IN_CATALOG, Item.code.in_(codes))))
    return sorted((row for row in rows if row.code not in sold), key=lambda row: row.code)


def set_rule(work: Work, rule: PriceRule, seen: int | None = None, *, is_thin_meant: bool = False) -> PriceRuleRow:
    """Put a rule on record from a day on; one for the same things and day is replaced when its version was `seen`.

    Raises LedgerError on the field at fault (`is_thin_meant` when the margin it leaves is thin and that was not
    said yet), Stale when somebody set the same rule first.
    """
    work.require_owner()
    check_texts(rule, PriceRuleRow)
    with transaction(work.session):
        _check_names(work.session, rule)
        refuse_thin(_thin(rule, least_margin(work.session)), is_thin_meant)
        place = {name: getattr(rule, name) or "" for name in ("code", "category", "maker", "tier")}
        place["valid_from"] = rule.valid_from
        row = work.session.scalar(sa.select(PriceRuleRow).filter_by(**place))
        if row is not None and row.version != seen:
            raise Stale()
        before = rule_words(row) if row else None
        row = row or PriceRuleRow(**place)
        row.basis, row.figure, row.valid_until = rule.basis.value, f"{rule.figure:f}", None
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
        row = get_version(work.session, PriceRuleRow, rule_id, "price rule", version)
        said = f"{rule_subject(row)}: {rule_words(row)}"
        if end_row(work.session, row, last_day, work.today):
            said += f" ends on {show_day(last_day)}"
        else:
            said += f" from {show_day(row.valid_from)} was undone"
        record(work, "price rule ended", SUBJECT, said)
        return row


def rule_subject(row: PriceRuleRow) -> str:
    """What a rule speaks of, in words: "hinge of ARD for trade", "everything"."""
    what = row.code or row.category
    if row.maker:
        what = f"{what or 'everything'} of {row.maker}"
    return f"{what or 'everything'}{f' for {row.tier}' if row.tier else ''}"


def _check_names(session: Session, rule: PriceRule) -> None:
    """What a rule names must be there, else it would hold for nothing and nobody would see it."""
    refuse_unknown_tier(session, rule.tier)
    if rule.maker and not session.scalar(sa.select(Maker.id).where(Maker.code == rule.maker)):
        raise LedgerError("maker", "Choose one of the makers on record.")
    if rule.category and rule.category not in ruled_categories(session):
        raise LedgerError("category", "No item has this category; choose one.")
    if rule.code:
        book = sa.select(PriceBookRow.id).where(PriceBookRow.code == rule.code).limit(1)
        catalog = sa.select(Item.id).where(Item.code == rule.code).limit(1)
        if not session.scalar(book) and not session.scalar(catalog):
            raise LedgerError("code", "No item has this number; see Goods.")


def _thin(rule: PriceRule, least: Decimal) -> str:
    """Why the owner should look again; "" where the margin is wide enough, or depends on each item's list price."""
    try:
        price = rule.price(1_000_000, 0)
    except BitternError:
        return ""  # far above any guard
    if rule.basis is PriceBasis.LIST_LESS or price * (100 - least) >= 100 * 1_000_000:
        return ""
    return f"It leaves less than {least.normalize():f} % of the price, where the guard is."
