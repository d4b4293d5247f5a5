"""Understand one line of the counter page: which cylinder, which part number, what it costs and sells for."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction

from sqlalchemy.orm import Session

from app.errors import BitternError, Problem
from app.fitting import CylinderAttributes, NumberReading, PartNumberError, cam_for, compose_any, decode_any, words
from app.ledger.catalog.maker_queries import ItemLookup, MakerTables, item_attributes, maker_tables
from app.ledger.catalog.price_queries import KEY_CUT, rekey_code, tier_percent
from app.ledger.catalog.price_rules import RuledBook
from app.ledger.quoting.replacing import lock_named, replacing
from app.ledger.quoting.request import LineRequest
from app.ledger.tables import CatalogRow, LineKind
from app.pricing import KeyingKind, PriceKind, PriceRow, half_up

MOST = 10_000


@dataclass(frozen=True, slots=True)
class Resolved:
    """A line understood. `line` has its attributes, maker and part number filled in.

    unit_cents and cost_cents are each; cost_cents is the goods' (keying is costed by the decision). notes:
    what the counter should know or say, such as other readings of the part number. replaces: the cylinder that
    is on the door now, in words. problems: what a quote waits for although the line is understood.
    """

    line: LineRequest
    words: str
    part_number: str
    maker_name: str
    unit_cents: int
    cost_cents: int
    kind: PriceKind
    is_stocked: bool
    notes: tuple[str, ...] = ()
    replaces: str = ""
    problems: tuple[Problem, ...] = ()


class Resolver:
    """Resolves lines against the makers' tables, the catalog and the price book of one day and customer.

    numbers: the part numbers that the lines name, so that they are looked up together.
    """

    def __init__(self, session: Session, book: RuledBook, on: date, tier: str, numbers: Iterable[str] = ()) -> None:
        self._items = ItemLookup(session, numbers)
        self._book = book
        self._on = on
        self._tier = tier
        self._percent_off = tier_percent(session, tier)
        self._makers = maker_tables(session)
        self._rules = book.rules

    def resolve(self, line: LineRequest) -> Resolved:
        """The line understood; BitternError with the field of the line at fault."""
        _check_counts(line)
        by_kind: dict[LineKind, Callable[[LineRequest], Resolved]] = {
            LineKind.CYLINDER: self._cylinder,
            LineKind.PART: self._part,
            LineKind.REKEY: self._rekey,
            LineKind.KEYS: self._keys,
        }
        found = by_kind.get(line.kind, self._priced)(line)
        if line.unit_cents is None:
            return found
        if not line.price_reason.strip():
            raise BitternError(
                "price_reason", "Say why the price is not the book's; the house alone reads it, no paper prints it."
            )
        return replace(found, unit_cents=line.unit_cents)

    def _cylinder(self, line: LineRequest) -> Resolved:
        attributes = line.attributes
        if attributes is None or not attributes.type:
            raise BitternError("type", "Choose the type of cylinder.")
        maker = self._maker(line.maker_code)
        attributes = self._with_cam(line, attributes, maker)
        number = compose_any(maker.patterns, replace(attributes, maker=maker.name))
        reading = decode_any(maker.patterns, number)[0]
        return self._sold(line, maker, reading, ())

    def _with_cam(self, line: LineRequest, attributes: CylinderAttributes, maker: MakerTables) -> CylinderAttributes:
        """The cylinder with a cam that its lock takes, where a lock is named and nobody chose the cam."""
        lock = lock_named(self._makers, line)
        if lock is None or attributes.cam or attributes.type != "mortise" or lock.takes != "mortise":
            return attributes
        found = cam_for([cam for each in self._makers.values() for cam in each.cams], lock, maker.name)
        if not found.cam:
            raise BitternError("cam", f"Choose the cam. {found.words}")
        return replace(attributes, cam=found.cam)

    def _part(self, line: LineRequest) -> Resolved:
        if not line.part_number.strip():
            raise BitternError("part_number", "Enter the maker's part number.")
        makers = [self._maker(line.maker_code)] if line.maker_code else list(self._makers.values())
        refusals: list[PartNumberError] = []
        readings: list[tuple[MakerTables, NumberReading]] = []
        for maker in makers:
            item = self._items.get(maker.id, line.part_number.strip())
            if item is not None and (item.category != "cylinder" or not item.attributes):
                return self._item(line, maker, item)
            if not maker.patterns and not line.maker_code:
                continue  # a maker just added must not stop the others' numbers
            try:
                readings += [(maker, reading) for reading in decode_any(maker.patterns, line.part_number)]
            except PartNumberError as refusal:
                refusals.append(refusal)
        if not readings:
            raise _best_refusal(refusals)
        maker, reading = readings[0]
        others = tuple(
            f"Also reads as {other.name} {words(also.attributes)}."
            for other, also in readings[1:4]
            if also != reading
        )
        return self._sold(line, maker, reading, others)

    def _item(self, line: LineRequest, maker: MakerTables, item: CatalogRow) -> Resolved:
        """A part number out of a catalog that nothing is keyed on: hardware, a key blank, or a cylinder
        whose number its maker's tables do not read."""
        number = item.part_number
        if line.keying.kind is not KeyingKind.NONE and item.category == "cylinder":
            raise BitternError(
                "keying",
                f"The tables of {maker.name} do not say what {number} is, so it cannot be keyed: choose No pins, or "
                "have its part-number pattern entered.",
            )
        if line.keying.kind is not KeyingKind.NONE:
            raise BitternError("keying", f"{number} is no cylinder, so there is nothing to key on it.")
        return Resolved(
            line=replace(line, kind=LineKind.HARDWARE, maker_code=maker.code, part_number=number, keys_each=0),
            words=item.description,
            part_number=number,
            maker_name=maker.name,
            unit_cents=self._selling(maker, item, line.quantity),
            cost_cents=item.cost_cents,
            kind=PriceKind.GOODS,
            is_stocked=True,
        )

    def _sold(
        self, line: LineRequest, maker: MakerTables, reading: NumberReading, notes: tuple[str, ...]
    ) -> Resolved:
        item = self._items.get(maker.id, reading.part_number)
        if item is None and line.unit_cents is None:
            raise BitternError(
                "unit_price",
                f"{maker.name} {reading.part_number} is a legal number, but it is not in the catalog: "
                "ask the maker for the price and enter it, with the reason.",
            )
        attributes = (item_attributes(item) if item else None) or reading.attributes
        old = replacing(self._makers, line, replace(attributes, maker=maker.name))
        return Resolved(
            line=replace(
                line,
                maker_code=maker.code,
                part_number=reading.part_number,
                attributes=replace(attributes, maker=maker.code),
                face_asked=old.asked if old else "",
                face_answer=old.answer if old else "",
            ),
            words=_capital(words(attributes)),
            part_number=reading.part_number,
            maker_name=maker.name,
            unit_cents=self._selling(maker, item, line.quantity) if item else 0,
            cost_cents=item.cost_cents if item else 0,
            kind=PriceKind.GOODS,
            is_stocked=bool(item and item.is_stocked),
            notes=(
                *notes,
                *reading.warnings,
                *(() if item and item.is_stocked else ("Not on the shelf.",)),
                *(old.notes if old else ()),
            ),
            replaces=old.words if old else "",
            problems=old.problems if old else (),
        )

    def _rekey(self, line: LineRequest) -> Resolved:
        attributes = line.attributes
        if attributes is None or not attributes.type:
            raise BitternError("type", "Choose the type of the customer's cylinder.")
        if line.keying.kind is KeyingKind.NONE:
            raise BitternError("keying", "Say how the cylinders are to be keyed.")
        row = self._book.price(rekey_code(attributes.type), self._on, self._tier or None, line.quantity)
        line = replace(line, part_number="")
        return replace(_from_book(line, row, f"Rekey customer's own {words(attributes)}"), kind=PriceKind.LABOR)

    def _keys(self, line: LineRequest) -> Resolved:
        code = line.price_code or KEY_CUT
        row = self._book.price(code, self._on, self._tier or None, line.quantity)
        keyway = line.attributes.keyway if line.attributes else None
        what = "Keys" if code == KEY_CUT else row.description  # whose, app/ledger/quoting/key_lines.py says
        line = replace(line, price_code=code, keys_each=0)
        return _from_book(line, row, f"{what}, keyway {keyway}" if keyway else what)

    def _priced(self, line: LineRequest) -> Resolved:
        """Hardware, labor, trip: a row of the price book."""
        if not line.price_code:
            raise BitternError("price_code", "Choose an entry of the price book.")
        row = self._book.price(line.price_code, self._on, self._tier or None, line.quantity)
        wanted = PriceKind.GOODS if line.kind is LineKind.HARDWARE else PriceKind.LABOR
        if row.kind is not wanted:
            raise BitternError(
                "price_code", f"{row.description} is {row.kind.word}; choose an entry of {wanted.word}."
            )
        return _from_book(replace(line, keys_each=0), row, row.description)

    def _maker(self, code: str) -> MakerTables:
        if code not in self._makers:
            raise BitternError("maker", "Choose a maker: the same attributes have another number with each.")
        return self._makers[code]

    def _selling(self, maker: MakerTables, item: CatalogRow, quantity: int) -> int:
        """The price book's own row for a part number, else by the price rule that counts, else list less the tier's
        percentage. A rule that names the number goes before its row; one that works from a cost says nothing of
        an item without one.
        """
        number = item.part_number
        rule = self._rules.rule(number, item.category, maker.code, self._tier or None, self._on)
        own = self._book.own(number, self._on, self._tier or None, quantity)
        is_named = rule is not None and rule.code is not None and rule.can_price(item.cost_cents)
        if own is not None and not is_named:
            return own.unit_cents
        if rule is not None and rule.can_price(item.cost_cents):
            return rule.price(item.cost_cents, item.list_cents)
        return half_up(Fraction(item.list_cents) * Fraction(Decimal(100) - self._percent_off) / 100)


def _from_book(line: LineRequest, row: PriceRow, said: str) -> Resolved:
    """A line that is a row of the price book: no part number, no maker, always to be had."""
    return Resolved(
        line=line,
        words=said,
        part_number="",
        maker_name="",
        unit_cents=row.unit_cents,
        cost_cents=row.cost_cents,
        kind=row.kind,
        is_stocked=True,
    )


def _check_counts(line: LineRequest) -> None:
    if not 1 <= line.quantity <= MOST:
        raise BitternError("quantity", f"Enter a whole quantity from 1 to {MOST:,}.")
    if not 0 <= line.keys_each <= 100:
        raise BitternError("keys_each", "Enter a whole number of keys from 0 to 100.")
    size = line.keying.set_size
    if size is not None and not 2 <= size <= MOST:
        raise BitternError("set_size", f"A set has 2 to {MOST:,} cylinders; leave it empty where there are no sets.")


def _best_refusal(refusals: list[PartNumberError]) -> BitternError:
    """Of several makers' refusals the one that understood most of the number."""
    if not refusals:
        return BitternError("part_number", "No maker's part-number tables are on record yet.")
    return max(refusals, key=lambda refusal: (refusal.is_beginning, refusal.nearest is not None, -len(refusal.piece)))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
