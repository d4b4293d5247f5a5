"""A job that was accepted once, asked for again as new work: the same lines into the same key system."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import sqlalchemy as sa

from app.ledger.quoting.loss_lines import new_keys_named
from app.ledger.quoting.quoted import asked_in
from app.ledger.quoting.request import LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Job, Key, Keyset, Level, LineKind, Role
from app.pricing import Urgency, show_cents


def repeat_of(work: Work, job: Job) -> tuple[QuoteRequest, tuple[str, ...]]:
    """The request of an accepted job as one would make it today, and what of it is left out or stays, in sentences.

    Cylinders get the next keysets, under the masters that they got then, in the system that was begun for it; what
    was rekeyed on its doors is rekeyed once more. Discounts stay, and are asked about anew where they are low. Days,
    prices of its own, what was insisted on and what the owner let go on were that job's alone. Raises LedgerError on
    `stage` for a job that was never accepted.
    """
    work.require(Role.COUNTER, Role.BENCH)
    if not job.stage.was_accepted or not job.revisions:
        raise LedgerError("stage", f"Job {job.number} was never accepted: go on with its own quote.")
    ask = asked_in(work.session, read_snapshot(job.revisions[-1].snapshot))
    made: dict[int, list[Cylinder]] = {}
    for cylinder in job.cylinders:
        made.setdefault(cylinder.line_number or 0, []).append(cylinder)
    instead = _new_symbols(work, ask, made)
    lines = tuple(
        further
        for number, line in enumerate(ask.lines, start=1)
        for further in _key_lines(work, job, _again(line, made.get(number, []), instead))
    )
    left_out = tuple(
        f"Line {number} had a price of its own, {show_cents(line.unit_cents)} each; it is at today's price now."
        for number, line in enumerate(ask.lines, start=1)
        if line.unit_cents is not None
    )
    left_out = (*left_out, *ask.kept_discounts)
    again = replace(
        ask,
        lines=lines,
        system=_system(ask, job.cylinders),
        need_by=None,
        urgency=Urgency.IN_TURN,
        keyed_at="",
        override_reason="",
        option_b="",
        discount_meant="",
        replaced=tuple(instead.get(symbol, symbol) for symbol in (instead if ask.loss_id else ask.replaced)),
        loss_id=None,
        lost_reason="",
        lost_allowed=(),
    )
    return again, left_out


def _again(line: LineRequest, made: Sequence[Cylinder], instead: Mapping[str, str]) -> LineRequest:
    keying = line.keying
    first = next((one.keyset for one in made if one.keyset is not None), None)
    above = first.parent if first is not None and first.level is Level.CHANGE else None
    if keying.kind.is_master_keyed and not keying.master and above is not None:
        keying = replace(keying, master=above.symbol)
    rekeys = line.standing if line.kind is LineKind.REKEY else ()  # what was planned is made by now
    hangs = rekeys and all(one.state is CylinderState.FITTED for one in made)
    return replace(
        line,
        keying=keying,
        need_by=None,
        unit_cents=None,
        price_reason=line.price_reason if line.discount.is_given else "",
        price_meant="",
        symbol=instead.get(line.symbol, line.symbol),
        standing=tuple(one.id for one in made) if hangs else rekeys,
    )


def _key_lines(work: Work, job: Job, line: LineRequest) -> list[LineRequest]:
    """A line for the new keys of a level after a loss, as one for each keyset that got some; others as they are."""
    level = new_keys_named(line.symbol)
    if level is None:
        return [line]
    rows = sa.select(Keyset.symbol, sa.func.count(Key.id)).join(Key, Key.keyset_id == Keyset.id)
    rows = rows.where(Key.job_id == job.id, Keyset.level == level).group_by(Keyset.symbol, Keyset.id)
    return [
        replace(line, symbol=symbol, quantity=count)
        for symbol, count in work.session.execute(rows.order_by(Keyset.id))
    ]


def _new_symbols(work: Work, ask: QuoteRequest, made: Mapping[int, Sequence[Cylinder]]) -> dict[str, str]:
    """The symbol of each keyset that the job replaced, and of the one that took its place."""
    found = {}
    for number, line in enumerate(ask.lines, start=1):
        rows = work.session.scalars(sa.select(Cylinder).where(Cylinder.id.in_(line.standing)))
        before = {one.id: one.keyset for one in rows}
        for old_id, cylinder in zip(line.standing, made.get(number, ()), strict=False):
            old, new = before.get(old_id), cylinder.keyset
            if old is None or new is None or old.symbol == new.symbol:
                continue
            if ask.loss_id or old.symbol in ask.replaced:
                found[old.symbol] = new.symbol
    return found


def _system(ask: QuoteRequest, cylinders: Sequence[Cylinder]) -> SystemRequest | None:
    """The system that was begun for the job, where one was; else the one that it went into."""
    if ask.system is None or ask.system.existing_id is not None:
        return ask.system and SystemRequest(existing_id=ask.system.existing_id)
    systems = (one.keyset.system for one in cylinders if one.keyset is not None)
    begun = next((one for one in systems if one.levels > 1), None)
    return SystemRequest(existing_id=begun.id) if begun is not None else ask.system
