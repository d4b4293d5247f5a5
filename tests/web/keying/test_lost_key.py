"""After a loss, from the lost key's page to the doors: quoted and accepted unchanged, or what needs other steps."""

import re
from collections.abc import Callable, Sequence
from html import unescape

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session, object_session

from app.keying import write_bitting
from app.ledger.goods.handing_over import still_open
from app.ledger.keys.losing import plan_for_loss
from app.ledger.keysystems.auditing import StoppedByAudit, audit_systems
from app.ledger.keysystems.bittings import spec_of
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.keysets import next_cuts
from app.ledger.keysystems.lost_keysets import exposed_by
from app.ledger.quoting.request import KeyingInstruction, QuoteRequest, SystemRequest
from app.ledger.sites.door_paste import DoorRow
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderState,
    Event,
    Job,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Loss,
    Role,
    Stage,
)
from app.pricing import KeyingKind
from app.web.counter.forms import OF_DRAFT
from tests.conftest import NOW
from tests.desk import accept_page_sent, accepted, list_taken
from tests.desk import issued as issued_as_it_stands
from tests.factories import FormClient
from tests.forms_found import FoundForm, form_with, forms_of
from tests.keyed import mark_lost, walk
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import accept, issued, mortise, openings
from tests.reading import pdf_text
from tests.stocked import MORTISE, empty_house, posted

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
    asked = SystemRequest(name="The Hall", levels=3, masters=2)
    job = issued(work, QuoteRequest(customer_id(work, "Harbourmaster"), lines, system=asked, **SHOP))  # type: ignore[arg-type]
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
    """The counter page that stands there after a plan for the loss was chosen, the least, and quoted all at once."""
    session = object_session(system)
    assert session is not None
    session.rollback()
    keyset = session.scalars(sa.select(Keyset).where(Keyset.system_id == system.id, Keyset.symbol == symbol)).one()
    loss = session.scalar(sa.select(Loss).where(Loss.keyset_id == keyset.id))
    if loss is None:
        loss = Loss(system_id=system.id, keyset_id=keyset.id, reported_at=NOW)
        session.add(loss)
        session.commit()
    if not loss.successors:
        address = f"/keying/losses/{loss.id}/plan"
        ways = re.findall(r'name="way" value="([^"]*)"', page := clerk.get(address).text)
        answer = clerk.post(address, data={**form_with(page, "version"), "way": ways[0]})
        assert answer.status_code == 303, _told(answer.text)
    answer = clerk.post(f"/keying/losses/{loss.id}/drafts", data={"by": "all"})
    assert answer.status_code == 303, _told(answer.text)
    return clerk.get(answer.location).text


def _issued_and_accepted(clerk: FormClient, session: Session, page: str) -> Job:
    """Press Issue quote on the page as it stands, then Accept, with nothing said but who accepted."""
    number = issued_as_it_stands(clerk, form_with(page, "title"))
    accepted(clerk, number)
    session.rollback()
    return session.scalars(sa.select(Job).where(Job.number == number)).one()


def test_the_draft_of_a_lost_change_key_is_issued_and_accepted_as_it_is(
    client_as: ClientAs, session: Session, work: Work, system: KeySystem
) -> None:
    [before] = _on(session, "F1")
    clerk = client_as(Role.COUNTER)
    page = _draft(clerk, system, "AA1")
    assert "Rekeys what hangs on F1; it stays there." in page and "A18M-Q1-66.SC" in page
    assert "Keys to AA5, keyway AQ1" in page
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
    assert (plan.exposed_cylinders, plan.repinned_cylinders, plan.on_its_way) == (1, 0, 1)
    master = plan_for_loss(work, system.id, "AA")
    assert master.exposed_cylinders == 5
    # Two keys a door, F4 and F5 being alike, and none of AA on record, which is one.
    assert master.new_keys.startswith("AA (1 key), AA2, AA3 (2 keys each), AA4 (4 keys)")
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

    other = _crossed_with_one_of(work, session, ("AA2", "AA1"))
    _issued_and_accepted(clerk, session, _draft(clerk, system, other))
    new, old = _on(session, f"F{other[-1]}")
    [crossed, _] = _on(session, "F3")
    assert new.keyset is not None and new.keyset != old.keyset
    assert new.keyset_id in [one.keyset_id for one in crossed.operators]
    assert _keyset(session, other).id not in [one.keyset_id for one in crossed.operators]
    assert audit_systems(work, [system]).is_clean


