"""What the counter asks for: the lines as typed, understood but not yet priced."""

import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any

from app.fitting import CylinderAttributes, from_json, to_json
from app.keying import UPPER_LEVELS, KeyingError, KeySymbol, make_symbols, read_symbol
from app.ledger.keysystems.construction import ConstructionWay
from app.ledger.tables import LineKind, Marking
from app.pricing import NO_DISCOUNT, Discount, KeyingKind, Urgency
from app.validation import Form, JsonDataclass, counted

_COUNT = re.compile("[0-9]{1,2}", re.ASCII)


@dataclass(frozen=True, slots=True)
class KeyingInstruction:
    """How a line's cylinders are keyed.

    set_size: alike in sets of that many (KA2: 2); None with KA: the whole line alike; None with a
    master-keyed kind: each cylinder different. master: the symbol of the master the line goes under, "" for
    the first of the system. key_keyway: of the customer's key that they are keyed to, or the number on its bow;
    key_marks: what else is on it. Lines of one quote that say the same of it are keyed to the same key.
    alike_with: with KA the number of the line above whose keysets these cylinders share, 0 for none. selective: the
    selective master that operates the line's cylinders besides, "" for none. reserve: what they are kept back for in
    a key system, whose changes they take, and with `BEYOND` behind it free ones where these run out; "" for none.
    """

    kind: KeyingKind = KeyingKind.NONE
    set_size: int | None = None
    master: str = ""
    key_keyway: str = ""
    key_marks: str = ""
    alike_with: int = 0
    selective: str = ""
    reserve: str = ""

    @property
    def reserve_name(self) -> str:
        """What the changes are kept back for that the line takes; "" for none."""
        return self.reserve.removesuffix(BEYOND)

    @property
    def under(self) -> str:
        """The master and the selective master as they are typed: AA(ENG)."""
        return self.master + (f"({self.selective})" if self.selective else "")

    @property
    def least_levels(self) -> int:
        """How many levels a key system needs to be keyed so.

        >>> KeyingInstruction(KeyingKind.GMK).least_levels
        3
        """
        return {KeyingKind.GMK: 3, KeyingKind.GGMK: 4}.get(self.kind, 2)

    @property
    def key_words(self) -> str:
        """The customer's key, with what is known of it."""
        of_key = ", ".join(filter(None, (self.key_keyway, self.key_marks)))
        return "customer's key" + (f" ({of_key})" if of_key else "")

    @property
    def words(self) -> str:
        """The instruction as printed.

        >>> KeyingInstruction(KeyingKind.KA, 2).words
        'keyed alike in sets of 2 (KA2)'
        >>> KeyingInstruction(KeyingKind.MK, master="AB").words
        'master keyed under AB (MK)'
        >>> KeyingInstruction(KeyingKind.OWN, key_keyway="AQ2", key_marks="D 14").words
        "keyed to the customer's key (AQ2, D 14)"
        """
        if self.kind is KeyingKind.OWN:
            return f"keyed to the {self.key_words}"
        code = self.kind.value
        words = self.kind.words
        if self.set_size:
            alike = words if self.kind is KeyingKind.KA else f"{words}, alike"
            words = f"{alike} in sets of {self.set_size}"
            code += str(self.set_size) if self.kind is KeyingKind.KA else ""
        if self.alike_with:
            words += f" with line {self.alike_with}"
        if self.kind.is_master_keyed and self.under:
            words += f" under {self.under}"
        return words if self.kind is KeyingKind.NONE else f"{words} ({code})"


BEYOND = ", then free ones"
"""Behind a reserve's name: somebody agreed that what it has not is taken from what is free."""


def split_selective(symbol: str) -> tuple[str, str]:
    """A symbol as it is typed, and the selective master in parentheses behind it; (NMK) is none.

    >>> split_selective("aa (eng)"), split_selective("AA1(NMK)"), split_selective("(ENG)")
    (('aa', 'ENG'), ('AA1(NMK)', ''), ('', 'ENG'))
    """
    found = re.fullmatch(r"([^()]*?)\s*\(\s*([A-Za-z]{2,10})\s*\)\s*", symbol)
    return (found[1].strip(), found[2].upper()) if found and found[2].upper() != "NMK" else (symbol, "")


