"""The pages where written authority is missing: what they say to whom, and the owner's way on."""

from collections.abc import Callable
from html import unescape

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.work import Work
from app.ledger.tables import Event, Job, KeySystem, Role, Stage
from tests.factories import FormClient
from tests.keyed import keyed_job
from tests.stocked import empty_house, posted

__all__ = ["empty_house"]

ClientAs = Callable[[Role | None], FormClient]
FLATS = {"kind": "part number", "part_number": "AD-Q1-66.SC", "quantity": "2", "keying": "MK", "keys_each": "2"}
TODAY = "2026-11-25"


def owned(work: Work) -> Job:
    keyed = keyed_job(work, Stage.APPROVED)
    keyed.system.owner_of_record = "Harbour Board"
    work.session.commit()
    return keyed.job


def test_the_job_page_says_what_is_missing_and_only_the_owner_may_go_on(client_as: ClientAs, work: Work) -> None:
    job = owned(work)
    counter, owner = client_as(Role.COUNTER), client_as(Role.OWNER)
    page = counter.get(f"/jobs/{job.number}").text
    assert "No written authority on file" in page and "Harbour Board" in page
    assert 'name="override_reason"' not in page
    said = {"version": job.version, "to": "on the bench"}
    refused = counter.post(f"/jobs/{job.number}/move", data=said)
    assert refused.status_code == 422 and "no written authority is on file" in refused.text
    forged = counter.post(f"/jobs/{job.number}/move", data={**said, "override_reason": "they rang"})
    assert forged.status_code == 422 and "Only the owner of the house" in forged.text
    refused = owner.post(f"/jobs/{job.number}/move", data=said)
    assert refused.status_code == 422 and 'aria-invalid="true"' in refused.text
    moved = owner.post(f"/jobs/{job.number}/move", data={**said, "override_reason": "the letter is in the post"})
    assert moved.status_code == 303
    assert "Reason: the letter is in the post" in counter.get(f"/jobs/{job.number}").text


def test_accepting_asks_for_authority(client_as: ClientAs, session: Session) -> None:
    counter, owner = client_as(Role.COUNTER), client_as(Role.OWNER)
    head = {"keyed_at": "shop", "override_reason": "wanted this week, says the manager"}
    answer = counter.post("/counter/issue", data=posted(FLATS, system_name="Plover", **head))
    assert answer.status_code == 303, unescape(answer.text)
    accepted = {"accepted_by": "R. Teal", "accepted_on": TODAY}
    first = session.scalars(sa.select(Job)).one()
    assert counter.post("/quotes/1001/accept", data={**accepted, "version": first.version}).status_code == 303
    session.rollback()
    system = session.scalars(sa.select(KeySystem)).one()
    system.owner_of_record = "I. Plover and sons"
    session.commit()
    again = posted({**FLATS, "quantity": "1"}, system_id=system.id, customer_id=system.customer_id, **head) | {
        "token": "u" * 32
    }
    answer = counter.post("/counter/issue", data=again)
    assert answer.status_code == 303, unescape(answer.text)
    session.rollback()
    version = session.scalars(sa.select(Job.version).where(Job.number == 1002)).one()
    accepted["version"] = version  # type: ignore[assignment]
    refused = unescape(counter.post("/quotes/1002/accept", data=accepted).text)
    assert "belongs to I. Plover and sons" in refused and 'name="override_reason"' not in refused
    refused = unescape(owner.post("/quotes/1002/accept", data=accepted).text)
    assert "belongs to I. Plover and sons" in refused and 'name="override_reason"' in refused
    went_on = owner.post("/quotes/1002/accept", data={**accepted, "override_reason": "they stand here"})
    assert went_on.status_code == 303
    session.rollback()
    assert session.scalars(sa.select(Event.actor_name).where(Event.kind == "authority overridden")).all() == ["Owner"]
