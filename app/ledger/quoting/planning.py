"""Make a plan of what accepting a request does, from the house as it stands; nothing is saved or shown.

It is the one reckoning: the counter shows it, issuing freezes it, accepting makes it again and carries it out. So
whatever acceptance would refuse is a problem here, on its line; what a person can still bring is not asked:
authority, names, a deposit, and the door list.
"""

import itertools
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import sqlalchemy as sa
from sqlalchemy.orm import joinedload, selectinload

from app.errors import BitternError, Problem
from app.keying import read_symbol, share_words
from app.ledger.catalog.maker_queries import get_item
from app.ledger.catalog.price_queries import CONSTRUCTION_CORE
from app.ledger.keys.loss_plans import ANEW
from app.ledger.keysystems.auditing import StoppedByAudit, require_clean
from app.ledger.keysystems.construction import (
    SHORTER_THAN_KEYS,
    ConstructionWay,
    construction_symbol,
    control_of,
    is_construction_symbol,
)
from app.ledger.keysystems.control import CONTROL_SYMBOL
from app.ledger.keysystems.keysets import missing_bitting, symbols_in_words
from app.ledger.keysystems.out_of_use import require_not_retired, why_retired
from app.ledger.keysystems.reserves import ReserveLeft, reserves_of
from app.ledger.keysystems.rows_aside import why_rows_aside
from app.ledger.keysystems.system_queries import chambers_in
from app.ledger.quoting.allocation import records_for, set_sizes, shorter_than, system_problems
from app.ledger.quoting.key_lines import (
    OWN,
    control_named,
    cut_at_factory,
    level_named,
    line_named,
    on_other_keyway,
    settled_symbols,
    system_of_symbol,
)
from app.ledger.quoting.line_supply import LineSupply, RequestSupply
from app.ledger.quoting.loss_lines import PlanOfQuote, new_keys_named, with_loss
from app.ledger.quoting.plan import KeysetOnLine, Plan, PlannedBlanks, PlannedKeys, PlannedLine
from app.ledger.quoting.promises import promise_from
from app.ledger.quoting.quoted import asked_in
from app.ledger.quoting.rekeying import crossed_ways, kind_of_levels
from app.ledger.quoting.request import BEYOND, KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.quoting.room import Room, Unclear, waiting_changes
from app.ledger.quoting.snapshot import KeyingChoice, QuoteSnapshot
from app.ledger.quoting.system_books import SystemBook, SystemBooks
from app.ledger.stock.movements import quantity_of
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderOperator,
    CylinderState,
    Keyset,
    KeySystem,
    Level,
    LineKind,
    RecordsHolder,
)
from app.pricing import KeyingKind
from app.validation import counted

_MOST_NAMED = 20


@dataclass(frozen=True, slots=True)
class Reckoning:
    """A plan with what stands against it (`lines.0.quantity`), and (line from 0, what the counter should know)."""

    plan: Plan
    problems: tuple[Problem, ...]
    notes: tuple[tuple[int, str], ...]


def make_plan(
    work: Work,
    ask: QuoteRequest,
    keying: Sequence[KeyingChoice],
    supplies: Mapping[int, LineSupply],
    refused: Collection[int] = (),
    *,
    doors: Mapping[int, Sequence[str]] | None = None,
    is_exact: bool = True,
    is_again: bool = False,
) -> Reckoning:
    """What accepting a request today does, keyed as decided, and what has to be said of its lines before that.

    supplies: where each line's pieces come from. refused: the numbers of the lines that have no part in the plan.
    doors: for each line the keysets that its doors name, a cylinder each, "" for the next; None before there are any.
    Without `is_exact` seals are opened only where counting does not tell whether there is room. is_again: whether the
    request was quoted.
    """

    def reckon(room: Room) -> Reckoning:
        planner = _Planner(work, ask, keying, supplies, room, refused, doors)
        numbered = [(number, line) for number, line in enumerate(ask.lines, start=1) if number not in refused]
        lines = [planner.plan_line(number, line) for number, line in numbered]
        keys = planner.plan_keys((number, line) for number, line in numbered if line.kind is LineKind.KEYS)
        plan = Plan(
            lines=tuple(line for line in lines if line is not None),
            keys=keys,
            blanks=planner.plan_blanks(keys),
            goods=tuple(filter(None, itertools.starmap(planner.plan_goods, numbered))),
            begins=tuple(book.name for book in planner.books.all if book.row is None and book.form is not None),
        )
        return Reckoning(plan, tuple(planner.problems), tuple(planner.notes))

    if not is_exact:
        with suppress(Unclear):
            return reckon(Room(work, is_exact=False))
    return reckon(Room(work, is_exact=True, is_again=is_again))


