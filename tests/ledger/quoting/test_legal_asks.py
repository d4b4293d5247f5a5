"""Asks drawn by chance over the demo's key systems, one after the other in one house so that the systems fill up: the
oracle of `asks_judged.py` says which are legal. Each legal one is issued and accepted as it was planned; each other
one is refused on the counter's page and at issue, and leaves nothing. CI draws 60, `make legal-asks` a thousand.
"""

import os
import random
import re
import secrets
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import cycle
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from app.errors import BitternError
from app.ledger.care.opening import Ledger
from app.ledger.keysystems.authority import change_records
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.quoting.issuing import IssueForm, issue_quote
from app.ledger.quoting.planning import plan_again
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import as_accepted, read_snapshot
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Actor, Work
from app.ledger.tables import (
    Cylinder,
    Job,
    JobLine,
    Key,
    Keyset,
    KeySystem,
    Level,
    LineKind,
    Role,
    SpecRow,
    User,
)
from tests.keyed import mark_lost
from tests.ledger.quoting.asks_drawn import Draw, faulty
from tests.ledger.quoting.asks_judged import REASONS, TODAY, Oracle, keyed
from tests.ledger.quoting.test_plan import done, keys_of, planned
from tests.ledger.quoting.test_room import rows
from tests.tour import NOW, demo_app

pytestmark = pytest.mark.database

ASKS = int(os.environ.get("BITTERN_TEST_ASKS", "60"))


def prepare(work: Work) -> None:
    """Small keyways of Pell & Rowe, three depths one step apart, so that their systems fill up; a lost key of the
    college's third hall; and an owner of record of the flats, whose written authority is not on file.
    """
    for spec in work.session.scalars(sa.select(SpecRow).order_by(SpecRow.id)):
        if spec.name == "Pell & Rowe five":
            spec.spec = {**spec.spec, "first_depth": 0, "depths": 3, "step": 1, "min_master_pin": 1, "rules": {}}
    hall = sa.select(Key).join(Keyset).join(KeySystem).where(Keyset.symbol == "AC", KeySystem.levels == 3)
    key = work.session.scalars(hall.order_by(Key.id)).first()
    assert key is not None
    mark_lost(work.session, key)
    [flats] = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == "The Flats"))
    change_records(work, flats.id, flats.version, "Harbourmaster's Flats", "")


def hands(ledger: Ledger, role: Role, chance: random.Random) -> Work:
    session = ledger.sessions()
    user = session.scalars(sa.select(User).where(User.role == role)).one()
    return Work(session, ledger.vault, Actor.of(user), NOW, chance)


def accept(work: Work, owner: Work, job: Job, option: str) -> None:
    """Accept a quote as it was issued; where written authority is lacking it is put on file first."""
    shown = as_accepted(read_snapshot(job.revisions[-1].snapshot), option)
    form = AcceptForm("R. Teal", TODAY, job.version, option=option, seen=shown.plan.mark)
    try:
        accept_quote(work, job.id, form)
    except LedgerError as lacking:
        assert lacking.field == "override_reason" and "no written authority" in lacking.message
        work.session.rollback()
        for system in owner.session.scalars(sa.select(KeySystem).where(KeySystem.owner_of_record != "")):
            change_records(owner, system.id, system.version, system.owner_of_record, "Letter of the manager")
        work.session.expire_all()
        accept_quote(work, job.id, form)


def require_carried_out(work: Work, job: Job, option: str, before: set[int]) -> None:
    """The accepted job is what was issued: cylinders, keysets, keys, prices, day."""
    issued = as_accepted(read_snapshot(job.revisions[-1].snapshot), option)
    plan, ask = issued.plan, QuoteRequest.from_json(issued.ask)
    assert planned(plan) == done(work, job)
    assert {(one.symbol, one.system): one.count for one in plan.keys if one.system} == keys_of(work, job)
    made = {
        (one.symbol, one.system.name)
        for one in work.session.scalars(sa.select(Keyset).order_by(Keyset.id))
        if one.id not in before and one.level in (Level.CHANGE, Level.SINGLE)
    }
    assert made == {(one.symbol, one.system) for line in plan.lines for one in line.keysets if one.is_new}
    for line in plan.lines:
        said = ask.lines[line.number - 1]
        cylinders = work.session.scalars(
            sa.select(Cylinder).where(Cylinder.job_id == job.id, Cylinder.line_number == line.number)
        ).all()
        assert len(cylinders) == said.quantity == line.quantity
        assert {one.part_number for one in cylinders} == {line.part_number}
        if keyed(said):
            keys = said.quantity * said.keys_each if said.keys_in_all is None else said.keys_in_all
            assert sum(one.keys for one in line.keysets) == keys
            assert sum(one.cylinders for one in line.keysets) == said.quantity
    sold = work.session.scalars(sa.select(JobLine).where(JobLine.job_id == job.id).order_by(JobLine.number)).all()
    shown = [one for one in issued.lines if one.label.isdigit()]
    assert [(one.number, one.quantity, one.unit_cents, one.part_number) for one in sold] == [
        (int(one.label), one.quantity, one.unit_cents, one.part_number) for one in shown
    ]
    assert all(one.amount_cents == one.quantity * one.unit_cents for one in issued.lines)
    totals = issued.totals
    assert sum(one.amount_cents for one in issued.lines) - totals.discount_cents == totals.subtotal_cents
    assert job.agreed_cents == totals.total_cents == totals.subtotal_cents + totals.tax_cents
    assert job.promised_on == issued.ready_on
    assert job.keyed_at == issued.keyed_at