def _crossed_with_one_of(work: Work, session: Session, symbols: Sequence[str]) -> str:
    """The first of the keysets that F3 can be crossed with: a single key drawn before may fit what one brings in."""
    for symbol in symbols[:-1]:
        try:
            cross_key(work, _on(session, "F3")[0].id, [symbol])
            return symbol
        except StoppedByAudit:
            session.rollback()
    cross_key(work, _on(session, "F3")[0].id, symbols[-1:])
    return symbols[-1]


def test_further_keys_to_a_rekeyed_line_are_counted_by_the_keysets_that_its_cylinders_have(
    client_as: ClientAs, session: Session, system: KeySystem
) -> None:
    clerk = client_as(Role.COUNTER)
    fields = form_with(_draft(clerk, system, "AA4"), "title")
    fields |= {"lines-1-symbol": "line 1", "lines-1-quantity": "3"}
    answer = clerk.post("/counter/issue", data=fields)
    assert answer.status_code == 303, _told(answer.text)
    assert "Further keys to line 1, keyway AQ1" in clerk.get(answer.location).text
    assert _accepted(clerk, 1002)[0] == 303
    session.rollback()
    assert session.scalars(
        sa.select(Key.copy_number).join(Job).where(Job.number == 1002).order_by(Key.copy_number)
    ).all() == [1, 2, 3]


@pytest.mark.parametrize("has_door", [True, False])
def test_of_two_drafts_of_one_loss_the_second_is_refused(
    client_as: ClientAs, session: Session, work: Work, system: KeySystem, has_door: bool
) -> None:
    told = "Job 1002 brings another cylinder to F1 already" if has_door else "Job 1002 rekeys this already"
    if not has_door:
        _on(session, "F1")[0].door_id = None
        session.commit()
    clerk = client_as(Role.COUNTER)
    fields = form_with(_draft(clerk, system, "AA1"), "title")
    assert clerk.post("/counter/issue", data={**fields, "token": "a" * 32}).status_code == 303
    answer = clerk.post("/counter/issue", data={**fields, "token": "b" * 32})
    assert answer.status_code == 422 and "stands in the quote of job 1002 for this loss already" in answer.text
    assert _accepted(clerk, 1002)[0] == 303
    session.rollback()
    assert len(session.scalars(sa.select(Cylinder)).all()) == 8
    answer = clerk.post("/counter/issue", data={**fields, "token": "c" * 32})
    assert answer.status_code == 422 and told in answer.text
    plan = plan_for_loss(work, system.id, "AA1")
    assert (plan.exposed_cylinders, plan.on_its_way) == (1, 1)


def test_a_door_that_another_systems_cylinder_is_on_its_way_to_is_not_planned_again(
    client_as: ClientAs, session: Session, work: Work, system: KeySystem
) -> None:
    [four] = _on(session, "F4")
    single = mortise(1, KeyingInstruction(KeyingKind.KD))
    ask = QuoteRequest(system.customer_id, (single,), site_id=four.door.site_id if four.door else None, **SHOP)  # type: ignore[arg-type]
    told = "F4 has a cylinder on AA4. Tick that the new ones take their places, and press again."
    accept(work, issued(work, ask), (DoorRow(row=1, opening="F4"),), takes_places=told)
    assert _on(session, "F4")[0].keyset not in system.keysets
    clerk = client_as(Role.COUNTER)
    page = _draft(clerk, system, "AA4")
    assert "Rekeys what hangs on F5; it stays there." in page
    job = _issued_and_accepted(clerk, session, page)
    assert [one.job_id for one in _on(session, "F5")] == [job.id, four.job_id]
    plan = plan_for_loss(work, system.id, "AA4")
    assert (plan.exposed_cylinders, plan.on_its_way) == (2, 2)


