"""Keysets out of use, because a key is lost, and the cylinders that a lost key exposes.

A loss counts until it is closed or its keyset has another bitting on record; of known copies, while one of them is
not found. What is refused, and what the owner of the house lets go on, is app/ledger/quoting/lost_keys.py's. All is
taken from the record here: no bitting is opened, and what the lost bitting itself turns is
app/ledger/keys/losses.py's to find.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.keying import Bitting as Cuts
from app.keying import read_bitting, write_bitting
from app.ledger.keysystems.bittings import lost_context, spec_of
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.keysystems.out_of_use import require_none_retired_above, require_not_retired
from app.ledger.keysystems.system_queries import operators_of
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderOperator,
    CylinderState,
    Door,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Level,
    Loss,
    Site,
)
from app.validation import first_of

NAMED = 8


@dataclass(frozen=True, slots=True)
class Exposed:
    """A cylinder, its keyset's symbol, the door it is on ("" and None where it is on none), and its job's id."""

    cylinder_id: int
    symbol: str
    door_id: int | None
    opening_number: str
    location: str
    site: str
    position: str
    state: CylinderState
    job_id: int | None


def exposed_by(session: Session, keyset: Keyset) -> tuple[Exposed, ...]:
    """The cylinders whose places the keyset's key opens, one a place, by site and opening number: two queries.

    The one that stands there where its key operates it, else the one that is on its way.
    """
    found: dict[object, Exposed] = {}
    for one in operated_by(session, keyset):
        place = one.cylinder_id if one.door_id is None else (one.door_id, one.position.casefold())
        if place not in found or one.state is CylinderState.FITTED:
            found[place] = one
    return tuple(found.values())


def operated_by(session: Session, keyset: Keyset) -> tuple[Exposed, ...]:
    """Every cylinder that the keyset's key operates, standing or on its way, by site and opening number: two queries.

    Its own, those of every keyset under it unless NMK, and those cross-keyed to it or to none above; a control
    key takes out every core of its system.
    """
    parents = dict(
        session.execute(
            sa.select(Keyset.id, sa.type_coerce(Keyset.parent_id, sa.Integer)).where(
                Keyset.system_id == keyset.system_id
            )
        ).all()
    )
    below: set[int] = set()
    layer = {keyset.id}
    while layer := {one for one, above in parents.items() if above in layer}:
        below |= layer
    crossed = sa.select(CylinderOperator.cylinder_id).where(CylinderOperator.keyset_id == keyset.id)
    operated: sa.ColumnElement[bool]
    if keyset.level.takes_cores_out:
        cores = sa.select(Keyset.id).where(Keyset.system_id == keyset.system_id)
        operated = Cylinder.keyset_id.in_(cores.where(_is_taken_out_by(keyset)))
    else:
        operated = sa.or_(
            Cylinder.keyset_id == keyset.id,
            sa.and_(Cylinder.keyset_id.in_(below), Cylinder.is_nmk.is_(False)),
            Cylinder.id.in_(crossed),
        )
    rows = session.execute(
        sa.select(
            Cylinder.id,
            Keyset.symbol,
            Cylinder.door_id,
            sa.func.coalesce(Door.opening_number, ""),
            sa.func.coalesce(Door.location, ""),
            sa.func.coalesce(Site.name, ""),
            Cylinder.position,
            Cylinder.state,
            Cylinder.job_id,
        )
        .join(Keyset, Keyset.id == Cylinder.keyset_id)
        .outerjoin(Door, Door.id == Cylinder.door_id)
        .outerjoin(Site, Site.id == Door.site_id)
        .where(operated, Cylinder.state != CylinderState.REMOVED)
        .order_by(Site.name, sa.func.length(Door.opening_number), Door.opening_number, Cylinder.id)
    )
    return tuple(Exposed(*row) for row in rows)


def _is_taken_out_by(control: Keyset) -> sa.ColumnElement[bool]:
    """Whether cores of a keyset are taken out with a control key: construction cores have one of their own."""
    if control.level is Level.CONTROL:
        return Keyset.level != Level.CONSTRUCTION
    return sa.and_(Keyset.level == Level.CONSTRUCTION, Keyset.symbol == control.symbol.replace("CCK", "CMK"))


def where_it_opens(keyset: Keyset, exposed: Sequence[Exposed]) -> str:
    """Where the key works, in a few words for its receipt: its purpose, or openings by number; never an address."""
    if keyset.level is Level.CONTROL:
        return "takes out the cores of this system"
    if keyset.level is Level.CONSTRUCTION_CONTROL:
        return keyset.purpose
    if keyset.purpose:
        return f"what the {keyset.purpose} opens" if keyset.is_customers_key else keyset.purpose
    openings = list(dict.fromkeys(one.opening_number for one in exposed if one.opening_number))
    if not openings:
        count = len(exposed)
        return f"{count} {'cylinder' if count == 1 else 'cylinders'}" if count else "no cylinder yet"
    return first_of(openings, NAMED)


KEYED_UNDER_LOST = "keyed under a lost key"
BITTING_CORRECTED = "bitting corrected"
IN_METAL = "; what was made by the old record is said to be destroyed"
"""What the event of a corrected bitting ends with where metal was made by the record that was wrong."""
_UNDER_NOTHING = (Level.CHANGE, Level.SINGLE, Level.CONSTRUCTION, Level.CONSTRUCTION_CONTROL)


@dataclass(frozen=True, slots=True)
class LostKeyset:
    """A keyset with its lost copies, () where nobody knows which or how many.

    `key_ids`: what the owner of the house lets a quote go on beside: their keys' ids, or the loss's own below 0 where
    no copy is known. `cylinders`: how many of a job's its key opens, `lines` the lines that they were sold on; 0 and
    () where no job was asked about. `successor`: the symbol on record that takes its place by the loss's plan.
    """

    keyset: Keyset
    system_name: str
    copies: tuple[int, ...]
    key_ids: tuple[int, ...] = ()
    cylinders: int = 0
    lines: tuple[int, ...] = ()
    successor: str = ""

    @property
    def said(self) -> str:
        """Which keys are lost.

        >>> LostKeyset(Keyset(symbol="AA", level=Level.MASTER), "The Flats", (2,)).said
        'A key of AA of The Flats is lost (copy 2)'
        >>> LostKeyset(Keyset(symbol="AA", level=Level.MASTER), "The Flats", ()).said
        'Keys of AA of The Flats are lost, and nobody knows which or how many'
        """
        if not self.copies:
            return f"Keys of {self.keyset.symbol} of {self.system_name} are lost, and nobody knows which or how many"
        what = "A key" if len(self.copies) == 1 else f"{len(self.copies)} keys"
        verb = "is" if len(self.copies) == 1 else "are"
        return f"{what} of {self.keyset.symbol} of {self.system_name} {verb} lost ({say_copies(self.copies)})"

    @property
    def before(self) -> str:
        """What to think of before anything more is keyed there."""
        if self.keyset.level is Level.CONTROL:
            return f"{self.said}: whoever has it could take out every core that is keyed in this system."
        return (
            f"{self.said}: whoever has it would open all that is newly keyed under {self.keyset.symbol}. "
            f"{self.instead or 'Plan for the loss first, or key under another master or single (SKD).'}"
        )

    @property
    def instead(self) -> str:
        """What to key under where the loss's plan has put another keyset in its place; "" before."""
        return f"Key under {self.successor}, which takes the place of {self.keyset.symbol}." if self.successor else ""

    @property
    def of_job(self) -> str:
        """What is so with the job's cylinders."""
        deed = "take out" if self.keyset.level.takes_cores_out else "open"
        pieces = "cylinder" if self.cylinders == 1 else "cylinders"
        return f"{self.said}: whoever has it would {deed} {self.cylinders} {pieces} of this job."


