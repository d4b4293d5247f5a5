"""What a counter may sell, by the rules of the trade and the house alone: a plain oracle for `test_legal_asks.py`.

It reads the house's rows and does not ask the code that it judges. Where a line is keyed it takes as decided (that is
the pricing room's, with tests of its own), and says whether that place may do it. What is neither clearly inside a
limit nor outside is marked as unclear; the draw keeps away from it.
"""

import re
from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from fractions import Fraction
from itertools import count, pairwise, product
from math import ceil

import sqlalchemy as sa

from app.fitting import CylinderAttributes
from app.ledger.keysystems.bittings import open_bittings, open_plan
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.store.work import Work
from app.ledger.tables import (
    CylinderOperator,
    CylinderState,
    KeyState,
    KeySystem,
    Level,
    LineKind,
    RecordsHolder,
    Role,
    Site,
)
from app.pricing import KeyingKind, Urgency
from tests.tour import NOW

TODAY = NOW.date()
FAR = TODAY + timedelta(days=3650)
SHOP, FACTORY = RecordsHolder.SHOP, RecordsHolder.FACTORY
K = KeyingKind
MASTERED = {K.MK: 2, K.GMK: 3, K.GGMK: 4}  # the levels that each needs
_LETTERS = "ABCDEFGHJKLMNPRSTUVWYZ"


def _goods(maker: str, kind: str, keyway: str, chambers: int, **more: object) -> LineRequest:
    attributes = CylinderAttributes(kind, keyway=keyway, chambers=chambers, finish="626", **more)  # type: ignore[arg-type]
    return LineRequest(LineKind.CYLINDER, 1, maker, attributes=attributes)


_LONG = {"length": Fraction(9, 8)}
GOODS = (
    *(_goods("ARD", "mortise", f"AQ{n}", 6, drilled=6, cam="standard", **_LONG) for n in range(1, 6)),
    *(_goods("ARD", "rim", f"AQ{n}", 6, drilled=6, tailpiece="flat", **_LONG) for n in (1, 3)),
    *(_goods("ARD", "bored", f"AQ{n}", 6, drilled=6, tailpiece="half-round") for n in (1, 3)),
    _goods("ARD", "mortise", "AQ1", 5, drilled=6, cam="standard", **_LONG),
    _goods("NOR", "sfic", "NH1", 7),
    _goods("NOR", "lfic", "NV1", 6, drilled=6),
    *(_goods("PAR", "mortise", f"PR-{n}", 5, drilled=5, cam="standard", **_LONG) for n in "PW"),
)
PARTS = {
    "A18M-Q1-66.SC": ("AQ1", 6),
    "A18R-Q3-66.SC": ("AQ3", 6),
    "CAP2-Q1-66.SC": ("AQ1", 6),
    "HAW5-Q1-66.SB": ("AQ1", 6),
    "LOC1-Q1-56.SC": ("AQ1", 5),
    "AC-10": None,
    "NH-M118": None,
}
"""Part numbers of the demo's catalogs, with the keyway and the chambers; None: nothing is keyed on it."""
CODES = {"RING-SET": LineKind.HARDWARE, "KEY-TAGS": LineKind.HARDWARE, "TRIP": LineKind.TRIP}
MIN_CYLINDERS, MIN_ORDER_CENTS, MORTISE_CENTS = 12, 15_000, 1520
"""Of Ardent Brass: its factory's least order, and what a mortise cylinder on AQ1 costs."""

REASONS = (
    "no line",
    "a day that has passed",
    "too soon",
    "no reason said",
    "a low price or discount not meant",
    "no goods to take a discount off",
    "another customer's site",
    "a text too long",
    "a number out of range",
    "keys not shared out evenly",
    "no such goods",
    "not to be keyed so",
    "no key system",
    "another customer's key system",
    "too few levels",
    "no such master",
    "which master is not said",
    "no name of its own",
    "another keyway or more chambers",
    "no room",
    "the records are elsewhere",
    "nothing to rush",
    "a lost key opens it",
    "not alike",
    "no such keyset",
    "which keys is not said",
    "keys of another keyway",
    "cut at the factory",
    "a customer's key that does not enter",
    "no such place",
    "no such second way",
)
"""Every kind of refusal; a run that misses one of them fails."""