def test_what_is_on_its_way_and_rekeyed_before_it_hangs_is_not_planned_again(
    client_as: ClientAs, session: Session, work: Work, system: KeySystem
) -> None:
    """Of two on their way to one place the older makes way, and the place counts once."""
    for one in session.scalars(sa.select(Cylinder)):
        one.state = CylinderState.ORDERED
    session.commit()
    clerk = client_as(Role.COUNTER)
    _issued_and_accepted(clerk, session, _draft(clerk, system, "AA1"))
    plan = plan_for_loss(work, system.id, "AA1")
    assert (plan.exposed_cylinders, plan.on_its_way) == (1, 1)


def test_what_is_rekeyed_before_it_hangs_is_handed_over_after_the_job_that_brings_it(
    client_as: ClientAs, session: Session, work: Work, system: KeySystem
) -> None:
    """Else the lost keyset would come back on its door, over the new one."""
    first = session.scalars(sa.select(Job)).one()
    first.stage = Stage.READY
    for one in session.scalars(sa.select(Cylinder)):
        one.state = CylinderState.CHECKED
    session.commit()
    clerk = client_as(Role.COUNTER)
    second = _issued_and_accepted(clerk, session, _draft(clerk, system, "AA1"))
    walk(work, second, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY)

    def handed(job: Job) -> tuple[int, str]:
        page = clerk.get(f"/jobs/{job.number}").text
        fields = {**form_with(page, "taken_by"), "taken_by": "R. Teal"}
        answer = clerk.post(f"/jobs/{job.number}/hand-overs", data={**fields, "known": still_open(session, job).mark})
        return answer.status_code, unescape(answer.text)

    status, page = handed(second)
    assert status == 422 and "This job rekeys cylinders that job 1001 brings: hand job 1001 over first." in page
    assert handed(first)[0] == handed(second)[0] == 303
    new, old = _on(session, "F1")
    assert (new.state, old.state) == (CylinderState.FITTED, CylinderState.REMOVED)


def test_a_draft_is_refused_where_the_cylinder_is_gone_or_the_quantity_is_not_its(
    client_as: ClientAs, session: Session, system: KeySystem
) -> None:
    clerk = client_as(Role.COUNTER)
    page = _draft(clerk, system, "AA1")
    fields = form_with(page, "title")
    answer = clerk.post("/counter/issue", data={**fields, "lines-0-quantity": "2"})
    assert answer.status_code == 422 and "This line rekeys what hangs on F1: enter 1" in unescape(answer.text)
    twice = {name.replace("lines-0-", "lines-7-"): said for name, said in fields.items() if "lines-0-" in name}
    answer = clerk.post("/counter/issue", data={**fields, **twice})
    assert answer.status_code == 422 and "Two lines are for the same cylinders" in answer.text
    answer = clerk.post("/counter/issue", data=_gone_on(fields, answer.text))
    assert answer.status_code == 303, _told(answer.text)
    session.rollback()
    _on(session, "F1")[0].state = CylinderState.REMOVED
    session.commit()
    form = _form(clerk.get("/quotes/1002/accept").text, "accepted_by")
    answer = clerk.post("/quotes/1002/accept", data={**dict(form.fields), "accepted_by": "R. Teal"})
    assert answer.status_code == 422 and "is no longer there" in answer.text
    assert len(_on(session, "F1")) == 1


def test_the_new_keyset_of_a_cross_keyed_door_is_clear_of_what_was_added_under_its_other_master(
    client_as: ClientAs, session: Session, work: Work, system: KeySystem
) -> None:
    """Drawn against its own masters alone, it made a way that a change under the other one turns."""
    [two] = _on(session, "F2")
    cross_key(work, two.id, ["AB"])
    data = {"master": "AB", "changes": "8", "grand": "A", "masters": "0", "changes_each": "0", "deed": "extend"}
    assert client_as(Role.BENCH).post(f"/keying/systems/{system.id}/extend", data=data).status_code == 303
    clerk = client_as(Role.COUNTER)
    _issued_and_accepted(clerk, session, _draft(clerk, system, "AA2"))
    new, _ = _on(session, "F2")
    assert new.keyset is not None and new.keyset.symbol == "AA5"
    assert [one.keyset.symbol for one in new.operators] == ["AB"]
    assert audit_systems(work, [system]).is_clean


