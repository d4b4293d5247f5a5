"""Understand one line of the counter page: which cylinder, which part number, what it costs and sells for; and what
it means for the cylinder that is on the door now, whose face the customer may have to agree to lose.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal

from sqlalchemy.orm import Session

from app.errors import BitternError, Problem
from app.fitting import (
    CYLINDER_TYPES,
    KEYED_CATEGORIES,
    CylinderAttributes,
    LockModel,
    NumberReading,
    PartNumberError,
    cam_for,
    complete,
    compose_any,
    cylinder_for_lock,
    decode_any,
    differences,
    face_change,
    face_on_lock,
    finish,
    finish_words,
    finishes_named,
    likeliest_refusal,
    read_inches,
    unlisted_lock,
    what_all_say,
    why_not_enter,
    words,
)
from app.ledger.catalog.item_prices import ItemPrices, ListedPrice
from app.ledger.catalog.maker_queries import ItemLookup, MakerTables, get_item, item_attributes, maker_tables
from app.ledger.catalog.price_queries import (
    KEY_CUT,
    factory_keying_code,
    keying_code,
    price_book,
    rekey_code,
    tier_percent,
)
from app.ledger.catalog.price_rules import RuledBook, price_rules
from app.ledger.quoting.low_prices import ASK, low_price
from app.ledger.quoting.request import LineRequest, old_said
from app.ledger.tables import Item, LineKind
from app.pricing import KeyingKind, PriceKind, PriceRow, show_cents, show_day

MOST = 10_000
LONGEST_OLD_NUMBER = 60
AGREED, REFUSED = "agreed", "refused"
_HAVE_BORED_CYLINDER = ("deadbolt", "lockset")
_FIT_ONE_KIND_OF_LOCK = ("mortise", "rim", "bored")  # a core goes into a housing in any lock
_TAKEN_BY_LOCKS = (*_FIT_ONE_KIND_OF_LOCK, "sfic", "lfic")
_LEAVE_CUTS_OUT = (
    "What is on the key is printed on the quote and on the schedule. "
    "If it is the key's cuts, leave it out: the bench decodes the key."
)
_FIT = ("type", "length", "chambers", "keyway", "cam", "tailpiece")


@dataclass(frozen=True, slots=True)
class Resolved:
    """A line understood. `line` has its attributes, maker and part number filled in.

    unit_cents and cost_cents are each; cost_cents is the goods' (keying is costed by the decision). notes:
    what the counter should know or say, such as other readings of the part number. replaces: the cylinder that
    is on the door now, in words. problems: what a quote waits for although the line is understood. book_cents: the
    book's price each where the line has its own, 0 where the book has none; off_cents: what comes off the whole
    line; low_price: what is asked of a price or a discount.
    """

    line: LineRequest
    words: str
    unit_cents: int
    cost_cents: int
    kind: PriceKind
    part_number: str = ""
    maker_name: str = ""
    notes: tuple[str, ...] = ()
    replaces: str = ""
    problems: tuple[Problem, ...] = ()
    book_cents: int | None = None
    off_cents: int = 0
    low_price: str = ""

    @property
    def listed_cents(self) -> int:
        """The book's price each, or the line's own where the book has none."""
        return self.book_cents or self.unit_cents


class NotPriced(BitternError):
    """What a line needs is known and has no price yet; the problem names its item, for whoever may give it one."""

    def __init__(self, item: Item) -> None:
        message = f"“{item.words}” has no price yet: the owner gives it one under Goods."
        super().__init__("code", message)
        self.problems = (Problem("code", message, item.id),)


class Resolver:
    """Resolves lines against the makers' tables, the catalog and the price book of one day and customer's tier.

    numbers: the part numbers that the lines name, so that they are looked up together. proposed: list prices and
    costs that a list would bring, by item. most_off: percent under the book beyond which a price of the counter's
    own is asked about.
    """

    def __init__(
        self,
        session: Session,
        on: date,
        tier: str,
        numbers: Iterable[str],
        most_off: Decimal,
        proposed: Mapping[int, ListedPrice] | None = None,
    ) -> None:
        self._session = session
        self._most_off = most_off
        self._items = ItemLookup(session, numbers)
        self._listed = ItemPrices(session, on, [item.id for item in self._items.read.values()], proposed)
        self._book = RuledBook(price_book(session).rows, price_rules(session))
        self._on = on
        self._tier = tier or None
        self._percent_off = tier_percent(session, tier)
        self._makers = maker_tables(session)

    def price(self, code: str, quantity: int) -> PriceRow:
        """The row of the price book that holds for so many; BitternError where there is none."""
        try:
            return self._book.price(code, self._on, self._tier, quantity)
        except BitternError as error:
            item = None if code in self._book else get_item(self._session, None, code)
            if item is None:
                raise
            raise NotPriced(item) from error

    def code_of_keying(self, kind: KeyingKind, *, at_factory: bool) -> str:
        """The factory's own charge where it keys the line and the book has one that holds, else the usual one.

        To a customer's key costs what keying alike does where the book does not say.
        """
        if at_factory and self.has_price(factory_keying_code(kind)):
            return factory_keying_code(kind)
        is_alike = kind is KeyingKind.OWN and not self.has_price(keying_code(kind))
        return keying_code(KeyingKind.KA if is_alike else kind)

    def has_price(self, code: str) -> bool:
        """Whether the book has a price of this code for everybody today."""
        return any(
            row.code == code and row.tier is None and row.quantity_from == 1 and row.holds_on(self._on)
            for row in self._book.rows
        )

    def _key_problems(self, line: LineRequest) -> Iterator[Problem]:
        """What stands against keying a line to the customer's key: that it has to enter the cylinders."""
        keyway, key = line.attributes.keyway if line.attributes else "", line.keying.key_keyway
        if not keyway:
            yield Problem("keyway", "Enter the cylinder's keyway: the customer's key has to enter it.")
        elif not key:
            yield Problem(
                "key_keyway", f"Is the customer's key on {keyway}? Enter its keyway, or the number on its bow."
            )
        elif why := why_not_enter(key, keyway, [blank for maker in self._makers.values() for blank in maker.blanks]):
            yield Problem("key_keyway", why)

    def resolve(self, line: LineRequest) -> Resolved:
        """The line understood; BitternError with the field of the line at fault."""
        _check_counts(line)
        match line.kind:
            case LineKind.CYLINDER:
                found = self._cylinder(line)
            case LineKind.PART:
                found = self._part(line)
            case LineKind.REKEY:
                found = self._rekey(line)
            case LineKind.KEYS:
                found = self._keys(line)
            case _:
                found = self._priced(line)
        if found.line.is_keyed and line.keying.kind is KeyingKind.OWN:
            found = replace(found, problems=(*found.problems, *self._key_problems(found.line)))
            if _may_be_cuts(line.keying.key_marks, found.line):
                found = replace(found, notes=(*found.notes, _LEAVE_CUTS_OUT))
        return self._as_agreed(line, found)

    def _as_agreed(self, line: LineRequest, found: Resolved) -> Resolved:
        """The line at a price of its own and with its discount, where it has them, and what is asked of them."""
        if line.unit_cents is None and not line.discount.is_given:
            return found
        each = found.unit_cents if line.unit_cents is None else line.unit_cents
        whole = each * line.quantity
        off = line.discount.taken_cents(whole)
        problems = list(found.problems)
        if line.discount.cents > whole:
            problems.append(Problem("discount", f"The line comes to {show_cents(whole)}: take off at most that."))
        if not line.price_reason.strip():
            what = "there is a discount" if line.unit_cents is None else "the price is not the book's"
            told = f"Say why {what}; the house alone reads it, no paper prints it."
            problems.append(Problem("price_reason", told))
        # With a discount the sentence speaks of the whole line: what one piece comes to may be no whole cents.
        count = line.quantity if line.discount.is_given else 1
        left = whole - off if line.discount.is_given else each
        low = low_price(left, found.unit_cents * count, found.cost_cents * count, self._most_off)
        if low and line.price_meant != low:
            problems.append(Problem("price_meant", f"{low} {ASK}"))
        return replace(
            found,
            unit_cents=each,
            book_cents=None if line.unit_cents is None else found.unit_cents,
            off_cents=off,
            low_price=low,
            problems=tuple(problems),
        )

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
            if item is not None and (item.category not in KEYED_CATEGORIES or not item.attributes):
                return self._item(line, maker, item)
            if not maker.patterns and not line.maker_code:
                continue  # a maker just added must not stop the others' numbers
            try:
                readings += [(maker, reading) for reading in decode_any(maker.patterns, line.part_number)]
            except PartNumberError as refusal:
                refusals.append(refusal)
        if not readings:
            if (booked := self._by_code(line)) is not None:
                return booked
            if not refusals:
                raise BitternError("part_number", "No maker's part-number tables are on record yet.")
            raise refusals[0] if line.maker_code else likeliest_refusal(refusals, line.part_number)
        maker, reading = readings[0]
        others = tuple(
            f"Also reads as {other.name} {words(also.attributes)}."
            for other, also in readings[1:4]
            if also != reading
        )
        return self._sold(line, maker, reading, others)

    def _item(self, line: LineRequest, maker: MakerTables, item: Item) -> Resolved:
        """A part number out of a catalog that nothing is keyed on: hardware, a key blank, or a cylinder or lock
        whose number its maker's tables do not read."""
        number = item.code
        if line.keying.kind is not KeyingKind.NONE:
            if item.category not in KEYED_CATEGORIES:
                raise BitternError("keying", f"{number} is no cylinder, so there is nothing to key on it.")
            return self._unread(line, maker, item)
        as_hardware = replace(line, kind=LineKind.HARDWARE, keys_each=0, keys_in_all=None)
        return self._as_listed(as_hardware, maker, item)

    def _unread(self, line: LineRequest, maker: MakerTables, item: Item) -> Resolved:
        """A cylinder or lock of a catalog whose number its maker's tables do not read, as the counter says it is."""
        said, number = line.attributes, item.code
        if said is None or not said.type or not said.keyway or said.chambers is None:
            told = (
                f"The tables of {maker.name} do not say what {number} is, so it cannot be keyed: enter its type, "
                "pins and keyway, choose No pins, or have its part-number pattern entered."
            )
            missing = ("type", not said or not said.type), ("chambers", not said or said.chambers is None)
            raise BitternError(next((field for field, is_missing in missing if is_missing), "keyway"), told)
        return self._as_listed(line, maker, item)

    def _as_listed(self, line: LineRequest, maker: MakerTables, item: Item) -> Resolved:
        return Resolved(
            line=replace(line, maker_code=maker.code, part_number=item.code),
            words=item.words,
            part_number=item.code,
            maker_name=maker.name,
            unit_cents=self._selling(maker, item, line.quantity),
            cost_cents=self._costing(item.code, item, line.quantity),
            kind=PriceKind.GOODS,
            notes=self._unlisted(item),
        )

    def _by_code(self, line: LineRequest) -> Resolved | None:
        """Goods of the price book by their code, typed as a part number that no maker's tables or catalog have."""
        code = next(
            (code for code in self._book.codes() if code.casefold() == line.part_number.strip().casefold()), ""
        )
        row = self._book.own(code, self._on, self._tier, line.quantity) if code else None
        if row is None or row.kind is not PriceKind.GOODS or row.category == "keys":
            return None
        if line.keying.kind is not KeyingKind.NONE:
            raise BitternError("keying", f"{code} is no cylinder, so there is nothing to key on it.")
        return self._priced(replace(line, kind=LineKind.HARDWARE, price_code=code, part_number="", maker_code=""))

    def _sold(
        self, line: LineRequest, maker: MakerTables, reading: NumberReading, notes: tuple[str, ...]
    ) -> Resolved:
        item = self._items.get(maker.id, reading.part_number)
        own = self._book.own(reading.part_number, self._on, self._tier, line.quantity)
        if item is None and own is None and line.unit_cents is None:
            raise BitternError(
                "unit_price",
                f"{maker.name} {reading.part_number} is a legal number, but it is not in the catalog: "
                "ask the maker for the price and enter it, with the reason and what it costs.",
            )
        if line.attributes is not None and not line.attributes.maker and line.kind is LineKind.PART:
            notes = (
                *notes,
                "The number says what it is: what was typed of type, pins and keyway does not count.",
            )
        cost = self._costing(reading.part_number, item, line.quantity)
        if not cost and line.cost_cents is not None:
            cost = line.cost_cents
        elif not cost:
            notes = (
                *notes,
                "What it costs is not on record: enter it beside the price, or its margin is too high.",
            )
        notes = (*notes, *self._unlisted(item))
        attributes = (item_attributes(item) if item else None) or reading.attributes
        text = words(attributes)
        found = Resolved(
            line=replace(
                line,
                maker_code=maker.code,
                part_number=reading.part_number,
                attributes=replace(attributes, maker=maker.code),
            ),
            words=text[:1].upper() + text[1:],
            part_number=reading.part_number,
            maker_name=maker.name,
            unit_cents=self._selling(maker, item, line.quantity) if item else own.unit_cents if own else 0,
            cost_cents=cost,
            kind=PriceKind.GOODS,
            notes=(*notes, *reading.warnings),
        )
        return replacing(self._makers, found, replace(attributes, maker=maker.name))

    def _rekey(self, line: LineRequest) -> Resolved:
        attributes = line.attributes
        if attributes is None or not attributes.type:
            raise BitternError("type", "Choose the type of the customer's cylinder.")
        if line.keying.kind is KeyingKind.NONE:
            raise BitternError("keying", "Say how the cylinders are to be keyed.")
        code = rekey_code(attributes.type)
        if attributes.type in _HAVE_BORED_CYLINDER and not self.has_price(code):
            code = rekey_code("bored")
        found = self._booked(line, code, f"Rekey customer's own {words(attributes)}")
        return replace(found, line=replace(line, part_number=""), kind=PriceKind.LABOR)

    def _keys(self, line: LineRequest) -> Resolved:
        code = line.price_code or KEY_CUT
        keyway = f", keyway {line.attributes.keyway}" if line.attributes and line.attributes.keyway else ""
        found = self._booked(replace(line, price_code=code, keys_each=0, keys_in_all=None), code)
        what = "Keys" if code == KEY_CUT else found.words  # whose, app/ledger/quoting/key_lines.py says
        return replace(found, words=f"{what}{keyway}")

    def _priced(self, line: LineRequest) -> Resolved:
        """Hardware, labor, trip: a row of the price book."""
        if not line.price_code:
            raise BitternError("price_code", "Choose an item.")
        found = self._booked(replace(line, keys_each=0, keys_in_all=None), line.price_code)
        wanted = PriceKind.GOODS if line.kind is LineKind.HARDWARE else PriceKind.LABOR
        if found.kind is not wanted:
            raise BitternError("price_code", f"{found.words} is {found.kind.word}; choose an item of {wanted.word}.")
        return self._same_item(found) if line.kind is LineKind.HARDWARE else found

    def _same_item(self, found: Resolved) -> Resolved:
        """Hardware of the price book that is a catalog's item, too, has its number, and its cost if it has none."""
        code = found.line.price_code
        items = ((maker, self._items.get(maker.id, code)) for maker in self._makers.values())
        maker, item = next(((maker, item) for maker, item in items if item is not None), (None, None))
        if maker is None or item is None:
            return found
        told = f"{code} can be keyed: for that, take it by part number."
        is_keyed = item.category in KEYED_CATEGORIES and item.attributes
        return replace(
            found,
            part_number=item.code,
            maker_name=maker.name,
            cost_cents=found.cost_cents or self._listed.get(item).cost_cents,
            notes=(*found.notes, *((told,) if is_keyed else ())),
        )

    def _booked(self, line: LineRequest, code: str, said: str = "") -> Resolved:
        """A line that is a row of the price book: no part number, no maker, always to be had."""
        row = self.price(code, line.quantity)
        found = Resolved(line, said or row.description, row.unit_cents, row.cost_cents, row.kind)
        if (more := self._book.cheaper_more(code, self._on, self._tier, line.quantity)) is None:
            return found
        note = f"{more[0]:,} of them cost {show_cents(more[1])} by the book, less than {line.quantity:,}."
        return replace(found, notes=(note,))

    def _maker(self, code: str) -> MakerTables:
        if code not in self._makers:
            raise BitternError("maker", "Choose a maker: each has its own number for this.")
        return self._makers[code]

    def _unlisted(self, item: Item | None) -> tuple[str, ...]:
        """That the maker's list names an item no longer; nothing of others."""
        if item is None or item.unlisted_from is None or item.unlisted_from > self._on:
            return ()
        return (f"No longer in the maker's list since {show_day(item.unlisted_from)}: ask whether it can be had.",)

    def _selling(self, maker: MakerTables, item: Item, quantity: int) -> int:
        tier, off, listed = self._tier, self._percent_off, self._listed.get(item)
        return self._book.selling(item, maker.code, self._on, tier, off, quantity, listed) or 0

    def _costing(self, number: str, item: Item | None, quantity: int) -> int:
        """What one costs by the price book's own row for the number, else by the catalog; 0 where nobody knows. A row
        whose cost is the item's own goes along with the maker's list.
        """
        own = self._book.own(number, self._on, self._tier, quantity)
        cost = own.cost_cents if own else 0
        return self._listed.get(item).cost_cents if item and cost in (0, item.cost_cents) else cost


