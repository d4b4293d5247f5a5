"""After a loss, from the lost key's page to the doors: quoted and accepted unchanged, or what needs other steps."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import unescape

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.jobs.ask import KeyingInstruction, QuoteAsk, SystemAsk
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.exposure import exposed_by
from app.ledger.keysystems.losing import plan_for_loss
from app.ledger.models import (
    Cylinder,
    CylinderState,
    Job,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    RecordsHolder,
    Role,
    Stage,
)
from app.ledger.work import Work
from app.pricing import KeyingKind
from tests.factories import FormClient
from tests.forms_found import FoundForm, forms_of
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import accept, issued, mortise, openings
from tests.stocked import empty_house

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]
SHOP = {"keyed_at": "shop", "override_reason": "soon"}


@pytest.fixture
def system(work: Work) -> KeySystem:
    """The Hall: five cylinders under AA, the last two alike, one under AB, one single; all fitted."""
    lines = (
        mortise(3, KeyingInstruction(KeyingKind.GMK, master="AA")),
        mortise(2, KeyingInstruction(KeyingKind.GMK, 2, "AA")),
        mortise(1, KeyingInstruction(KeyingKind.GMK, master="AB")),
        mortise(1, KeyingInstruction(KeyingKind.SKD)),
    )
    asked = SystemAsk(name="The Hall", levels=3, masters=2)
    job = issued(work, QuoteAsk(customer_id(work, "Harbourmaster"), lines, system=asked, **SHOP))  # type: ignore[arg-type]
    accept(work, job, openings(7))
    found = work.session.scalars(sa.select(KeySystem)).one()
    _hand_over(work, job)
    return found


def _hand_over(work: Work, job: Job) -> None:
    """The job's pieces as they are when it is closed."""
    work.session.rollback()
    for cylinder in work.session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id)):
        cylinder.state = CylinderState.FITTED
    for key in work.session.scalars(sa.select(Key).where(Key.job_id == job.id)):
        key.state = KeyState.OUT
    work.session.get_one(Job, job.id).stage = Stage.CLOSED
    work.session.commit()


def _on(session: Session, door: str) -> list[Cylinder]:
    """The cylinders on a door, the newest first."""
    session.rollback()
    rows = session.scalars(sa.select(Cylinder).order_by(Cylinder.id.desc())).all()
    return [one for one in rows if one.door and one.door.opening_number == door]


def _keyset(session: Session, symbol: str) -> Keyset:
    return session.scalars(sa.select(Keyset).where(Keyset.symbol == symbol)).one()


def _form(page: str, field: str) -> FoundForm:
    """The page's form that has this field, as it stands."""
    return next(form for form in forms_of(page) if field in dict(form.fields))


def _told(page: str) -> list[str]:
    """What a refused page says."""
    return [
        unescape(re.sub("<[^>]*>", "", one)) for one in re.findall(r'class="(?:told|error)".*?</p>', page, re.DOTALL)
    ]


def _draft(clerk: FormClient, system: KeySystem, symbol: str) -> str:
    """The counter page that stands there after the button of the lost key's page."""
    answer = clerk.post(f"/keying/systems/{system.id}/lost-key", data={"keyset": symbol, "deed": "show"})
    assert "Make a draft quote" in answer.text, re.findall(r"<li>.*?</li>|Keysets that get.*", answer.text)
    answer = clerk.post(f"/keying/systems/{system.id}/lost-key", data={"keyset": symbol, "deed": "quote"})
    assert answer.status_code == 303
    return clerk.get(answer.location).text


def _issued_and_accepted(clerk: FormClient, session: Session, page: str) -> Job:
    """Press Issue quote on the page as it stands, then Accept, with nothing said but who accepted."""
    answer = clerk.post("/counter/issue", data=dict(_form(page, "title").fields))
    assert answer.status_code == 303, _told(answer.text)
    number = int(re.findall(r"/quotes/(\d+)/", answer.location)[0])
    form = _form(clerk.get(f"/quotes/{number}/accept").text, "accepted_by")
    answer = clerk.post(f"/quotes/{number}/accept", data={**dict(form.fields), "accepted_by": "R. Teal"})
    assert answer.status_code == 303, _told(answer.text)
    session.rollback()
    return session.scalars(sa.select(Job).where(Job.number == number)).one()


def test_the_draft_of_a_lost_change_key_is_issued_and_accepted_as_it_is(
    client_as: ClientAs, session: Session, work: Work, system: KeySystem
) -> None:
    [before] = _on(session, "F1")
    clerk = client_as(Role.COUNTER)
    page = _draft(clerk, system, "AA1")
    assert "Rekeys what hangs on F1; it stays there." in page and "A18M-Q1-66.SC" in page
    assert "Keys to the keyset in place of AA1" in page
    job = _issued_and_accepted(clerk, session, page)

    after, old = _on(session, "F1")
    assert old.id == before.id and (after.job_id, after.state) == (job.id, CylinderState.ORDERED)
    kept = ("part_number", "maker_id", "finish", "length", "cam", "chambers", "words", "position", "door_id")
    assert [getattr(after, name) for name in kept] == [getattr(old, name) for name in kept]
    assert job.site_id == old.door.site_id
    new = after.keyset
    assert new is not None and (new.symbol, new.parent, new.system_id) == ("AA5", _keyset(session, "AA"), system.id)
    keys = session.scalars(sa.select(Key).where(Key.job_id == job.id)).all()
    assert [(key.keyset_id, key.state) for key in keys] == [(new.id, KeyState.ORDERED)] * 2
    assert audit_systems(work, [system]).is_clean
    assert len(_on(session, "F2")) == 1  # nothing else was touched
    bench = client_as(Role.BENCH).post(f"/bench/jobs/{job.number}/bittings").text
    assert "Keys to cut: 2" in bench and "AA5" in bench
    # The place counts once, and what is on its way is not planned again.
    assert [one.cylinder_id for one in exposed_by(session, _keyset(session, "AA1"))] == [old.id]
    plan = plan_for_loss(work, system.id, "AA1")
    assert (plan.exposed_cylinders, plan.repinned_cylinders, plan.on_its_way, plan.lines) == (1, 0, 1, ())
    assert plan_for_loss(work, system.id, "AA").exposed_cylinders == 5
    _hand_over(work, job)
    old.state = CylinderState.REMOVED
    session.commit()
    assert exposed_by(session, _keyset(session, "AA1")) == () == plan_for_loss(work, system.id, "AA1").exposed


