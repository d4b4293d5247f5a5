"""The page that a label's code opens: after login, for the house's roles, its pins behind a press on record."""

from collections.abc import Callable
from dataclasses import replace

import pytest
import sqlalchemy as sa

from app import create_app
from app.config import Config
from app.ledger.care.opening import Ledger
from app.ledger.store.work import Work
from app.ledger.tables import CylinderOperator, Event, Role
from app.web.papers.job_papers import JobSource
from tests import factories
from tests.factories import FormClient
from tests.keyed import BITTINGS, bitting_in, keyed_job

ClientAs = Callable[[Role | None], FormClient]


def test_a_code_opens_the_cylinder_after_login(client_as: ClientAs, work: Work) -> None:
    keyed = keyed_job(work)
    address = f"/cylinders/{keyed.cylinders[0].id}"
    answer = client_as(None).get(address)
    assert answer.status_code == 303 and answer.location == f"/login?next={address}"
    page = client_as(Role.COUNTER).get(address).text
    for said in ("1AA", "F1", "Flat 1", "The Flats", "also operated by AA", f"/jobs/{keyed.job.number}", "Exit door"):
        assert said in page
    assert bitting_in(page) is None and "Show bitting" not in page
    assert client_as(Role.COUNTER).post(f"{address}/pins").status_code == 403
    assert client_as(Role.COUNTER).get("/cylinders/999999").status_code == 404


@pytest.mark.postgresql
def test_the_bench_sees_its_pins_on_record(client_as: ClientAs, work: Work) -> None:
    keyed = keyed_job(work)
    work.session.add(CylinderOperator(cylinder_id=keyed.cylinders[0].id, keyset_id=keyed.cylinders[1].keyset_id))
    work.session.commit()
    client = client_as(Role.BENCH)
    address = f"/cylinders/{keyed.cylinders[0].id}"
    closed = client.get(address).text
    assert bitting_in(closed) is None and "X1AA" in closed and "2AA, AA" in closed
    page = client.post(f"{address}/pins").text
    assert BITTINGS["1AA"] in page and BITTINGS["2AA"] not in page and "<svg" in page
    event = work.session.scalars(sa.select(Event).where(Event.kind == "bittings revealed")).one()
    assert event.job_id == keyed.job.id and f"cylinder {keyed.cylinders[0].id}, X1AA" in event.summary
    assert bitting_in(event.summary) is None


def test_a_cylinder_without_a_bitting_has_no_pins_to_show(client_as: ClientAs, work: Work) -> None:
    keyed = keyed_job(work)
    bare = factories.CylinderFactory(job_id=keyed.job.id, door=None, keyset=None)
    client = client_as(Role.BENCH)
    assert "uncombinated" in client.get(f"/cylinders/{bare.id}").text
    answer = client.post(f"/cylinders/{bare.id}/pins")
    assert answer.status_code == 400 and "holds no bitting of this cylinder" in answer.text


def test_labels_say_the_address_that_phones_reach(config: Config, ledger: Ledger, work: Work) -> None:
    app = create_app(config, ledger)
    with app.test_request_context("/", base_url="http://127.0.0.1:8014"):
        assert JobSource.cylinder_address(7) == "http://127.0.0.1:8014/cylinders/7"
    app.extensions["config"] = replace(config, address="https://bittern.example/")
    with app.test_request_context("/"):
        assert JobSource.cylinder_address(7) == "https://bittern.example/cylinders/7"