def lost_masters(session: Session, system_ids: Collection[int]) -> tuple[LostKeyset, ...]:
    """Masters, grands and control keys of these systems of which a key is lost: one query, by system and symbol."""
    return _lost(session, Keyset.system_id.in_(system_ids), Keyset.level.not_in(_UNDER_NOTHING))


def lost_for_job(session: Session, job_id: int) -> tuple[LostKeyset, ...]:
    """Keysets with a lost key that opens cylinders of the job: two queries, and two more for each that is lost."""
    rows = session.execute(
        sa.select(Cylinder.id, Cylinder.line_number, Keyset.system_id)
        .join(Keyset, Keyset.id == Cylinder.keyset_id)
        .where(Cylinder.job_id == job_id)
    ).all()
    line_of = {cylinder_id: line or 0 for cylinder_id, line, _ in rows}
    found = []
    for lost in _lost(session, Keyset.system_id.in_({row.system_id for row in rows})) if rows else ():
        opened = [line_of[one.cylinder_id] for one in operated_by(session, lost.keyset) if one.cylinder_id in line_of]
        if opened:
            found.append(replace(lost, cylinders=len(opened), lines=tuple(sorted({*opened} - {0}))))
    return tuple(found)


def lost_of_customer(session: Session, customer_id: int) -> tuple[LostKeyset, ...]:
    """Keysets of a customer's systems of which a key is lost: one query where there is none."""
    systems = sa.select(KeySystem.id).where(KeySystem.customer_id == customer_id)
    return _lost(session, Keyset.system_id.in_(systems))