def _gone_on(fields: dict[str, str], page: str) -> dict[str, str]:
    """What was typed, sent from the page that came back: it says which draft it goes on with."""
    there = form_with(page, "title")
    return {**fields, **{name: there[name] for name in OF_DRAFT if name in there}}


@pytest.mark.postgresql
def test_a_draft_changed_to_what_its_cylinders_will_not_be_is_refused_on_the_line(
    client_as: ClientAs, session: Session, system: KeySystem
) -> None:
    """It was quoted and billed as changed, and carried out as the record had it."""
    clerk = client_as(Role.COUNTER)
    fields = form_with(_draft(clerk, system, "AA4"), "title")
    keyed = "grand master keyed, alike in sets of 2 under AA (GMK)"
    another = {"system_id": "new", "system_name": "Another", "system_levels": "3", "system_masters": "2"}
    changes: tuple[tuple[dict[str, str], str], ...] = (
        ({"lines-0-keying": "SKD"}, keyed),
        ({"lines-0-master": "AB"}, keyed),
        ({"lines-0-set_size": ""}, keyed),
        (another, "in The Hall: choose it under System"),
        ({"lines-0-type": "rim"}, "enter mortise"),
        ({"lines-0-chambers": "5"}, "enter 6"),
        ({"lines-0-keyway": "AQ2"}, "enter AQ1"),
    )
    for changed, said in changes:
        assert fields.keys() >= changed.keys()
        answer = clerk.post("/counter/issue", data={**fields, **changed})
        told = " ".join(_told(answer.text))
        assert answer.status_code == 422, changed
        assert "What hangs on F4, F5 stays as it is" in told and said in told, told
    assert clerk.post("/counter/issue", data=_gone_on(fields, answer.text)).status_code == 303


def test_as_many_new_keys_are_planned_after_the_loss_is_on_record_as_before(
    client_as: ClientAs, session: Session, system: KeySystem
) -> None:
    """The lost one was left out, so that the customer got fewer keys than there had been."""
    clerk, keyset = client_as(Role.COUNTER), _keyset(session, "AA1")

    def planned() -> list[str]:
        page = clerk.post(f"/keying/systems/{system.id}/lost-key", data={"keyset": "AA1", "deed": "show"}).text
        return re.findall(r"<dt>New keys</dt><dd>(\d+)</dd>", page)

    first = session.scalars(sa.select(Key).where(Key.keyset_id == keyset.id)).first()
    assert planned() == ["2"] and first is not None
    answer = clerk.post(f"/keys/{first.id}/lost", data={"version": first.version, "note": "in the harbor"})
    assert answer.status_code == 303, _told(answer.text)
    assert planned() == ["2"]
    fields = form_with(_draft(clerk, system, "AA1"), "title")
    assert (fields["lines-1-quantity"], fields["lines-1-symbol"]) == ("2", "new changes")


def test_a_lost_change_of_a_system_without_an_array_is_rekeyed_by_its_quote(
    client_as: ClientAs, session: Session, work: Work, system: KeySystem
) -> None:
    system.sealed_plan = None
    session.commit()
    clerk = client_as(Role.COUNTER)
    _issued_and_accepted(clerk, session, _draft(clerk, system, "AA1"))
    assert _on(session, "F1")[0].keyset not in (None, _keyset(session, "AA1"))
    assert audit_systems(work, [system]).is_clean


def _counts(page: str) -> dict[str, str]:
    return dict(re.findall(r"<dt>([^<]*)</dt><dd>(\d+)</dd>", page))


def test_the_counts_of_a_plan_are_those_of_its_new_bittings(client_as: ClientAs, system: KeySystem) -> None:
    """AA stands over five cylinders on AA1 to AA4, the last a pair, two keys each; A and AA count for one key."""
    clerk, address = client_as(Role.COUNTER), f"/keying/systems/{system.id}/lost-key"
    page = clerk.post(address, data={"keyset": "A", "deed": "show"}).text
    assert _counts(page) == {"Exposed": "6", "To rekey": "6", "New keys": "1", "Keysets replaced": "1"}
    assert "New bittings for this plan were found" in page
    page = unescape(clerk.post(address, data={"keyset": "AA", "deed": "show"}).text)
    assert _counts(page) == {"Exposed": "5", "To rekey": "5", "New keys": "11", "Keysets replaced": "5"}
    assert "A new bitting for AA alone does not shut the lost key out" in page


