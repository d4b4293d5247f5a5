"""How many keysets the key systems of a job can still give, its lines one after the other.

Where counting is enough, a system's array and one master are opened, and nothing else. Else what acceptance does is
done here in memory, by the same rules and with chance of its own: a seeded house, as the demo's, draws afterwards
what it would have drawn without. What is opened stays in a `Room`, which lives while one plan is made: it is shown to
nobody, saved and logged nowhere, and no reveal.
"""

import secrets
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from math import prod

import sqlalchemy as sa

from app.keying import Bitting as Cuts
from app.keying import BittingSpec, LevelArray, NoBittingsLeft, theoretical, usable
from app.ledger.keysystems.bittings import open_bittings, open_plan, spec_of
from app.ledger.keysystems.control import draw_free_control
from app.ledger.keysystems.keysets import draw_singles, next_changes
from app.ledger.keysystems.lost_keysets import lost_of_system, open_lost_bittings
from app.ledger.keysystems.system_queries import keyways_beside, operators_of, sections_of, systems_sharing_keyway
from app.ledger.keysystems.systems import SystemForm, draw_plan
from app.ledger.keysystems.unsealed_system import ComingCylinder, SystemsInService, WhatEnters
from app.ledger.quoting.system_books import SystemBook
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Keyset, KeySystem, Level

_DRAWN = 3
"""Top masters that all have to hold what is asked of a new system: the one that acceptance draws may hold less."""


class Unclear(Exception):
    """Counting does not tell whether there is room: the plan is made again with the seals opened."""


@dataclass(slots=True)
class _Opened:
    """A book's array (None of single keys, and of a system that has none), and the cuts of its masters by symbol."""

    array: LevelArray | None = field(repr=False)
    keys: dict[str, Cuts] = field(repr=False)


