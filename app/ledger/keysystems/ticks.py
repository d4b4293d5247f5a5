"""What the bench ticks off, cylinders as pinned and checked and keys as cut; and ticks of what is no longer right."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.keysystems.pinned import seal_pins
from app.ledger.keysystems.system_queries import blanks_of
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Event, Job, Key, KeyState, Stage

KEYS_CUT, KEYS_UNCUT = "keys cut", "keys to cut anew"

PINNED, CHECKED, PINNED_ANEW = "cylinders pinned", "cylinders checked", "cylinders to pin anew"
_TICKED = (CylinderState.PINNED, CylinderState.CHECKED)
_PAST_THE_BENCH = (Stage.CHECKED, Stage.READY)


def mark_cylinders(
    work: Work,
    job: Job,
    cylinders: Sequence[Cylinder],
    state: CylinderState,
    kind: str,
    done: str,
    *,
    same_pins: bool = False,
) -> None:
    """Give cylinders of a job a state, inside the caller's transaction; one event of that kind says so.

    What is pinned is sealed as it is; what is to be pinned anew has no pins.
    """
    for cylinder in cylinders:
        cylinder.state = state
        if state is CylinderState.ORDERED:
            cylinder.sealed_pins = None
    if state is CylinderState.PINNED:
        seal_pins(work, cylinders)
    if cylinders:
        count = f"{len(cylinders)} cylinder{'' if len(cylinders) == 1 else 's'}"
        ids = [cylinder.id for cylinder in cylinders]
        detail = {"same_pins": True} if same_pins else {}
        record(work, kind, f"job {job.number}", f"{count} {done}", job_id=job.id, cylinders=ids, **detail)


def mark_keys(work: Work, job: Job, keys: Sequence[Key], state: KeyState, why: str = "") -> None:
    """Have keys of a job be cut, or be cut anew, inside the caller's transaction; one event a key system says so."""
    kind, done = (KEYS_CUT, "cut") if state is KeyState.CUT else (KEYS_UNCUT, "to cut anew")
    by_system: dict[int, list[Key]] = {}
    for key in keys:
        key.state, key.changed_at = state, work.now
        by_system.setdefault(key.keyset.system_id, []).append(key)
    for system_id, mine in by_system.items():
        symbols = ", ".join(dict.fromkeys(key.keyset.symbol for key in mine))
        count = f"{len(mine)} key{'' if len(mine) == 1 else 's'}"
        said = f"{count} {done}, job {job.number}: {symbols}" + (f"; {why}" if why else "")
        ids, of = [key.id for key in mine], {"blanks": say_blanks(work.session, mine)} if kind == KEYS_CUT else {}
        record(work, kind, f"key system {system_id}", said, job_id=job.id, keys=ids, **of)


def say_blanks(session: Session, keys: Sequence[Key]) -> list[str]:
    """What keys of one system are cut of now, each in words; "" where no maker's table says it."""
    blanks = blanks_of(session, keys[0].keyset.system) if keys else {}
    found = (blanks[key.keyset_id] for key in keys)
    return [f"{blank.maker} {blank.number}" if blank is not None else "" for blank in found]


def blanks_cut(session: Session, subjects: Collection[str], keys: Iterable[Key]) -> list[str]:
    """What these keys were cut of, as it was written down then; "" where nobody did. subjects: of their events."""
    rows = sa.select(Event.detail).where(Event.subject.in_(subjects), Event.kind == KEYS_CUT).order_by(Event.id)
    found: dict[int, str] = {}
    for detail in session.scalars(rows):
        found |= dict(zip(detail["keys"], detail.get("blanks") or [""] * len(detail["keys"]), strict=True))
    return [found.get(key.id, "") for key in keys]


def take_ticks_back(work: Work, cylinder_ids: Collection[int], why: str, *, same_pins: bool = False) -> int:
    """Have cylinders that are pinned or checked be pinned anew, inside the caller's transaction; how many they are.

    One event a job says so; same_pins: that they take the pins that were drawn for them. LedgerError where their job
    has left the bench: it goes back there first, so that it cannot be handed over with pins that nobody checked.
    Cylinders that are fitted keep their state.
    """
    jobs: dict[int, list[Cylinder]] = {}
    ids = sorted(set(cylinder_ids))
    for start in range(0, len(ids), 500):
        rows = sa.select(Cylinder).where(
            Cylinder.id.in_(ids[start : start + 500]), Cylinder.state.in_(_TICKED), Cylinder.job_id.is_not(None)
        )
        for cylinder in work.session.scalars(rows.order_by(Cylinder.id)):
            jobs.setdefault(cylinder.job_id or 0, []).append(cylinder)
    for job_id, cylinders in jobs.items():
        job = _before_it_is_through(work, job_id, "pinned")
        mark_cylinders(
            work,
            job,
            cylinders,
            CylinderState.ORDERED,
            PINNED_ANEW,
            f"to pin and check anew: {why}",
            same_pins=same_pins,
        )
    return sum(map(len, jobs.values()))


def take_key_ticks_back(work: Work, keyset_id: int, why: str) -> None:
    """Have a keyset's keys that are cut, and still in the shop, be cut anew, inside the caller's transaction.

    LedgerError as for cylinders. Keys that came with no job were not cut by the bench.
    """
    jobs: dict[int, list[Key]] = {}
    rows = sa.select(Key).where(Key.keyset_id == keyset_id, Key.state == KeyState.CUT, Key.job_id.is_not(None))
    for key in work.session.scalars(rows.order_by(Key.id)):
        jobs.setdefault(key.job_id or 0, []).append(key)
    for job_id, keys in jobs.items():
        mark_keys(work, _before_it_is_through(work, job_id, "cut"), keys, KeyState.ORDERED, why)


def _before_it_is_through(work: Work, job_id: int, done: str) -> Job:
    job = work.session.get_one(Job, job_id)
    if job.stage in _PAST_THE_BENCH:
        raise LedgerError(
            "", f"Job {job.number} is {job.stage.word}: move it back on to the bench first, to be {done} anew."
        )
    return job


@dataclass(frozen=True, slots=True)
class CheckOff:
    """Who pinned a cylinder and who checked it, "" where nobody did."""

    pinned_by: str = ""
    checked_by: str = ""


def checked_off(session: Session, job_id: int) -> dict[int, CheckOff]:
    """Cylinder id → who did what, as the newest events tell, in one query."""
    events: Sequence[Event] = session.scalars(
        sa.select(Event)
        .where(Event.job_id == job_id, Event.kind.in_((PINNED, CHECKED, PINNED_ANEW)))
        .order_by(Event.id)
    ).all()
    pinned: dict[int, str] = {}
    checked: dict[int, str] = {}
    for event in events:
        for cylinder_id in event.detail.get("cylinders", []):
            if event.kind != CHECKED:
                checked.pop(cylinder_id, None)  # pinned anew after the check
            if event.kind == PINNED_ANEW:
                pinned.pop(cylinder_id, None)
            else:
                (pinned if event.kind == PINNED else checked)[cylinder_id] = event.actor_name
    return {one: CheckOff(pinned.get(one, ""), checked.get(one, "")) for one in {**pinned, **checked}}