def _check_counts(line: LineRequest) -> None:
    if not 1 <= line.quantity <= MOST:
        raise BitternError("quantity", f"Enter a whole quantity from 1 to {MOST:,}.")
    if not 0 <= line.keys_each <= 100:
        raise BitternError("keys_each", "Enter a whole number of keys from 0 to 100.")
    if line.keys_in_all is not None and not 0 <= line.keys_in_all <= 100 * line.quantity:
        raise BitternError("keys_in_all", f"Enter a whole number of keys in all, from 0 to {100 * line.quantity:,}.")
    if line.keying.alike_with and line.keying.set_size is not None:
        raise BitternError("set_size", "Cylinders alike with another line's are in that line's sets: leave it empty.")
    size = line.keying.set_size
    if size is not None and not 2 <= size <= MOST:
        raise BitternError("set_size", f"A set has 2 to {MOST:,} cylinders; leave it empty where there are no sets.")


def _may_be_cuts(marks: str, line: LineRequest) -> bool:
    """Whether what is on a customer's key has as many digits as the line's cylinders have chambers, and no letter."""
    chambers = line.attributes.chambers if line.attributes else None
    digits = re.sub(r"[\s,./-]", "", marks)
    return digits.isdecimal() and len(digits) == chambers


def old_cylinder(makers: Mapping[str, MakerTables], said: str, old_finish: str) -> tuple[CylinderAttributes, str]:
    """What is known of an old cylinder, and its part number where `said` is one that a maker on record reads.

    said: a part number, or a maker's name or code; a text that is neither is taken for another make.
    old_finish: an A156.18 number, or a US code or name that stands for one, "" when not said. BitternError on
    `replaces` or `replaces_finish`.
    """
    if len(said) > LONGEST_OLD_NUMBER:
        raise BitternError(
            "replaces", f"At most {LONGEST_OLD_NUMBER} characters fit here: a part number, or the maker's name."
        )
    code = _finish(old_finish)
    for maker in makers.values():
        if said.casefold() in (maker.name.casefold(), maker.code.casefold()):
            return CylinderAttributes("", maker=maker.name, finish=code), ""
    for maker in makers.values():
        try:
            reading = decode_any(maker.patterns, said)[0] if maker.patterns and said else None
        except BitternError:
            continue
        if reading is not None:
            known = reading.attributes
            return replace(known, maker=maker.name, finish=code or known.finish), reading.part_number
    if (worn := worn_cylinder(makers, said)) is not None:
        return replace(worn, finish=code or worn.finish), ""
    # A number that nobody on record reads tells of another make, but is no name to print for one.
    name = "" if any(letter.isdigit() for letter in said) else said
    return CylinderAttributes("", maker=name, finish=code), ""