def plan_again(work: Work, quote: QuoteSnapshot, doors: Mapping[int, Sequence[str]] | None = None) -> Reckoning:
    """What accepting a quote does today; its own plan is of the day of issue. doors: as for `make_plan`.

    It is keyed where it was sold, and ready on the quote's day unless shelf or bench have not left enough for that.
    """
    words = {int(line.label): line.words for line in quote.lines if line.label.isdigit()}
    ask, problems = settled_symbols(work.session, asked_in(work.session, quote), words)
    problems += system_problems(work, ask, ask.lines, quote.keying)
    problems += with_loss(work.session, ask)[1]
    promise = promise_from(work, quote, work.today)
    keying = [
        replace(one, ready_on=promise.on) if promise.later and one.choice == "shop" else one for one in quote.keying
    ]
    supplies = RequestSupply(work, ask, ask.lines).take_all(keying)
    made = make_plan(work, ask, keying, supplies, lines_refused(problems), doors=doors, is_again=True)
    return Reckoning(made.plan, (*problems, *made.problems), made.notes)


def lines_refused(problems: Iterable[Problem]) -> set[int]:
    """The numbers of the lines that problems are about."""
    return {int(one.field.split(".")[1]) + 1 for one in problems if one.field.startswith("lines.")}


def proof_problems(work: Work, ask: QuoteRequest, plan: Plan) -> list[Problem]:
    """Interchange in the systems that a plan adds to, each on the first of its lines there: acceptance proves that
    there is none, and would refuse.

    What the plan adds is drawn so that it clashes with nothing, so only what is in service is proven here. No count
    tells of it, and each cylinder has to be opened: it is asked at issue, not at every key of the counter's page.
    """
    problems = []
    first: dict[str, int] = {}
    for line in plan.lines:
        for one in line.keysets:
            first.setdefault(one.system, line.number)
    rows = sa.select(KeySystem).where(KeySystem.customer_id == ask.customer_id, KeySystem.name.in_(first))
    rekeyed = {one for line in ask.lines if line.kind is LineKind.REKEY for one in line.standing}
    for system in work.session.scalars(rows.order_by(KeySystem.id)).all():
        if system.records is RecordsHolder.SHOP:
            try:
                require_clean(work, [system], "Nothing is keyed there before that is mended.", rekeyed)
            except StoppedByAudit as stopped:
                problems.append(Problem(f"lines.{first[system.name] - 1}.keying", stopped.message))
    return problems


def _kept_in_words(kept: Sequence[ReserveLeft]) -> str:
    """What is kept back, each with its count."""
    said = [f"{counted(one.left, 'change')} for {one.name}" for one in kept if one.left]
    return f"{', '.join(said)} {'is' if sum(one.left for one in kept) == 1 else 'are'}"


def _which_master(book: SystemBook, said: str) -> str:
    named = ", ".join(book.masters[:_MOST_NAMED]) + (" …" if len(book.masters) > _MOST_NAMED else "")
    if said:
        return f"{book.name} is to have {named}: name one of these, or enter how many masters it gets."
    return f"{book.name} has several masters: say under which this goes, {named}."


