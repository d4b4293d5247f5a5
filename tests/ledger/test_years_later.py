"""Years in the life of a house, drawn by chance: losses, plans, rekeys, counts, leavers, merges, moves.

A plain model of dicts and sets, written from what people are told, goes beside the house: where each key is and who
has it, what hangs on which door with the cuts that it was pinned to, what is lost, who owns what. After each step the
records are held against it, and every seal is opened: no key turns what it is not meant to. CI draws a few short
lives, `make drawn-years` hundreds of longer ones.
"""

import itertools
import json
import random
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from hypothesis import strategies as st
from hypothesis.stateful import invariant, precondition, rule

from app.ledger.care.opening import open_ledger
from app.ledger.goods.hand_overs import HandOver
from app.ledger.goods.handing_over import HandOverForm, hand_over, still_open
from app.ledger.jobs.stages import move_job
from app.ledger.keys.counting import count_sheet, end_count, mark_counted, mark_rest, start_count
from app.ledger.keys.keys import KeyIssueForm, cut_copies, issue_keys, order_copies, return_copies, scrap_copies
from app.ledger.keys.loss_plans import choose_plan, left_to_rekey, ways_of_loss
from app.ledger.keys.losses import LossForm, Which, close_loss, report_loss, still_turned
from app.ledger.keys.people import TakeBackForm, take_back_keys
from app.ledger.keysystems.bittings import open_bittings, reseal_bittings
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.extending import ExtendForm, extend_system
from app.ledger.keysystems.retiring import keyed_in, put_back_in_use, retire_system
from app.ledger.merging.customer_merging import (
    CUSTOMERS_MERGED,
    MergeForm,
    merge_customers,
    plan_merge,
    unmerge_customers,
)
from app.ledger.quoting.loss_drafts import PhaseForm, PhasesBy, drafts_of_loss
from app.ledger.quoting.request import KeyingInstruction, QuoteRequest, SystemRequest
from app.ledger.sites.customers import SiteForm, add_site
from app.ledger.sites.door_moves import move_doors
from app.ledger.sites.door_paste import DoorRow
from app.ledger.sites.site_merging import SITES_MERGED, merge_sites, undo_site_merge
from app.ledger.store.work import Actor, Work
from app.ledger.tables import (
    Bitting,
    Counted,
    Customer,
    Cylinder,
    CylinderOperator,
    CylinderState,
    Door,
    Event,
    Job,
    Key,
    KeyCount,
    Keyset,
    KeyState,
    KeySystem,
    Loss,
    Site,
    Stage,
    User,
)
from app.pricing import KeyingKind
from tests.drawn import Life, draw_lives
from tests.houses import ON_POSTGRESQL, remove_database
from tests.keyed import tick_off, walk
from tests.ledger.conftest import NOW, customer_id, make_house
from tests.ledger.test_main_job import MORTISE, accept, issued, mortise

pytestmark = pytest.mark.database

PEOPLE = ("Ann", "Ben", "Cid")
BLANKS = ({"AQ1", "AQ2"}, {"AQ3", "AQ4"}, {"AQ5", "AQ6"}, {"AQ1", "AQ2", "AQ3", "AQ4", "AQ5", "AQ6"})
"""What each blank of the demo's tables for six cuts enters, read by eye; the widest last."""
NO_LONGER = ("", "(NMK)")

Cuts = tuple[int, ...]
Symbol = tuple[int, str]
"""A key system's id and a keyset's symbol."""


@dataclass
class Piece:
    """One key: where it is, who has it, what it is cut to (None until it is cut), and when it last moved."""

    where: KeyState
    holder: str = ""
    cuts: Cuts | None = None
    moved: int = 0


@dataclass
class Metal:
    """A cylinder: its keyset, who is meant to operate it, and, once it is pinned, the cuts of each."""

    system: int
    own: str
    meant: frozenset[str]
    cuts: dict[str, Cuts] | None = None

    def turned_by(self, key: Cuts) -> bool:
        if self.cuts is None:
            return False
        return all(cut in column for cut, column in zip(key, zip(*self.cuts.values(), strict=True), strict=True))


@dataclass
class PlainLoss:
    """Lost keys of a keyset: which copies (None: nobody knows), their cuts, and the plan.

    is_replaced: the keyset has other cuts by now, which came while it was open. is_old: they came before.
    """

    at: Symbol
    copies: set[int] | None
    cuts: Cuts
    successors: dict[str, str] = field(default_factory=dict)
    on_record: bool = False
    is_replaced: bool = False
    is_old: bool = False
    is_closed: bool = False


@dataclass
class PlainJob:
    """What a job brings to which doors; of a quote the doors alone."""

    loss: int | None
    doors: set[int]
    coming: dict[int, Metal] = field(default_factory=dict)
    stage: Stage = Stage.QUOTED


@dataclass
class PlainCount:
    """What was found of each key that was there when a count began; the step in which it began."""

    customer: int
    began: int
    found: dict[tuple[int, str, int], Counted]
    holders: dict[tuple[int, str, int], str]


PieceId = tuple[int, str, int]
UNDER_WAY = (Stage.APPROVED, Stage.ON_THE_BENCH, Stage.READY)
IN_SHOP = (KeyState.CUT, KeyState.RETURNED)