def test_where_no_new_bitting_is_left_nothing_is_told_as_a_plan_or_chosen(
    client_as: ClientAs, session: Session, system: KeySystem
) -> None:
    """A MACS of 0 leaves bittings of one depth throughout, and this system has both parities."""
    system.spec.spec = {**system.spec.spec, "macs": 0}
    session.commit()
    clerk, address = client_as(Role.COUNTER), f"/keying/systems/{system.id}/lost-key"
    answer = clerk.post(address, data={"keyset": "AA1", "deed": "show"})
    assert answer.status_code == 200 and _counts(answer.text) == {"Exposed": "1"}
    assert "No plan stands" in answer.text and "is within MACS and the rules" in answer.text
    loss = Loss(system_id=system.id, keyset_id=_keyset(session, "AA1").id, reported_at=NOW)
    session.add(loss)
    session.commit()
    address = f"/keying/losses/{loss.id}/plan"
    page = clerk.get(address).text
    assert "Cannot be had." in page and "is within MACS and the rules" in page and 'name="way"' not in page
    answer = clerk.post(address, data={**form_with(page, "version"), "way": "new bitting"})
    assert answer.status_code == 422 and "is within MACS and the rules" in answer.text


# ---- until its bitting is replaced, nothing new is keyed under a lost key ----

CORE = {
    "kind": "cylinder",
    "maker": "NOR",
    "type": "sfic",
    "chambers": "7",
    "keyway": "NH1",
    "finish": "626",
    "quantity": "2",
    "keying": "KD",
    "keys_each": "2",
}


def _lose(session: Session, symbol: str, copy: int = 90) -> Key:
    session.rollback()
    return mark_lost(session, Key(keyset_id=_keyset(session, symbol).id, copy_number=copy, changed_at=NOW))


def _asked(system: KeySystem, master: str, token: str, **more: object) -> dict[str, str]:
    line = {**MORTISE, "quantity": "1", "keying": "GMK", "master": master}
    head = {"customer_id": system.customer_id, "system_id": system.id, "site_id": system.site_id or "", **SHOP}
    return posted(line, **{**head, "token": token * 32, **more})


def _accepted(client: FormClient, number: int, **said: str) -> tuple[int, str]:
    answer = accept_page_sent(client, number, **said)
    return answer.status_code, unescape(answer.text)


def _told_of(session: Session) -> list[str]:
    session.rollback()
    rows = sa.select(Event.summary).where(Event.kind == "keyed under a lost key").order_by(Event.id)
    return list(session.scalars(rows))


@pytest.mark.parametrize("lost", ["AB", "A"])
def test_a_line_under_a_lost_key_is_refused_and_goes_on_by_the_owners_reason(
    client_as: ClientAs, session: Session, system: KeySystem, lost: str
) -> None:
    clerk, owner = client_as(Role.COUNTER), client_as(Role.OWNER)
    _lose(session, lost)
    live = clerk.post("/counter/work-out", data=_asked(system, "AB", "a"))
    for page in (live, clerk.post("/counter/issue", data=_asked(system, "AB", "a", lost_reason="they insist"))):
        text = unescape(page.text)
        assert f"A key of {lost} of The Hall is lost (copy 90)" in text and 'data-for="lines-0-master"' in text
        assert "Only the owner of the house may go on" in text and 'id="lost_reason"' not in text
    under_aa = clerk.post("/counter/issue", data=_asked(system, "AA", "b"))
    assert under_aa.status_code == (303 if lost == "AB" else 422)
    session.rollback()
    jobs = session.scalar(sa.select(sa.func.count(Job.id)))
    page = owner.post("/counter/issue", data=_asked(system, "AB", "c"))
    assert page.status_code == 422 and 'id="lost_reason"' in page.text
    assert _told_of(session) == [] and session.scalar(sa.select(sa.func.count(Job.id))) == jobs
    answer = owner.post("/counter/issue", data=_asked(system, "AB", "c", lost_reason="they rekey in May"))
    assert answer.status_code == 303
    number = int(re.findall(r"/quotes/(\d+)/", answer.location)[0])
    [told] = _told_of(session)
    assert told.startswith(f"Quote of job {number}, line 1. A key of {lost} of The Hall") and told.endswith(
        "they rekey in May"
    )
    assert "they rekey in May" not in pdf_text(clerk.get(f"/quotes/{number}/1/quote.pdf").data)

    # It holds for the next revision, and for the acceptance, whoever's hands they are in.
    page = clerk.get(f"/counter?job={number}").text
    assert "they rekey in May" not in page
    fields = form_with(page, "title")
    assert clerk.post(f"/counter/issue?job={number}", data=fields).status_code == 303
    assert _accepted(clerk, number)[0] == 303
    assert _told_of(session)[1:] == [
        f"A key of {lost} of The Hall is lost (copy 90): whoever has it would open 1 cylinder of this job. "
        "Reason to go on: they rekey in May"
    ]


