"""Use cases: hand over what a job brings, all that is left or a part, at any stage at which pieces are there."""

import hashlib
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased
from sqlalchemy.orm.attributes import flag_modified

from app.errors import Problem, Problems
from app.ledger.goods.hand_overs import PART_TAKEN, HandOver, hand_overs_of, put_hand_over
from app.ledger.goods.pieces import Pieces, by_line, handed_lines, waiting_for
from app.ledger.goods.shelf import is_all_there, is_any_there, take_off_the_shelf, there_now
from app.ledger.jobs.construction import move_cores
from app.ledger.jobs.queries import job_money
from app.ledger.jobs.stages import pass_stage, stages_to_ready
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keys.losses import get_loss, still_turned, still_turned_words
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.keysystems.pinned import freeze_pins
from app.ledger.money.credit import require_credit_for
from app.ledger.stock.needs import release_needs
from app.ledger.store.engine import get_version, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    LATE_STAGES,
    Cylinder,
    CylinderState,
    Job,
    Key,
    KeyState,
    LineKind,
    Role,
    Stage,
    longest,
)
from app.pricing import show_cents
from app.validation import counted, fault_of_length

_NAMED_KEYSETS = 8  # that a sentence names
_ALL_THE_SAME = "Tick that it is handed over all the same, and press again."


@dataclass(frozen=True, slots=True)
class StillOpen:
    """Keys that are not cut yet, and money that is not paid; cents with tax. going: the keys that are cut and go;
    waiting: those of them that wait for the building's hand-over, for the construction key still opens its doors.
    """

    keys: tuple[Key, ...]
    owed_cents: int
    total_cents: int
    going: tuple[Key, ...] = ()
    waiting: tuple[Key, ...] = ()

    @property
    def mark(self) -> str:
        """What somebody sends back who was told of just these keys and cents; "" where nothing is open."""
        if not self.keys and not self.owed_cents and not self.waiting:
            return ""
        told = f"{sorted(key.id for key in self.keys)} {self.owed_cents} {sorted(key.id for key in self.waiting)}"
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
    def waiting_words(self) -> str:
        """Why permanent keys wait at a building site, in a sentence; "" where none does."""
        if not self.waiting:
            return ""
        told = "A door of this job still opens to a construction key. Only that key and what it turns go there now"
        wait_or_waits = "waits" if len(self.waiting) == 1 else "wait"
        keys = f"{counted(len(self.waiting), 'permanent key')} {wait_or_waits}"
        return f"{told}; {keys} until the building is handed over: {_named(self.waiting)}."

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
    is_a_site = any(key.keyset.level.is_of_construction for key in keys) and _is_a_site(job)
    waiting = tuple(key for key in going if not key.keyset.level.is_of_construction) if is_a_site else ()
    return StillOpen(uncut, max(money.balance_cents, 0), money.total_cents, going, waiting)


def _is_a_site(job: Job) -> bool:
    """Whether a construction key turns a door of a job, or will: none that a permanent core may replace by now."""
    lent = [one for one in job.cylinders if one.is_lent]
    if lent:
        return not all(one.state.has_left for one in lent)
    return any(one.construction is not None for one in job.cylinders)


@dataclass(frozen=True, slots=True)
class HandOverForm:
    """Who takes all that is left of a job. known: the mark of what whoever hands it over was told to be open still,
    "" where nothing is. credit: why the owner of the house goes on above the customer's credit limit.
    """

    taken_by: str
    known: str = ""
    credit: str = ""