@dataclass(slots=True)
class Book:
    """What a job's lines go into, as the oracle keeps it: on record, or still to be begun (row: None)."""

    row: KeySystem | None
    levels: int
    keyway: str
    chambers: int
    records: RecordsHolder
    masters: list[str] = field(default_factory=list)
    grands: list[str] = field(default_factory=list)
    symbols: set[str] = field(default_factory=set)
    last: Counter[str] = field(default_factory=Counter)
    needs: Counter[str] = field(default_factory=Counter)
    operating: set[str] = field(default_factory=set)  # of this job's cylinders

    def give(self, master: str, number: int) -> list[str]:
        """The next symbols: the number first in two levels, last in more."""
        first = self.last[master] + 1
        self.last[master] += number
        self.needs[master] += number
        numbers = range(first, first + number)
        if not master:
            new = [f"SKD{n}" for n in numbers]
        else:
            new = [f"{n}{master}" if self.levels == 2 else f"{master}{n}" for n in numbers]
        self.symbols |= {*new}
        return new


def book_of(system: KeySystem) -> Book:
    book = Book(system, system.levels, system.keyway, system.chambers, system.records)
    for one in system.keysets:
        book.symbols.add(one.symbol)
        if one.level is Level.MASTER:
            book.masters.append(one.symbol)
        if one.level is Level.GRAND:
            book.grands.append(one.symbol)
        if one.level in (Level.CHANGE, Level.SINGLE):
            under = one.parent.symbol if one.parent else ""
            book.last[under] = max(book.last[under], int("".join(filter(str.isdigit, one.symbol))))
    return book


def new_book(ask: QuoteRequest, keyway: str, chambers: int, records: RecordsHolder) -> Book:
    """A system that is begun: as many levels as are asked for, or as the deepest keying needs."""
    asked = ask.system or SystemRequest()
    levels = max([asked.levels, *(MASTERED.get(line.keying.kind, 2) for line in ask.lines if keyed(line))])
    book = Book(None, levels, keyway, chambers, records)
    if levels == 2:
        book.masters = ["AA"]
    else:
        book.grands = [*_LETTERS[: asked.grands if levels == 4 else 1]]
        book.masters = [f"{grand}{letter}" for grand in book.grands for letter in _LETTERS[: asked.masters]]
    book.symbols = {*book.masters, *book.grands, *(["GGM"] if levels == 4 else [])}
    return book


def keyed(line: LineRequest) -> bool:
    return line.kind in (LineKind.CYLINDER, LineKind.PART, LineKind.REKEY) and line.keying.kind is not K.NONE


def made_for(line: LineRequest) -> tuple[str, int] | None:
    """Keyway and chambers of a line's cylinders; None of what has none."""
    if line.kind is LineKind.PART:
        return PARTS.get(line.part_number)
    said = line.attributes
    return (said.keyway, said.chambers) if said and said.keyway and said.chambers else None


