"""Use cases: hand over what a job brings, all that is left or a part; who took what, and what is open still."""

import hashlib
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased
from sqlalchemy.orm.attributes import flag_modified

from app.errors import Problem, Problems
from app.ledger.jobs.queries import job_money
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keys.losses import get_loss, still_turned, still_turned_words
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.keysystems.pinned import freeze_pins
from app.ledger.quoting.key_lines import OWN
from app.ledger.store.engine import get_version, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import STAGE_MOVED, record
from app.ledger.store.numbers import hand_over_number
from app.ledger.store.work import Work
from app.ledger.tables import (
    LATE_STAGES,
    Cylinder,
    CylinderState,
    Event,
    Job,
    JobLine,
    Key,
    KeyState,
    LineKind,
    Role,
    Stage,
    longest,
)
from app.pricing import show_cents
from app.validation import counted, fault_of_length

PART_TAKEN = "part handed over"
_NAMED_KEYSETS = 8  # that a sentence names


@dataclass(frozen=True, slots=True)
class StillOpen:
    """Keys that are not cut yet, and money that is not paid; cents with tax. going: the keys that are cut and go."""

    keys: tuple[Key, ...]
    owed_cents: int
    total_cents: int
    going: tuple[Key, ...] = ()

    @property
    def mark(self) -> str:
        """What somebody sends back who was told of just these keys and cents; "" where nothing is open."""
        if not self.keys and not self.owed_cents:
            return ""
        told = f"{sorted(key.id for key in self.keys)} {self.owed_cents}"
        return hashlib.sha256(told.encode()).hexdigest()[:16]

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is open, each in a sentence."""
        said = []
        if self.keys:
            is_or_are = "is" if len(self.keys) == 1 else "are"
            said.append(f"{counted(len(self.keys), 'key')} {is_or_are} not cut yet: {_named(self.keys)}.")
        if self.owed_cents:
            said.append(f"{show_cents(self.owed_cents)} of {show_cents(self.total_cents)} is not paid.")
        return tuple(said)

    @property
    def going_words(self) -> str:
        """The keys that go with it, in a sentence; "" where none does."""
        if not self.going:
            return ""
        go_or_goes = "goes" if len(self.going) == 1 else "go"
        return f"{counted(len(self.going), 'key')} {go_or_goes} with it: {_named(self.going)}."


def _named(keys: Sequence[Key]) -> str:
    copies: dict[tuple[int, str], list[int]] = {}
    for key in keys:
        copies.setdefault((key.keyset_id, key.keyset.symbol), []).append(key.copy_number)
    named = [f"{symbol} {say_copies(numbers)}" for (_, symbol), numbers in copies.items()]
    left = len(named) - _NAMED_KEYSETS
    return "; ".join(named[:_NAMED_KEYSETS]) + (f"; and {counted(left, 'more keyset')}" if left > 0 else "")


def still_open(session: Session, job: Job) -> StillOpen:
    """What whoever hands this job over has to know."""
    keys, money = keys_of_job(session, job.id), job_money(job)
    uncut, going = (tuple(key for key in keys if key.state is state) for state in (KeyState.ORDERED, KeyState.CUT))
    return StillOpen(uncut, max(money.balance_cents, 0), money.total_cents, going)


def taker_of(session: Session, job_id: int) -> str:
    """Who took the job's goods, "" where nobody has, or nobody was asked."""
    told = session.scalars(
        sa.select(Event.detail).where(Event.job_id == job_id, Event.kind == STAGE_MOVED).order_by(Event.id.desc())
    )
    return next((str(detail["taken_by"]) for detail in told if "taken_by" in detail), "")