def test_legal_asks_are_carried_out_as_planned_and_no_others(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    met: Counter[str] = Counter()
    chance = random.Random(14)
    order = [*REASONS]
    chance.shuffle(order)
    meant = cycle(order)
    wrong: list[str] = []
    with demo_app(tmp_path / "house", as_loaded=True) as (_, ledger):
        owner = hands(ledger, Role.OWNER, chance)
        prepare(owner)
        for number in range(1, ASKS + 1):
            role = Role.OWNER if chance.random() < 0.2 else Role.COUNTER
            work = hands(ledger, role, chance)
            draw = Draw(work, chance, number)
            is_sound = number % 2 == 0 and number % 20  # so that 60 have room for every reason
            ask = draw.sound() if is_sound else faulty(draw, next(meant))
            said = judge(work, owner, ask, met)
            if said:
                wrong.append(f"{number}: {said}\n      {in_short(ask)}")
            work.session.close()
            owner.session.rollback()
        owner.session.close()
    with capsys.disabled():
        print(f"\n{ASKS} asks" + "".join(f"\n  {count:5}  {reason}" for reason, count in sorted(met.items())))
    assert not wrong, "\n".join(wrong)
    assert {*met} >= {*REASONS} and met["accepted"] * 4 > ASKS and met["unclear"] * 20 < ASKS


def in_short(ask: QuoteRequest) -> dict[str, Any]:
    """What an ask says, without what it leaves as it is."""
    bare, line = QuoteRequest(0, ()).to_json(), LineRequest(LineKind.CYLINDER, 0).to_json()
    said = {name: one for name, one in ask.to_json().items() if one != bare[name]}
    lines = [{name: one for name, one in each.items() if one != line[name]} for each in ask.to_json()["lines"]]
    return {**said, "lines": lines}


def as_told(ask: QuoteRequest, refused: Sequence[str]) -> list[QuoteRequest]:
    """What a refusal says would fit."""
    found = re.match(r"lines\.(\d+)\.quantity: .* enter at most ([\d,]+)", refused[0])
    if found is None:
        return []
    lines = [*ask.lines]
    lines[int(found[1])] = replace(lines[int(found[1])], quantity=int(found[2].replace(",", "")))
    return [replace(ask, lines=tuple(lines))]


def judge(work: Work, owner: Work, ask: QuoteRequest, met: Counter[str]) -> str:
    """Put one ask to the oracle and to the house; what they do not agree in, "" where they do."""
    priced = price_request(work, ask)
    place = {number: choice.choice for choice in priced.keying for number in choice.lines}
    oracle = Oracle(work, ask, place)
    before = rows(work)
    there = {*work.session.scalars(sa.select(Keyset.id))}
    refused: list[str] = []
    try:
        job = work.session.get_one(Job, issue_quote(work, IssueForm(ask, secrets.token_hex(8))).job_id)
    except BitternError as error:
        refused = [f"{one.field}: {one.message}" for one in error.problems]
        work.session.rollback()
        if rows(work) != before:
            return f"it leaves something: {refused}"
    shown = [f"{one.field}: {one.message}" for one in priced.problems]
    faults = oracle.faults
    if oracle.unclear and not faults:
        met["unclear"] += 1
    elif bool(faults) is not bool(refused):
        return f"the oracle says {sorted(faults) or 'legal'}, the house {refused or 'issues it'}"
    if bool(shown) is not bool(refused) and not ask.option_b:
        return f"the page says {shown}, issuing {refused}"
    met.update(faults)
    if refused:
        return next(filter(None, (judge(work, owner, one, met) for one in as_told(ask, refused))), "")
    option = "B" if ask.option_b else ""
    issued = as_accepted(read_snapshot(job.revisions[-1].snapshot), option)
    again = plan_again(work, issued)
    if again.plan != issued.plan or again.problems:
        return f"planned again it is otherwise: {issued.plan.changes(again.plan)} {again.problems}"
    try:
        accept(work, owner, job, option)
        require_carried_out(work, work.session.get_one(Job, job.id), option, there)
    except (BitternError, AssertionError) as error:
        work.session.rollback()
        return f"acceptance: {error!r}"
    met["accepted"] += 1
    return ""