class Room:
    """What a job's lines take. is_exact: whether every question is reckoned; else Unclear is raised where counting
    does not answer it: where more than half of what is left is asked for, or much on the keyway could clash.

    is_again: of a quote that was issued. What its new system holds was reckoned then; only its acceptance draws one.
    """

    def __init__(self, work: Work, *, is_exact: bool, is_again: bool = False) -> None:
        self._work = replace(work, rng=secrets.SystemRandom())
        self._is_exact = is_exact
        self._is_again = is_again
        self._on_keyway: dict[str, list[tuple[int, int, int]]] = {}  # systems: id, levels, keysets
        self._taken: Counter[tuple[SystemBook, str]] = Counter()
        self._usable: dict[tuple[SystemBook, str], int] = {}
        self._held: dict[SystemBook, int] = {}  # of a new system that cannot hold what is asked: how many a master
        self._opened: dict[SystemBook, _Opened] = {}
        self._there: dict[tuple[str, int], SystemsInService] = {}
        self._keys: defaultdict[str, list[Cuts]] = defaultdict(list)  # by keyway: what this job adds
        self._cylinders: defaultdict[str, list[ComingCylinder]] = defaultdict(list)

    def begin(self, book: SystemBook) -> None:
        """Start a new book, with its masters and its control key. NoBittingsLeft where its masters do not fit,
        KeyingError where its cores can have no control key.
        """
        if not book.is_ours or self._is_again:
            return
        if book.form is not None:
            if not self._is_exact and not (_is_plenty(book.spec, book.form) and self._is_roomy(book, "")):
                raise Unclear
            if self._is_exact:
                self._draw_masters(book, book.form)
        else:
            self._opened[book] = _Opened(None, {})
        if book.wants_control:
            keys = self._opened[book].keys if book in self._opened else {}
            nothing = SystemsInService({}, frozenset(), (), 0, book.spec.stop)
            there = self._service(book) if self._is_exact else nothing
            self._keys[book.keyway].append(draw_free_control(book.spec, self._work.rng, keys, there, set(there.keys)))

    def _draw_masters(self, book: SystemBook, form: SystemForm) -> None:
        there = self._service(book)
        for _ in range(_DRAWN):
            try:
                plan = draw_plan(book.spec, form, there, self._work.rng, most_poor=1)
            except NoBittingsLeft as short:
                held = short.left // len(book.masters)
                if not held:
                    raise
                self._held[book] = min(held, self._held.get(book, held))
        if book not in self._held:
            keys = {symbol: cuts for symbol, cuts in plan.keys.items() if symbol in book.above}
            self._opened[book] = _Opened(LevelArray(plan.tmk, plan.roles), keys)
            self._keys[book.keyway] += keys.values()

    def take(
        self,
        book: SystemBook,
        master: str,
        count: int,
        crossed: Sequence[Sequence[str]] = (),
        chambers: int | None = None,
    ) -> int:
        """How many of `count` new keysets a book can give under a master ("": single): they are taken where it is
        all of them, else none.

        crossed: the symbols that their cylinders are cross-keyed with, for each such way. chambers: of the cylinders,
        where these have fewer than the book's keys have cuts.
        """
        held = self._held.get(book)
        if held is not None and master:
            found = min(count, max(0, held - self._taken[book, master]))
            cuts: Sequence[Cuts] = ()
        elif self._is_again and master and book.row is None:
            found, cuts = count, ()
        elif not self._is_exact:
            is_half = (self._taken[book, master] + count) * 2 > self._left(book, master)
            if is_half or chambers is not None or not self._is_roomy(book, master):
                raise Unclear
            found, cuts = count, ()
        else:
            cuts = self._draw(book, master, count, crossed, chambers)
            found = len(cuts)
        if found == count:
            self._taken[book, master] += found
            above = [self._opened[book].keys[one] for one in (master, *book.above[master])] if cuts and master else []
            length, on = chambers or book.spec.chambers, book.section(master)
            self._cylinders[on] += [ComingCylinder((own, *above), length) for own in cuts]
        return found

    def _draw(
        self, book: SystemBook, master: str, count: int, crossed: Sequence[Sequence[str]], chambers: int | None
    ) -> Sequence[Cuts]:
        there = self._service(book, master)
        if not master:
            return _as_many(lambda wanted: draw_singles(book.spec, self._work.rng, there, wanted, chambers), count)
        opened = self._open(book, there)
        above = [opened.keys[one] for one in (master, *book.above[master])]
        ways = [[opened.keys[one] for one in way] for way in crossed]
        beside = self._cylinders[book.section(master)]
        like = [one.operators[0] for one in beside if one.operators[1:] == tuple(above)]
        if book.row is not None:
            fellows = (one.id for one in book.row.keysets if one.parent and one.parent.symbol == master)
            like += [there.opened[one] for one in fellows if one in there.opened]
        role = book.roles.get(master, "C")
        return _as_many(
            lambda wanted: next_changes(book.spec, opened.array, there, above, wanted, ways, like, role, chambers),
            count,
        )

    def _is_roomy(self, book: SystemBook, master: str) -> bool:
        """Whether what the customer has on a keyway beside an array leaves three quarters of it alone: every key may
        turn each cylinder, in which all its operators' depths shear, with as much chance as any bitting.
        """
        if book.keyway not in self._on_keyway:
            rows = (
                sa.select(KeySystem.id, KeySystem.levels, sa.func.count(Keyset.id))
                .join(Keyset, Keyset.system_id == KeySystem.id)
                .where(KeySystem.customer_id == book.customer_id)
                .where(KeySystem.keyway.in_(keyways_beside(self._work.session, [book.keyway])))
                .group_by(KeySystem.id, KeySystem.levels)
            )
            found = self._work.session.execute(rows).all() if book.customer_id else ()
            self._on_keyway[book.keyway] = [(system, levels, count) for system, levels, count in found]
        own = book.row.id if book.row is not None else 0
        beside = [(levels, count) for system, levels, count in self._on_keyway[book.keyway] if system != own]
        beside += [(book.levels, book.last[""])] if master else []
        beside += [
            (other.levels, count)
            for (other, under), count in self._taken.items()
            if other.keyway == book.keyway and (other is not book or bool(under) != bool(master))
        ]
        depths = max([book.levels, *(levels for levels, _ in beside)])  # the most that shear in a chamber
        sheared = prod([depths] * book.spec.chambers)
        return 4 * sheared * sum(count for _, count in beside) <= usable(book.spec)

    def _left(self, book: SystemBook, master: str) -> int:
        """How many a book holds by counting, before this job; of single keys half of what there are, since cylinders
        that others operate take some away."""
        if not master:
            return usable(book.spec) // 2 - len(book.there)
        if book.row is None:
            return 2 * book.form.changes if book.form else 0
        if (book, master) not in self._usable:
            own = next(one.id for one in book.row.keysets if one.symbol == master)
            keys = {master: open_bittings(self._work.session, self._work.vault, [book.row], [own])[own]}
            array = open_plan(self._work.vault, book.row)
            if array is None or master in book.roles:  # what is right under a grand takes masters' places
                raise Unclear
            self._usable[book, master] = array.under(book.spec, "C", keys[master]).usable
        return self._usable[book, master] - book.last[master] + self._taken[book, master]

    def _open(self, book: SystemBook, there: SystemsInService) -> _Opened:
        if book not in self._opened and book.row is not None:
            keys = {one.symbol: there.opened[one.id] for one in book.row.keysets if one.id in there.opened}
            self._opened[book] = _Opened(open_plan(self._work.vault, book.row), keys)
        return self._opened[book]

    def _service(self, book: SystemBook, master: str = "") -> SystemsInService:
        """What the customer has on a book's keyway, or its master's, with what this job has added so far."""
        keyway = book.section(master)
        at, keys, cylinders = (keyway, book.spec.chambers), self._keys[keyway], self._cylinders[keyway]
        if at not in self._there:
            near = {keyway, *sections_of(book.row)} if book.row is not None else [keyway]
            systems = systems_sharing_keyway(self._work.session, near, book.customer_id)
            self._there[at] = SystemsInService.of(self._work, systems, book.spec, keyway)
        return self._there[at].beside(book.spec.chambers, keys, cylinders) if keys or cylinders else self._there[at]