def hand_over(work: Work, job_id: int, version: int, form: HandOverForm) -> HandOver:
    """Hand over all that waits of a job, read at `version`, that is ready, or of which all is there: the job is with
    the customer then.

    It puts the job's cylinders on their doors (those there before count as removed), and its keys that are cut in
    that person's hands. What it rekeys must be there first. Raises Problems on `taken_by` and `known`; LedgerError
    on `stage`, on `credit` where what is not paid goes above the customer's limit, on `goods` with the figures of a
    shelf that has not so many; Stale.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        job = get_version(work.session, Job, job_id, "job", version)
        _require_site_supplied(work.session, job)
        if not may_all_go(work.session, job):
            told = f"This job is {job.stage.word}, and not all of it is there: hand over what is there."
            raise LedgerError("stage", told)
        require_rekeyed_there(work, job)
        still = still_open(work.session, job)
        taker = _read_taker(form, still)
        pieces = waiting_for(work.session, job)
        detail = _hand_out(work, job, taker, pieces, form.credit)
        _end(work, job, taker, still, pieces, detail)
    return hand_overs_of(work.session, job)[-1]


def _require_site_supplied(session: Session, job: Job) -> None:
    """LedgerError on `stage` where what construction keys turn is still to go to the site."""
    if goes_to_site_first(session, job):
        told = "The cylinders or cores of the site and their construction keys go there first, as a part"
        raise LedgerError("stage", f"{told}; all else stays here until the building is handed over.")


def goes_to_site_first(session: Session, job: Job) -> bool:
    """Whether something that construction keys turn is still here: that goes to the site, permanent keys later."""
    if not any(key.keyset.level.is_of_construction for key in keys_of_job(session, job.id)):
        return False
    return any(one.construction is not None and not one.state.has_left for one in job.cylinders)


def may_all_go(session: Session, job: Job) -> bool:
    """Whether what is left of a job can be handed over as a whole."""
    is_there = job.stage is Stage.READY or (job.stage in LATE_STAGES and is_all_there(session, job))
    return is_there and not goes_to_site_first(session, job)


def _end(work: Work, job: Job, taker: str, still: StillOpen, pieces: Pieces, detail: dict[str, Any]) -> None:
    """The job's last pieces went: it is with the customer, by way of the stages before that."""
    for stage in stages_to_ready(job):
        pass_stage(work, job, stage)
    said = [f"taken by {taker}.", still.going_words, *still.sentences, *_told_besides(detail)]
    left = Pieces((), still.keys, {}).words
    detail = {**detail, "uncut": [key.id for key in still.keys], "owed_cents": still.owed_cents, "left": left}
    event = pass_stage(work, job, Stage.HANDED_OVER, " ".join(filter(None, said)), **detail)
    put_hand_over(work.session, job, event, pieces)
    if not still.keys:  # those that are cut later take their blanks then
        release_needs(work, job, f"job {job.number} handed over")


def _told_besides(detail: dict[str, Any]) -> list[str]:
    return [detail.get("not_on_record", ""), detail.get("lost_still", "")]


def _read_taker(form: HandOverForm, still: StillOpen) -> str:
    taker = " ".join(form.taken_by.split())
    problems = _taker_problems(taker)
    if still.mark and form.known != still.mark:
        told = " ".join(filter(None, (still.waiting_words, *still.sentences)))
        problems.append(Problem("known", f"{told} {_ALL_THE_SAME}"))
    if problems:
        raise Problems(problems)
    return taker


def _taker_problems(taker: str) -> list[Problem]:
    problems = [] if taker else [Problem("taken_by", "Enter who takes it: a person's name.")]
    if fault := fault_of_length(taker, longest(Key.holder)):
        problems.append(Problem("taken_by", fault))
    return problems


def _hand_out(work: Work, job: Job, taker: str, pieces: Pieces, credit: str) -> dict[str, Any]:
    """Give pieces to who takes them, inside the caller's transaction: cylinders are on their doors from now on, and
    what was there before is removed. What the event keeps of it.
    """
    lines = by_line(job, pieces, handed_lines(work.session, job.id))
    going = {number: (one.cylinders, one.keys, one.goods) for number, one in lines.items()}
    require_credit_for(work, job, going, credit)
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
    move_cores(work, job, -sum(one.is_lent for one in pieces.cylinders))
    not_on_record = take_off_the_shelf(work, job, lines)
    return {
        **({"not_on_record": not_on_record} if not_on_record else {}),
        **({"lost_still": still_turned_words(work, job.loss_id)} if job.loss_id else {}),
        "taken_by": taker,
        "cylinders": [one.id for one in pieces.cylinders],
        "keys": [one.id for one in pieces.keys],
        "goods": [[number, count] for number, count in pieces.goods.items()],
        "removed": removed,
    }