def test_alike_stays_alike_single_stays_single_and_crossed_stays_crossed(
    client_as: ClientAs, session: Session, work: Work, system: KeySystem
) -> None:
    clerk = client_as(Role.COUNTER)
    pair = _issued_and_accepted(clerk, session, _draft(clerk, system, "AA4"))
    (four, _), (five, _) = _on(session, "F4"), _on(session, "F5")
    assert four.keyset_id == five.keyset_id and four.job_id == five.job_id == pair.id
    assert len(session.scalars(sa.select(Key).where(Key.job_id == pair.id)).all()) == 4

    single = _issued_and_accepted(clerk, session, _draft(clerk, system, "SKD1"))
    new, old = _on(session, "F7")
    assert new.job_id == single.id and new.keyset is not None and old.keyset is not None
    assert (new.keyset.symbol, new.keyset.parent_id, new.keyset.system_id) == ("SKD2", None, old.keyset.system_id)

    cross_key(work, _on(session, "F3")[0].id, ["AA2"])
    _issued_and_accepted(clerk, session, _draft(clerk, system, "AA2"))
    new, old = _on(session, "F2")
    [crossed, _] = _on(session, "F3")
    assert new.keyset is not None and new.keyset != old.keyset
    assert new.keyset_id in [one.keyset_id for one in crossed.operators]
    assert _keyset(session, "AA2").id not in [one.keyset_id for one in crossed.operators]
    assert audit_systems(work, [system]).is_clean


def test_a_draft_is_refused_where_the_cylinder_is_gone_or_the_quantity_is_not_its(
    client_as: ClientAs, session: Session, system: KeySystem
) -> None:
    clerk = client_as(Role.COUNTER)
    page = _draft(clerk, system, "AA1")
    fields = dict(_form(page, "title").fields)
    answer = clerk.post("/counter/issue", data={**fields, "lines-0-quantity": "2"})
    assert answer.status_code == 422 and "This line rekeys what hangs on F1: enter 1" in unescape(answer.text)
    twice = {name.replace("lines-0-", "lines-7-"): said for name, said in fields.items() if "lines-0-" in name}
    answer = clerk.post("/counter/issue", data={**fields, **twice})
    assert answer.status_code == 422 and "Two lines rekey the same cylinders" in answer.text
    answer = clerk.post("/counter/issue", data=fields)
    assert answer.status_code == 303, _told(answer.text)
    session.rollback()
    _on(session, "F1")[0].state = CylinderState.REMOVED
    session.commit()
    form = _form(clerk.get("/quotes/1002/accept").text, "accepted_by")
    answer = clerk.post("/quotes/1002/accept", data={**dict(form.fields), "accepted_by": "R. Teal"})
    assert answer.status_code == 422 and "is no longer there" in answer.text
    assert len(_on(session, "F1")) == 1


def test_the_first_step_after_a_lost_master_can_be_taken(
    client_as: ClientAs, session: Session, system: KeySystem
) -> None:
    data = {"grand": "A", "masters": "1", "changes_each": "0", "deed": "extend"}
    assert client_as(Role.BENCH).post(f"/keying/systems/{system.id}/extend", data=data).status_code == 303
    session.rollback()
    parent = _keyset(session, "AC").parent
    assert parent is not None and parent.symbol == "A"


@pytest.mark.parametrize(
    ("symbol", "how", "said"),
    [
        ("AB", "", "Add one master under A beside AB"),
        ("A", "", "begin a new key system"),
        ("AA1", "factory", "The factory keeps the records of The Hall"),
        ("AA1", "no array", "The shop has no array of The Hall"),
    ],
)
def test_what_no_quote_can_carry_out_says_the_steps_and_makes_no_draft(
    client_as: ClientAs, session: Session, system: KeySystem, symbol: str, how: str, said: str
) -> None:
    if how == "factory":
        system.records = RecordsHolder.FACTORY
        for keyset in system.keysets:
            session.delete(keyset.bitting)
    elif how:
        system.sealed_plan = None
    session.commit()
    clerk = client_as(Role.COUNTER)
    address = f"/keying/systems/{system.id}/lost-key"
    assert f'value="{symbol}"' in clerk.get(address).text
    for deed in ("show", "quote"):
        answer = clerk.post(address, data={"keyset": symbol, "deed": deed})
        page = unescape(answer.text)
        assert answer.status_code == 200 and said in page and "Make a draft quote" not in page
        assert "no draft is made" in page
    assert "Go on with the draft" not in clerk.get("/counter").text
