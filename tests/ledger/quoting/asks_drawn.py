"""Asks drawn by chance, as counters make them over the demo's key systems, for `test_legal_asks.py`."""

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction
from math import ceil
from typing import Any

import sqlalchemy as sa

from app.fitting import CylinderAttributes
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.store.work import Work
from app.ledger.tables import Customer, KeySystem, LineKind, RecordsHolder, Role, Site
from app.pricing import Discount, KeyingKind, Urgency
from tests.ledger.quoting.asks_judged import CODES, FAR, GOODS, MASTERED, PARTS, TODAY, book_of, keyed, made_for

K = KeyingKind
SHOP, FACTORY = RecordsHolder.SHOP, RecordsHolder.FACTORY


@dataclass
class Draw:
    """Asks of the demo's customers by a seeded chance; every second one has a fault that was meant."""

    work: Work
    chance: random.Random
    number: int

    def customers(self) -> list[int]:
        return list(self.work.session.scalars(sa.select(Customer.id).order_by(Customer.id)))

    def systems(self, *where: sa.ColumnElement[bool]) -> list[KeySystem]:
        return list(
            self.work.session.scalars(sa.select(KeySystem).where(KeySystem.levels > 1, *where).order_by(KeySystem.id))
        )

    def ours(self) -> KeySystem:
        """A key system whose records are here."""
        return self.chance.choice(self.systems(KeySystem.records == SHOP))

    def named(self, name: str) -> KeySystem:
        return self.systems(KeySystem.name == name)[0]

    def goods(self, keyway: str, chambers: int) -> LineRequest:
        return self.chance.choice([one for one in GOODS if made_for(one) == (keyway, chambers)])

    def any_goods(self) -> LineRequest:
        """Of a keyway with room for any number of single keys."""
        return self.chance.choice([one for one in GOODS if one.maker_code != "PAR"])

    def into(self, system: KeySystem) -> QuoteRequest:
        """One or two lines into a system on record, and perhaps one of single keys, of goods or of further keys."""
        chance, lines = self.chance, []
        book = book_of(system)
        may_go_on = self.work.actor.role is Role.OWNER
        lost = "AC" if system.name == "Saltmarsh Maritime College" and not may_go_on else ""
        is_small = system.keyway.startswith("PR")
        for _ in range(chance.choice((1, 1, 2))):
            master = chance.choice([one for one in book.masters if one != lost])
            kind = chance.choice([one for one, levels in MASTERED.items() if levels <= system.levels])
            line = self.goods(system.keyway, system.chambers)
            if chance.random() < 0.15:
                line = LineRequest(LineKind.REKEY, 1, attributes=line.attributes)
            if not is_small and chance.random() < 0.15:
                kind, master = K.SKD, ""
            size = chance.choice((None, None, None, 2)) if kind is not K.SKD else None
            quantity = chance.choice((1, 2, 3, 6, 12, 15, 16) if is_small else (1, 1, 2, 3, 5, 8, 12))
            is_blank = len(book.masters) == 1 and chance.random() < 0.3
            keying = KeyingInstruction(kind, size, "" if is_blank else master)
            lines.append(replace(line, quantity=quantity, keying=keying, keys_each=chance.choice((0, 1, 2, 2, 3))))
        reason = "It lies under the river." if may_go_on else ""
        asked = SystemRequest(existing_id=system.id)
        return self.ask(system.customer_id, lines + self.beside(lines), system=asked, lost_reason=reason)

    def beside(self, lines: list[LineRequest]) -> list[LineRequest]:
        chance, first = self.chance, lines[0]
        fits = made_for(first)
        symbol = chance.choice(("line 1", "own", "AA", "masters", "CONTROL", "control line 1"))
        quantity = 12 * len(lines) * first.quantity
        keyway = fits[0] if fits and (symbol == "own" or chance.random() < 0.5) else ""
        return chance.choice(
            (
                [],
                [],
                [self.other_line()],
                [self.single()],
                [
                    LineRequest(
                        LineKind.KEYS, quantity, symbol=symbol, attributes=CylinderAttributes("", keyway=keyway)
                    )
                ],
            )
        )

    def other_line(self) -> LineRequest:
        chance = self.chance
        if chance.random() < 0.5:
            code = chance.choice([*CODES])
            return LineRequest(CODES[code], chance.choice((1, 2, 10)), price_code=code)
        return LineRequest(LineKind.PART, chance.choice((1, 4)), part_number=chance.choice(("AC-10", "NH-M118")))

    def single(self) -> LineRequest:
        """A line of single keys, of cylinders without pins, or to the customer's key."""
        chance, line = self.chance, self.any_goods()
        quantity, size = chance.choice((1, 2, 3, 4, 6)), chance.choice((None, None, 2, 3))
        kind = chance.choice((K.KD, K.KD, K.KA, K.KA, K.SKD, K.NONE, K.OWN))
        keyway = line.attributes.keyway if line.attributes and kind is K.OWN else ""
        keying = KeyingInstruction(kind, size if kind is K.KA else None, key_keyway=keyway or "")
        sort = chance.random()
        if sort < 0.15:
            number = chance.choice([one for one, fits in PARTS.items() if fits])
            keying = KeyingInstruction(K.KA if kind is K.OWN else kind)
            line = LineRequest(LineKind.PART, 1, part_number=number)
        elif sort < 0.3 and kind is not K.NONE:
            line = LineRequest(LineKind.REKEY, 1, attributes=line.attributes)
        sets = 1 if keying.kind in (K.KA, K.OWN) and not keying.set_size else ceil(quantity / (keying.set_size or 1))
        in_all = sets * chance.randint(0, 3) if chance.random() < 0.3 and kind is not K.NONE else None
        return replace(line, quantity=quantity, keying=keying, keys_each=chance.choice((0, 2, 3)), keys_in_all=in_all)

    def singles(self) -> QuoteRequest:
        lines = [self.single()]
        if (fits := made_for(lines[0])) and keyed(lines[0]) and lines[0].kind is LineKind.CYLINDER:
            sets = 1 if lines[0].keying.kind in (K.KA, K.OWN) else lines[0].quantity
            if self.chance.random() < 0.4 and lines[0].keying.kind is not K.OWN and not lines[0].keying.set_size:
                alike = replace(self.goods(*fits), quantity=sets, keying=KeyingInstruction(K.KA, alike_with=1))
                lines.append(alike)
        if self.chance.random() < 0.4:
            lines.append(self.other_line())
        return self.ask(self.chance.choice(self.customers()), lines)

    def begun(self) -> QuoteRequest:
        """A new key system; on the small keyways where the customer has nothing on them."""
        chance = self.chance
        who = chance.choice(self.customers())
        has = {one.keyway for one in self.systems(KeySystem.customer_id == who)}
        small = [one for one in GOODS if one.maker_code == "PAR" and (made_for(one) or "")[0] not in has]
        line = chance.choice(small) if small and chance.random() < 0.5 else self.any_goods()
        fits = made_for(line)
        assert fits is not None
        levels = chance.choice((2, 2, 3)) if line.maker_code == "PAR" else chance.choice((2, 3, 4))
        masters = chance.choice((1, 2)) if levels > 2 else 1
        asked = SystemRequest(name=f"System {self.number}", levels=levels, masters=masters, grands=1)
        kind = next(one for one, needs in MASTERED.items() if needs == levels)
        lines = []
        for _ in range(chance.choice((1, 2))):
            master = "AA" if masters == 1 else chance.choice(("AA", "AB"))
            keying = KeyingInstruction(kind, None, "" if masters == 1 and chance.random() < 0.5 else master)
            quantity = chance.choice((1, 2, 4, 8))
            lines.append(replace(self.goods(*fits), quantity=quantity, keying=keying))
        symbol = chance.choice(("AA", "masters", "line 1"))
        lines.append(LineRequest(LineKind.KEYS, 8 * lines[0].quantity, symbol=symbol))
        return self.ask(who, lines, system=asked)

    def keys_alone(self) -> QuoteRequest:
        system = self.ours()
        symbol = self.chance.choice([one.symbol for one in system.keysets])
        line = LineRequest(LineKind.KEYS, self.chance.choice((1, 2, 5)), symbol=symbol)
        return self.ask(system.customer_id, [line], system=SystemRequest(existing_id=system.id))

    def ask(self, who: int, lines: list[LineRequest], **more: Any) -> QuoteRequest:
        chance = self.chance
        drawn = QuoteRequest(who, tuple(lines), title=f"Ask {self.number}")
        if chance.random() < 0.2:
            drawn = replace(drawn, need_by=FAR)
        if chance.random() < 0.3:
            place = "factory" if chance.random() < 0.3 else "shop"
            drawn = replace(drawn, keyed_at=place, override_reason="the customer wants it so")
        if chance.random() < 0.2:
            urgency = chance.choice((Urgency.RUSH, Urgency.WAITS))
            drawn = replace(drawn, urgency=urgency, keyed_at="", override_reason="")
        if chance.random() < 0.15:
            place = chance.randrange(len(lines))
            priced = replace(lines[place], unit_cents=chance.choice((99_900, 150_000)), price_reason="as agreed")
            drawn = replace(drawn, lines=(*lines[:place], priced, *lines[place + 1 :]))
        elif chance.random() < 0.15 and any(one.kind is LineKind.CYLINDER for one in lines):
            drawn = replace(drawn, discount=Discount(percent=Decimal(5)), discount_reason="a good customer")
        return replace(drawn, **more)

    def sound(self) -> QuoteRequest:
        """An ask as counters make them; most are legal."""
        pick = self.chance.random()
        if pick < 0.4:
            return self.into(self.ours())
        if pick < 0.5:
            return self.into(self.chance.choice(self.systems(KeySystem.records == FACTORY)))
        if pick < 0.75:
            return self.singles()
        if pick < 0.8:
            return self.keys_alone()
        if pick < 0.85:
            cylinder = replace(GOODS[0], quantity=20, keying=KeyingInstruction(K.KD))
            return QuoteRequest(self.chance.choice(self.customers()), (cylinder,), option_b="factory")
        return self.begun()

    def plain(self, **more: Any) -> QuoteRequest:
        """Two mortise cylinders keyed different, to put a fault into."""
        line = replace(GOODS[0], quantity=2, keying=KeyingInstruction(K.KD))
        return QuoteRequest(self.chance.choice(self.customers()), (replace(line, **more),))

    def under(self, system: KeySystem, keying: KeyingKind, master: str, **more: Any) -> QuoteRequest:
        goods = self.goods(system.keyway, system.chambers)
        line = replace(goods, **{"quantity": 2, "keying": KeyingInstruction(keying, master=master), **more})
        return QuoteRequest(system.customer_id, (line,), system=SystemRequest(existing_id=system.id))

    def begin(self, master: str = "", **more: Any) -> QuoteRequest:
        """Two mortise cylinders in a new key system."""
        asked = replace(SystemRequest(name=f"System {self.number}"), **more)
        return replace(self.plain(keying=KeyingInstruction(K.MK, master=master)), system=asked)

    def over(self) -> QuoteRequest:
        """More than a small key system holds, or about so many, keyed here."""
        here: dict[str, Any] = {"keyed_at": "shop", "override_reason": "so"}
        small = self.systems(KeySystem.records == SHOP, KeySystem.keyway.startswith("PR"))
        if not small:
            asked = replace(GOODS[-1], quantity=33, keying=KeyingInstruction(K.MK))
            return replace(self.begin(), lines=(asked,), **here)
        system = self.chance.choice(small)
        kind = next(one for one, levels in MASTERED.items() if levels == system.levels)
        master = self.chance.choice(book_of(system).masters)
        return replace(self.under(system, kind, master, quantity=self.chance.choice((14, 18, 24, 33))), **here)

    def with_keys(self, symbol: str, *, keyway: str = "", number: int = 2, **more: Any) -> QuoteRequest:
        ask = self.plain(**more)
        keys = LineRequest(LineKind.KEYS, number, symbol=symbol, attributes=CylinderAttributes("", keyway=keyway))
        return replace(ask, lines=(*ask.lines, keys))