def test_a_key_lost_since_the_quote_stops_its_acceptance_and_the_owner_says_why_not(
    client_as: ClientAs, session: Session, system: KeySystem
) -> None:
    clerk, owner = client_as(Role.COUNTER), client_as(Role.OWNER)
    assert clerk.post("/counter/issue", data=_asked(system, "AB", "a")).status_code == 303
    _lose(session, "AB")
    status, page = _accepted(clerk, 1002, lost_reason="they insist")
    assert status == 422 and "Line 1: A key of AB of The Hall is lost" in page and 'name="lost_reason"' not in page
    assert _accepted(owner, 1002)[0] == 422
    assert _told_of(session) == []
    status, page = _accepted(owner, 1002, lost_reason="the door is bricked up")
    assert status == 303, _told(page)
    [told] = _told_of(session)
    assert told.endswith("1 cylinder of this job. Reason to go on: the door is bricked up")

    # A reason given with the quote says nothing of a key that is lost after it.
    assert owner.post("/counter/issue", data=_asked(system, "AB", "b", lost_reason="in May")).status_code == 303
    _lose(session, "A")
    status, page = _accepted(clerk, 1003)
    assert status == 422 and "A key of A of The Hall is lost" in page and "A key of AB of The Hall is lost" in page
    assert "Line 1: A key of A of" in page and "Line 1: A key of AB of" not in page


def test_a_reason_given_before_a_further_loss_is_not_put_on_record_for_it(
    client_as: ClientAs, session: Session, system: KeySystem
) -> None:
    owner = client_as(Role.OWNER)
    _lose(session, "AB")
    assert owner.post("/counter/issue", data=_asked(system, "AB", "a", lost_reason="in May")).status_code == 303
    requote = "/quotes/1002/requote"
    assert owner.post(requote, data=form_with(owner.get(requote).text, "shown")).status_code == 303
    assert len(_told_of(session)) == 1 and "in May" in owner.get("/counter?job=1002").text
    pressed = form_with(owner.get(requote).text, "shown")

    _lose(session, "AB", 91)
    answer = owner.post(requote, data=pressed)
    assert answer.status_code == 422 and "are lost (copies 90-91)" in unescape(answer.text)
    page = unescape(owner.get(requote).text)
    assert "are lost (copies 90-91)" in page and "Revise it at the counter" in page
    page = owner.get("/counter?job=1002").text
    assert "in May" not in page
    fields = form_with(page, "title")
    answer = owner.post("/counter/issue?job=1002", data=fields)
    assert answer.status_code == 422 and 'id="lost_reason"' in answer.text and len(_told_of(session)) == 1
    fields["lost_reason"] = "in June"
    assert owner.post("/counter/issue?job=1002", data=fields).status_code == 303
    assert _told_of(session)[1].endswith("Reason to go on: in June")