def worn_cylinder(makers: Mapping[str, MakerTables], said: str) -> CylinderAttributes | None:
    """What all cylinders have in common whose number a worn one can be, in which ? stands for what cannot be read;
    None where no maker on record has such a number.
    """
    found: list[CylinderAttributes] = []
    for maker in makers.values() if "?" in said else ():
        with suppress(BitternError):
            known = (one.attributes for one in complete(maker.patterns, (), said))
            found += [replace(one, maker=maker.name) for one in known if one is not None]
    return what_all_say(found) if found else None


def _finish(typed: str) -> str | None:
    if not typed:
        return None
    meant = finishes_named(typed)
    if len(meant) > 1:
        numbers = " or ".join(each.code for each in meant)
        raise BitternError("replaces_finish", f"{typed[:24]} stands for several finishes: enter {numbers}.")
    try:
        return meant[0].code if meant else finish(typed).code
    except BitternError as error:
        raise BitternError("replaces_finish", error.message) from error


def replacing(makers: Mapping[str, MakerTables], found: Resolved, new: CylinderAttributes) -> Resolved:
    """The line with what it means that its cylinder, `new` (its maker by name), replaces an old one, or goes into
    a lock that is named.

    face_asked: what the customer is told of the face and of a cam that is not known, "" when there is nothing to ask.
    face_answer: the one given to exactly this, "" while there is none.
    """
    line = found.line
    lock = lock_named(makers, line)
    is_replaced = bool(line.replaces or line.replaces_finish)
    is_told = is_replaced or line.keying.kind is KeyingKind.OWN or "fit_old_length" in dict(line.fit)
    try:
        old, number = old_cylinder(makers, line.replaces, line.replaces_finish)
    except BitternError as error:
        return replace(found, line=replace(line, face_asked="", face_answer=""), problems=error.problems)
    changes = list(face_change(old, new).changes) if is_replaced else []
    problems: list[Problem] = []
    if lock is not None:
        face = face_on_lock(lock.maker, new.maker)
        changes += [face] if face and not any(each.startswith("The face") for each in changes) else []
        told, wrong = _of_what_turns(makers, lock, new)
        changes += told
        # A part number says its cam; of a composed one the cam is a box.
        field = "part_number" if line.kind is LineKind.PART else "cam"
        problems = [Problem(field, each) for each in wrong]
        if new.type in _FIT_ONE_KIND_OF_LOCK and lock.takes in _TAKEN_BY_LOCKS and lock.takes != new.type:
            takes, is_sold = CYLINDER_TYPES[lock.takes], CYLINDER_TYPES[new.type]
            misfit = f"{lock.name} takes a {takes}, and this is a {is_sold}: choose another cylinder or another lock."
            problems.append(Problem("fit_lock", misfit))
    asked = " ".join(changes)
    # An answer holds for what was asked: a change of the line asks anew.
    answer = line.face_answer if asked and line.face_asked == asked else ""
    if asked and answer == REFUSED:
        problems.append(Problem("face_answer", "The customer does not want another face: choose another cylinder."))
    elif asked and answer != AGREED:
        problems.append(Problem("face_answer", f"Ask the customer and record the answer. {asked}"))
    return replace(
        found,
        line=replace(line, face_asked=asked, face_answer=answer),
        replaces=_old_words(old, number, line) if is_told else "",
        notes=(*found.notes, *(_notes(makers, _measured(old, line), number, line.replaces, new) if is_told else ())),
        problems=tuple(problems),
    )


