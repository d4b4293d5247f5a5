"""The day's work: racks of several jobs on one page and one sheet, a rack ticked off whole."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.keying import PinSize
from app.ledger.bench.pins import set_stock
from app.ledger.keysystems.bittings import seal_bitting
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Event, Role, Stage
from tests import factories
from tests.conftest import NOW
from tests.documents.conftest import pages_of
from tests.factories import FormClient
from tests.keyed import BITTINGS, Keyed, keyed_job

ClientAs = Callable[[Role | None], FormClient]


@pytest.fixture
def keyed(work: Work) -> Keyed:
    """Fourteen doors on fourteen keysets of one system, so two racks; the first two are those of `keyed_job`."""
    made = keyed_job(work)
    master = made.cylinders[0].keyset.parent  # type: ignore[union-attr]
    for n in range(3, 15):
        keyset = factories.KeysetFactory(system=made.system, symbol=f"{n}AA", parent=master)
        # In the master's parity and with none of its cuts where they differ: nothing interchanges.
        end, middle = (n - 3) % 4, (n - 3) // 4
        seal_bitting(work, made.system, keyset, ((1, 3, 7, 9)[end], 4, 2, (0, 2, 4)[middle], 3, (0, 2, 6, 8)[end]))
        door = factories.DoorFactory(site=made.doors[0].site, opening_number=f"F{n}")
        factories.CylinderFactory(job_id=made.job.id, door=door, keyset=keyset)
    work.session.commit()
    return made


def _states(work: Work, job_id: int) -> list[str]:
    work.session.rollback()
    rows = sa.select(Cylinder.state).where(Cylinder.job_id == job_id).order_by(Cylinder.id)
    return [state.value for state in work.session.scalars(rows)]


def test_a_rack_is_ticked_off_whole_and_no_other(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, number = client_as(Role.BENCH), keyed.job.number
    page = client.get("/bench/day").text
    assert "Rack 1 of 2" in page and "F1 to F12" in page and "F13 to F14" in page
    sent = {"rack": "1 pinned", "job": str(number)}
    answer = client.post(f"/bench/jobs/{number}/ticks", data=sent)
    assert answer.status_code == 303 and answer.location == f"/bench/day?job={number}#job-{number}"
    assert _states(work, keyed.job.id) == ["pinned"] * 12 + ["ordered"] * 2
    page = client.get("/bench/day").text
    assert "Rack 1: 12 cylinders ticked off as pinned." in page and "12 pinned, 0 checked of 12" in page
    again = client.post(f"/bench/jobs/{number}/ticks", data=sent)
    assert again.status_code == 422 and "Nothing of rack 1 can be ticked off as pinned" in again.text
    assert "<h1>The day’s work</h1>" in again.text
    early = client.post(f"/bench/jobs/{number}/ticks", data={"rack": "2 checked"})
    assert early.status_code == 422 and _states(work, keyed.job.id)[12:] == ["ordered"] * 2
    client.post(f"/bench/jobs/{number}/ticks", data={"rack": "1 checked"})
    assert _states(work, keyed.job.id) == ["checked"] * 12 + ["ordered"] * 2
    for strange, status in (("3 pinned", 404), ("1 fitted", 422), ("x", 422)):
        assert client.post(f"/bench/jobs/{number}/ticks", data={"rack": strange}).status_code == status


def test_of_a_rack_what_waits_for_a_pin_stays_and_is_named(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    keyed.system.spec.spec = {**keyed.system.spec.spec, "stack_total": 18}
    keyed.cylinders[0].door_id = None  # named by its keyset
    work.session.commit()
    every = {PinSize(kind, size): 90 for kind in ("bottom", "master", "top") for size in range(19)}
    set_stock(work, keyed.system.spec_id, {**every, PinSize("bottom", 0): 0})
    client, number = client_as(Role.BENCH), keyed.job.number
    # A cut of 0 is 1AA's fourth, and that of F3 to F6; and the sixth of F3, F7 and F11.
    assert "1AA, F3, F4, F5, F6, F7, F11 cannot be pinned" in client.get(f"/bench/jobs/{number}").text
    answer = client.post(f"/bench/jobs/{number}/ticks", data={"cylinders": [keyed.cylinders[0].id], "as": "pinned"})
    assert answer.status_code == 422 and "1AA waits for a pin that is out of stock" in answer.text
    client.post(f"/bench/jobs/{number}/ticks", data={"rack": "1 pinned"})
    assert "Not ticked off: 1AA, F3, F4, F5, F6, F7, F11." in client.get(f"/bench/jobs/{number}").text
    waiting = {0, 2, 3, 4, 5, 6, 10}
    told = [state == "pinned" for state in _states(work, keyed.job.id)[:12]]
    assert told == [place not in waiting for place in range(12)]
    opened = client.post(f"/bench/jobs/{number}/bittings").text
    assert opened.count("Not to be pinned: bottom 0 out of stock.") == 7


def test_bittings_stay_open_through_a_tick_and_each_look_is_on_record(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    client, number = client_as(Role.BENCH), keyed.job.number
    assert BITTINGS["1AA"] not in client.get("/bench/day").text
    page = client.post("/bench/day", data={"job": str(number)}).text
    assert BITTINGS["1AA"] in page and 'name="open" value="y"' in page
    sent = {"rack": "1 pinned", "job": str(number), "open": "y"}
    answer = client.post(f"/bench/jobs/{number}/ticks", data=sent)
    assert answer.status_code == 307 and answer.location == f"/bench/day#job-{number}"
    assert BITTINGS["1AA"] in client.post("/bench/day", data=sent).text
    looks = work.session.scalars(sa.select(Event).where(Event.kind == "bittings revealed")).all()
    assert [event.job_id for event in looks] == [keyed.job.id] * 2


@pytest.mark.postgresql
def test_the_days_sheet_has_a_page_a_rack_of_each_job(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    later = factories.JobFactory(
        number=77, stage=Stage.APPROVED, keyed_at="shop", promised_on=NOW.date() + timedelta(days=9)
    )
    factories.CylinderFactory(job_id=later.id, door=None, keyset=keyed.cylinders[1].keyset)
    work.session.commit()
    client, number = client_as(Role.BENCH), keyed.job.number
    of_both = pages_of(client.post("/bench/day-sheet.pdf", data={"job": [str(number), "77"]}).data)
    heads = [
        "Rack 1 of 2: 12 cylinders, 3 keys",
        "Rack 2 of 2: 2 cylinders, 0 keys",
        "Rack 1 of 1: 1 cylinder, 0 keys",
    ]
    assert [head in page for head, page in zip(heads, of_both, strict=True)] == [True] * 3
    assert f"job {number}" in of_both[1] and "job 77" in of_both[2]
    assert (
        len(pages_of(client.post("/bench/day-sheet.pdf").data)) == 2
    )  # of what is on the bench where none is chosen
    assert "Job 77" not in client.get("/bench/day").text and "Job 77" in client.get("/bench/day?job=77").text
    counter = client_as(Role.COUNTER)
    assert {counter.get("/bench/day").status_code, counter.post("/bench/day-sheet.pdf").status_code} == {403}


def test_a_job_of_the_day_is_moved_on_from_the_days_page_or_says_there_what_is_left(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    client, number = client_as(Role.BENCH), keyed.job.number
    address = f"/bench/day/jobs/{number}/move"
    sent = {"version": str(keyed.job.version), "to": "checked", "job": str(number)}
    page = client.get(f"/bench/day?job={number}").text
    # A press that is refused shows the job that it was for, however far below it stands.
    assert re.findall('action="(/bench/[^"]*#[^"]*)"', page) == [
        f"{one}#job-{number}" for one in (address, *[f"/bench/jobs/{number}/ticks"] * 2)
    ]
    refused = client.post(address, data=sent)
    assert refused.status_code == 422 and "<h1>The day’s work</h1>" in refused.text
    assert "14 of this job&#39;s cylinders are not ticked off as checked: F1, F2" in refused.text
    for rack in ("1 pinned", "2 pinned", "1 checked", "2 checked"):
        client.post(f"/bench/jobs/{number}/ticks", data={"rack": rack})
    done = client.post(address, data=sent)
    assert done.status_code == 303 and done.location == f"/bench/day?job={number}"
    assert f"Job {number} is checked now." in client.get(done.location).text
    assert client.post(address, data={**sent, "to": "handed over"}).status_code == 422
    assert client_as(Role.COUNTER).post(address, data=sent).status_code == 403


def test_a_day_without_work_says_so(client_as: ClientAs) -> None:
    client = client_as(Role.BENCH)
    assert "No job is on the bench." in client.get("/bench/day?job=99999999999+x").text
    answer = client.post("/bench/day-sheet.pdf")
    assert answer.status_code == 400 and "choose jobs on the bench page" in answer.text
    assert CylinderState.PINNED.value not in client.get("/bench/day").text