def test_a_lost_key_is_not_crossed_in_by_a_door_list_the_page_or_an_extension(
    client_as: ClientAs, session: Session, work: Work, system: KeySystem
) -> None:
    clerk, bench = client_as(Role.COUNTER), client_as(Role.BENCH)
    _lose(session, "AA3")
    assert clerk.post("/counter/issue", data=_asked(system, "AA", "a")).status_code == 303
    doors = "opening,keyset,operated by\nG1,,AA3\n"
    status, page = _accepted(clerk, 1002, doors=doors, site_name="The annex")
    assert status == 422 and "Line 1: A key of AA3 of The Hall is lost" in page
    status, page = _accepted(clerk, 1002, doors="opening,keyset\nG1,AA3\n", site_name="The annex")
    assert status == 422 and "Line 1: A key of AA3 of The Hall is lost" in page
    cylinder = _on(session, "F2")[0]
    data = {"cylinder": cylinder.id, "symbols": "AA3", "deed": "save", "seconds": "5"}
    page = bench.post(f"/keying/systems/{system.id}/cross-key", data=data)
    assert page.status_code == 422 and "A key of AA3 is lost" in page.text
    session.rollback()
    assert cylinder.operators == []

    _lose(session, "AB")
    data = {"master": "AB", "changes": "2", "grand": "A", "masters": "0", "changes_each": "0"}
    for deed in ("extend", "search"):
        page = bench.post(f"/keying/systems/{system.id}/extend", data={**data, "deed": deed, "seconds": "5"})
        assert page.status_code == 422 and "A key of AB of The Hall is lost" in page.text, deed
    session.rollback()
    assert "AB2" not in session.scalars(sa.select(Keyset.symbol)).all()
    # A rekey line is no way round it either: its cylinders would go on under the lost master.
    _lose(session, "AA")
    page = _draft(clerk, system, "AA1")
    answer = clerk.post("/counter/issue", data=form_with(page, "title"))
    assert answer.status_code == 422 and "A key of AA of The Hall is lost" in unescape(answer.text)


def test_cores_wait_for_their_lost_control_key(client_as: ClientAs, session: Session) -> None:
    owner = client_as(Role.OWNER)
    answer = owner.post("/counter/issue", data=posted(CORE, token="a" * 32))
    assert answer.status_code == 303, _told(answer.text)
    assert _accepted(owner, 1001)[0] == 303
    session.rollback()
    customer = session.scalars(sa.select(KeySystem.customer_id)).one()
    _lose(session, "CONTROL")
    data = posted(CORE, token="b" * 32, customer_id=customer)
    page = unescape(owner.post("/counter/issue", data=data).text)
    assert "A key of CONTROL of Single keyed NH1, 7 chambers is lost" in page and 'data-for="lines-0-keying"' in page
    assert owner.post("/counter/issue", data={**data, "lost_reason": "taken out in May"}).status_code == 303


@pytest.mark.parametrize("is_in_metal", [True, False])
def test_a_lost_key_counts_no_more_once_its_bitting_is_replaced_in_metal(
    client_as: ClientAs, session: Session, work: Work, system: KeySystem, is_in_metal: bool
) -> None:
    """A correction on paper alone leaves the lost key what it was: it fits the metal."""
    clerk, owner = client_as(Role.COUNTER), client_as(Role.OWNER)
    symbol = "AA1"
    _lose(session, symbol)
    keyset = _keyset(session, symbol)
    free = next_cuts(work, system, _keyset(session, "AA"), 1)[0]
    session.rollback()
    if not is_in_metal:  # a list typed wrong: nothing was ever made by the record
        for one in session.scalars(sa.select(Cylinder).where(Cylinder.keyset_id == keyset.id)):
            one.job_id = None
        for key in session.scalars(sa.select(Key).where(Key.keyset_id == keyset.id)):
            key.job_id = None
        session.commit()
    said = {"keyset": keyset.id, "bitting": write_bitting(spec_of(system), free), "why": "repinned after the loss"}
    if is_in_metal:
        said["destroyed"] = "y"
    answer = owner.post(f"/keying/systems/{system.id}/correct", data=said)
    assert answer.status_code == 303, _told(answer.text)
    assert clerk.post("/counter/issue", data=_asked(system, "AA", "a")).status_code == 303
    status, page = _accepted(clerk, 1002, doors=f"opening,keyset\nG1,{symbol}\n", site_name="The annex")
    assert (status == 303) is is_in_metal, _told(page)
    assert is_in_metal or f"A key of {symbol} of The Hall is lost" in page