@dataclass(frozen=True, slots=True)
class Pieces:
    """Cylinders, keys, and how many of the other goods by their line's number."""

    cylinders: tuple[Cylinder, ...]
    keys: tuple[Key, ...]
    goods: Mapping[int, int]

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing."""
        return not (self.cylinders or self.keys or self.goods)

    @property
    def words(self) -> str:
        """How many of what: "2 cylinders, 4 keys, 5 other pieces"."""
        counts = (
            (len(self.cylinders), "cylinder"),
            (len(self.keys), "key"),
            (sum(self.goods.values()), "other piece"),
        )
        return ", ".join(counted(count, noun) for count, noun in counts if count)

    def less(self, gone: "Pieces") -> "Pieces":
        """What stays when some of it goes."""
        goods = Counter(self.goods)
        goods.subtract(gone.goods)
        return Pieces(
            tuple(one for one in self.cylinders if one not in gone.cylinders),
            tuple(one for one in self.keys if one not in gone.keys),
            {number: count for number, count in goods.items() if count > 0},
        )


def waiting_for(session: Session, job: Job) -> Pieces:
    """What of a job waits in the shop to be taken: keys that are cut, and all else that nobody took yet."""
    goods = Counter({line.number: line.quantity for line in job.lines if _is_goods(line)})
    told = sa.select(Event.detail).where(Event.job_id == job.id, Event.kind.in_((PART_TAKEN, STAGE_MOVED)))
    for detail in session.scalars(told.order_by(Event.id)):
        goods.subtract(dict(detail.get("goods", ())))
    return Pieces(
        tuple(one for one in job.cylinders if one.state not in (CylinderState.FITTED, CylinderState.REMOVED)),
        tuple(key for key in keys_of_job(session, job.id) if key.state is KeyState.CUT),
        {number: count for number, count in goods.items() if count > 0},
    )


def _is_goods(line: JobLine) -> bool:
    """Whether pieces come with it that are neither cylinders nor keys on record."""
    is_own = line.kind == LineKind.KEYS.value and line.ask.get("symbol") == OWN
    return line.kind == LineKind.HARDWARE.value or is_own


def read_taker(taken_by: str, still: StillOpen, known: str) -> str:
    """Who takes it; Problems on `taken_by` and on `known`, the mark of what whoever hands it over was told."""
    taker = " ".join(taken_by.split())
    problems = _taker_problems(taker)
    if still.mark and known != still.mark:
        told = " ".join(still.sentences)
        problems.append(Problem("known", f"{told} Tick that it is handed over all the same, and press again."))
    if problems:
        raise Problems(problems)
    return taker


def _taker_problems(taker: str) -> list[Problem]:
    problems = [] if taker else [Problem("taken_by", "Enter who takes it: a person's name.")]
    if fault := fault_of_length(taker, longest(Key.holder)):
        problems.append(Problem("taken_by", fault))
    return problems


def hand_out(work: Work, job: Job, taker: str, pieces: Pieces) -> dict[str, Any]:
    """Give pieces to who takes them, inside the caller's transaction: cylinders are on their doors from now on, and
    what was there before is removed. What the event keeps of it.
    """
    others = _replaced(work.session, job, [one.id for one in pieces.cylinders])
    freeze_pins(work, others)
    for other in others:
        other.state, other.removed_on = CylinderState.REMOVED, work.today
    removed = [one.id for one in others]
    for cylinder in pieces.cylinders:
        cylinder.state, cylinder.fitted_on = CylinderState.FITTED, work.today
    freeze_pins(work, pieces.cylinders)  # what the factory pinned by the shop's bittings was ticked off by nobody
    for key in pieces.keys:
        key.state, key.holder, key.changed_at = KeyState.OUT, taker, work.now
    work.session.flush()
    return {
        **({"lost_still": still_turned_words(work, job.loss_id)} if job.loss_id else {}),
        "taken_by": taker,
        "cylinders": [one.id for one in pieces.cylinders],
        "keys": [one.id for one in pieces.keys],
        "goods": [[number, count] for number, count in pieces.goods.items()],
        "removed": removed,
    }


@dataclass(frozen=True, slots=True)
class PartForm:
    """Who takes a part, and which: cylinders by their ids, how many keys by their keyset's, goods by their line's."""

    taken_by: str
    cylinders: Collection[int]
    keys: Mapping[int, int]
    goods: Mapping[int, int]


def hand_over_part(work: Work, job_id: int, version: int, form: PartForm) -> str:
    """Hand over a part of a job that is ready, read at `version`; the rest stays promised. The receipt's number.

    Raises Problems on `taken_by`, `cylinders`, `keys` and `goods`; LedgerError on `stage`; Stale.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        job = get_version(work.session, Job, job_id, "job", version)
        if job.stage is not Stage.READY:
            raise LedgerError("stage", f"A part is handed over when the job is ready; this one is {job.stage.word}.")
        require_rekeyed_there(work, job)
        here, taker = waiting_for(work.session, job), " ".join(form.taken_by.split())
        pieces, problems = _chosen(here, form)
        if problems := [*_taker_problems(taker), *problems]:
            raise Problems(problems)
        left = here.less(pieces)
        still = still_open(work.session, job)
        if left.is_empty and not still.keys:
            raise LedgerError("cylinders", "This is all that is left: press Handed over instead.")
        said = [f"Part taken by {taker}: {pieces.words}."]
        if not left.is_empty:
            said.append(f"Still here: {left.words}.")
        said += still.sentences
        detail = hand_out(work, job, taker, pieces)
        said.append(detail.get("lost_still", ""))
        flag_modified(job, "stage")  # whoever read the job before is late
        record(
            work,
            PART_TAKEN,
            f"job {job.number}",
            " ".join(filter(None, said)),
            job_id=job.id,
            owed_cents=still.owed_cents,
            left=left.words,
            **detail,
        )
    return hand_overs_of(work.session, job)[-1].number