def lock_named(makers: Mapping[str, MakerTables], line: LineRequest) -> LockModel | None:
    """The lock that the line's cylinder goes into, in a maker's table or known by its maker alone; None where neither
    is said.
    """
    said = dict(line.fit)
    locks = (lock for maker in makers.values() for lock in maker.locks)
    listed = next((lock for lock in locks if lock.name == said.get("fit_lock")), None)
    maker, kind = said.get("fit_lock_maker", ""), line.attributes.type if line.attributes else ""
    return listed or (unlisted_lock(maker, kind) if maker else None)


def _of_what_turns(
    makers: Mapping[str, MakerTables], lock: LockModel, new: CylinderAttributes
) -> tuple[list[str], list[str]]:
    """What is to be asked of what turns the lock (its cam, or the tailpiece that it dictates), and what is wrong."""
    is_other = lock.maker.casefold() != new.maker.casefold()
    if new.type in ("rim", "bored") and lock.takes == new.type and is_other:
        return [f"The tailpiece must be the one that {lock.name} dictates."], []
    try:
        turned = cylinder_for_lock([cam for maker in makers.values() for cam in maker.cams], lock, new)
    except BitternError as wrong:
        return [], [wrong.message]
    return list(turned.cam_asks), []


def _old_words(old: CylinderAttributes, number: str, line: LineRequest) -> str:
    """The old cylinder and its key, as far as anything was said of them."""
    told = [line.replaces]
    if number or old.type:
        told = [f"{old.maker} {number}" if number else line.replaces, words(old), "" if number else old.maker]
    elif old.finish:
        told.append(finish_words(old.finish))
    told += old_said(line.fit)
    if not any(told):
        return ""
    return ", ".join(filter(None, (told[0] or "a cylinder", *told[1:])))