def _read_attributes(given: Any) -> CylinderAttributes:
    # Keys are cut to a keyway, whatever the type of the cylinder they are for.
    if isinstance(given, dict) and given.get("type") == "" and isinstance(given.get("keyway"), str | None):
        return CylinderAttributes("", keyway=given.get("keyway"))
    return from_json(given)


_Attributes = Annotated[CylinderAttributes, Form(_read_attributes, to_json)]


@dataclass(frozen=True, slots=True)
class LineRequest(JsonDataclass):
    """One line. Which fields count depends on `kind`; `field_prefix` names it in error messages.

    cylinder: maker_code and attributes. part number: maker_code ("" looks at every maker) and part_number.
    rekey: attributes (type, chambers and keyway of the customer's cylinders). keys: attributes.keyway, or a
    keyset by `symbol`, or several (key_lines.py). hardware, labor, trip: price_code.
    cost_cents: what one costs the house, which counts where neither the price book nor a catalog says it.
    keys_each: keys a cylinder. keys_in_all: keys of the whole line instead, None where they are counted a cylinder.
    unit_cents: a price typed by the counter instead of the book's. discount: off the line by itself, not off its
    keying and its keys. Either needs price_reason, which the house alone reads. price_meant: what was asked of a low
    one (low_prices.py), "" while nobody said that it is meant.
    remark: printed with the line. need_by: a day of the line's own, so that it may be keyed apart from the rest
    of the job.
    replaces: the cylinder that is on the door now, by part number or maker, and replaces_finish its finish; ""
    where none is replaced. face_asked: what the customer was told of the change, face_answer: agreed, refused or
    "" while nobody has asked. fit: what was said of the door, by the page's boxes, so that they can be filled
    again. standing: the ids of the cylinders on record that a rekey line is for; they stay on their doors, and
    each is keyed to what takes its keyset's place (`QuoteRequest.replaced`), or else stays on its keyset.
    """

    kind: LineKind
    quantity: int
    maker_code: str = ""
    part_number: str = ""
    attributes: _Attributes | None = None
    keying: KeyingInstruction = KeyingInstruction()
    keys_each: int = 2
    price_code: str = ""
    symbol: str = ""
    unit_cents: int | None = None
    remark: str = ""
    need_by: date | None = None
    replaces: str = ""
    replaces_finish: str = ""
    face_asked: str = ""
    face_answer: str = ""
    fit: tuple[tuple[str, str], ...] = ()
    price_reason: str = ""
    price_meant: str = ""
    standing: tuple[int, ...] = ()
    keys_in_all: int | None = None
    cost_cents: int | None = None
    discount: Discount = NO_DISCOUNT

    @property
    def keys(self) -> int:
        """How many keys come with the line's cylinders.

        >>> LineRequest(LineKind.CYLINDER, 2, keys_in_all=5).keys, LineRequest(LineKind.CYLINDER, 2, keys_each=3).keys
        (5, 6)
        """
        return self.quantity * self.keys_each if self.keys_in_all is None else self.keys_in_all

    def keys_by_keyset(self, cylinders: Sequence[int]) -> list[int]:
        """How many keys each of the line's keysets gets that have so many `cylinders`.

        Keys counted in all are shared out evenly; what is left over goes to the first keysets, one each.

        >>> LineRequest(LineKind.CYLINDER, 5, keys_in_all=8).keys_by_keyset([2, 2, 1])
        [3, 3, 2]
        >>> LineRequest(LineKind.CYLINDER, 5).keys_by_keyset([2, 2, 1])
        [4, 4, 2]
        """
        if self.keys_in_all is None or not cylinders:
            return [count * self.keys_each for count in cylinders]
        each, rest = divmod(self.keys_in_all, len(cylinders))
        return [each + (place < rest) for place in range(len(cylinders))]

    @property
    def joins_system(self) -> bool:
        """Whether its cylinders go into the request's key system: under a master, or single among its records."""
        return self.is_keyed and (self.keying.kind.is_master_keyed or self.keying.kind is KeyingKind.SKD)

    @property
    def is_keyed(self) -> bool:
        """Whether its cylinders get keysets, so that there can be keys to them: those without pins have none."""
        return self.kind.is_keyed and self.keying.kind is not KeyingKind.NONE