def _as_many(draw: Callable[[int], Sequence[Cuts]], count: int) -> Sequence[Cuts]:
    """As many as are asked, or as there are."""
    while count:
        try:
            return draw(count)
        except NoBittingsLeft as short:
            count = short.left
    return ()


def _is_plenty(spec: BittingSpec, form: SystemForm) -> bool:
    """Whether a new system surely holds what is asked: chambers enough for each level to hold it twice, the MACS
    taking as much as of all bittings.

    >>> spec = BittingSpec(chambers=6, depths=10, macs=7, step=2)
    >>> [_is_plenty(spec, SystemForm(1, "Hall", 3, "AQ1", 6, masters=3, changes=count)) for count in (90, 110)]
    [True, False]
    """
    fewest = spec.depths // spec.step - 1
    needs = (form.changes, form.masters if form.levels > 2 else 1, form.grands if form.levels > 3 else 1)
    chambers = 0
    for need in needs[: form.levels - 1]:
        held, share = usable(spec), theoretical(spec)
        while held < 2 * need * share:
            held, chambers = held * fewest, chambers + 1
            if chambers > spec.chambers:
                return False
    return True


def waiting_changes(work: Work, system: KeySystem, master: str) -> list[str]:
    """The changes under a master that are on no cylinder yet and that one may be keyed to, as they were added: not
    retired, no key lost, such as no lost key would turn, and none of an old list, whose doors nobody has told.
    """
    keyed = sa.select(Cylinder.keyset_id).where(Cylinder.keyset_id.is_not(None))
    above = sa.select(Keyset.id).where(Keyset.system_id == system.id, Keyset.symbol == master)
    rows = sa.select(Keyset).where(Keyset.level == Level.CHANGE, Keyset.id.not_in(keyed), Keyset.parent_id.in_(above))
    rows = rows.where(Keyset.own_symbol == "")
    lost = {one.keyset.id for one in lost_of_system(work.session, system.id)}
    found = work.session.scalars(rows.order_by(Keyset.id)).all()
    kept = [one for one in found if one.id not in lost and not one.is_out_of_use]
    turned = _turned_by_lost(work, system, kept)
    return [one.symbol for one in kept if one not in turned]


def _turned_by_lost(work: Work, system: KeySystem, changes: Sequence[Keyset]) -> set[Keyset]:
    """Those of a system's changes whose cylinders a key that was lost, and that no keyset has any longer, would turn:
    acceptance refuses them.
    """
    sharing = systems_sharing_keyway(work.session, sections_of(system), system.customer_id)
    old = open_lost_bittings(work, sharing) if changes else []
    if not old:
        return set()
    opened, enters = open_bittings(work.session, work.vault, [system]), WhatEnters.of(work.session, sharing)
    by_id, spec = {one.id: one for one in system.keysets}, spec_of(system)
    lost = {
        name: [met for keyset, cuts in old if (met := enters.cut_into(keyset.id, cuts, spec, name))]
        for name in sections_of(system)
    }
    found = set()
    for one in changes:
        operators = operators_of(one, is_nmk=False, by_id=by_id)
        stack = [*zip(*(opened[above.id] for above in operators if above.id in opened), strict=True)]
        turning = (all(cut in depths for cut, depths in zip(cuts, stack, strict=True)) for cuts in lost[one.section])
        if stack and any(turning):
            found.add(one)
    return found