class Oracle:
    """The faults of one ask, empty where it is legal. place: where each line's number is keyed."""

    def __init__(self, work: Work, ask: QuoteRequest, place: Mapping[int, str]) -> None:
        self.work, self.session, self.ask, self.place = work, work.session, ask, place
        self.faults: set[str] = set()
        self.unclear = False
        self.sets: dict[int, list[str]] = {}  # the keysets of each keyed line, by number
        self.book: dict[int, Book] = {}
        self.own: dict[KeyingInstruction, list[str]] = {}  # one keyset for a key of the customer's
        self.books: dict[object, Book] = {}
        found = sa.select(KeySystem).where(KeySystem.customer_id == ask.customer_id).order_by(KeySystem.id)
        self.theirs = self.session.scalars(found).all()
        existing = ask.system.existing_id if ask.system else None
        self.system = self.session.get(KeySystem, existing) if existing else None
        self._header()
        for number, line in enumerate(ask.lines, start=1):
            self._line(number, line)
        if not self.faults:  # what is asked of rooms and keys goes by lines that are sound
            self._rooms()
        if not self.faults:
            for line in ask.lines:
                if line.kind is LineKind.KEYS:
                    self._keys(line)
        self._prices()
        self._second_way()

    def fault(self, reason: str) -> None:
        assert reason in REASONS
        self.faults.add(reason)

    def _header(self) -> None:
        ask = self.ask
        if not ask.lines:
            self.fault("no line")
        for day in (ask.need_by, *(line.need_by for line in ask.lines)):
            if day is not None and day < TODAY:
                self.fault("a day that has passed")
        if ask.keyed_at not in ("", "shop", "factory"):
            self.fault("no such place")
        if ask.keyed_at and not ask.override_reason.strip():
            self.fault("no reason said")
        site = self.session.get(Site, ask.site_id) if ask.site_id else None
        if site is not None and site.customer_id != ask.customer_id:
            self.fault("another customer's site")
        if len(ask.title) > 200:
            self.fault("a text too long")
        new = ask.system if ask.system and ask.system.existing_id is None else None
        if new is not None:
            if not new.name.strip() or any(new.name == one.name for one in self.theirs):
                self.fault("no name of its own")
            if not (2 <= new.levels <= 4 and 1 <= new.masters <= 400 and 1 <= new.grands <= 22):
                self.fault("a number out of range")
        self._groups()

    def _groups(self) -> None:
        """One maker's cylinders are keyed in one place, what is the customer's own or to a customer's key here."""
        groups: defaultdict[str, list[int]] = defaultdict(list)
        for number, line in enumerate(self.ask.lines, start=1):
            if keyed(line):
                is_bench_work = line.kind is LineKind.REKEY or line.keying.kind is K.OWN
                groups["here" if is_bench_work else line.maker_code or "ARD"].append(number)
        records = self.system.records if self.system else None
        places = set()
        for maker, numbers in groups.items():
            lines = [self.ask.lines[number - 1] for number in numbers]
            joins = any(line.keying.kind in MASTERED or line.keying.kind is K.SKD for line in lines)
            held = records if joins else None
            wanted = "shop" if maker == "here" else self.ask.keyed_at
            may_shop = held is not FACTORY
            may_factory = maker != "here" and not (held is not None and maker == "PAR")
            in_turn = self.ask.urgency is Urgency.IN_TURN
            fits = {"shop": may_shop, "factory": may_factory, "": may_shop or (may_factory and in_turn)}
            if wanted in fits and not fits[wanted]:
                self.fault("the records are elsewhere")
            if joins and self.system is None:
                places |= {self.place.get(number, "") for number in numbers if number in self.place}
            if wanted == "" and self.ask.need_by is not None and self.ask.need_by < FAR:
                # No cylinder takes under 10 minutes, and a day has 360; a factory needs 10 days and more.
                if self.ask.need_by == TODAY and sum(line.quantity for line in lines) >= 60:
                    self.fault("too soon")
                elif self.ask.need_by >= TODAY:
                    self.unclear = True
        if len(places) > 1:
            self.fault("the records are elsewhere")
        if self.ask.urgency is Urgency.RUSH and groups and "shop" not in self.place.values():
            self.fault("nothing to rush")

    def _line(self, number: int, line: LineRequest) -> None:
        fault, keying = self.fault, line.keying
        size_ok = keying.set_size is None or 2 <= keying.set_size <= 10_000
        in_all = line.keys_in_all
        if (
            not 1 <= line.quantity <= 10_000
            or not 0 <= line.keys_each <= 100
            or not size_ok
            or (in_all is not None and not 0 <= in_all <= 100 * line.quantity)
        ):
            fault("a number out of range")
            return
        if line.kind in (LineKind.HARDWARE, LineKind.LABOR, LineKind.TRIP):
            if CODES.get(line.price_code) is not line.kind:
                fault("no such goods")
            return
        if line.kind is LineKind.KEYS:
            return
        fits = made_for(line)
        is_known = {
            LineKind.CYLINDER: any(line.attributes == one.attributes for one in GOODS),
            LineKind.PART: line.part_number in PARTS,
            LineKind.REKEY: fits is not None and any(fits == made_for(one) for one in GOODS),
        }[line.kind]
        if not is_known:
            fault("no such goods")
            return
        if (keyed(line) and fits is None) or (line.kind is LineKind.REKEY and not keyed(line)):
            fault("not to be keyed so")
            return
        if not keyed(line) or fits is None:
            return
        if keying.alike_with:
            self._alike(number, line, fits)
        elif keying.kind in MASTERED or (keying.kind is K.SKD and self.ask.system is not None):
            self._in_system(number, line, fits)
        else:
            if keying.kind is K.OWN and keying.key_keyway != fits[0]:
                fault("a customer's key that does not enter")
            self._give(number, line, self._singles(number, line, fits), "")
        if in_all is not None and number in self.sets and in_all % len(self.sets[number]):
            fault("keys not shared out evenly")

    def _alike(self, number: int, line: LineRequest, fits: tuple[str, int]) -> None:
        above = line.keying.alike_with
        there = self.sets.get(above, []) if above < number else []
        other = self.ask.lines[above - 1] if there else line
        apart = LineKind.REKEY in (line.kind, other.kind) and self.place.get(above) != self.place.get(number)
        keyway, chambers = made_for(other) or fits
        if not there or keyway != fits[0] or fits[1] > chambers or apart or line.quantity % len(there):
            self.fault("not alike")
            return
        self.sets[number], self.book[number] = there, self.book[above]

    def _records(self, number: int, line: LineRequest) -> RecordsHolder:
        return FACTORY if self.place.get(number) == "factory" and line.kind is not LineKind.REKEY else SHOP

    def _singles(self, number: int, line: LineRequest, fits: tuple[str, int]) -> Book:
        """The customer's book of single keys on a keyway, one for the bench's and one for the factory's."""
        records = self._records(number, line)
        if (*fits, records) not in self.books:
            same = (
                one
                for one in self.theirs
                if (one.levels, one.keyway, one.chambers, one.records) == (1, *fits, records)
            )
            row = next(same, None)
            self.books[*fits, records] = book_of(row) if row is not None else Book(None, 1, *fits, records)
        return self.books[*fits, records]

    def _in_system(self, number: int, line: LineRequest, fits: tuple[str, int]) -> None:
        ask, keying, system = self.ask, line.keying, self.system
        if ask.system is None:
            self.fault("no key system")
            return
        if system is not None and system.customer_id != ask.customer_id:
            self.fault("another customer's key system")
            return
        if "system" not in self.books:
            joining = [made_for(one) for one in ask.lines if one.keying.kind in MASTERED or one.keying.kind is K.SKD]
            longest = max(one[1] for one in (fits, *filter(None, joining)) if one[0] == fits[0])
            begun = book_of(system) if system else new_book(ask, fits[0], longest, self._records(number, line))
            self.books["system"] = begun
        book = self.books["system"]
        if fits[0] != book.keyway or fits[1] > book.chambers:
            self.fault("another keyway or more chambers")
            return
        master = ""
        if keying.kind in MASTERED:
            if MASTERED[keying.kind] > book.levels:
                self.fault("too few levels")
                return
            if keying.master and keying.master not in book.masters:
                self.fault("no such master")
                return
            if not keying.master and len(book.masters) > 1:
                self.fault("which master is not said")
                return
            master = keying.master or book.masters[0]
            if self._is_lost(master) and not (self.work.actor.role is Role.OWNER and ask.lost_reason.strip()):
                self.fault("a lost key opens it")
                return
        self._give(number, line, book, master)

    def _is_lost(self, master: str) -> bool:
        """Whether a key of the master is lost, or of one over it."""
        over = next((one for one in self.system.keysets if one.symbol == master), None) if self.system else None
        while over is not None:
            if any(key.state is KeyState.LOST for key in over.keys):
                return True
            over = over.parent
        return False

    def _give(self, number: int, line: LineRequest, book: Book, master: str) -> None:
        keying = line.keying
        sets = ceil(line.quantity / (keying.set_size or 1))
        if keying.set_size is None and keying.kind in (K.KA, K.OWN):
            sets = 1
        self.book[number] = book
        if keying.kind is K.OWN and keying not in self.own:
            self.own[keying] = book.give("", 1)
        self.sets[number] = self.own[keying] if keying.kind is K.OWN else book.give(master, sets)
        over = {master} if master else set()
        if master and book.row is not None:
            step = next(one for one in book.row.keysets if one.symbol == master).parent
            while step is not None:
                over.add(step.symbol)
                step = step.parent
        elif master and book.levels > 2:
            over |= {master[0], *(["GGM"] if book.levels == 4 else [])}
        book.operating |= over | {*self.sets[number]}

    def _rooms(self) -> None:
        for book in self.books.values():
            for master, need in book.needs.items() if book.records is SHOP else ():
                if not master:  # singles are drawn of nearly all bittings; on the small keyways they are not drawn
                    self.unclear |= book.keyway.startswith("PR")
                elif book.row is not None:
                    if need > room_under(self.work, book.row, master, need):
                        self.fault("no room")
                else:
                    self._begun(book, need)

    def _begun(self, book: Book, need: int) -> None:
        """So many chambers go to grands and to masters as hold them; the others make the changes."""
        asked = self.ask.system or SystemRequest()
        each = {"A": 4, "N": 4, "P": 2}[book.keyway[0]]  # half of ten depths less the master's own; of three, two
        each = 7 if book.keyway.startswith("NV") else each
        left = book.chambers
        for above in (asked.masters if book.levels > 2 else 1, asked.grands if book.levels > 3 else 1):
            left -= next(n for n in count() if each**n >= above)
        most = each**left if left > 0 else 0
        if need > most:
            self.fault("no room")
        elif need > (most if each == 2 else most // 4):  # the limit of adjacent cuts takes some
            self.unclear = True

    def _keys(self, line: LineRequest) -> None:
        symbol = line.symbol
        typed = line.attributes.keyway if line.attributes else ""
        sources = [n for n in self.sets if not self.ask.lines[n - 1].keying.alike_with]
        if not symbol and self.sets:
            if sum(len(self.sets[n]) for n in sources) > 1:
                self.fault("which keys is not said")
                return
            symbol = f"line {sources[0]}"
        if symbol in ("", "own"):
            if not typed:
                self.fault("which keys is not said")
            return
        of_line = re.fullmatch(r"(control )?line ([0-9]+)", symbol)
        if of_line and int(of_line[2]) not in self.sets:
            self.fault("no such keyset")
        elif of_line and of_line[1]:
            if not self.book[int(of_line[2])].keyway.startswith("NH"):
                self.fault("no such keyset")
        elif of_line:
            self._evenly(line, len(self.sets[int(of_line[2])]))
            if typed and typed != self.book[int(of_line[2])].keyway:
                self.fault("keys of another keyway")
        elif symbol in ("masters", "grands"):
            book = self._asked_book()
            there = (book.masters if symbol == "masters" else book.grands) if book else []
            if book is None or not there:
                self.fault("no such keyset")
            else:
                self._of_book(book, there, typed)
                self._evenly(line, len(there))
        else:
            self._of_symbol(symbol, typed)

    def _asked_book(self) -> Book | None:
        if self.system is not None and "system" not in self.books:
            self.books["system"] = book_of(self.system)
        return self.books.get("system")

    def _of_symbol(self, symbol: str, typed: str | None) -> None:
        """A keyset of the job's systems, else of the customer's only one that has it."""
        self._asked_book()
        of_job = {id(book): book for book in (*self.books.values(), *self.book.values())}.values()
        has = [
            book
            for book in of_job
            if symbol in book.symbols or (symbol == "CONTROL" and book.keyway.startswith("NH"))
        ]
        if len(has) != 1:
            rows = [one for one in self.theirs if any(keyset.symbol == symbol for keyset in one.keysets)]
            if len(has) > 1 or len(rows) != 1:
                self.fault("which keys is not said" if has or rows else "no such keyset")
                return
            has = [book_of(rows[0])]
        self._of_book(has[0], [symbol], typed)

    def _of_book(self, book: Book, symbols: list[str], typed: str | None) -> None:
        """A factory that has the records cuts the keys that operate the cylinders of its order, and control keys."""
        here = book.operating | ({"CONTROL"} if book.operating else set())
        if book.records is FACTORY and not here.issuperset(symbols):
            self.fault("cut at the factory")
        elif typed and typed != book.keyway:
            self.fault("keys of another keyway")

    def _evenly(self, line: LineRequest, sets: int) -> None:
        if line.quantity % sets:
            self.fault("keys not shared out evenly")

    def _prices(self) -> None:
        """Own prices are drawn far over the book or at a cent; discounts small, or more than half."""
        ask, goods = self.ask, False
        for line in ask.lines:
            goods |= line.kind not in (LineKind.LABOR, LineKind.TRIP, LineKind.REKEY) or (
                keyed(line) and line.keys > 0
            )
            if line.unit_cents is not None:
                if not line.price_reason.strip():
                    self.fault("no reason said")
                if line.unit_cents == 1 and line.price_meant != "$0.01 is below cost.":
                    self.fault("a low price or discount not meant")
        if ask.discount.is_given:
            if not ask.discount_reason.strip():
                self.fault("no reason said")
            if not goods:
                self.fault("no goods to take a discount off")
            elif ask.discount.percent > 50:
                self.fault("a low price or discount not meant")

    def _second_way(self) -> None:
        """It is drawn with one line of Ardent's mortise cylinders, at the factory from its minimum on."""
        ask = self.ask
        if not ask.option_b:
            return
        [line] = ask.lines
        is_enough = line.quantity >= MIN_CYLINDERS and line.quantity * MORTISE_CENTS >= MIN_ORDER_CENTS
        is_way = ask.option_b in ("shop", "factory") and self.place.get(1) != ask.option_b
        if not is_way or (ask.option_b == "factory" and not is_enough):
            self.fault("no such second way")


def room_under(work: Work, system: KeySystem, master: str, need: int) -> int:
    """How many cylinders' keysets a system has left under a master: what waits for a door, and every bitting of its
    array that neither is in use nor turns, or is turned by, anything that the customer has on the keyway.
    """
    plan = open_plan(work.vault, system)
    assert plan is not None and not plan.constants
    spec = {**system.spec.spec, "chambers": system.chambers}
    rows = sa.select(KeySystem).where(
        KeySystem.customer_id == system.customer_id, KeySystem.keyway == system.keyway, KeySystem.records == SHOP
    )
    neighbors = work.session.scalars(rows.order_by(KeySystem.id)).all()
    cuts = open_bittings(work.session, work.vault, neighbors)
    top = next(one for one in system.keysets if one.symbol == master)
    columns = [
        [
            depth
            for depth in range(spec["first_depth"], spec["first_depth"] + spec["depths"])
            if depth != own and (depth - own) % spec["step"] == 0
        ]
        if role == "C"
        else [own]
        for own, role in zip(cuts[top.id], plan.roles, strict=True)
    ]
    in_use = {*cuts.values()}
    most = [one for one in product(*columns) if all(abs(a - b) <= spec["macs"] for a, b in pairwise(one))]
    free = [one for one in most if one not in in_use]
    if need * 4 <= len(free):
        return len(free)
    shallowest = spec["first_depth"]
    above = {top.id: cuts[top.id]}
    step = top.parent
    while step is not None:
        above[step.id] = cuts[step.id]
        step = step.parent
    keys = [one for keyset_id, one in cuts.items() if keyset_id not in above]
    stacks = {tuple(frozenset(depths) for depths in zip(*way, strict=True)) for way in _ways(work, neighbors, cuts)}
    left = [
        one
        for one in free
        if not any(turns(one, stack, shallowest) for stack in stacks)
        and not any(turns(key, [*zip(one, *above.values(), strict=True)], shallowest) for key in keys)
    ]
    waiting = [
        one
        for one in system.keysets
        if one.parent_id == top.id
        and one.level is Level.CHANGE
        and not one.cylinders
        and all(key.state is not KeyState.LOST for key in one.keys)
    ]
    return len(left) + len(waiting)


def turns(key: tuple[int, ...], stack: Sequence[Collection[int]], shallowest: int) -> bool:
    """Whether a key turns a cylinder; where it has fewer cuts the rest of its blade is held for uncut."""
    entering = (*key, *[shallowest] * len(stack))
    return all(cut in depths for cut, depths in zip(entering, stack, strict=False))


def _ways(
    work: Work, systems: Sequence[KeySystem], cuts: Mapping[int, tuple[int, ...]]
) -> Iterator[list[tuple[int, ...]]]:
    """The bittings of the keys that operate each cylinder in service or on its way."""
    crossed: defaultdict[int, list[int]] = defaultdict(list)
    for row in work.session.scalars(sa.select(CylinderOperator).order_by(CylinderOperator.id)):
        crossed[row.cylinder_id].append(row.keyset_id)
    for system in systems:
        for keyset in system.keysets:
            for cylinder in keyset.cylinders:
                if cylinder.state is not CylinderState.REMOVED:
                    found = [keyset.id, *crossed[cylinder.id]]
                    step = None if cylinder.is_nmk else keyset.parent
                    while step is not None:
                        found.append(step.id)
                        step = step.parent
                    if any(one in cuts for one in found):  # not of a customer's key that is still to be decoded
                        yield [cuts[one] for one in found if one in cuts]