@dataclass(frozen=True, slots=True)
class SystemRequest:
    """The key system that master-keyed lines go under: an existing one by id, or a new one.

    levels 2: masters over changes; 3: grand, masters, changes; 4: great grand, grands, masters, changes.
    masters and grands: how many are wanted now. mark_keys, mark_cylinders: of a new one. construction: how the site
    is keyed until the building is handed over, on handed_over_on where that is known, with so many construction_keys.
    """

    existing_id: int | None = None
    name: str = ""
    levels: int = 2
    grands: int = 1
    masters: int = 1
    mark_keys: Marking = Marking.VISUAL
    mark_cylinders: Marking = Marking.CONCEALED
    construction: ConstructionWay = ConstructionWay.NONE
    construction_keys: int = 0
    handed_over_on: date | None = None

    def levels_for(self, lines: Iterable[LineRequest]) -> int:
        """How many levels a new system gets: those asked for, or as many as the keying of one of its lines needs.

        >>> line = LineRequest(LineKind.CYLINDER, 2, keying=KeyingInstruction(KeyingKind.GMK))
        >>> SystemRequest(name="The Flats").levels_for([line])
        3
        """
        keyed = (line.keying for line in lines if line.kind.is_keyed)
        return max([self.levels, *(keying.least_levels for keying in keyed if keying.kind.is_master_keyed)])

    def masters_over(self, lines: Iterable[LineRequest]) -> list[KeySymbol]:
        """The symbols over the changes of a new system, upper levels first; [] where its counts cannot be.

        >>> line = LineRequest(LineKind.CYLINDER, 2, keying=KeyingInstruction(KeyingKind.GMK))
        >>> [one.text for one in SystemRequest(name="The Flats", masters=2).masters_over([line])]
        ['A', 'AA', 'AB']
        """
        levels = self.levels_for(lines)
        with suppress(KeyingError):
            symbols = make_symbols(levels, self.masters if levels > 2 else 1, 0, self.grands if levels == 4 else 1)
            return sorted(map(read_symbol, symbols), key=lambda one: UPPER_LEVELS.index(one.level))
        return []


@dataclass(frozen=True, slots=True)
class QuoteRequest(JsonDataclass):
    """The whole request of one counter page. keyed_at: "" lets Bittern decide, else shop, factory or
    split (the lines with days of their own here, the rest at the factory).

    option_b: where the second way that is offered beside it is keyed, shop or factory; "" offers none.
    answers: (code, why the line is not needed) of the questions about lines that might be missing.
    replaced: symbols of keysets that the cylinders standing on them get new ones for; keys to such a symbol are the
    new keyset's. loss_id: the loss of keys whose plan says by which; without, as in earlier releases, the next ones.
    lost_reason: why the owner goes on where a lost key would open what is keyed; lost_allowed: the ids of the lost
    keys that this was said of, filled in when the quote is issued.
    discount: off all goods; it needs discount_reason, which the house alone reads. discount_meant: as price_meant.
    """

    customer_id: int
    lines: tuple[LineRequest, ...]
    site_id: int | None = None
    title: str = ""
    need_by: date | None = None
    system: SystemRequest | None = None
    keyed_at: str = ""
    override_reason: str = ""
    option_b: str = ""
    answers: tuple[tuple[str, str], ...] = ()
    replaced: tuple[str, ...] = ()
    loss_id: int | None = None
    lost_reason: str = ""
    lost_allowed: tuple[int, ...] = ()
    urgency: Urgency = Urgency.IN_TURN
    discount: Discount = NO_DISCOUNT
    discount_reason: str = ""
    discount_meant: str = ""

    @property
    def kept_discounts(self) -> tuple[str, ...]:
        """A sentence for each discount, where another request is made from this one.

        >>> QuoteRequest(1, (LineRequest(LineKind.TRIP, 1, discount=Discount(cents=5_00)),)).kept_discounts
        ('The discount of line 1 stays as it was given.',)
        """
        of_lines = (number for number, line in enumerate(self.lines, start=1) if line.discount.is_given)
        return (
            *(f"The discount of line {number} stays as it was given." for number in of_lines),
            *(("The discount stays as it was given.",) if self.discount.is_given else ()),
        )

    def construction_keyed(self, lines: Sequence[LineRequest | None] | None = None) -> dict[int, int]:
        """The numbers of the lines whose new cylinders are construction keyed, and how many they are; lines: as they
        were understood, None where they were not.
        """
        way = self.system.construction if self.system else ConstructionWay.NONE
        return {
            number: line.quantity
            for number, line in enumerate(self.lines if lines is None else lines, start=1)
            if line is not None
            and line.kind in (LineKind.CYLINDER, LineKind.PART)
            and not line.standing
            and (line.joins_system or self.keyed_as(number).is_master_keyed)
            and line.attributes is not None
            and way.takes(line.attributes.type)
        }

    def source_of(self, number: int) -> int:
        """The number of the line that line `number` has its keysets from: its own, or the one it is alike with."""
        while 0 < (above := self.lines[number - 1].keying.alike_with) < number:
            number = above
        return number

    def keyed_as(self, number: int) -> KeyingKind:
        """How deep the cylinders of line `number` are keyed: alike with master-keyed ones they are master keyed."""
        source = self.lines[self.source_of(number) - 1].keying.kind
        return source if source.is_master_keyed else self.lines[number - 1].keying.kind


