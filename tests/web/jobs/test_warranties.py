"""The pages of a cylinder that came back: from its door, its job and its label to a job of its own."""

from collections.abc import Callable

import pytest
import sqlalchemy as sa

from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Job, Role, Stage, Warranty
from tests import factories
from tests.factories import FormClient
from tests.keyed import Keyed, keyed_job

ClientAs = Callable[[Role | None], FormClient]
ASK = {"kind": "cylinder", "quantity": 2, "attributes": {"type": "mortise", "keyway": "AQ1"}}


@pytest.fixture
def sold(work: Work) -> Keyed:
    made = keyed_job(work, Stage.CLOSED)
    factories.JobLineFactory(job=made.job, number=1, kind="cylinder", description="Mortise cylinder", ask=ASK)
    for cylinder in made.cylinders:
        cylinder.state, cylinder.line_number = CylinderState.FITTED, 1
    work.session.commit()
    return made


def test_it_is_opened_from_its_door_and_shown_on_both_jobs(work: Work, sold: Keyed, client_as: ClientAs) -> None:
    owner, client, cylinder = client_as(Role.OWNER), client_as(Role.COUNTER), sold.cylinders[0]
    page = f"/cylinders/{cylinder.id}/came-back"
    for place in (f"/doors/{cylinder.door_id}", f"/jobs/{sold.job.number}", f"/cylinders/{cylinder.id}"):
        assert f'href="{page}"' in client.get(place).text
    sent = {"version": cylinder.version, "borne_by": "maker", "claim": "RMA 77"}
    refused = client.post(page, data=sent)
    assert refused.status_code == 422 and "Say what is wrong with it." in refused.text and "RMA 77" in refused.text
    sent["reason"] = "The plug turns without a key"
    unknown = client.post(page, data=sent)  # this house has no prices
    assert unknown.status_code == 422 and "The goods do not say what another costs" in unknown.text
    opened = client.post(page, data={**sent, "cost_cents": "15.20"})
    job = work.session.scalars(sa.select(Job).order_by(Job.id.desc())).first()
    assert job is not None and opened.status_code == 303 and opened.location == f"/jobs/{job.number}"
    mine = client.get(f"/jobs/{job.number}").text
    assert "came back: <b>The plug turns without a key</b>" in mine and 'value="RMA 77"' in mine
    assert "$15.20" not in mine and "$15.20" in owner.get(f"/jobs/{job.number}").text
    assert f'href="/jobs/{job.number}">Job {job.number}</a>' in client.get(f"/jobs/{sold.job.number}").text
    assert f'came back: <a href="/jobs/{job.number}">' in client.get(f"/doors/{cylinder.door_id}").text
    assert f'href="/jobs/{job.number}"' in client.get("/search?q=1AA").text
    claim = {"version": work.session.scalars(sa.select(Warranty.version)).one(), "claim": "Credit promised"}
    assert client.post(f"/jobs/{job.number}/claim", data=claim).status_code == 303
    assert 'value="Credit promised"' in client.get(f"/jobs/{job.number}").text
