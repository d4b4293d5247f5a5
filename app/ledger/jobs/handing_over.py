"""Handing a job over: who takes the goods, and what is still open when they go."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.ledger.jobs.queries import job_money
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.store.work import Work
from app.ledger.tables import Event, Job, Key, KeyState
from app.pricing import show_cents
from app.validation import fault_of_length

_NAMED = 8  # keysets that a sentence names
MOST_NAME = 120  # as much as a key's holder


@dataclass(frozen=True, slots=True)
class HandOver:
    """Who takes the goods. known: the `mark` of what was told to be open still, "" where nothing was told."""

    taken_by: str = ""
    known: str = ""


@dataclass(frozen=True, slots=True)
class StillOpen:
    """Keys that are not cut yet, and money that is not paid; cents with tax."""

    keys: tuple[Key, ...]
    owed_cents: int
    total_cents: int

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
            count = "1 key is" if len(self.keys) == 1 else f"{len(self.keys)} keys are"
            said.append(f"{count} not cut yet: {self._named()}.")
        if self.owed_cents:
            said.append(f"{show_cents(self.owed_cents)} of {show_cents(self.total_cents)} is not paid.")
        return tuple(said)

    def _named(self) -> str:
        copies: dict[tuple[int, str], list[int]] = {}
        for key in self.keys:
            copies.setdefault((key.keyset_id, key.keyset.symbol), []).append(key.copy_number)
        named = [f"{symbol} {say_copies(numbers)}" for (_, symbol), numbers in copies.items()]
        more = f"; and {len(named) - _NAMED} more keysets" if len(named) > _NAMED else ""
        return "; ".join(named[:_NAMED]) + more


def still_open(session: Session, job: Job) -> StillOpen:
    """What whoever hands this job over has to know."""
    keys = tuple(key for key in keys_of_job(session, job.id) if key.state is KeyState.ORDERED)
    money = job_money(job)
    return StillOpen(keys, max(money.balance_cents, 0), money.total_cents)


def hand_over(work: Work, job: Job, said: HandOver) -> tuple[str, StillOpen]:
    """Who takes the goods, and what stays open, inside the caller's transaction; keys that are cut go out to them.

    Raises Problems on `taken_by` without a name, and on `known` where something is open that the person who hands
    over was not told of.
    """
    taker, left = " ".join(said.taken_by.split()), still_open(work.session, job)
    problems = []
    if not taker:
        problems.append(Problem("taken_by", "Enter who takes it: a person's name."))
    if fault := fault_of_length(taker, MOST_NAME):
        problems.append(Problem("taken_by", fault))
    if left.mark and said.known != left.mark:
        told = " ".join(left.sentences)
        problems.append(Problem("known", f"{told} Tick that it is handed over all the same, and press again."))
    if problems:
        raise Problems(problems)
    for key in keys_of_job(work.session, job.id):
        if key.state is KeyState.CUT:
            key.state, key.holder, key.changed_at = KeyState.OUT, taker, work.now
    return taker, left


def taker_of(session: Session, job_id: int) -> str:
    """Who took the job's goods, "" where nobody has, or nobody was asked."""
    told = session.scalars(
        sa.select(Event.detail).where(Event.job_id == job_id, Event.kind == "stage moved").order_by(Event.id.desc())
    )
    return next((str(detail["taken_by"]) for detail in told if "taken_by" in detail), "")