def old_price_reason(row: Mapping[str, Any]) -> str:
    """Why a line of an earlier release has a price of its own: it stood in the remark; "" of this release's lines.

    >>> old_price_reason({"unit_cents": 900, "remark": "as agreed"})
    'as agreed'
    >>> old_price_reason({"unit_cents": 900, "remark": "both sides", "price_reason": "as agreed"})
    ''
    """
    if row.get("unit_cents") is None or "price_reason" in row:
        return ""
    return str(row.get("remark", ""))


def without_cuts(fit: Iterable[tuple[str, str]]) -> dict[str, str]:
    """What was typed about a door, by its boxes; of the cuts of a key only how many there are.

    Earlier releases kept whatever was typed of the cuts, and the cuts themselves are a bitting.

    >>> without_cuts([("fit_key", "PK-91"), ("fit_cuts", "275038")]), without_cuts([("fit_cuts", "6")])
    ({'fit_key': 'PK-91'}, {'fit_cuts': '6'})
    """
    typed: dict[str, str] = dict(fit)
    if not _COUNT.fullmatch(typed.get("fit_cuts", "")):
        typed.pop("fit_cuts", None)
    return typed


def old_said(fit: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """What was measured of an old cylinder, and typed of its key, among the boxes about its door.

    >>> old_said([("fit_old_length", "1-1/8"), ("fit_key", "PK-91"), ("fit_cuts", "6")])
    ('measured 1-1/8 in', 'its key PK-91 with 6 cuts')
    """
    typed = without_cuts(fit)
    length, key, cuts = (typed.get(name, "") for name in ("fit_old_length", "fit_key", "fit_cuts"))
    of_key = " ".join(filter(None, (key, f"with {counted(int(cuts), 'cut')}" if cuts else "")))
    return (*((f"measured {length} in",) if length else ()), *((f"its key {of_key}",) if of_key else ()))


def said_of_line(ask: Mapping[str, Any]) -> tuple[str, ...]:
    """What was typed of a job's line beside what it is, a sentence each: the customer's key and the old cylinder.

    >>> said_of_line({"keying": {"kind": "OWN", "key_keyway": "AQ1"}, "replaces": "18M-Q?", "replaces_finish": "626"})
    ("Keyed to the customer's key (AQ1)", 'In place of 18M-Q?, finish 626')
    """
    keying, finish = ask.get("keying") or {}, ask.get("replaces_finish", "")
    said = []
    if keying.get("kind") == KeyingKind.OWN:
        key = {name: keying.get(name, "") for name in ("key_keyway", "key_marks")}
        words = KeyingInstruction(KeyingKind.OWN, **key).words
        said.append(words[:1].upper() + words[1:])
    old = [ask.get("replaces") or "a cylinder", f"finish {finish}" if finish else "", *old_said(ask.get("fit") or ())]
    if ask.get("replaces") or any(old[1:]):
        said.append(f"In place of {', '.join(filter(None, old))}")
    return tuple(said)