def _chosen(here: Pieces, form: PartForm) -> tuple[Pieces, list[Problem]]:
    problems = []
    cylinders = tuple(one for one in here.cylinders if one.id in form.cylinders)
    if len(cylinders) != len(set(form.cylinders)):
        problems.append(Problem("cylinders", "One of these was taken already: look at the page again."))
    keys: list[Key] = []
    for keyset_id, count in form.keys.items():
        mine = [key for key in here.keys if key.keyset_id == keyset_id]
        if count > len(mine):
            symbol = f" of {mine[0].keyset.symbol}" if mine else ""
            problems.append(Problem("keys", f"{counted(len(mine), 'key')}{symbol} can go: enter at most that."))
        keys += mine[:count]
    for number, count in form.goods.items():
        if count > here.goods.get(number, 0):
            told = f"Of line {number}, {here.goods.get(number, 0)} can go: enter at most that."
            problems.append(Problem("goods", told))
    goods = {number: count for number, count in form.goods.items() if count}
    pieces = Pieces(cylinders, tuple(keys), goods)
    if pieces.is_empty and not problems:
        problems.append(Problem("cylinders", "Say what goes: tick cylinders, or enter how many keys or pieces."))
    return pieces, problems


@dataclass(frozen=True, slots=True)
class HandOver:
    """What one person took at one time. left: what stayed in the shop then, in words. lost_still: how many doors the
    lost key of the job's loss still turned after it, in a sentence; "" of a job of no loss.
    """

    number: str
    place: int
    on: date
    by: str
    taken_by: str
    cylinders: tuple[int, ...]
    keys: tuple[int, ...]
    goods: tuple[tuple[int, int], ...]
    left: str
    lost_still: str = ""


def hand_overs_of(session: Session, job: Job) -> tuple[HandOver, ...]:
    """Each hand-over of a job, oldest first; of those of earlier releases nobody wrote down what went."""
    rows = sa.select(Event).where(Event.job_id == job.id, Event.kind.in_((PART_TAKEN, STAGE_MOVED)))
    told = [event for event in session.scalars(rows.order_by(Event.id)) if "cylinders" in event.detail]
    return tuple(
        HandOver(
            number=hand_over_number(job.number, place),
            place=place,
            on=event.at.astimezone().date(),
            by=event.actor_name,
            taken_by=event.detail["taken_by"],
            cylinders=tuple(event.detail["cylinders"]),
            keys=tuple(event.detail["keys"]),
            goods=tuple((number, count) for number, count in event.detail["goods"]),
            left=event.detail.get("left", ""),
            lost_still=event.detail.get("lost_still", ""),
        )
        for place, event in enumerate(told, start=1)
    )


def _replaced(session: Session, job: Job, going: Collection[int]) -> Sequence[Cylinder]:
    """What hangs where these of the job's cylinders go, and what a line rekeyed on no door."""
    mine = aliased(Cylinder)
    is_in_place = sa.exists().where(
        mine.id.in_(going),
        mine.door_id == Cylinder.door_id,
        sa.func.lower(mine.position) == sa.func.lower(Cylinder.position),
    )
    # What another job is still to bring stays on order, whichever of the two was sold first.
    rows = sa.select(Cylinder).where(
        Cylinder.state == CylinderState.FITTED, sa.or_(is_in_place, Cylinder.id.in_(_rekeyed(job, going)))
    )
    return session.scalars(rows.order_by(Cylinder.id)).all()


def lost_before_and_after(work: Work, job: Job) -> str:
    """How many doors the lost key of the job's loss turns now, and once all that waits is handed over; "" of a job
    of no loss.
    """
    if job.loss_id is None:
        return ""
    going = waiting_for(work.session, job).cylinders
    gone = [one.id for one in _replaced(work.session, job, [one.id for one in going])]
    after = still_turned(work, get_loss(work.session, job.loss_id), gone, going)
    return f"{still_turned_words(work, job.loss_id)} Once all that waits here is handed over: {after.words}."


def require_rekeyed_there(work: Work, job: Job) -> None:
    """LedgerError on `stage` where another job is to bring what this one rekeys yet: it would undo that."""
    bringing = sa.select(Job.number).join(Cylinder, Cylinder.job_id == Job.id)
    first = work.session.scalar(
        bringing.where(
            Cylinder.id.in_(_rekeyed(job, [one.id for one in job.cylinders])),
            Cylinder.state.not_in((CylinderState.FITTED, CylinderState.REMOVED)),
            Job.stage.in_(LATE_STAGES),
        )
        .order_by(Job.number)
        .limit(1)
    )
    if first is not None:
        raise LedgerError("stage", f"This job rekeys cylinders that job {first} brings: hand job {first} over first.")


def _rekeyed(job: Job, going: Collection[int]) -> list[int]:
    """The cylinders on record that are rekeyed by the job's lines of which nothing stays in the shop."""
    stay = {one.line_number for one in job.cylinders if one.id not in going and one.state is not CylinderState.FITTED}
    lines = (one for one in job.lines if one.kind == LineKind.REKEY and one.number not in stay)
    return [one for line in lines for one in line.ask.get("standing", ())]