@dataclass(frozen=True, slots=True)
class PartForm:
    """Who takes a part, and which: cylinders by their ids, how many keys by their keyset's, goods by their line's.

    Of a keyset that `keys` does not name, its share of the keys goes along with the cylinders on it. credit: as for
    all of it. known: the sentence that asked whether permanent keys go to a building site, where somebody agreed.
    """

    taken_by: str
    cylinders: Collection[int]
    keys: Mapping[int, int]
    goods: Mapping[int, int]
    credit: str = ""
    known: str = ""


def hand_over_part(work: Work, job_id: int, version: int, form: PartForm) -> HandOver:
    """Hand over pieces of a job, read at `version`, that are there; the rest stays promised. Where nothing is left,
    the job is with the customer.

    Raises Problems on `taken_by`, `known`, `cylinders`, `keys-…` with a keyset's id and `goods-…` with a line's
    number; LedgerError on `stage` and `credit`; Stale.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        job = get_version(work.session, Job, job_id, "job", version)
        if job.stage not in PART_STAGES:
            raise LedgerError("stage", f"Nothing can be handed over of a job that is {job.stage.word}.")
        require_rekeyed_there(work, job)
        taker = " ".join(form.taken_by.split())
        still = still_open(work.session, job)
        pieces, problems = _read_part(work.session, job, form, still)
        if problems:
            raise Problems(problems)
        left = waiting_for(work.session, job).less(pieces)
        left = replace(left, keys=(*left.keys, *still.keys))  # those that are cut later are still promised, too
        detail = _hand_out(work, job, taker, pieces, form.credit)
        if left.is_empty and job.stage is not Stage.HANDED_OVER:
            _end(work, job, taker, still, pieces, detail)
        else:
            _tell_part(work, job, taker, still, pieces, left, detail)
    return hand_overs_of(work.session, job)[-1]


PART_STAGES = (*LATE_STAGES, Stage.HANDED_OVER)
"""A quote was accepted, and pieces may be there; keys that were cut later are fetched later."""


def _read_part(session: Session, job: Job, form: PartForm, still: StillOpen) -> tuple[Pieces, list[Problem]]:
    pieces, problems = _chosen(there_now(session, job), form)
    problems += _site_problems(pieces, still, form.known)
    return pieces, [*_taker_problems(" ".join(form.taken_by.split())), *problems]


def part_problems(session: Session, job: Job, form: PartForm) -> list[Problem]:
    """What keeps a part from going, each at the box that `hand_over_part` names."""
    return _read_part(session, job, form, still_open(session, job))[1]


def may_part_go(session: Session, job: Job) -> bool:
    """Whether anything of a job can be taken today."""
    return job.stage in PART_STAGES and is_any_there(session, job)


def is_all_gone(session: Session, job: Job) -> bool:
    """Whether everything of a job was handed over: no key of it is still to be cut either."""
    if job.stage is not Stage.HANDED_OVER or not waiting_for(session, job).is_empty:
        return False
    return all(key.state is not KeyState.ORDERED for key in keys_of_job(session, job.id))


def _tell_part(
    work: Work, job: Job, taker: str, still: StillOpen, pieces: Pieces, left: Pieces, detail: dict[str, Any]
) -> None:
    said = [f"Part taken by {taker}: {pieces.words}."]
    if not left.is_empty:
        said.append(f"Still here: {left.words}.")
    said += [*still.sentences, *_told_besides(detail)]
    flag_modified(job, "stage")  # whoever read the job before is late
    event = record(
        work,
        PART_TAKEN,
        f"job {job.number}",
        " ".join(filter(None, said)),
        job_id=job.id,
        owed_cents=still.owed_cents,
        left=left.words,
        **detail,
    )
    put_hand_over(work.session, job, event, pieces)


def _chosen(here: Pieces, form: PartForm) -> tuple[Pieces, list[Problem]]:
    problems = []
    cylinders = tuple(one for one in here.cylinders if one.id in form.cylinders)
    if len(cylinders) != len(set(form.cylinders)):
        problems.append(Problem("cylinders", "One of these is not there, or was taken: look at the page again."))
    keys: list[Key] = []
    for keyset_id, count in {**_keys_along(here, cylinders), **form.keys}.items():
        mine = [key for key in here.keys if key.keyset_id == keyset_id]
        if count > len(mine):
            symbol = f" of {mine[0].keyset.symbol}" if mine else ""
            problems.append(
                Problem(f"keys-{keyset_id}", f"{counted(len(mine), 'key')}{symbol} can go: enter at most that.")
            )
        keys += mine[:count]
    for number, count in form.goods.items():
        if count > here.goods.get(number, 0):
            told = f"Of line {number}, {here.goods.get(number, 0)} can go: enter at most that."
            problems.append(Problem(f"goods-{number}", told))
    goods = {number: count for number, count in form.goods.items() if count}
    pieces = Pieces(cylinders, tuple(keys), goods)
    if pieces.is_empty and not problems:
        problems.append(Problem("cylinders", "Say what goes: tick cylinders, or enter how many keys or pieces."))
    return pieces, problems


def _site_problems(pieces: Pieces, still: StillOpen, known: str) -> list[Problem]:
    """On `cylinders` where a door would get its construction core and the permanent one at once, on `known` where
    permanent keys go that wait for the building's hand-over, and nobody agreed to that.
    """
    problems = []
    lent = {_place(one) for one in pieces.cylinders if one.is_lent}
    if lent.intersection(_place(one) for one in pieces.cylinders if not one.is_lent):
        told = "A door gets its construction core now and the permanent one when the building is handed over"
        problems.append(Problem("cylinders", f"{told}: tick one of the two."))
    going = replace(still, waiting=tuple(key for key in still.waiting if key in pieces.keys))
    asked = f"{going.waiting_words} {_ALL_THE_SAME}"
    if going.waiting and known != asked:
        problems.append(Problem("known", asked))
    return problems


def _place(cylinder: Cylinder) -> tuple[object, ...]:
    """Where a construction core stands in for a permanent one: a place on a door, or on no door any of its system and
    type.
    """
    if cylinder.door_id is not None:
        return cylinder.door_id, cylinder.position
    return cylinder.keyset and cylinder.keyset.system_id, cylinder.type, "no door"


def _keys_along(here: Pieces, going: Sequence[Cylinder]) -> dict[int, int]:
    """Keyset → how many of its keys go along with cylinders on it: all of them with the last of those that wait."""
    waiting, chosen = (Counter(one.keyset_id for one in some) for some in (here.cylinders, going))
    cut = Counter(key.keyset_id for key in here.keys)
    return {
        keyset: cut[keyset] * count // waiting[keyset]
        for keyset, count in chosen.items()
        if keyset is not None and cut[keyset]
    }


def _replaced(session: Session, job: Job, going: Collection[int]) -> Sequence[Cylinder]:
    """What hangs where these of the job's cylinders go, what a line rekeyed on no door, and the construction cores on
    none that make way for permanent ones.
    """
    mine = aliased(Cylinder)
    is_in_place = sa.exists().where(
        mine.id.in_(going),
        mine.door_id == Cylinder.door_id,
        sa.func.lower(mine.position) == sa.func.lower(Cylinder.position),
    )
    # What another job is still to bring stays on order, whichever of the two was sold first.
    on_no_door = [*_rekeyed(job, going), *_cores_on_no_door(job, going)]
    rows = sa.select(Cylinder).where(
        Cylinder.state == CylinderState.FITTED, sa.or_(is_in_place, Cylinder.id.in_(on_no_door))
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


def _cores_on_no_door(job: Job, going: Collection[int]) -> list[int]:
    """One construction core, all alike, for each permanent one of its system and type that goes for no door."""
    mine = [one for one in job.cylinders if one.door_id is None and one.keyset is not None]
    coming = Counter(_place(one) for one in mine if one.id in going and not one.is_lent)
    found = []
    for one in mine:
        if one.is_lent and one.state is CylinderState.FITTED and coming[_place(one)]:
            coming[_place(one)] -= 1
            found.append(one.id)
    return found


def _rekeyed(job: Job, going: Collection[int]) -> list[int]:
    """The cylinders on record that are rekeyed by the job's lines of which nothing stays in the shop."""
    stay = {one.line_number for one in job.cylinders if one.id not in going and not one.state.has_left}
    lines = (one for one in job.lines if one.kind == LineKind.REKEY and one.number not in stay)
    return [one for line in lines for one in line.ask.get("standing", ())]