def lost_of_system(session: Session, system_id: int) -> tuple[LostKeyset, ...]:
    """Keysets of a system of which a key is lost: one query."""
    return _lost(session, Keyset.system_id == system_id)


def lost_keysets(session: Session, keyset_ids: Collection[int]) -> tuple[LostKeyset, ...]:
    """Those of these keysets of which a key is lost: one query where there is none."""
    return _lost(session, Keyset.id.in_(keyset_ids))


def require_none_lost_above(work: Work, system: KeySystem, parents: Collection[str]) -> None:
    """Refuse, on `master` or `grand`, to add keysets under `parents` (symbols) that a lost key would open.

    A lost control key opens no keyset; cores are kept back where they are quoted and accepted, so an event tells.
    """
    by_id = {keyset.id: keyset for keyset in system.keysets}
    masters = [keyset for keyset in system.keysets if keyset.symbol in parents]
    above = {one.id for master in masters for one in operators_of(master, is_nmk=False, by_id=by_id)}
    for master in masters:
        field = "master" if master.level is Level.MASTER else "grand"
        require_not_retired([master], field)
        require_none_retired_above(master, by_id, field)
    for lost in lost_masters(work.session, [system.id]):
        if lost.keyset.id in above:
            field = "master" if any(one.level is Level.MASTER for one in masters) else "grand"
            raise LedgerError(field, lost.before)
        if lost.keyset.level is Level.CONTROL:
            record(work, KEYED_UNDER_LOST, f"key system {system.id}", f"Keysets added. {lost.before}")