@pytest.mark.postgresql
def test_a_loss_turns_nothing_once_the_bitting_is_replaced_and_can_be_closed(
    client_as: ClientAs, session: Session, work: Work, system: KeySystem
) -> None:
    clerk, owner = client_as(Role.COUNTER), client_as(Role.OWNER)
    key, keyset = _lose(session, "AA1"), _keyset(session, "AA1")
    free = next_cuts(work, system, _keyset(session, "AA"), 1)[0]
    session.rollback()
    plan = {"keyset": "AA1", "deed": "show"}
    address = f"/keying/systems/{system.id}/lost-key"
    assert "1 door stands open to whoever has it" in clerk.get(f"/keys/{key.id}").text
    assert "<dt>Exposed</dt>" in clerk.post(address, data=plan).text
    said = {"keyset": keyset.id, "bitting": write_bitting(spec_of(system), free), "why": "repinned after the loss"}
    answer = owner.post(f"/keying/systems/{system.id}/correct", data={**said, "destroyed": "y"})
    assert answer.status_code == 303, _told(answer.text)
    page, planned = clerk.get(f"/keys/{key.id}").text, clerk.post(address, data=plan).text
    assert "turns no door that stands now" in page and "stands open" not in page
    assert "The bitting of AA1 was replaced on 25 Nov 2026, after the loss" in planned
    assert "<dt>Exposed</dt>" not in planned and "Make a draft quote" not in planned
    loss = session.scalars(sa.select(Loss)).one()
    closing = form_with(clerk.get(f"/keys/losses/{loss.id}").text, "note")
    assert clerk.post(f"/keys/losses/{loss.id}/close", data=closing).status_code == 303

    # Another key, cut to the new bitting, is a loss of its own.
    session.rollback()
    other = next(one for one in session.scalars(sa.select(Key).where(Key.keyset_id == keyset.id)) if one.id != key.id)
    mark_lost(session, other)
    assert "1 door stands open to whoever has it" in clerk.get(f"/keys/{other.id}").text
    assert "<dt>Exposed</dt>" in clerk.post(address, data=plan).text


@pytest.mark.postgresql
@pytest.mark.parametrize("came", ["planned", "taken over"])
def test_the_first_job_of_a_planned_system_of_cores_brings_its_control_key(
    client_as: ClientAs, session: Session, came: str
) -> None:
    """The control keys of a system that came from a list are with the customer."""
    owner = client_as(Role.OWNER)
    assert owner.post("/counter/issue", data=posted(MORTISE, token="a" * 32)).status_code == 303  # the customer
    session.rollback()
    customer = session.scalars(sa.select(Job.customer_id)).one()
    if came == "planned":
        plan = {"keyway": "NH1", "chambers": "7", "levels": "2", "masters": "1", "changes": "9", "changes_later": "3"}
        page = owner.post("/keying/plan", data=plan).text
        said = form_with(page, "sealed") | {"customer": str(customer), "name": "Cores"}
        for roles in re.findall(r'name="roles" value="([CMG-]+)"', page)[:1]:
            said["roles"] = roles
        answer = owner.post("/keying/plan/start", data=said)
        assert answer.status_code == 303, _told(answer.text)
    else:
        text = "symbol,bitting,status\nAA,5286145,used\n1AA,7460363,used\nCK,2345678,used\n"
        list_taken(owner, text, customer, "Cores", keyway="NH1", chambers="7", cuts="bow")
    session.rollback()
    system = session.scalars(sa.select(KeySystem).where(KeySystem.name == "Cores")).one()
    core = {**CORE, "keying": "SKD"}
    head = {"customer_id": customer, "system_id": system.id, **SHOP}
    for token, number in (("b", 1002), ("c", 1003)):
        answer = owner.post("/counter/issue", data=posted(core, **{**head, "token": token * 32}))
        assert answer.status_code == 303, _told(answer.text)
        assert _accepted(owner, number)[0] == 303
    session.rollback()
    jobs = session.scalars(sa.select(Job.number).join(Key).join(Keyset).where(Keyset.symbol == "CONTROL")).all()
    assert jobs == ([1002] if came == "planned" else [])
    said_of = pdf_text(client_as(Role.BENCH).post("/jobs/1003/bench-sheet.pdf").data)
    assert ("none to cut" in said_of) is (came == "planned")
    assert ("ask the customer for theirs" in " ".join(said_of.split())) is (came != "planned")
