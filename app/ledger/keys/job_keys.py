"""A job's keys for their receipt, and the receipts that were signed for keys of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.ledger.keys.keys_held import ISSUED
from app.ledger.store.rows import read
from app.ledger.tables import Event, Key, Keyset, KeyState


def keys_of_job(session: Session, job_id: int) -> Sequence[Key]:
    """The keys that came with a job, retired and lost ones left out, by keyset and copy number: one query."""
    return session.scalars(
        sa.select(Key)
        .join(Keyset)
        .where(Key.job_id == job_id, Key.state.not_in((KeyState.RETIRED, KeyState.LOST)))
        .options(joinedload(Key.keyset))
        .order_by(Keyset.system_id, Keyset.id, Key.copy_number)
    ).all()


def keys_to_sign(session: Session, job_id: int, taker: str, *, is_handed_over: bool) -> tuple[str, Sequence[Key]]:
    """Who signs for keys that came with a job, and for which of them, by keyset and copy number: one query.

    It is `taker`, for the keys that are cut and wait, and for those out with that name. Where none wait and none are
    out with that name, it is who holds the most of them. Nobody signs for a key not cut yet, back, lost or retired,
    nor for one that was cut after the job was handed over: it lies in the shop until it is issued.
    """
    signed = (KeyState.OUT,) if is_handed_over else (KeyState.CUT, KeyState.OUT)
    keys = [key for key in keys_of_job(session, job_id) if key.state in signed]
    held = Counter(_person(key.holder) for key in keys if key.state is KeyState.OUT)
    if held and not held[_person(taker)] and all(key.state is KeyState.OUT for key in keys):
        most = held.most_common(1)[0][0]
        taker = next(key.holder for key in keys if _person(key.holder) == most)
    mine = [key for key in keys if key.state is KeyState.CUT or _person(key.holder) == _person(taker)]
    return taker, mine


def _person(name: str) -> str:
    return " ".join(name.split()).casefold()


def signed_receipts(session: Session, job_id: int, system_ids: Iterable[int]) -> tuple[tuple[int, str], ...]:
    """(number, holder) of each receipt with a key of this job on it, oldest first; `system_ids`: the job's systems.

    One query where no key of these systems was ever handed out, else two.
    """
    subjects = sorted(f"key system {system_id}" for system_id in system_ids)
    told = [detail for (detail,) in read(session, _HANDED_OUT, {"subjects": subjects})]
    keys = set(session.scalars(sa.select(Key.id).where(Key.job_id == job_id))) if told else set()
    return tuple(
        (int(detail["receipt"]), str(detail["holder"]))
        for detail in told
        if not keys.isdisjoint(detail.get("keys", ()))
    )


_HANDED_OUT = (
    sa.select(Event.detail)
    .where(Event.subject.in_(sa.bindparam("subjects", expanding=True)), Event.kind == ISSUED)
    .order_by(Event.id)
)