def _lost(session: Session, *conditions: sa.ColumnElement[bool]) -> tuple[LostKeyset, ...]:
    rows = session.execute(
        sa.select(Loss.id, Loss.copies, Loss.successors, Keyset, KeySystem.name, Key.id, Key.copy_number)
        .join(Keyset, Keyset.id == Loss.keyset_id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .outerjoin(Key, sa.and_(Key.keyset_id == Keyset.id, Key.state == KeyState.LOST))
        .where(Loss.closed_at.is_(None), Loss.sealed_lost.is_(None), *conditions)
        .order_by(Keyset.system_id, Keyset.id, Key.copy_number)
    ).all()
    found: dict[Keyset, LostKeyset] = {}
    for loss_id, copies, successors, keyset, name, key_id, copy in rows:
        one = found.get(keyset) or LostKeyset(keyset, name, (), successor=_on_record(session, keyset, successors))
        if not copies:
            found[keyset] = replace(one, key_ids=(-loss_id,))
        elif copy in copies:
            found[keyset] = replace(one, copies=(*one.copies, copy), key_ids=(*one.key_ids, key_id))
    return tuple(found.values())


def _on_record(session: Session, keyset: Keyset, successors: Mapping[str, str]) -> str:
    """The successor of a lost keyset, once a job of the plan has put it on record; "" else."""
    successor = successors.get(keyset.symbol, "")
    if successor in ("", keyset.symbol):
        return ""
    there = sa.select(Keyset.id).where(Keyset.system_id == keyset.system_id, Keyset.symbol == successor)
    return successor if session.scalar(there) is not None else ""


def open_loss(session: Session, keyset_id: int) -> Loss | None:
    """The keyset's loss that is not closed yet."""
    return session.scalar(sa.select(Loss).where(Loss.keyset_id == keyset_id, Loss.closed_at.is_(None)))


def shut_out_on(session: Session, keyset: Keyset) -> date | None:
    """The day on which a keyset with an open loss got another bitting on record; None where it has not."""
    loss = open_loss(session, keyset.id)
    if loss is None or loss.sealed_lost is None:
        return None
    return (loss.plan_chosen_at or loss.reported_at).astimezone().date()


def open_lost_bitting(work: Work, loss: Loss) -> Cuts | None:
    """The bitting that was sealed with a loss, for the house's own reckoning; None where its keyset still has it."""
    if loss.sealed_lost is None:
        return None
    return read_bitting(spec_of(loss.system), work.vault.open(loss.sealed_lost, lost_context(loss.id)), "bitting")


def open_lost_bittings(work: Work, systems: Iterable[KeySystem]) -> tuple[tuple[Keyset, Cuts], ...]:
    """The bittings that were lost in these systems and that their keysets have no longer, for the house's own
    reckoning: one query where there is none.

    Those of closed losses too, and of copies that were found: other copies are cut so, and a key that was out of hand
    may have been copied.
    """
    by_id = {keyset.id: keyset for system in systems for keyset in system.keysets}
    rows = sa.select(Loss).where(Loss.keyset_id.in_(by_id), Loss.sealed_lost.is_not(None)).order_by(Loss.id)
    opened = ((by_id[loss.keyset_id], open_lost_bitting(work, loss)) for loss in work.session.scalars(rows))
    return tuple(dict.fromkeys((keyset, cuts) for keyset, cuts in opened if cuts is not None))


def keep_lost_bitting(work: Work, keyset: Keyset, cuts: Cuts) -> None:
    """Seal what is lost with a keyset's open loss before the keyset gets another bitting; caller's transaction."""
    loss = open_loss(work.session, keyset.id)
    if loss is None or loss.sealed_lost is not None:
        return
    loss.sealed_lost = work.vault.seal(write_bitting(spec_of(keyset.system), cuts), lost_context(loss.id))
    loss.successors = {**loss.successors, keyset.symbol: keyset.symbol}
    loss.plan_chosen_at = loss.plan_chosen_at or work.now


def put_missing_losses(session: Session) -> None:
    """An open loss for each keyset of which keys are lost and no loss tells, as in a file of an earlier release."""
    told = sa.select(Loss.keyset_id)
    rows = session.execute(
        sa.select(Keyset.system_id, Key.keyset_id, Key.copy_number, Key.changed_at)
        .join(Keyset, Keyset.id == Key.keyset_id)
        .where(Key.state == KeyState.LOST, Key.keyset_id.not_in(told))
        .order_by(Key.keyset_id, Key.copy_number)
    )
    found: dict[int, Loss] = {}
    for system_id, keyset_id, copy, lost_at in rows:
        loss = found.setdefault(
            keyset_id, Loss(system_id=system_id, keyset_id=keyset_id, reported_at=lost_at, copies=[])
        )
        loss.copies = [*loss.copies, copy]
        loss.reported_at = min(loss.reported_at, lost_at)
    session.add_all(found.values())
    session.flush()


def require_not_lost(session: Session, keysets: Collection[Keyset], field: str) -> None:
    """Refuse, on `field`, keysets of which a key is lost: whoever has it would open the door."""
    for lost in lost_keysets(session, [keyset.id for keyset in keysets]):
        raise LedgerError(
            field,
            f"A key of {lost.keyset.symbol} is lost: whoever has it would open this door. Name another keyset, leave "
            "it empty for a new one, or take the key back on its page if it was found.",
        )