class _Planner:
    """Gives keysets line by line and counts the keys. `problems` and `notes` gather what is to be said."""

    def __init__(
        self,
        work: Work,
        ask: QuoteRequest,
        keying: Sequence[KeyingChoice],
        supplies: Mapping[int, LineSupply],
        room: Room,
        refused: Collection[int],
        doors: Mapping[int, Sequence[str]] | None,
    ) -> None:
        self._work = work
        self._session = work.session
        self._ask = ask
        self._choices = keying
        self._supplies = supplies
        self._room = room
        self._refused = {*refused}
        self._doors = doors
        self._of_line: dict[int, list[KeysetOnLine]] = {}
        self._instead: dict[str, tuple[str, str]] = {}  # a replaced keyset's symbol → the new one's, and its system
        self._decoded: dict[tuple[SystemBook, KeyingInstruction], str] = {}  # keyed to a key of the customer's
        self._reserves: dict[SystemBook, tuple[ReserveLeft, ...]] = {}
        self._lacking: dict[str, str] = {}  # by keyway: why nothing can be drawn on it
        self._for_loss = PlanOfQuote.of(work.session, ask)
        self.books = SystemBooks(work, ask, keying, room.begin)
        if self._for_loss is not None:
            self.books.of(self._for_loss.loss.system).replace_keysets(self._for_loss.loss.successors)
        self.problems: list[Problem] = []
        self.notes: list[tuple[int, str]] = []

    def _refuse(self, number: int, field: str, message: str) -> None:
        self.problems.append(Problem(f"lines.{number - 1}.{field}", message))
        self._refused.add(number)

    def plan_line(self, number: int, line: LineRequest) -> PlannedLine | None:
        """The line's cylinders; None where it has none, or is refused."""
        if not line.kind.is_keyed or line.attributes is None:
            return None
        choice = next((one for one in self._choices if number in one.lines), None)
        keyed_at = choice.choice if choice else ""
        if line.standing:
            keysets = self._rekeyed_for_loss(number, line) if self._for_loss else self._rekeyed(number, line)
        else:
            keysets = self._given(number, line)
        if number in self._refused:
            return None
        self._of_line[number] = keysets
        ready_on = choice.ready_on if choice else None
        return self._with_stock(
            PlannedLine(
                *(number, line.part_number, line.quantity, keyed_at, ready_on, 0, tuple(keysets)),
                share=self._share(number, line, keysets),
            )
        )

    def _share(self, number: int, line: LineRequest, keysets: Sequence[KeysetOnLine]) -> str:
        """At most which share of all bittings turns a cylinder of a line, by what its system can shear, with the
        construction key's balls and without.
        """
        books = {book.name: book for book in self.books.all if book.is_ours}
        if not keysets or not all(one.system in books for one in keysets):
            return ""
        own = line.attributes.chambers if line.attributes else None
        by_master = self._ask.system is not None and self._ask.system.construction is ConstructionWay.MASTER
        is_set_up = by_master and number in self._ask.construction_keyed()
        most = []
        for one in keysets:
            spec = books[one.system].spec
            seen = replace(spec, chambers=chambers_in(spec.chambers, own))
            depths = books[one.system].shears_at_most(one.symbol, one.operators)
            until = min(depths + is_set_up, spec.depths) ** seen.chambers  # a ball in each chamber at most
            most.append((seen.share_of(depths**seen.chambers), seen.share_of(until), seen, until))
        share, share_until, seen, until = max(most, key=lambda each: each[:2])
        over = f", over the spec's one in {seen.share_one_in:,}" if seen.passed_share(until) else ""
        if is_set_up:
            over = f", {share_words(share_until)} until the construction key is dead{over},"
        return f"{share_words(share)} of all bittings{over}"

    def plan_goods(self, number: int, line: LineRequest) -> PlannedLine | None:
        """The line's goods where they are no cylinders; None where it has none."""
        if line.kind is not LineKind.HARDWARE:
            return None
        return self._with_stock(
            PlannedLine(number, line.part_number or line.price_code, line.quantity, "", None, 0, ())
        )

    def _with_stock(self, line: PlannedLine) -> PlannedLine:
        taken = self._supplies.get(line.number, LineSupply()).goods
        if taken is None or not taken.lacking:
            return replace(line, is_counted=taken is None or not taken.uncounted)
        here_on = taken.here_on(self._work.today)
        return replace(line, to_order=taken.to_order, on_order=taken.on_order, here_on=here_on)

    def plan_blanks(self, keys: Iterable[PlannedKeys]) -> tuple[PlannedBlanks, ...]:
        """The blanks of the keys that are cut here: those to no keyset are, and of a system whose records are here,
        those that no factory cuts with the cylinders that it keys.
        """
        away = {number for one in self._choices if one.choice == "factory" for number in one.lines}
        sent, here = set[tuple[str, str]](), set[tuple[str, str]]()
        for number, keysets in self._of_line.items():
            (sent if number in away else here).update((one.symbol, one.system) for one in keysets)
        whole = {system for _, system in sent} - {system for _, system in here}
        books = {book.name: book for book in self.books.all}
        counts: Counter[tuple[tuple[str, ...], int]] = Counter()
        for one in keys:
            book, keyset = books.get(one.system), (one.symbol, one.system)
            is_sent = one.system in whole or (keyset in sent and keyset not in here)
            if book is not None and book.records is not RecordsHolder.FACTORY and not is_sent:
                counts[book.blank_keyways(one.symbol), book.spec.chambers] += one.count
        for line in self._ask.lines:
            if line.kind is LineKind.KEYS and line.symbol == OWN and line.attributes is not None:
                counts[(line.attributes.keyway or "",), 0] += line.quantity
        return tuple(PlannedBlanks(*key, count) for key, count in counts.items())

    def _given(self, number: int, line: LineRequest) -> list[KeysetOnLine]:
        """The keysets of a line's new cylinders: the next of its system, or those that its doors name."""
        named = list((self._doors or {}).get(number, ())) or [""] * line.quantity
        if not line.is_keyed:
            if any(named):
                told = f"Line {number} is uncombinated, but a keyset is given in the door list."
                self.problems.append(Problem("doors", told))
            return []
        if line.keying.alike_with:
            return self._alike(number, line, named)
        try:
            book = self.books.for_line(number, line)
        except BitternError as error:
            book = None
            for one in error.problems:
                is_of_line = not one.field.startswith("system_")
                self.problems.append(
                    Problem(f"lines.{number - 1}.{one.field}" if is_of_line else one.field, one.message)
                )
        master = self._master_of(number, line, book) if book is not None else None
        over = book.above[master] if master and book is not None else ()  # a list may lack them
        wanted = kind_of_levels(2 + len(over))
        if over and line.keying.kind in (KeyingKind.MK, KeyingKind.GMK) and line.keying.kind is not wanted:
            each = "operates" if len(over) == 1 else "operate"
            self.notes.append((number - 1, f"{', '.join(over)} {each} this too: key it {wanted.value}."))
        if book is None or master is None:
            self._refused.add(number)
            return []
        if line.attributes is not None and (line.attributes.chambers or 12) < book.spec.chambers:
            told = f"{line.attributes.chambers} chambers, while keys of {book.name} have {book.spec.chambers} cuts"
            seen = f"these cylinders see those nearest to the {book.spec.stop}, by which their keys are told apart."
            self.notes.append((number - 1, f"{told}: {seen}"))
        on_record = self._on_record(book, line, named)
        sizes = set_sizes(line.keying, sum(symbol not in on_record for symbol in named))
        listed = dict.fromkeys(one for one in named if one not in on_record and book.is_free(one, master, len(named)))
        fresh = self._fresh(number, line, book, master, sizes, () if max(sizes, default=1) > 1 else (*listed,))
        self._offer_alike(number, line, book)
        if number in self._refused:
            return []
        self._require_offered(number, named, on_record, dict(zip(fresh, sizes, strict=False)))
        counts = Counter({symbol: named.count(symbol) for symbol in on_record})
        counts.update(dict(zip(fresh, sizes, strict=False)))
        also = (line.keying.selective,) if line.keying.selective else ()
        return [
            KeysetOnLine(symbol, book.name, count, keys, (*book.above[symbol], *also), symbol not in book.there)
            for (symbol, count), keys in zip(counts.items(), line.keys_by_keyset([*counts.values()]), strict=True)
        ]

    def _offer_alike(self, number: int, line: LineRequest, book: SystemBook) -> None:
        """Say that a keyed-alike line gets a key of its own where it could share a line's above."""
        alike = (other for other in self._of_line if self._ask.lines[other - 1].keying.kind is KeyingKind.KA)
        above = next((one for one in alike if any(k.system == book.name for k in self._of_line[one])), 0)
        if above and line.keying.kind is KeyingKind.KA:
            told = f"It gets a key of its own; alike with line {above}, enter {above} under 'Alike with line'."
            self.notes.append((number - 1, told))

    def _alike(self, number: int, line: LineRequest, named: Sequence[str]) -> list[KeysetOnLine]:
        """The keysets of the line that this one is keyed alike with, its cylinders shared out among them."""
        source = self._ask.source_of(number)
        there = self._of_line.get(source, [])
        if not there:
            if source == number or source not in self._refused:
                told = f"Line {line.keying.alike_with} gives this one no keyset: name a line above that is keyed."
                self._refuse(number, "alike_with", told)
            self._refused.add(number)
            return []
        said, other = line.attributes, self._ask.lines[source - 1].attributes
        if (
            said is None
            or other is None
            or said.keyway != other.keyway
            or (said.chambers or 0) > (other.chambers or 0)
        ):
            told = "keyed alike they need the same keyway, and no more chambers than it has."
            self._refuse(number, "alike_with", f"Line {source} and this one differ: {told}")
        elif records_for(number, line, self._choices) is not records_for(
            source, self._ask.lines[source - 1], self._choices
        ):
            told = "what is keyed alike is keyed in one place."
            self._refuse(number, "alike_with", f"Line {source} is keyed elsewhere: {told}")
        elif line.quantity % len(there):
            told = f"enter {len(there):,} cylinders or a multiple of that."
            self._refuse(number, "quantity", f"Line {source} is on {len(there):,} keysets: {told}")
        if number in self._refused:
            return []
        each = line.quantity // len(there)
        self._require_offered(number, named, [], {one.symbol: each for one in there})
        keys = line.keys_by_keyset([each] * len(there))
        return [replace(one, cylinders=each, keys=count) for one, count in zip(there, keys, strict=True)]

    def _master_of(self, number: int, line: LineRequest, book: SystemBook) -> str | None:
        """The master that a line goes under, "" for none; None where that is asked, or was refused already."""
        keying = line.keying
        if not keying.kind.is_master_keyed:
            return ""
        if keying.selective and keying.selective != book.selective:
            has = f"its selective master is {book.selective}" if book.selective else "it has no selective master yet"
            told = f"{book.name} has no selective master {keying.selective}: {has} (Selective master, on its page)."
            self._refuse(number, "master", told)
            return None
        if keying.master in book.masters:
            return keying.master
        plain = [one for one in book.masters if one != book.selective]
        if not keying.master and len(plain) == 1:
            return plain[0]
        if not keying.master or book.row is None:
            self._refuse(number, "master", _which_master(book, keying.master))
        return None

    def _on_record(self, book: SystemBook, line: LineRequest, named: Sequence[str]) -> list[str]:
        """The keysets that a line's doors name of those that stood in its system before this job."""
        if book.row is None or not line.keying.kind.is_master_keyed or not any(named):
            return []
        beside = (Level.CONTROL, Level.CONSTRUCTION, Level.CONSTRUCTION_CONTROL)
        keysets = (one for one in book.row.keysets if one.level not in beside)
        found = {one.symbol: one for one in keysets if one.symbol in named}
        for one in found.values():
            if one.is_out_of_use:
                told = f"{one.symbol} is retired: its keys may be anywhere. Name another keyset."
                self.problems.append(Problem("doors", told))
        return [symbol for symbol in dict.fromkeys(named) if symbol in found]

    def _fresh(
        self,
        number: int,
        line: LineRequest,
        book: SystemBook,
        master: str,
        sizes: Sequence[int],
        listed: Sequence[str],
    ) -> list[str]:
        """So many keysets beside those on record that the doors name: new ones, those that the doors list among them,
        and such as wait for a door where new ones run out.
        """
        count, system = len(sizes), book.row
        doors = (self._doors or {}).items()
        of_doors = {symbol for _, symbols in doors for symbol in symbols}
        reserved = {symbol for other, symbols in doors if other != number for symbol in symbols} - {*listed}
        if not count:
            return []
        if line.keying.kind is KeyingKind.OWN:  # alike wherever it is the same key, which nobody draws
            if (book, line.keying) not in self._decoded:
                self._decoded[book, line.keying] = book.add_symbols("", 1)[0]
            return [self._decoded[book, line.keying]]
        if not book.is_ours:
            return book.add_symbols(master, count, listed, reserved)
        waiting: list[str] = []
        shorter = shorter_than(book.spec.chambers, self._ask, number)
        if missing := self._missing(book.keyway):
            self._refuse(number, "keying", missing)
            return []
        if system is not None and master and (aside := why_rows_aside(self._session, system)):
            self._refuse(number, "keying", aside)
            return []
        kept = self._reserves_under(book, master)
        drawn = self._of_reserve(number, line.keying, book, master, kept, count)
        if number in self._refused or len(drawn) == count:
            return drawn
        count -= len(drawn)
        try:
            also = [[line.keying.selective]] if line.keying.selective else []
            found = self._room.take(book, master, count, also, shorter)
        except BitternError as error:
            self._refuse(number, "keying", error.message)
            return []
        if found < count and system is not None and master:
            given = {one.symbol for keysets in self._of_line.values() for one in keysets}
            there = waiting_changes(self._work, system, master)
            held = {symbol for one in kept for symbol in one.symbols}
            waiting = [symbol for symbol in there if symbol not in given | of_doors | held][: count - found]
            if found + len(waiting) == count:
                self._room.take(book, master, found, also, shorter)
                self.notes.append(
                    (
                        number - 1,
                        f"{_how_many(book, master, found)} {symbols_in_words(waiting)} "
                        f"{'is' if len(waiting) == 1 else 'are'} on record and on no door yet: this line takes "
                        f"{'it' if len(waiting) == 1 else 'them'}, unless the door list at acceptance names others.",
                    )
                )
        if found + len(waiting) < count:
            most = sum(sizes[:found])
            told = f"enter at most {most:,}, or key" if found else "key"
            other = "under another master, in a new system or single (SKD)" if master else "on another keyway"
            if any(one.left for one in kept):
                other += f"; {_kept_in_words(kept)} in reserve: choose that under Reserve, if these doors are there"
            if system is not None and master:
                other += "; or have the bench search for more (Extend, on the key system's page)"
            self._refuse(
                number,
                "quantity",
                f"{_how_many(book, master, found)} This line needs {count:,}: {told} "
                f"{'the rest' if found else 'this'} {other}.",
            )
            return []
        return [*drawn, *book.add_symbols(master, found, listed, reserved), *waiting]

    def _reserves_under(self, book: SystemBook, master: str) -> list[ReserveLeft]:
        """What is kept back under a master, without what other lines of this plan take, or doors name."""
        if book.row is None or not master:
            return []
        if book not in self._reserves:
            self._reserves[book] = reserves_of(self._session, book.row)
        given = {one.symbol for keysets in self._of_line.values() for one in keysets if one.system == book.name}
        given |= {symbol for symbols in (self._doors or {}).values() for symbol in symbols}
        under = (one for one in self._reserves[book] if one.master == master)
        return [replace(one, symbols=tuple(s for s in one.symbols if s not in given)) for one in under]

    def _of_reserve(
        self,
        number: int,
        keying: KeyingInstruction,
        book: SystemBook,
        master: str,
        kept: Sequence[ReserveLeft],
        count: int,
    ) -> list[str]:
        """The changes that a line takes of the reserve that it names; what is said where it names none, or too few
        are left.
        """
        if not keying.reserve:
            if any(one.left for one in kept) and self._doors is None:
                told = f"{_kept_in_words(kept)} in reserve: choose that under Reserve, if these doors are there."
                self.notes.append((number - 1, f"Under {master} {told}"))
            return []
        found = next((one for one in kept if one.name == keying.reserve_name), None)
        if found is None:
            there = f": {_kept_in_words(kept)}" if any(one.left for one in kept) else ""
            told = f"{book.name} keeps nothing in reserve for {keying.reserve_name} under {master}{there}."
            self._refuse(number, "reserve", told)
            return []
        if found.left < count and not keying.reserve.endswith(BEYOND):
            self._refuse(
                number,
                "reserve",
                f"The reserve for {found.name} has {counted(found.left, 'change')} left, and this line needs "
                f"{count:,}: choose “{found.name}{BEYOND}”, or enter fewer.",
            )
            return []
        drawn = list(found.symbols[:count])
        if drawn:
            rest = found.left - len(drawn)
            told = f"{symbols_in_words(drawn)} {'is' if len(drawn) == 1 else 'are'} of the reserve for {found.name}"
            self.notes.append((number - 1, f"{told}: {rest:,} left of it then."))
        return drawn

    def _missing(self, keyway: str) -> str:
        who = self._ask.customer_id
        if who and keyway not in self._lacking:
            self._lacking[keyway] = missing_bitting(self._session, who, keyway)
        return self._lacking.get(keyway, "")

    def _require_offered(
        self, number: int, named: Sequence[str], on_record: Sequence[str], offered: Mapping[str, int]
    ) -> None:
        """Say which rows of the door list name a keyset that is none of the line's, or give it out too often."""
        left = Counter(offered)
        for row, symbol in enumerate(named, start=1):
            if not symbol or symbol in on_record:
                continue
            left[symbol] -= 1
            if left[symbol] >= 0:
                continue
            if symbol in offered:
                held = f"of this line {symbol} has {offered[symbol]} of its cylinders."
                why = f"keyset {symbol} is given out already; {held}"
            else:
                shown = ", ".join([*offered][:12]) + (" …" if len(offered) > 12 else "")
                why = f"{symbol[:24]} is none of this line's keysets ({shown})."
            self.problems.append(Problem("doors", f"Line {number}, cylinder {row}: {why}"))

    def _rekeyed(self, number: int, line: LineRequest) -> list[KeysetOnLine]:
        """The keysets of cylinders that are rekeyed where they hang: their own, or what takes its place."""
        loaded = joinedload(Cylinder.keyset), selectinload(Cylinder.operators).joinedload(CylinderOperator.keyset)
        rows = sa.select(Cylinder).where(Cylinder.id.in_(line.standing)).options(*loaded)
        by_id = {cylinder.id: cylinder for cylinder in self._session.scalars(rows)}
        there = [by_id[one] for one in line.standing if one in by_id]
        counts = Counter(one.keyset for one in there)
        now = {one: self._now(number, one) for one in counts if one is not None}
        ways: dict[Keyset, Counter[tuple[str, ...]]] = {one: Counter() for one in now}
        for cylinder in there:  # what crosses them is replaced, too, in this order
            crossing = [self._now(number, one.keyset) for one in cylinder.operators]
            if (own := cylinder.keyset) is not None:
                above = () if cylinder.is_nmk else self.books.of(own.system).above.get(now[own], ())
                ways[own][tuple(dict.fromkeys((*above, *crossing)))] += 1
        planned = []
        keys = dict(zip(counts, line.keys_by_keyset([*counts.values()]), strict=True))
        for own, symbol in now.items():
            name, is_new = self.books.of(own.system).name, symbol != own.symbol
            for operators, count in ways[own].items():
                planned.append(KeysetOnLine(symbol, name, count, keys.pop(own, 0), operators, is_new))
        return planned

    def _rekeyed_for_loss(self, number: int, line: LineRequest) -> list[KeysetOnLine]:
        """The same by the plan of a loss, which says what takes each keyset's place."""
        plan = self._for_loss
        rows = sa.select(Cylinder).where(Cylinder.id.in_(line.standing)).options(joinedload(Cylinder.keyset))
        ways: Counter[tuple[str, tuple[str, ...]]] = Counter()
        book = None
        for cylinder in self._session.scalars(rows.order_by(Cylinder.id)):
            if plan is None or cylinder.keyset is None or cylinder.keyset.system_id != plan.loss.system_id:
                self._refuse(number, "quantity", f"One of these doors is not in the system of the loss: {ANEW}.")
                return []
            try:
                keyed = plan.rekeyed(cylinder)
            except BitternError as error:
                self._refuse(number, error.field, error.message)
                return []
            book = self.books.of(cylinder.keyset.system)
            above = () if keyed.is_nmk else tuple(map(plan.now, book.above.get(cylinder.keyset.symbol, ())))
            if keyed.symbol in above:  # a door that was keyed to the master that is left out
                above = above[above.index(keyed.symbol) + 1 :]
            ways[keyed.symbol, tuple(dict.fromkeys((*above, *keyed.further)))] += 1
        keys = line.keys_by_keyset([*ways.values()])
        return [
            KeysetOnLine(symbol, book.name, count, each, operators, symbol not in book.there)
            for ((symbol, operators), count), each in zip(ways.items(), keys, strict=True)
            if book is not None
        ]

    def _now(self, number: int, old: Keyset) -> str:
        """A keyset's symbol or, of those that the request replaces, that of the new one in its place."""
        symbol = old.symbol
        if symbol not in self._ask.replaced:
            return symbol
        if symbol not in self._instead:
            book, master = self.books.of(old.system), old.parent.symbol if old.parent else ""
            if why := why_retired(old.system):
                self._refuse(number, "keying", why)
                return symbol
            if not book.is_ours:
                self._refuse(
                    number,
                    "keying",
                    f"The records of {book.name} are with the {book.records.value}: no keyset can be made here in "
                    f"place of {symbol}.",
                )
                return symbol
            ways = [[one.symbol for one in way] for way in crossed_ways(self._session, self._ask, old)]
            if not self._room.take(book, master, 1, crossed=ways):
                self._refuse(number, "quantity", f"{_how_many(book, master, 0)} {symbol} cannot be replaced.")
                return symbol
            self._instead[symbol] = book.add_symbols(master, 1)[0], book.name
        return self._instead[symbol][0]

    def plan_keys(self, lines: Iterable[tuple[int, LineRequest]]) -> tuple[PlannedKeys, ...]:
        """The keys with the cylinders, then those of the lines of further keys."""
        counts: Counter[tuple[str, str]] = Counter()
        for keysets in self._of_line.values():
            for one in keysets:
                counts[one.symbol, one.system] += one.keys
        for number, line in lines:
            try:
                self._count_line(counts, line)
            except BitternError as error:
                if not self.problems and not self._refused:  # else it may be of what was refused
                    self.problems.append(Problem(f"lines.{number - 1}.{error.field}", error.message))
        keyed = {one.system for keysets in self._of_line.values() for one in keysets}
        for book in self.books.all:
            if book.wants_control and book.name in keyed and not counts[CONTROL_SYMBOL, book.name]:
                counts[CONTROL_SYMBOL, book.name] = 1  # without one the cores can neither be put in nor taken out
        self._count_construction(counts)
        return tuple(PlannedKeys(symbol, system, count) for (symbol, system), count in counts.items() if count)

    def _count_construction(self, counts: Counter[tuple[str, str]]) -> None:
        """The keys that contractors carry, and the control key of the cores that are lent to them."""
        asked, keyed = self._ask.system, self._ask.construction_keyed()
        book = self.books.asked() if asked is not None and asked.construction and keyed else None
        if book is None or asked is None or self._refused.intersection(keyed):
            return
        if asked.construction is ConstructionWay.CORES and not book.is_ours:
            told = f"The records of {book.name} are with the {book.records.value}: have the construction cores"
            self.problems.append(Problem("construction", f"{told} from there, by a remark on the line."))
            return
        cuts = book.spec.chambers
        if asked.construction is ConstructionWay.MASTER and any(
            shorter_than(cuts, self._ask, number) is not None for number in keyed
        ):
            self.problems.append(Problem("construction", SHORTER_THAN_KEYS))
            return
        symbol = construction_symbol(self._session, book.row, asked.construction)
        counts[symbol, book.name] += asked.construction_keys
        if asked.construction is ConstructionWay.CORES:
            counts[control_of(symbol), book.name] += 1
            free, wanted = self._free_cores(), sum(keyed.values())
            if free is not None and free < wanted:
                told = f"{counted(wanted, 'construction core')} of the house's are lent for it, {max(free, 0):,} free"
                self.notes.append((min(keyed) - 1, f"{told}: have {wanted - max(free, 0):,} more before they go."))

    def _free_cores(self) -> int | None:
        """How many construction cores lie on the shelf that no job waits for; None where nobody counts them."""
        item = get_item(self._session, None, CONSTRUCTION_CORE)
        if item is None or not item.is_counted:
            return None
        here = Cylinder.state.not_in((CylinderState.FITTED, CylinderState.REMOVED))
        lent = sa.select(sa.func.count(Cylinder.id)).join(Keyset, Keyset.id == Cylinder.keyset_id)
        waiting = self._session.scalar(lent.where(Keyset.level == Level.CONSTRUCTION, here)) or 0
        return quantity_of(self._session, item.id).on_hand - waiting

    def _count_line(self, counts: Counter[tuple[str, str]], line: LineRequest) -> None:
        number = line_named(line.symbol)
        if number is not None:
            named = dict.fromkeys((one.symbol, one.system) for one in self._of_line.get(number, ()))
            if not named and self._doors is None:
                return  # its doors are still to name them, or the line is refused
            if not named or line.quantity % len(named):
                told = f"{line.quantity:,} keys cannot be shared out among the {len(named):,} keysets"
                raise BitternError("symbol", f"{told} of line {number}: issue a revision that names the keysets.")
            for one in named:
                counts[one] += line.quantity // len(named)
        elif (level := level_named(line.symbol)) is not None:
            book, there = self._at_level(level)
            if line.quantity % len(there):
                told = f"There are {len(there):,} of that level: enter {len(there):,} keys or a multiple of that."
                raise BitternError("quantity", told)
            for symbol in there:
                self._require_sold(line, book, symbol)
                counts[symbol, book.name] += line.quantity // len(there)
        elif (number := control_named(line.symbol)) is not None:
            names = dict.fromkeys(one.system for one in self._of_line.get(number, ()))
            cores = [book for book in self.books.all if book.name in names and book.has(CONTROL_SYMBOL)]
            if not cores:
                raise BitternError("symbol", f"Line {number} has no cores, so there is no control key to them.")
            counts[CONTROL_SYMBOL, cores[0].name] += line.quantity
        elif self._for_loss is not None and (level := new_keys_named(line.symbol)) is not None:
            for symbol, count in self._for_loss.new_keys(level, line.quantity).items():
                counts[symbol, self._for_loss.loss.system.name] += count
        elif line.symbol in self._instead:
            counts[self._instead[line.symbol]] += line.quantity
        elif line.symbol in self._ask.replaced:
            told = f"No cylinder of this quote is rekeyed from {line.symbol[:24]} any more: take its keys off too."
            raise BitternError("symbol", told)
        elif line.symbol == OWN:
            counts[OWN, ""] += line.quantity
        elif line.symbol:
            book = self._system_of(line.symbol)
            if book.row is not None:
                require_not_retired([one for one in book.row.keysets if one.symbol == line.symbol], "symbol")
            self._require_sold(line, book, line.symbol)
            counts[line.symbol, book.name] += line.quantity

    def _which_control(self, books: Sequence[SystemBook]) -> str:
        names = {book.name for book in books}
        lines: dict[str, int] = {}
        for number, keysets in self._of_line.items():
            for one in keysets:
                if one.system in names:
                    lines.setdefault(one.system, number)
        each = " or ".join(f"'control line {number}' ({name})" for name, number in lines.items())
        return f"The cores of this quote are in several systems, each with a control key of its own: enter {each}."

    def _at_level(self, level: Level) -> tuple[SystemBook, list[str]]:
        """The request's key system, with every master of a level."""
        book = self.books.asked()
        found: list[str] = []
        if book is not None and book.row is not None:
            found = [one.symbol for one in book.row.keysets if one.level is level]
        elif book is not None:
            found = [
                one
                for one in book.above
                if one != CONTROL_SYMBOL
                and not is_construction_symbol(one)
                and read_symbol(one).level.value == level.value
            ]
        if book is None or not found:
            told = f"No key system of this quote has a {level.value}: name the keyset, or choose the system."
            raise BitternError("symbol", told)
        return book, found

    def _system_of(self, symbol: str) -> SystemBook:
        """The system that a key line's symbol is of: one of the job's, else the customer's only one that has it.

        BitternError on `symbol` where there is none, or several.
        """
        self.books.asked()
        here = [book for book in self.books.all if book.has(symbol)]
        if len(here) > 1 and symbol == CONTROL_SYMBOL:
            raise BitternError("symbol", self._which_control(here))
        if len(here) != 1:
            found = system_of_symbol(self._session, self._ask.customer_id, symbol, [book.name for book in here])
            here = [self.books.of(found)]
        return here[0]

    def _require_sold(self, line: LineRequest, book: SystemBook, symbol: str) -> None:
        """Refuse keys that are on another keyway than was typed, and keys that nobody cuts for this job: the order to
        a factory that has the records names the keys that operate its cylinders, and control keys.
        """
        typed = line.attributes.keyway if line.attributes else ""
        known = book.blank_keyways(symbol)
        if typed and typed not in known:
            raise on_other_keyway(known, typed)
        if book.records is RecordsHolder.FACTORY:
            sent = [one for keysets in self._of_line.values() for one in keysets if one.system == book.name]
            operating = {each for one in sent for each in (one.symbol, *one.operators)}
            if symbol not in operating and not (sent and symbol == CONTROL_SYMBOL):
                raise cut_at_factory(book.name)


def _how_many(book: SystemBook, master: str, count: int) -> str:
    """How many new keysets there are, in a sentence."""
    under = f" under {master}" if master else ""
    if book.row is None and not book.last[master]:
        return f"{book.name} can hold {counted(count, 'keyset')}{under}."
    more = f"{count:,} more {'keyset' if count == 1 else 'keysets'}" if count else "no more keysets"
    return f"{book.name} can {'give' if book.row else 'hold'} {more}{under}."
