"""The pages of a loss's plan: ways with what each costs, phases as drafts and jobs, and the letter to a factory."""

import re
from html import unescape

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.keys import loss_plans
from app.ledger.store.work import Work
from app.ledger.tables import Job, Keyset, KeySystem, Level, Loss, RecordsHolder, Role, Stage
from tests.conftest import NOW
from tests.factories import FormClient
from tests.forms_found import form_with
from tests.reading import pdf_text
from tests.stocked import empty_house
from tests.web.keying.test_lost_key import ClientAs, system

__all__ = ["empty_house", "system"]


@pytest.fixture
def loss(session: Session, system: KeySystem) -> Loss:
    """A key of AA, over F1 to F5, is lost."""
    keyset = session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA")).one()
    found = Loss(system_id=system.id, keyset_id=keyset.id, reported_at=NOW)
    session.add(found)
    session.commit()
    return found


def _chosen(clerk: FormClient, loss: Loss, way: str) -> None:
    address = f"/keying/losses/{loss.id}/plan"
    answer = clerk.post(address, data={**form_with(clerk.get(address).text, "version"), "way": way})
    assert answer.status_code == 303 and answer.location.endswith(f"/keying/losses/{loss.id}/drafts")


@pytest.mark.postgresql
def test_phases_by_day_are_jobs_of_their_own_and_bad_input_is_told_at_its_box(
    client_as: ClientAs, session: Session, work: Work, loss: Loss
) -> None:
    clerk = client_as(Role.COUNTER)
    page = unescape(clerk.get(f"/keying/losses/{loss.id}/plan").text)
    assert "Another master, with new keys for all that hangs under it" in page
    assert "AC, AC1 to AC4 take the places of AA, AA1 to AA4." in page
    _chosen(clerk, loss, "another master")
    address = f"/keying/losses/{loss.id}/drafts"
    assert "5 cylinders</b> left to quote: F1, F2, F3, F4, F5" in clerk.get(address).text
    for typed, told in (
        ({"by": "day", "a_day": ""}, "Enter how many cylinders are done a day, 1 or more."),
        ({"by": "doors", "doors": "F1, F9"}, "F9 is not left to do in this plan: take it off the list."),
        ({"by": "doors", "doors": ""}, "Enter the doors to do now, by their opening numbers."),
        ({"by": "week"}, "Not a valid choice"),
    ):
        answer = clerk.post(address, data=typed)
        assert answer.status_code == 422 and told in answer.text, typed
    answer = clerk.post(address, data={"by": "day", "a_day": "3"})
    assert answer.status_code == 303, answer.text
    page = unescape(clerk.get(answer.location).text)
    assert "2 phases saved for later as jobs 1002 to 1003. This is the first: issue it." in page
    assert "phase 1 of 2: day 1" in page and "Keys to AC by" not in page and "Keys to AC," in page
    session.rollback()
    jobs = session.scalars(sa.select(Job).where(Job.loss_id == loss.id).order_by(Job.number)).all()
    assert [(job.number, job.stage) for job in jobs] == [(1002, Stage.ASKED), (1003, Stage.ASKED)]
    assert "Every door of the plan stands in a quote or a job of this loss" in clerk.get(address).text
    assert clerk.post(address, data={"by": "all"}).status_code == 422


def test_another_master_is_searched_for_briefly_and_longer_where_that_is_asked(
    client_as: ClientAs, session: Session, loss: Loss, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loss_plans, "_BRIEF", 0.0)
    loss.keyset = session.scalars(sa.select(Keyset).where(Keyset.symbol == "A")).one()
    session.commit()
    clerk = client_as(Role.COUNTER)
    page = clerk.get(f"/keying/losses/{loss.id}/plan").text
    assert "A keeps its symbol and gets another bitting." in page and "Cannot be had. No new bittings" not in page
    [longer] = re.findall(r'<a href="([^"]*)">Search longer</a>', page)
    assert "Search longer" not in clerk.get(unescape(longer)).text


@pytest.mark.postgresql
def test_a_factory_is_asked_by_a_letter_without_a_bitting(
    client_as: ClientAs, session: Session, system: KeySystem, loss: Loss
) -> None:
    system.records = RecordsHolder.FACTORY
    for keyset in system.keysets:
        session.delete(keyset.bitting)
    session.commit()
    clerk = client_as(Role.COUNTER)
    assert clerk.get(f"/keying/losses/{loss.id}/letter.pdf").status_code == 400
    _chosen(clerk, loss, "factory")
    text = " ".join(pdf_text(clerk.get(f"/keying/losses/{loss.id}/letter.pdf").data).split())
    assert "by our record it opens 5 cylinders" in text and "AA, master (nobody knows which or how many)" in text
    assert "change AA1 to AA4 5 AC1 to AC4" in text and "master AA 0 AC" in text
    assert "Ardent Brass A18M-Q1-66.SC" in text
    assert session.scalars(sa.select(Keyset.level).where(Keyset.symbol == "AC")).first() in (None, Level.MASTER)