def faulty(draw: Draw, reason: str) -> QuoteRequest:
    """An ask that is meant to be refused for a reason; the oracle judges it as any other."""
    return draw.chance.choice(_faulty(draw)[reason])()


def _faulty(draw: Draw) -> Mapping[str, Sequence[Callable[[], QuoteRequest]]]:
    plain, under, begin, with_keys = draw.plain, draw.under, draw.begin, draw.with_keys
    college, flats, lettings = map(draw.named, ("Saltmarsh Maritime College", "The Flats", "Upper Road lettings"))
    site = draw.work.session.scalar(sa.select(sa.func.min(Site.id)).where(Site.customer_id == flats.customer_id))
    at_factory: dict[str, Any] = {"keyed_at": "factory", "override_reason": "so"}
    five_percent = Discount(percent=Decimal(5))
    mastered, different = KeyingInstruction(K.MK), KeyingInstruction(K.KD)
    mortise, mortise_aq2, mortise_aq3 = (GOODS[n] for n in (0, 1, 2))
    trip = LineRequest(LineKind.TRIP, 1, price_code="TRIP")

    def line(**more: Any) -> Callable[[], QuoteRequest]:
        return lambda: plain(**more)

    def alone(kind: LineKind, **more: Any) -> Callable[[], QuoteRequest]:
        return lambda: replace(plain(), lines=(replace(LineRequest(kind, 2), **more),))

    def ask(**more: Any) -> Callable[[], QuoteRequest]:
        return lambda: replace(plain(), **more)

    def keys_of(system: KeySystem, symbol: str, number: int = 2) -> Callable[[], QuoteRequest]:
        keys = LineRequest(LineKind.KEYS, number, symbol=symbol)
        return lambda: replace(under(system, K.MK, "AA"), lines=(keys,))

    def alike(goods: LineRequest, above: int = 1, **more: Any) -> Callable[[], QuoteRequest]:
        keying = KeyingInstruction(K.KA, alike_with=above)
        return lambda: beside(plain(), replace(goods, **{"quantity": 2, "keying": keying, **more}))

    def beside(ask: QuoteRequest, *lines: LineRequest) -> QuoteRequest:
        return replace(ask, lines=(*ask.lines, *lines))

    rekeyed = replace(mortise, kind=LineKind.REKEY, maker_code="")
    return {
        "no line": [ask(lines=())],
        "a day that has passed": [ask(need_by=TODAY - timedelta(1)), line(need_by=TODAY - timedelta(400))],
        "too soon": [lambda: replace(plain(quantity=75), need_by=TODAY)],
        "no reason said": [ask(keyed_at="shop"), line(unit_cents=99_900), ask(discount=five_percent)],
        "a low price or discount not meant": [
            line(unit_cents=1, price_reason="as agreed"),
            ask(discount=Discount(percent=Decimal(60)), discount_reason="so"),
        ],
        "no goods to take a discount off": [ask(lines=(trip,), discount=five_percent, discount_reason="so")],
        "another customer's site": [ask(customer_id=college.customer_id, site_id=site)],
        "a text too long": [ask(title="t" * 201)],
        "a number out of range": [
            *(line(quantity=number) for number in (-2, 0, 10_001, 999_999_999)),
            *(line(keys_each=number) for number in (-1, 101)),
            *(line(keys_in_all=number) for number in (-1, 201)),
            line(keying=KeyingInstruction(K.KA, 1)),
            lambda: begin(levels=5),
            lambda: begin(masters=0),
            lambda: begin(grands=999_999_999),
        ],
        "keys not shared out evenly": [
            line(keys_in_all=3),
            lambda: with_keys("line 1", number=3),
            keys_of(college, "masters", 4),
        ],
        "no such goods": [
            line(attributes=CylinderAttributes("mortise", Fraction(9, 8), 6, 6, "AQ9", "standard", None, "626")),
            *(alone(LineKind.HARDWARE, price_code=code) for code in ("NOPE", "TRIP")),
            alone(LineKind.PART, part_number="A18M-Q9-66.SC"),
        ],
        "not to be keyed so": [
            alone(LineKind.PART, part_number="AC-10", keying=different),
            alone(LineKind.REKEY, attributes=mortise.attributes),
        ],
        "no key system": [line(keying=mastered)],
        "another customer's key system": [lambda: replace(under(flats, K.MK, "AA"), customer_id=college.customer_id)],
        "too few levels": [lambda: under(flats, K.GMK, "AA"), lambda: under(college, K.GGMK, "AA")],
        "no such master": [
            lambda: under(college, K.GMK, "ZZ"),
            lambda: under(flats, K.MK, "AB"),
            lambda: begin("AC"),
        ],
        "which master is not said": [lambda: under(college, K.GMK, ""), lambda: begin(levels=3, masters=2)],
        "no name of its own": [
            lambda: begin(name=" "),
            lambda: replace(begin(name=flats.name), customer_id=flats.customer_id),
        ],
        "another keyway or more chambers": [
            *(
                lambda goods=goods: under(flats, K.MK, "AA", attributes=goods.attributes)  # type: ignore[misc]
                for goods in (mortise_aq2, mortise_aq3)
            ),
            lambda: beside(begin(), replace(mortise_aq3, keying=mastered)),
        ],
        "no room": [draw.over],
        "the records are elsewhere": [
            lambda: replace(under(lettings, K.MK, "AA"), keyed_at="shop", override_reason="so"),
            lambda: under(
                lettings, K.MK, "AA", kind=LineKind.REKEY, maker_code="", attributes=mortise_aq2.attributes
            ),
            lambda: replace(under(lettings, K.MK, "AA"), urgency=Urgency.WAITS),
            lambda: replace(beside(begin(), replace(rekeyed, keying=mastered)), **at_factory),
        ],
        "nothing to rush": [ask(urgency=Urgency.RUSH, **at_factory)],
        "a lost key opens it": [lambda: under(college, K.GMK, "AC")],
        "not alike": [
            alike(mortise, above=7),
            alike(mortise_aq2),
            alike(mortise, quantity=3),
            lambda: replace(alike(rekeyed)(), **at_factory),
        ],
        "no such keyset": [
            *(
                lambda symbol=symbol: with_keys(symbol)  # type: ignore[misc]
                for symbol in ("ZZ9", "line 9", "control line 1", "masters")
            ),
            keys_of(flats, "grands"),
        ],
        "which keys is not said": [
            lambda: with_keys(""),
            lambda: with_keys("own"),
            alone(LineKind.KEYS),
        ],
        "keys of another keyway": [
            lambda: with_keys("line 1", keyway="AQ5"),
            lambda: with_keys("", keyway="NH1", keying=KeyingInstruction(K.KA)),
        ],
        "cut at the factory": [
            *(keys_of(lettings, symbol) for symbol in ("AA", "1AA", "masters")),
            lambda: beside(under(lettings, K.MK, "AA"), LineRequest(LineKind.KEYS, 2, symbol="1AA")),
        ],
        "a customer's key that does not enter": [
            line(keying=KeyingInstruction(K.OWN)),
            line(keying=KeyingInstruction(K.OWN, key_keyway="NH1")),
        ],
        "no such place": [ask(keyed_at=place, override_reason="so") for place in ("moon", "split")],
        "no such second way": [ask(option_b=place) for place in ("factory", "shop", "moon")],
    }