def _measured(old: CylinderAttributes, line: LineRequest) -> CylinderAttributes:
    """The old cylinder with the length that was measured of it, which goes before what its number says."""
    with suppress(BitternError):
        if typed := dict(line.fit).get("fit_old_length"):
            return replace(old, length=read_inches(typed, "fit_old_length"))
    return old


def _notes(
    makers: Mapping[str, MakerTables], old: CylinderAttributes, number: str, said: str, new: CylinderAttributes
) -> tuple[str, ...]:
    """How the new one fits where the old one was; and what an unread number may have been meant for."""
    unlike = [each for each in differences(old, new) if each.split(" ", 1)[0] in _FIT]
    against = (f"Against the old one: {'; '.join(unlike)}.",) if unlike else ()
    if number or old.type or not any(letter.isdigit() for letter in said):
        return against
    near = []
    for maker in makers.values():
        try:
            decode_any(maker.patterns, said)
        except PartNumberError as error:
            if error.nearest and error.is_near:
                near.append(error.nearest)
        except BitternError:
            continue
    hint = f" Nearest: {', '.join(near[:3])}." if near else ""
    return (f"No maker on record reads {said} as a part number: taken for another make.{hint}", *against)


def told_customer(asked: str, answer: str) -> str:
    """The sentence for the papers; "" where nothing was agreed.

    >>> told_customer("The face will be Northlight's. The finish will be 605 bright brass.", "agreed")
    "Customer was told that the face will be Northlight's; the finish will be 605 bright brass, and agreed."
    """
    if not asked or answer != AGREED:
        return ""
    said = asked.removesuffix(".").replace(". The ", "; the ")
    return f"Customer was told that {said[:1].lower()}{said[1:]}, and agreed."