class Years(Life):
    """One house over the years, and the plain model beside it."""

    def __init__(self) -> None:
        super().__init__()
        self.step = 0
        self.losses: dict[int, PlainLoss] = {}
        self.jobs: dict[int, PlainJob] = {}
        self.counts: dict[int, PlainCount] = {}
        self.retired: set[Symbol] = set()
        self.retired_systems: set[int] = set()
        self.undoable: list[Callable[[], None]] = []
        self.opened: dict[bytes, str] = {}
        self.excused: set[tuple[Symbol, int]] = set()
        self._begin()

    def _begin(self) -> None:
        """The model of the house as it was built: all stands, and was pinned and cut to what is on record."""
        self.cuts = self._cuts_on_record()
        self.above: dict[Symbol, tuple[str, ...]] = {}
        for keyset in self.session.scalars(sa.select(Keyset).order_by(Keyset.id)):
            chain = [keyset.symbol]
            while keyset.parent is not None:
                keyset = keyset.parent
                chain.append(keyset.symbol)
            self.above[keyset.system_id, chain[0]] = tuple(chain)
        self.owner_of = {one.id: one.customer_id for one in self.session.scalars(sa.select(KeySystem))}
        self.sites = {one.id: one.customer_id for one in self.session.scalars(sa.select(Site))}
        self.at = {one.id: one.site_id for one in self.session.scalars(sa.select(Door))}
        masters = {one for chain in self.above.values() for one in chain[1:]}
        self.changes = {symbol for _, symbol in self.above if symbol not in masters}
        self.keyway = {
            (one.system_id, one.symbol): one.keyway or one.system.keyway
            for one in self.session.scalars(sa.select(Keyset))
        }
        self.crossed: set[tuple[Symbol, str]] = set()
        self.hung: dict[int, Metal] = {}
        for one in self.session.scalars(sa.select(Cylinder).where(Cylinder.state == CylinderState.FITTED)):
            assert one.keyset is not None and one.door_id is not None
            system, chain_of = one.keyset.system_id, self.above[one.keyset.system_id, one.keyset.symbol]
            metal = Metal(system, one.keyset.symbol, frozenset(chain_of))
            self.hung[one.door_id] = self._pinned(metal)
        self.pieces: dict[PieceId, Piece] = {}
        for key in self.session.scalars(sa.select(Key)):
            at = key.keyset.system_id, key.keyset.symbol
            self.pieces[*at, key.copy_number] = Piece(key.state, key.holder, self.cuts[at])

    def work(self) -> Work:
        """The owner's work, ten minutes after the last."""
        self.step += 1
        return self.owners_work(NOW + timedelta(minutes=10 * self.step))

    # What the model knows.

    def _pinned(self, metal: Metal) -> Metal:
        metal.cuts = {one: self.cuts[metal.system, one] for one in metal.meant}
        return metal

    def _as_pinned(self, metal: Metal) -> Metal:
        """A cylinder, or what it will be once it is pinned."""
        return metal if metal.cuts is not None else self._pinned(replace(metal))

    def entered(self, at: Symbol) -> set[str]:
        """The keyways that a key enters: of what it is to open, and of what that opened whose place it takes."""
        needed: dict[Symbol, set[str]] = {one: set() for one in self.cuts}
        for (system, own), chain in self.above.items():
            for one in chain:
                needed[system, one].add(self.keyway[system, own])
        for one, keyway in self.crossed:
            needed[one].add(keyway)
        for loss in self.losses.values():
            for old, new in loss.successors.items():
                if (loss.at[0], new) in needed:
                    needed[loss.at[0], new] |= needed[loss.at[0], old]
        return next(blank for blank in BLANKS if needed[at] <= blank)

    def turns(self, at: Symbol, cuts: Iterable[Cuts], metal: Metal) -> bool:
        """Whether a key of a keyset that may be cut so enters a cylinder and turns it."""
        return any(map(metal.turned_by, cuts)) and self.keyway[metal.system, metal.own] in self.entered(at)

    def _cross(self, metal: Metal, symbols: Iterable[str]) -> None:
        self.crossed |= {((metal.system, one), self.keyway[metal.system, metal.own]) for one in symbols}

    def last(self, door: int) -> tuple[int | None, Metal]:
        """What is the last to come to a door, and the job under way that brings it; else what hangs there."""
        for number, job in reversed(self.jobs.items()):
            if door in job.coming:
                return number, job.coming[door]
        return None, self.hung[door]

    def doors(self) -> list[int]:
        return sorted({*self.hung, *(door for job in self.jobs.values() for door in job.coming)})

    def owner_of_door(self, door: int) -> int:
        return self.sites[self.at[door]]

    def open_losses(self) -> list[int]:
        return [one for one, loss in self.losses.items() if not loss.is_closed]

    def _planned(self) -> list[int]:
        return [one for one in self.open_losses() if self.losses[one].successors]

    def is_found(self, loss: PlainLoss) -> bool:
        return loss.copies is not None and all(
            self.pieces[*loss.at, copy].where is not KeyState.LOST for copy in loss.copies
        )

    def is_lost(self, at: Symbol) -> bool:
        """Whether a key of a keyset is lost and the keyset has that bitting still."""
        return any(
            loss.at == at and not loss.is_closed and not self.is_found(loss) and loss.cuts == self.cuts[at]
            for loss in self.losses.values()
        )

    def lost_cuts(self, loss: PlainLoss) -> set[Cuts]:
        """What lost keys may be cut to: as their copies are; of unknown ones, as any that was about."""
        if loss.copies is not None:
            cut = {self.pieces[*loss.at, copy].cuts for copy in loss.copies}
            return {loss.cuts, *(cuts for cuts in cut if cuts is not None)}
        before = itertools.takewhile(lambda one: one is not loss, self.losses.values())
        return {loss.cuts, *(one.cuts for one in before if one.at == loss.at and one.is_replaced)}

    def turned(self, loss: PlainLoss) -> set[int]:
        """The doors of the customer that a lost key opens, by what they are pinned to."""
        owner = self.owner_of[loss.at[0]]
        return {
            door
            for door, metal in self.hung.items()
            if self.owner_of[metal.system] == owner and self.turns(loss.at, self.lost_cuts(loss), metal)
        }

    def came_back(self, piece: PieceId) -> KeyState:
        """What a key is once it is back: an old copy that no door is pinned for any more is out of use."""
        return KeyState.RETIRED if self.is_useless(piece) else KeyState.RETURNED

    def is_useless(self, piece: PieceId) -> bool:
        cuts, (system, symbol, _) = self.pieces[piece].cuts, piece
        if cuts is None or cuts == self.cuts[system, symbol]:
            return False
        coming = (metal for job in self.jobs.values() for metal in job.coming.values())
        operated = (one for one in (*self.hung.values(), *coming) if one.system == system and symbol in one.meant)
        return not any(self._as_pinned(one).turned_by(cuts) for one in operated)

    def turned_to_come(self, loss: PlainLoss) -> set[int]:
        owner = self.owner_of[loss.at[0]]
        found = set()
        for job in self.jobs.values():
            for door, metal in job.coming.items():
                pinned = self._as_pinned(metal)
                if self.owner_of[metal.system] == owner and self.turns(loss.at, self.lost_cuts(loss), pinned):
                    found.add(door)
        return found

    def left(self, number: int) -> set[int]:
        """The doors of a plan that no job of it has done or is to do."""
        loss, found = self.losses[number], set()
        renamed = {old for old, new in loss.successors.items() if old != new}
        for door in self.doors():
            coming, metal = self.last(door)
            if metal.system != loss.at[0]:
                continue
            above = self.above[metal.system, metal.own][1:2]
            if (
                loss.on_record
                and metal.own not in loss.successors
                and any(loss.successors.get(one, one) not in (one, *NO_LONGER) for one in above)
            ):
                continue  # came under a lost master that was found: the plan has no keyset for it
            is_done = coming is None or self.jobs[coming].stage is Stage.READY
            kept = metal.meant & (loss.successors.keys() - renamed)
            if coming is not None and self.jobs[coming].loss == number:
                kept = frozenset()
            if metal.meant & renamed or (
                kept
                and is_done
                and (
                    not loss.on_record
                    or any((metal.cuts or {}).get(one) != self.cuts[metal.system, one] for one in kept)
                )
            ):
                found.add(door)
        return found

    def quoted(self, number: int) -> set[int]:
        return {
            door
            for job in self.jobs.values()
            if job.loss == number and job.stage is Stage.QUOTED
            for door in job.doors
        }

    def lose(self, at: Symbol, copies: set[int] | None) -> None:
        loss = next((one for one in self.losses.values() if one.at == at and not one.is_closed), None)
        if loss is None:
            number = self.session.scalars(sa.select(sa.func.max(Loss.id))).one()
            self.losses[number] = self._new_loss(at, copies)
        else:
            loss.copies = None if loss.copies is None or copies is None else loss.copies | copies
            cut = {self.pieces[*at, copy].cuts for copy in copies or ()}
            if loss.is_old and (copies is None or self.cuts[at] in cut):  # what is on record is lost as well
                new = self._new_loss(at, None)
                loss.cuts, loss.successors, loss.on_record, loss.is_replaced, loss.is_old = (
                    new.cuts, new.successors, new.on_record, new.is_replaced, new.is_old,
                )  # fmt: skip
        for copy in copies or ():
            self.put((*at, copy), KeyState.LOST, self.pieces[*at, copy].holder)

    def _new_loss(self, at: Symbol, copies: set[int] | None) -> PlainLoss:
        """What is lost is cut as the newest of its copies is; where nobody knows, as the record says."""
        cuts = self.pieces[*at, max(copies)].cuts if copies else self.cuts[at]
        assert cuts is not None
        is_old = cuts != self.cuts[at]
        successors = {at[1]: at[1]} if is_old else {}
        return PlainLoss(at, copies and set(copies), cuts, successors, is_old, is_old, is_old)

    def put(self, piece: PieceId, where: KeyState, holder: str = "") -> None:
        one = self.pieces[piece]
        one.where, one.holder, one.moved = where, holder, self.step

    def _is_of_new_bitting(self, piece: PieceId) -> bool:
        """Whether it is cut to what a keyset got because the loss that is open."""
        return any(
            loss.at == piece[:2] and not loss.is_closed and loss.cuts != self.cuts[loss.at] == self.pieces[piece].cuts
            for loss in self.losses.values()
        )

    # What the records say.

    def _open(self, sealed: bytes, context: str) -> str:
        if sealed not in self.opened:
            self.opened[sealed] = self.ledger.vault.open(sealed, context)
        return self.opened[sealed]

    def _cuts_on_record(self) -> dict[Symbol, Cuts]:
        rows = sa.select(Bitting.system_id, Bitting.keyset_id, Keyset.symbol, Bitting.sealed)
        return {
            (system, symbol): tuple(map(int, self._open(sealed, f"bitting of keyset {keyset} in system {system}")))
            for system, keyset, symbol, sealed in self.session.execute(
                rows.join(Keyset, Keyset.id == Bitting.keyset_id)
            )
        }

    def _keys_on_record(self) -> dict[PieceId, tuple[int, int | None]]:
        """Each key's id and job, by copy."""
        of_key = (Keyset.system_id, Keyset.symbol, Key.copy_number, Key.id, Key.job_id)
        rows = sa.select(*of_key).join(Keyset, Keyset.id == Key.keyset_id).order_by(Key.keyset_id, Key.copy_number)
        return {(system, symbol, copy): (key, job) for system, symbol, copy, key, job in self.session.execute(rows)}

    def key_ids(self) -> dict[PieceId, int]:
        return {piece: key for piece, (key, _) in self._keys_on_record().items()}

    def _take_new_pieces(self, job: int | None) -> list[PieceId]:
        """Keys that are ordered now: their copy numbers go on from the last one given, none twice."""
        rows = self._keys_on_record()
        new = [one for one in rows if one not in self.pieces]
        for piece in new:
            copies = [one[2] for one in self.pieces if one[:2] == piece[:2]]
            assert piece[2] == max(copies, default=0) + 1 and rows[piece][1] == job, piece
            self.pieces[piece] = Piece(KeyState.ORDERED, moved=self.step)
        return new

    def _plan_is_given_up(self, number: int, loss: PlainLoss) -> None:
        """Nothing came of it: its jobs are canceled, and what it put on record is out of use."""
        stages = {job.stage for job in self.jobs.values() if job.loss == number} - {Stage.QUOTED, Stage.LOST}
        assert stages == {Stage.CANCELED}, "a plan that is carried out is made anew"
        given = {(loss.at[0], new) for old, new in loss.successors.items() if new not in NO_LONGER and new != old}
        assert all(piece.where is KeyState.RETIRED for one, piece in self.pieces.items() if one[:2] in given)
        self.retired |= given
        loss.on_record = False

    def _plan_is_on_record(self, work: Work, loss: PlainLoss) -> None:
        """The plan's bittings are there: of new keysets, and of those that keep their symbol."""
        now, system = self._cuts_on_record(), loss.at[0]
        kept = {old for old, new in loss.successors.items() if old == new}
        for old, new in loss.successors.items():
            if new in NO_LONGER:
                continue
            if old == new:
                assert now[system, old] != self.cuts[system, old], f"{old} keeps its bitting"
                for one in self.losses.values():
                    one.is_replaced |= one.at == (system, old) and not one.is_closed
            else:
                assert (system, new) not in self.cuts and (system, new) in now
                self.changes |= {new} if old in self.changes else set()
                self.keyway[system, new] = self.keyway[system, old]
                self.above[system, new] = tuple(loss.successors.get(one, one) for one in self.above[system, old])
            self.cuts[system, new] = now[system, new]
        for job in self.jobs.values():
            for metal in job.coming.values():
                if job.stage is Stage.ON_THE_BENCH and metal.system == system and metal.meant & kept:
                    metal.cuts = None
        loss.on_record = True

    # Losses and their plans.

    @rule(pick=st.integers(0, 999), is_known=st.booleans(), way=st.integers(0, 2), far=st.integers(0, 12))
    def report(self, pick: int, is_known: bool, way: int, far: int) -> None:
        work = self.work()
        may_be = [one for one, piece in self.pieces.items() if piece.where in (KeyState.OUT, *IN_SHOP)]
        upper = [one for one in may_be if not one[1][-1].isdigit() and not one[1][0].isdigit()]
        may_be = upper if upper and pick % 2 else may_be
        if not may_be:
            return
        piece = may_be[pick // 2 % len(may_be)]
        at, copies = piece[:2], {piece[2]} if is_known else None
        form = LossForm(*at, Which.COPIES if is_known else Which.UNKNOWN, tuple(copies or ()))
        may = not (is_known and self._is_of_new_bitting(piece))
        if self.done("report", lambda: report_loss(work, form), may=may):
            self.lose(at, copies)
            self.go_on(pick, way, far)

    @precondition(lambda self: any(one.where is KeyState.LOST for one in self.pieces.values()))
    @rule(pick=st.integers(0, 999))
    def find(self, pick: int) -> None:
        work = self.work()
        lost = [one for one, piece in self.pieces.items() if piece.where is KeyState.LOST]
        piece = lost[pick % len(lost)]
        assert self.done("find", lambda: return_copies(work, *piece[:2], piece[2:]), may=True)
        self.put(piece, self.came_back(piece))

    @precondition(lambda self: self.open_losses())
    @rule(pick=st.integers(0, 999), way=st.integers(0, 2))
    def plan(self, pick: int, way: int) -> None:
        work = self.work()
        number = self.open_losses()[pick % len(self.open_losses())]
        loss = self.losses[number]
        # A brief search may find less on a busy machine, and a life would not be the same twice.
        ways = [one for one in ways_of_loss(work, number, is_thorough=True) if not one.cannot]
        if not ways:
            self.met["plan: no way"] += 1
            return
        kind = ways[way % len(ways)].kind
        version = self.session.get_one(Loss, number).version
        if self.done("plan", lambda: choose_plan(work, number, kind, version)):
            self.met[f"plan by {kind.value}"] += 1
            if loss.on_record:
                self._plan_is_given_up(number, loss)
            loss.successors = dict(self.session.get_one(Loss, number).successors)
            assert loss.at[1] in loss.successors
            if not self.left(number) and self._cuts_on_record() != self.cuts:
                self._plan_is_on_record(work, loss)

    @precondition(lambda self: any(self.losses[one].successors for one in self.open_losses()))
    @rule(pick=st.integers(0, 999), is_all=st.booleans())
    def quote(self, pick: int, is_all: bool) -> None:
        work = self.work()
        planned = self._planned()
        number = planned[pick % len(planned)]
        loss = self.session.get_one(Loss, number)
        left = self.left(number)
        assert {one.door_id for one in left_to_rekey(work, loss)} == left
        free = sorted(left - self.quoted(number))
        form, expected = PhaseForm(), set(free)
        if free and not is_all:
            door = free[pick % len(free)]
            own = self.last(door)[1].own
            expected = {one for one in free if self.last(one)[1].own == own}
            form = PhaseForm(PhasesBy.DOORS, doors=(self.session.get_one(Door, door).opening_number,))
        may = False if loss.system_id in self.retired_systems else True if free else None
        if not self.done("draft", lambda: drafts_of_loss(work, number, form), may=may):
            return
        assert isinstance(self.answer, tuple)
        [ask] = self.answer
        ids = [one for line in ask.lines for one in line.standing]
        rows = self.session.scalars(sa.select(Cylinder.door_id).where(Cylinder.id.in_(ids))).all()
        assert set(rows) == expected and len(rows) == len(expected)
        by_owner = replace(ask, lost_reason="They cannot wait for the other plan.")  # where another master is lost
        if self.done("issue", lambda: issued(work, self._made_here(ask))) or self.done(
            "issue by the owner", lambda: issued(self.work(), self._made_here(by_owner))
        ):
            assert isinstance(self.answer, Job)
            self.jobs[self.answer.id] = PlainJob(number, expected)

    @staticmethod
    def _made_here(ask: QuoteRequest) -> QuoteRequest:
        return replace(ask, keyed_at="shop", override_reason="soon")

    def _jobs(self, *stages: Stage) -> list[int]:
        return [number for number, job in self.jobs.items() if job.stage in stages]

    @precondition(lambda self: self._jobs(Stage.QUOTED))
    @rule(pick=st.integers(0, 999))
    def accept_quote(self, pick: int) -> None:
        work = self.work()
        quoted = self._jobs(Stage.QUOTED)
        number = quoted[pick % len(quoted)]
        job, row = self.jobs[number], self.session.get_one(Job, number)
        assert job.loss is not None
        loss = self.losses[job.loss]
        if not self.done("accept", lambda: accept(work, row)):
            row = self.session.get_one(Job, number)
            assert self.done("lose quote", lambda: move_job(work, number, row.version, Stage.LOST, "anew"), may=True)
            job.stage = Stage.LOST
            return
        coming = {}
        for door in job.doors:
            metal = self.last(door)[1]
            gone = {old for old, new in loss.successors.items() if new in NO_LONGER}
            own, meant = metal.own, metal.meant
            if meant & gone and "(NMK)" in loss.successors.values():
                meant -= set(self.above[metal.system, own][1:])
            if own in gone:
                own = self.above[metal.system, own][1]
            meant = frozenset(loss.successors.get(one, one) for one in meant - gone)
            coming[door] = Metal(metal.system, loss.successors.get(own, own), meant)
        if not loss.on_record:
            self._plan_is_on_record(work, loss)
        job.coming, job.stage = coming, Stage.APPROVED
        for metal in coming.values():
            self._cross(metal, metal.meant)
        self._take_new_pieces(number)

    # Jobs on the bench and out of the door.

    def _pieces_of(self, number: int, *states: KeyState) -> list[PieceId]:
        pieces = [piece for piece, (_, job) in self._keys_on_record().items() if job == number]
        return [one for one in pieces if self.pieces[one].where in states]

    @precondition(lambda self: self._jobs(Stage.APPROVED, Stage.ON_THE_BENCH))
    @rule(pick=st.integers(0, 999))
    def pin(self, pick: int) -> None:
        work = self.work()
        there = self._jobs(Stage.APPROVED, Stage.ON_THE_BENCH)
        number = there[pick % len(there)]
        job, row = self.jobs[number], self.session.get_one(Job, number)
        if job.stage is Stage.APPROVED:
            assert self.done("bench", lambda: move_job(work, number, row.version, Stage.ON_THE_BENCH), may=True)
            job.stage = Stage.ON_THE_BENCH
        to_cut = self._pieces_of(number, KeyState.ORDERED)
        self.session.rollback()
        if job.coming:
            assert self.done("tick", lambda: tick_off(work, row), may=True)
        for metal in job.coming.values():
            if metal.cuts is None:
                self._pinned(metal)
        if job.coming:
            for piece in to_cut:
                self.put(piece, KeyState.CUT)
                self.pieces[piece].cuts = self.cuts[piece[:2]]

    @precondition(lambda self: self._jobs(Stage.ON_THE_BENCH))
    @rule(pick=st.integers(0, 999))
    def check(self, pick: int) -> None:
        work = self.work()
        there = self._jobs(Stage.ON_THE_BENCH)
        number = there[pick % len(there)]
        job, row = self.jobs[number], self.session.get_one(Job, number)
        is_pinned = all(metal.cuts is not None for metal in job.coming.values())
        if self.done("check", lambda: move_job(work, number, row.version, Stage.CHECKED), may=is_pinned):
            assert self.done("ready", lambda: move_job(work, number, row.version, Stage.READY), may=True)
            job.stage = Stage.READY

    @precondition(lambda self: self._jobs(Stage.READY))
    @rule(pick=st.integers(0, 999), taker=st.sampled_from(PEOPLE))
    def hand_over(self, pick: int, taker: str) -> None:
        work = self.work()
        there = self._jobs(Stage.READY)
        number = there[pick % len(there)]
        job, row = self.jobs[number], self.session.get_one(Job, number)
        earlier = [one for other, one in self.jobs.items() if other < number and job.loss is not None]
        may = not any(door in one.coming for one in earlier for door in job.doors)
        going = self._pieces_of(number, KeyState.CUT)
        form = HandOverForm(taker, still_open(self.session, row).mark)

        def deed() -> HandOver:
            return hand_over(work, number, row.version, form)

        if self.done("hand over", deed, may=may):
            self.hung |= job.coming
            job.coming, job.stage = {}, Stage.HANDED_OVER
            for piece in going:
                self.put(piece, KeyState.OUT, taker)

    @precondition(lambda self: self._jobs(*UNDER_WAY))
    @rule(pick=st.integers(0, 4999))
    def cancel(self, pick: int) -> None:
        if pick % 5:  # seldom: whatever is canceled is never seen to its end
            return
        work = self.work()
        there = self._jobs(*UNDER_WAY)
        number = there[pick // 5 % len(there)]
        job, row = self.jobs[number], self.session.get_one(Job, number)
        pieces = self._pieces_of(number, KeyState.ORDERED, KeyState.CUT)
        if self.done("cancel", lambda: move_job(work, number, row.version, Stage.CANCELED, "they wait"), may=True):
            job.coming, job.stage = {}, Stage.CANCELED
            for piece in pieces:
                self.put(piece, KeyState.RETIRED)

    @precondition(lambda self: self.open_losses())
    @rule(pick=st.integers(0, 999))
    def close(self, pick: int) -> None:
        work = self.work()
        number = self.open_losses()[pick % len(self.open_losses())]
        loss, found = self.losses[number], self.is_found(self.losses[number])
        may = found or not (self.turned(loss) or self.turned_to_come(loss))
        version = self.session.get_one(Loss, number).version
        if not self.done("close", lambda: close_loss(work, number, version), may=may):
            return
        loss.is_closed, system = True, loss.at[0]
        replaced = {
            old
            for old, new in loss.successors.items()
            if new != old and (new in NO_LONGER or (system, new) in self.cuts)
        }
        if not found and loss.successors.get(loss.at[1]) != loss.at[1]:
            replaced.add(loss.at[1])
        coming = (one for job in self.jobs.values() for one in job.coming.values())
        used = {one for metal in (*self.hung.values(), *coming) if metal.system == system for one in metal.meant}
        for symbol in replaced - used:
            if (system, symbol) not in self.retired:
                self.retired.add((system, symbol))
                for one, piece in self.pieces.items():
                    if one[:2] == (system, symbol) and piece.where in (KeyState.ORDERED, *IN_SHOP):
                        self.put(one, KeyState.RETIRED)
        kept = {(system, old) for old, new in loss.successors.items() if old == new}
        for one, piece in self.pieces.items():
            if one[:2] in kept and piece.where in IN_SHOP and self.is_useless(one):
                self.put(one, KeyState.RETIRED)

    @rule(pick=st.integers(0, 999), way=st.integers(0, 2), far=st.integers(1, 9))
    def go_on(self, pick: int, way: int, far: int) -> None:
        """What is nearest to its end goes on, some steps: lives in which nothing is finished show little."""
        for _ in range(far):
            self.records_agree()
            if not self._went_on(pick, way):
                return

    def _went_on(self, pick: int, way: int) -> bool:
        if self._jobs(Stage.READY):
            self.hand_over(pick, PEOPLE[way])
            return True
        for stage, deed in (
            (Stage.ON_THE_BENCH, self.check),
            (Stage.APPROVED, self.pin),
            (Stage.QUOTED, self.accept_quote),
        ):
            if self._jobs(stage):
                deed(pick)
                return True
        for place, number in enumerate(self.open_losses()):
            loss = self.losses[number]
            before = loss.successors, loss.is_closed, len(self.jobs)
            if not loss.successors:
                self.plan(place, way)
                if not loss.successors:
                    self.close(place)
            elif self.left(number) - self.quoted(number):
                self.quote(self._planned().index(number), way == 0)
            else:
                self.close(place)
            if (loss.successors, loss.is_closed, len(self.jobs)) != before:
                return True
        return False

    # Keys and the people who have them.

    @rule(pick=st.integers(0, 999))
    def cut_more(self, pick: int) -> None:
        work = self.work()
        system, symbol = at = sorted(self.cuts)[pick % len(self.cuts)]
        may = at not in self.retired and system not in self.retired_systems
        if self.done("order keys", lambda: order_copies(work, system, symbol, 1), may=may):
            [piece] = self._take_new_pieces(None)
            assert self.done("cut", lambda: cut_copies(work, system, symbol, piece[2:]), may=True)
            self.put(piece, KeyState.CUT)
            self.pieces[piece].cuts = self.cuts[at]

    @precondition(lambda self: any(one.where in IN_SHOP for one in self.pieces.values()))
    @rule(pick=st.integers(0, 999), who=st.sampled_from(PEOPLE))
    def issue(self, pick: int, who: str) -> None:
        work = self.work()
        here = [one for one, piece in self.pieces.items() if piece.where in IN_SHOP]
        piece = here[pick % len(here)]
        form = KeyIssueForm(*piece[:2], piece[2:], who)
        may = not self.is_useless(piece)
        if self.done("issue keys", lambda: issue_keys(work, form), may=may):
            self.put(piece, KeyState.OUT, who)

    @precondition(lambda self: any(one.where is KeyState.OUT for one in self.pieces.values()))
    @rule(pick=st.integers(0, 999))
    def give_back(self, pick: int) -> None:
        work = self.work()
        out = [one for one, piece in self.pieces.items() if piece.where is KeyState.OUT]
        piece = out[pick % len(out)]
        assert self.done("return", lambda: return_copies(work, *piece[:2], piece[2:]), may=True)
        self.put(piece, self.came_back(piece))

    @precondition(lambda self: any(one.where is KeyState.OUT for one in self.pieces.values()))
    @rule(pick=st.integers(0, 999), ends=st.lists(st.integers(0, 7), min_size=1, max_size=6))
    def leave(self, pick: int, ends: list[int]) -> None:
        """A leaver's keys: most come back or go on to Dot, some are missing, some stay."""
        work = self.work()
        out = [one for one, piece in self.pieces.items() if piece.where is KeyState.OUT]
        chosen = out[pick % len(out)]
        customer, holder = self.owner_of[chosen[0]], self.pieces[chosen].holder
        held = [one for one in out if self.owner_of[one[0]] == customer and self.pieces[one].holder == holder]
        became = {piece: ends[number % len(ends)] for number, piece in enumerate(held)}
        back = [one for one, end in became.items() if end < 4]
        on = [one for one, end in became.items() if end in (4, 5)] if holder != "Dot" else []
        missing = [one for one, end in became.items() if end == 6]
        if not (back or on or missing):
            return
        ids = self.key_ids()
        form = TakeBackForm(
            customer,
            holder,
            [ids[one] for one in back],
            [ids[one] for one in missing],
            [ids[one] for one in on],
            "Dot" if on else "",
        )
        may = not any(map(self._is_of_new_bitting, missing)) and not any(map(self.is_useless, on))
        if self.done("leave", lambda: take_back_keys(work, form), may=may):
            for piece in back:
                self.put(piece, self.came_back(piece))
            self._lose_pieces(missing)
            for piece in on:
                self.put(piece, KeyState.OUT, "Dot")

    def _lose_pieces(self, pieces: Iterable[PieceId]) -> None:
        by_keyset: dict[Symbol, set[int]] = {}
        for piece in pieces:
            by_keyset.setdefault(piece[:2], set()).add(piece[2])
        known = {row.id: row for row in self.session.scalars(sa.select(Loss).order_by(Loss.id))}
        for at, copies in by_keyset.items():
            if not any(one.at == at and not one.is_closed for one in self.losses.values()):
                [number] = [
                    one
                    for one, row in known.items()
                    if one not in self.losses and (row.system_id, row.keyset.symbol) == at
                ]
                self.losses[number] = self._new_loss(at, copies)
            self.lose(at, copies)

    @rule(pick=st.integers(0, 999))
    def scrap(self, pick: int) -> None:
        work = self.work()
        here = [one for one, piece in self.pieces.items() if piece.where in (KeyState.ORDERED, *IN_SHOP)]
        if not here:
            return
        system, symbol, copy = piece = here[pick % len(here)]
        job = self._keys_on_record()[piece][1]
        if self.done("scrap", lambda: scrap_copies(work, system, symbol, (copy,)), may=True):
            self.put(piece, KeyState.RETIRED)
            self._take_new_pieces(job)

    # The yearly count.

    @precondition(lambda self: not self.counts)
    @rule(pick=st.integers(0, 999))
    def begin_count(self, pick: int) -> None:
        work = self.work()
        customers = sorted({*self.owner_of.values()})
        customer = customers[pick % len(customers)]
        there = {
            one: piece.holder
            for one, piece in self.pieces.items()
            if piece.where in (KeyState.OUT, *IN_SHOP) and self.owner_of[one[0]] == customer
        }
        may = bool(there) and all(one.customer != customer for one in self.counts.values())
        if self.done("begin count", lambda: start_count(work, customer), may=may):
            assert isinstance(self.answer, KeyCount)
            found = dict.fromkeys(there, Counted.OPEN)
            self.counts[self.answer.id] = PlainCount(customer, self.step, found, there)

    def _counted(self, count: PlainCount, piece: PieceId) -> Counted:
        one = self.pieces[piece]
        if one.where is KeyState.LOST:
            return Counted.MISSING
        if one.where is KeyState.RETIRED or one.moved > count.began or one.holder != count.holders[piece]:
            return Counted.SEEN
        return count.found[piece]

    @precondition(lambda self: self.counts)
    @rule(pick=st.integers(0, 999), is_missing=st.booleans())
    def count(self, pick: int, is_missing: bool) -> None:
        """One key is missing, perhaps; the others are seen."""
        work = self.work()
        number = list(self.counts)[pick % len(self.counts)]
        count = self.counts[number]
        open_ = [one for one in count.found if self._counted(count, one) is Counted.OPEN]
        if not open_:
            return
        if is_missing:
            piece = open_[pick % len(open_)]
            now = {self.key_ids()[piece]: (Counted.OPEN, Counted.MISSING)}
            assert self.done("mark one as missing", lambda: mark_counted(work, number, now), may=True)
            count.found[piece] = Counted.MISSING
            open_.remove(piece)
        if open_ and self.done("mark the rest as seen", lambda: mark_rest(work, number, Counted.SEEN), may=True):
            count.found |= dict.fromkeys(open_, Counted.SEEN)

    @precondition(lambda self: self.counts)
    @rule(pick=st.integers(0, 999))
    def end_count(self, pick: int) -> None:
        work = self.work()
        number = list(self.counts)[pick % len(self.counts)]
        count = self.counts[number]
        found = {one: self._counted(count, one) for one in count.found}
        missing = [
            one
            for one, what in found.items()
            if what is Counted.MISSING and self.pieces[one].where is not KeyState.LOST
        ]
        may = Counted.OPEN not in found.values() and not any(map(self._is_of_new_bitting, missing))
        version = self.session.get_one(KeyCount, number).version
        if self.done("end count", lambda: end_count(work, number, version), may=may):
            self._lose_pieces(missing)
            sheet = {one.key.id: one.found for one in count_sheet(self.session, number).keys}
            ids = self.key_ids()
            assert sheet == {ids[one]: what for one, what in found.items()}
            del self.counts[number]

    # Doors, sites, systems and customers.

    @rule(pick=st.integers(0, 999))
    def sell(self, pick: int) -> None:
        """A cylinder for a new door, under one of the masters."""
        work = self.work()
        masters = sorted({(at[0], chain[1]) for at, chain in self.above.items() if at[1] in self.changes})
        system, master = masters[pick % len(masters)]
        chain, keyway = self.above[system, master], self.keyway[system, master]
        owner = self.owner_of[system]
        site = next(one for one in sorted(self.sites) if self.sites[one] == owner)
        is_lost = any(self.is_lost((system, one)) for one in chain)
        is_over = system in self.retired_systems or any((system, one) in self.retired for one in chain)
        kind = KeyingKind.GMK if len(chain) > 1 else KeyingKind.MK
        ask = QuoteRequest(
            owner,
            (mortise(1, KeyingInstruction(kind, master=master), attributes=replace(MORTISE, keyway=keyway)),),
            system=SystemRequest(existing_id=system),
            site_id=site,
            keyed_at="shop",
            override_reason="soon",
        )
        number = f"N{self.step}"

        def deed() -> Job:
            job = issued(work, ask)
            return accept(work, job, (DoorRow(row=1, opening=number),), site_name="")

        if not self.done("sell", deed, may=False if is_lost or is_over else None):
            return
        assert isinstance(self.answer, Job)
        [row] = self.session.scalars(sa.select(Cylinder).where(Cylinder.job_id == self.answer.id))
        assert row.door_id is not None and row.keyset is not None and row.door_id not in self.at
        own = row.keyset.symbol
        assert (system, own) not in self.cuts and row.door is not None
        self.at[row.door_id] = row.door.site_id
        self.above[system, own], self.keyway[system, own] = (own, *chain), keyway
        self.changes.add(own)
        self.cuts[system, own] = self._cuts_on_record()[system, own]
        metal = Metal(system, own, frozenset((own, *chain)))
        self.jobs[self.answer.id] = PlainJob(None, {row.door_id}, {row.door_id: metal}, Stage.APPROVED)
        self._take_new_pieces(self.answer.id)

    @rule(pick=st.integers(0, 999), other=st.integers(0, 999))
    def cross(self, pick: int, other: int) -> None:
        work = self.work()
        doors = self.doors()
        door = doors[pick % len(doors)]
        coming, metal = self.last(door)
        symbols = sorted(one for system, one in self.cuts if system == metal.system and one not in metal.meant)
        if not symbols:
            return
        symbol = symbols[other % len(symbols)]
        at = metal.system, symbol
        there = sa.select(Cylinder.id).where(Cylinder.door_id == door, Cylinder.state != CylinderState.REMOVED)
        cylinder = self.session.scalars(there.order_by(Cylinder.id.desc()).limit(1)).one()
        may = False if self.is_lost(at) or at in self.retired else None
        if self.done("cross", lambda: cross_key(work, cylinder, (symbol,)), may=may):
            metal.meant |= {symbol}
            self._cross(metal, [symbol])
            if coming is None:
                self._pinned(metal)
            else:
                metal.cuts = None

    @rule(pick=st.integers(0, 999), to=st.integers(0, 999))
    def move(self, pick: int, to: int) -> None:
        work = self.work()
        door = sorted(self.at)[pick % len(self.at)]
        site = self.at[door]
        others = [one for one in sorted(self.sites) if self.sites[one] == self.sites[site] and one != site]
        if not others:
            return
        goal, seen = others[to % len(others)], {door: self.session.get_one(Door, door).version}
        if self.done("move door", lambda: move_doors(work, site, seen, goal, "", {}), may=True):
            self.at[door] = goal

    @rule(pick=st.integers(0, 999))
    def merge_sites(self, pick: int) -> None:
        work = self.work()
        pairs = [
            (one, other)
            for one in sorted(self.sites)
            for other in sorted(self.sites)
            if one != other and self.sites[one] == self.sites[other]
        ]
        if not pairs:
            return
        kept, gone = ((one, self.session.get_one(Site, one).version) for one in pairs[pick % len(pairs)])
        if self.done("merge sites", lambda: merge_sites(work, kept, gone, {}), may=True):
            event, owner = self._last_event(SITES_MERGED), self.sites.pop(gone[0])
            went = [door for door, site in self.at.items() if site == gone[0]]
            self.at |= dict.fromkeys(went, kept[0])

            def undone() -> None:
                self.sites[gone[0]] = owner if owner in self.owner_of.values() else self.sites[kept[0]]
                self.at.update(dict.fromkeys(went, gone[0]))

            def undo() -> None:
                work = self.work()
                version = self.session.get_one(Site, kept[0]).version
                if self.done("undo merge of sites", lambda: undo_site_merge(work, event, version)):
                    undone()
                    self.undoable = [one for one in self.undoable if one is not undo]

            self.undoable.append(undo)

    def _last_event(self, kind: str) -> int:
        return self.session.scalars(sa.select(sa.func.max(Event.id)).where(Event.kind == kind)).one()

    @rule(pick=st.integers(0, 999))
    def merge_customers(self, pick: int) -> None:
        work = self.work()
        pairs = [*itertools.permutations(sorted({*self.owner_of.values()}), 2)]
        if not pairs:
            return
        kept, gone = pairs[pick % len(pairs)]
        both = [(one, self.session.get_one(Customer, one).version) for one in (kept, gone)]
        form = MergeForm(both[0], both[1], reason="one firm")
        plan_merge(work, form)
        if not self.done("merge customers", lambda: merge_customers(work, form), may=True):
            return
        event = self._last_event(CUSTOMERS_MERGED)
        systems = [one for one, owner in self.owner_of.items() if owner == gone]
        sites = [one for one, owner in self.sites.items() if owner == gone]
        counts = [one for one in self.counts.values() if one.customer == gone]

        def go(to: int) -> None:
            self.owner_of |= dict.fromkeys(systems, to)
            self.sites |= {one: to for one in sites if one in self.sites}
            for count in counts:
                count.customer = to

        go(kept)
        metals = [*self.hung.values(), *(one for job in self.jobs.values() for one in job.coming.values())]
        self.excused |= {
            (at, id(metal))
            for metal in metals
            for at, cuts in self.cuts.items()
            if at[0] != metal.system and self._as_pinned(metal).turned_by(cuts)
        }

        def undo() -> None:
            work = self.work()
            version = self.session.get_one(Customer, kept).version
            if self.done("undo merge of customers", lambda: unmerge_customers(work, event, version)):
                go(gone)
                self.undoable = [one for one in self.undoable if one is not undo]

        self.undoable.append(undo)

    @precondition(lambda self: self.undoable)
    @rule()
    def undo(self) -> None:
        self.undoable[-1]()

    @rule(pick=st.integers(0, 4999))
    def retire(self, pick: int) -> None:
        work = self.work()
        system = sorted(self.owner_of)[pick // 5 % len(self.owner_of)]
        row = self.session.get_one(KeySystem, system)
        if system in self.retired_systems:
            assert self.done("back in use", lambda: put_back_in_use(work, system, row.version), may=True)
            self.retired_systems.remove(system)
            return
        if pick % 5:
            return
        may = not any(one.system == system for job in self.jobs.values() for one in job.coming.values())
        staying = [one.cylinder_id for one in keyed_in(self.session, row)]
        if self.done("retire", lambda: retire_system(work, system, row.version, "old", staying), may=may):
            self.retired_systems.add(system)

    # After each step.

    @invariant()
    def records_agree(self) -> None:
        self.session.rollback()
        self.session.expire_all()
        self._keys_are_where_the_model_has_them()
        self._bittings_stay_but_for_plans_and_none_stands_twice()
        self._doors_have_what_the_model_hung_there()
        self._a_loss_says_what_its_key_turns()
        self._owners_are_those_of_the_model()
        self._no_key_turns_what_it_is_not_meant_to()

    def _keys_are_where_the_model_has_them(self) -> None:
        of_key = (Keyset.system_id, Keyset.symbol, Key.copy_number, Key.state, Key.holder)
        rows = self.session.execute(sa.select(*of_key).join(Keyset, Keyset.id == Key.keyset_id))
        found = {(system, symbol, copy): (state, holder) for system, symbol, copy, state, holder in rows}
        assert found == {one: (piece.where, piece.holder) for one, piece in self.pieces.items()}

    def _bittings_stay_but_for_plans_and_none_stands_twice(self) -> None:
        found = self._cuts_on_record()
        assert found == self.cuts
        alike: dict[tuple[int, Cuts], list[Symbol]] = {}
        for at, cuts in found.items():
            alike.setdefault((at[0], cuts), []).append(at)
        for one, other in itertools.chain(*(itertools.combinations(ats, 2) for ats in alike.values())):
            assert self.entered(one).isdisjoint(self.entered(other))
        retired = self.session.execute(sa.select(Keyset.system_id, Keyset.symbol).where(Keyset.is_retired))
        assert {(system, symbol) for system, symbol in retired} == self.retired

    def _doors_have_what_the_model_hung_there(self) -> None:
        rows = self.session.scalars(sa.select(Cylinder).where(Cylinder.state != CylinderState.REMOVED)).all()
        hung = {one.door_id: one for one in rows if one.state is CylinderState.FITTED}
        coming = {(one.job_id, one.door_id): one for one in rows if one.state is not CylinderState.FITTED}
        assert len(hung) + len(coming) == len(rows) and hung.keys() == self.hung.keys()
        in_model = {(number, door): one for number, job in self.jobs.items() for door, one in job.coming.items()}
        assert coming.keys() == in_model.keys()
        meant = self._meant_on_record()
        pairs = [(hung[door], self.hung[door]) for door in hung] + [(coming[one], in_model[one]) for one in coming]
        for row, metal in pairs:
            assert meant[row.id] == (metal.system, metal.own, metal.meant)
            columns = [set(one) for one in zip(*metal.cuts.values(), strict=True)] if metal.cuts else None
            assert self._pins(row) == columns, f"door {row.door_id}: {metal}"
        doors = self.session.execute(sa.select(Door.id, Door.site_id))
        assert dict(doors.all()) == self.at

    def _meant_on_record(self) -> dict[int, tuple[int, str, frozenset[str]]]:
        """Cylinder → its system, its keyset, and all that is to operate it."""
        of_keyset = (Keyset.id, Keyset.system_id, Keyset.symbol, sa.type_coerce(Keyset.parent_id, sa.Integer))
        keysets = {row[0]: row for row in self.session.execute(sa.select(*of_keyset))}
        crossed = self.session.execute(sa.select(CylinderOperator.cylinder_id, CylinderOperator.keyset_id)).all()
        found = {}
        for cylinder, own, is_nmk in self.session.execute(
            sa.select(Cylinder.id, Cylinder.keyset_id, Cylinder.is_nmk).where(Cylinder.state != CylinderState.REMOVED)
        ):
            meant, above = {keysets[other][2] for one, other in crossed if one == cylinder}, own
            while above is not None:
                meant.add(keysets[above][2])
                above = None if is_nmk else keysets[above][3]
            found[cylinder] = (keysets[own][1], keysets[own][2], frozenset(meant))
        return found

    def _pins(self, row: Cylinder) -> list[set[int]] | None:
        """What a cylinder is pinned to, under seal; None of one that is not pinned."""
        assert (row.sealed_pins is None) is (row.state is CylinderState.ORDERED)
        if row.sealed_pins is None:
            return None
        return [set(one) for one in json.loads(self._open(row.sealed_pins, f"pins of cylinder {row.id}"))["cuts"]]

    def _a_loss_says_what_its_key_turns(self) -> None:
        rows = {one.id: one for one in self.session.scalars(sa.select(Loss).where(Loss.closed_at.is_(None)))}
        assert rows.keys() == set(self.open_losses())
        for number, row in rows.items():
            said = {one.door_id for one in still_turned(self.work(), row).cylinders}
            assert said == self.turned(self.losses[number]), self.losses[number].at

    def _owners_are_those_of_the_model(self) -> None:
        systems = self.session.execute(sa.select(KeySystem.id, KeySystem.customer_id))
        sites = self.session.execute(sa.select(Site.id, Site.customer_id).where(Site.merged_into_id.is_(None)))
        assert dict(systems.all()) == self.owner_of
        assert dict(sites.all()) == self.sites

    def _no_key_turns_what_it_is_not_meant_to(self) -> None:
        for one, piece in self.pieces.items():
            if piece.cuts is None or piece.where in (KeyState.ORDERED, KeyState.RETIRED):
                continue
            for door, metal in self.hung.items():
                is_others = self.owner_of[metal.system] != self.owner_of[one[0]]
                if is_others or not self.turns(one[:2], [piece.cuts], metal):
                    continue
                # A new key of a master may turn what is still to be rekeyed; an old one only what is pinned to it.
                its_own = ((metal.cuts or {}).get(one[1]), self.cuts[one[:2]])
                is_meant = one[0] == metal.system and one[1] in metal.meant and piece.cuts in its_own
                assert is_meant or (one[:2], id(metal)) in self.excused, f"{one} turns {door}: {metal}"


def _build(work: Work) -> None:
    """The Hall in three levels: F1 and F2 on AA1 and AA2, F3 and F4 alike, F5 and F6 under AB; the Practice of
    another customer, P1 to P3 under AA; and the Yard of a third on two keyways, Y1 and Y2 under AA, Z1 and Z2 cut
    alike under AB, which keys of AA do not enter. All handed over; two keys of each master are with the porters.
    """
    first, second, third = (customer_id(work, name) for name in ("Harbourmaster", "Lantern", "Saltmarsh"))
    hall = (
        mortise(2, KeyingInstruction(KeyingKind.GMK, master="AA")),
        mortise(2, KeyingInstruction(KeyingKind.GMK, 2, "AA")),
        mortise(2, KeyingInstruction(KeyingKind.GMK, master="AB")),
    )
    practice = (mortise(3, KeyingInstruction(KeyingKind.MK)),)
    yard = (mortise(2, KeyingInstruction(KeyingKind.GMK, master="AA")),)
    there = (mortise(2, KeyingInstruction(KeyingKind.GMK, master="AB"), attributes=replace(MORTISE, keyway="AQ3")),)
    asks = (
        (QuoteRequest(first, hall, system=SystemRequest(name="The Hall", levels=3, masters=2)), "F", 6),
        (QuoteRequest(second, practice, system=SystemRequest(name="The Practice")), "P", 3),
        (QuoteRequest(third, yard, system=SystemRequest(name="The Yard", levels=3, masters=1)), "Y", 2),
        (QuoteRequest(third, there, system=SystemRequest(name="The Yard")), "Z", 2),
    )
    for ask, letter, count in asks:
        if letter == "Z":
            row = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == "The Yard")).one()
            extend_system(work, row.id, ExtendForm(grand="A", masters=1, keyway="AQ3"))
            ask = replace(ask, system=SystemRequest(existing_id=row.id))
        job = issued(work, Years._made_here(ask))
        rows = tuple(DoorRow(row=n, opening=f"{letter}{n}") for n in range(1, count + 1))
        accept(work, job, rows, site_name=f"Site {letter}")
        if letter == "Z":
            _cut_alike(work, row.id)
        for stage in (Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER):
            walk(work, job, stage)
            work.session.rollback()
    for keyset in work.session.scalars(sa.select(Keyset).order_by(Keyset.id)).all():
        if keyset.children:
            at = keyset.system_id, keyset.symbol
            copies = order_copies(work, *at, 2)
            cut_copies(work, *at, copies)
            issue_keys(work, KeyIssueForm(*at, copies, "Ben"))
            work.session.rollback()
    add_site(work, first, SiteForm("The Annex"))
    work.session.rollback()


def _cut_alike(work: Work, system: int) -> None:
    """Cut AB and what is under it as AA and what is under that."""
    row = work.session.get_one(KeySystem, system, populate_existing=True)
    by_symbol, cuts = {one.symbol: one for one in row.keysets}, open_bittings(work.session, work.vault, [row])
    reseal_bittings(work, row, [(by_symbol[f"AB{n}"], cuts[by_symbol[f"AA{n}"].id]) for n in ("", 1, 2)])
    work.session.commit()


@pytest.fixture(scope="module")
def lived_in(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A house with two customers' systems handed over, built as people do it; copied for each life."""
    config = make_house(tmp_path_factory.mktemp("years"))
    ledger = open_ledger(config)
    with ledger.sessions() as session:
        owner = Actor.of(session.get_one(User, 1))
        _build(Work(session, ledger.vault, owner, NOW, random.Random(8)))
    ledger.close()
    yield config.instance
    remove_database(config)


def test_records_agree_with_a_plain_model_over_the_years(lived_in: Path, capsys: pytest.CaptureFixture[str]) -> None:
    draw_lives(
        Years,
        lived_in,
        capsys,
        variable="BITTERN_TEST_YEARS",
        steps=(50, 25),
        ci_lives=2 if ON_POSTGRESQL else 6,
    )
