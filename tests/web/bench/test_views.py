"""The bench's pages: bittings open by a recorded POST only, ticks, and nothing at all for the counter."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
import sqlalchemy as sa
from flask import Flask

from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Event, House, Key, Keyset, KeyState, Role, Stage
from tests import factories
from tests.conftest import NOW
from tests.factories import FormClient
from tests.keyed import BITTINGS, Keyed, bitting_in, keyed_job, mark_lost, tick_off

ClientAs = Callable[[Role | None], FormClient]


@pytest.fixture
def keyed(work: Work) -> Keyed:
    return keyed_job(work)


def revealed(work: Work) -> list[Event]:
    work.session.rollback()
    return list(work.session.scalars(sa.select(Event).where(Event.kind == "bittings revealed")))


def states(work: Work, keyed: Keyed) -> list[CylinderState]:
    work.session.rollback()
    for cylinder in keyed.cylinders:
        work.session.refresh(cylinder)
    return [cylinder.state for cylinder in keyed.cylinders]


def ticked(keyed: Keyed, as_: str, *which: int) -> dict[str, object]:
    return {"cylinders": [keyed.cylinders[one].id for one in which], "as": as_}


def test_the_day_lists_jobs_with_their_minutes_by_promise(keyed: Keyed, client_as: ClientAs) -> None:
    factories.JobFactory(
        number=9, stage=Stage.APPROVED, keyed_at="shop", promised_on=NOW.date() - timedelta(days=2), bench_minutes=90
    )
    factories.JobFactory(number=8, stage=Stage.APPROVED, keyed_at="factory", promised_on=NOW.date())
    page = client_as(Role.BENCH).get("/bench").text
    assert page.index("/bench/jobs/9") < page.index(f"/bench/jobs/{keyed.job.number}")
    assert "/bench/jobs/8" not in page
    assert "late 2 days" in page and "1 h 30 min" in page and "0 of 2" in page and "2 h 15 min" in page


@pytest.mark.postgresql
def test_an_empty_day_says_so(client_as: ClientAs) -> None:
    assert "Nothing waits for the bench." in client_as(Role.BENCH).get("/bench").text


def test_a_look_shows_no_bitting_and_records_nothing(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    for role in (Role.BENCH, Role.OWNER):
        page = client_as(role).get(f"/bench/jobs/{keyed.job.number}")
        assert page.status_code == 200 and bitting_in(page.text) is None
        assert "Show bittings" in page.text and "<svg xmlns" not in page.text
    assert revealed(work) == []


def test_bittings_open_by_post_and_each_time_is_an_event(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client = client_as(Role.BENCH)
    address = f"/bench/jobs/{keyed.job.number}/bittings"
    assert client.get(address).status_code == 405
    assert revealed(work) == []
    for count in (1, 2):
        answer = client.post(address)
        assert answer.status_code == 200 and answer.headers["Cache-Control"] == "no-store"
        for symbol in ("AA", "1AA", "2AA"):
            assert BITTINGS[symbol] in answer.text, symbol
        assert "<svg xmlns" in answer.text and "Confidential" in answer.text
        events = revealed(work)
        assert len(events) == count
    assert {event.at for event in events} == {NOW}
    assert all(event.actor_name in event.summary and event.job_id == keyed.job.id for event in events)
    assert not any(bitting_in(event.summary) or bitting_in(str(event.detail)) for event in events)


def test_pins_are_shown_by_chamber(keyed: Keyed, client_as: ClientAs) -> None:
    page = client_as(Role.BENCH).post(f"/bench/jobs/{keyed.job.number}/bittings").text
    # 1AA 746036 under AA 528614: bottoms 5 2 6 0 1 4, masters 2 2 2 6 2 2.
    row = "".join(f"<td>{size}</td>" for size in (5, 2, 6, 0, 1, 4))
    assert f'<th scope="row">bottom</th>{row}' in page
    row = "".join(f"<td>{size}</td>" for size in (2, 2, 2, 6, 2, 2))
    assert f'<th scope="row">master</th>{row}' in page


def test_a_reveal_needs_its_token(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    answer = client_as(Role.BENCH).post(f"/bench/jobs/{keyed.job.number}/bittings", csrf=False)
    assert answer.status_code == 400 and bitting_in(answer.text) is None
    assert revealed(work) == []


def test_the_counter_has_no_bench(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client = client_as(Role.COUNTER)
    number, system = keyed.job.number, keyed.system.id
    for address in ("/bench", f"/bench/jobs/{number}"):
        assert client.get(address).status_code == 403
    for address in (
        f"/bench/jobs/{number}/bittings",
        f"/bench/jobs/{number}/ticks",
        f"/jobs/{number}/bench-sheet.pdf",
        f"/key-systems/{system}/bittings",
        f"/key-systems/{system}/bitting-list.pdf",
    ):
        answer = client.post(address, data={"keyset": "1", "as": "pinned"})
        assert answer.status_code == 403 and bitting_in(answer.text) is None, address
    assert revealed(work) == []


def test_no_page_that_the_counter_opens_tells_a_bitting(
    work: Work, keyed: Keyed, web: Flask, client_as: ClientAs
) -> None:
    """Every address of the house that takes a GET, with the records of the keyed job in it."""
    client = client_as(Role.COUNTER)
    # Whatever was revealed before must not have left a trace that the counter can meet.
    assert client_as(Role.BENCH).post(f"/bench/jobs/{keyed.job.number}/bittings").status_code == 200
    values = {
        "number": keyed.job.number, "system_id": keyed.system.id, "door_id": keyed.doors[0].id,
        "site_id": keyed.doors[0].site_id, "customer_id": keyed.job.customer_id, "revision": 1,
    }  # fmt: skip
    adapter = web.url_map.bind("localhost")
    opened = 0
    for route in web.url_map.iter_rules():
        # The other addresses hold no record of this job.
        if "GET" not in (route.methods or ()) or not route.arguments <= set(values):
            continue
        address = adapter.build(route.endpoint, {name: values[name] for name in route.arguments}, method="GET")
        answer = client.get(address)
        opened += answer.status_code == 200
        if answer.mimetype in ("text/html", "text/csv"):
            assert bitting_in(answer.text) is None, address
    assert opened >= 10
    for digits in BITTINGS.values():
        page = client.get(f"/search?q={digits}").text
        assert "Nothing on record matches" in page


def test_cylinders_are_ticked_off_as_pinned_and_checked(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    address = f"/bench/jobs/{keyed.job.number}"
    assert client_as(Role.BENCH).post(f"{address}/ticks", data=ticked(keyed, "pinned", 0, 1)).status_code == 303
    assert states(work, keyed) == [CylinderState.PINNED, CylinderState.PINNED]
    owner = client_as(Role.OWNER)
    assert owner.post(f"{address}/ticks", data=ticked(keyed, "checked", 0)).status_code == 303
    assert states(work, keyed) == [CylinderState.CHECKED, CylinderState.PINNED]
    page = owner.get(address).text
    assert "checked by Owner" in page and "pinned by Person" in page and "who pinned it too" not in page
    kinds = work.session.scalars(sa.select(Event.kind).where(Event.job_id == keyed.job.id).order_by(Event.id)).all()
    assert kinds == ["cylinders pinned", "cylinders checked"]


def test_who_checks_alone_is_named(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.BENCH), f"/bench/jobs/{keyed.job.number}"
    client.post(f"{address}/ticks", data=ticked(keyed, "pinned", 0))
    client.post(f"{address}/ticks", data=ticked(keyed, "checked", 0))
    page = client.get(address).text
    assert "who pinned it too" in page and "1 by whoever pinned it" in page


def test_a_house_that_wants_it_gets_a_second_person(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    work.session.scalars(sa.select(House)).one().second_check = True
    work.session.commit()
    client, address = client_as(Role.BENCH), f"/bench/jobs/{keyed.job.number}"
    assert "This house wants somebody else" in client.get(address).text
    client.post(f"{address}/ticks", data=ticked(keyed, "pinned", 0, 1))
    refused = client.post(f"{address}/ticks", data=ticked(keyed, "checked", 0, 1))
    assert refused.status_code == 422 and "You pinned 2 of these yourself" in refused.text
    kept = re.findall('name="cylinders"[^>]*>', refused.text)
    assert len(kept) == 2 and all(" checked" in one for one in kept)
    keysets = [str(one.keyset_id) for one in keyed.cylinders]
    refused = client.post(f"{address}/ticks", data={"as": "melted", "keys": keysets[:1]})
    kept = re.findall('name="keys" value="([^"]*)"[^>]* checked', refused.text)
    assert refused.status_code == 422 and kept == keysets[:1]
    move = {"version": keyed.job.version, "to": "checked"}
    early = client.post(f"/jobs/{keyed.job.number}/move", data=move)
    assert early.status_code == 422 and "2 of this job&#39;s cylinders are not ticked off" in early.text
    assert "second person to check each" in early.text
    assert states(work, keyed) == [CylinderState.PINNED] * 2
    assert client_as(Role.OWNER).post(f"{address}/ticks", data=ticked(keyed, "checked", 0, 1)).status_code == 303
    assert client.post(f"/jobs/{keyed.job.number}/move", data=move).status_code == 303


@pytest.mark.postgresql
def test_the_owner_says_whether_the_house_wants_it(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    house = work.session.scalars(sa.select(House)).one()
    sent = {
        "version": house.version, "name": house.name, "paper": "Letter", "quote_days": "30", "second_check": "y",
    }  # fmt: skip
    assert client_as(Role.OWNER).post("/house/settings", data=sent).status_code == 303
    work.session.rollback()
    work.session.refresh(house)
    assert house.second_check is True


def test_ticking_twice_changes_nothing_the_second_time(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.BENCH), f"/bench/jobs/{keyed.job.number}/ticks"
    client.post(address, data=ticked(keyed, "pinned", 0))
    assert client.post(address, data=ticked(keyed, "pinned", 0)).status_code == 303
    work.session.rollback()
    assert len(work.session.scalars(sa.select(Event).where(Event.kind == "cylinders pinned")).all()) == 1


@pytest.mark.parametrize(
    ("sent", "status", "said"),
    [
        ({"as": "pinned"}, 422, "Tick the cylinders that are pinned."),
        ({"as": "melted", "cylinders": ["1"]}, 422, "Press one of the buttons."),
        ({"as": "pinned", "cylinders": ["brass"]}, 422, ""),
        ({"as": "pinned", "cylinders": ["9" * 40]}, 404, "no such cylinder in this job"),
    ],
)
def test_strange_ticks_are_refused(
    work: Work, keyed: Keyed, client_as: ClientAs, sent: dict[str, object], status: int, said: str
) -> None:
    answer = client_as(Role.BENCH).post(f"/bench/jobs/{keyed.job.number}/ticks", data=sent)
    assert answer.status_code == status and said in answer.text
    assert states(work, keyed) == [CylinderState.ORDERED] * 2


def test_what_is_not_pinned_is_not_checked(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    answer = client_as(Role.BENCH).post(f"/bench/jobs/{keyed.job.number}/ticks", data=ticked(keyed, "checked", 0, 1))
    assert answer.status_code == 422 and "tick it as pinned first" in answer.text
    assert states(work, keyed) == [CylinderState.ORDERED] * 2


def test_ticks_wait_until_the_job_is_on_the_bench(work: Work, client_as: ClientAs) -> None:
    keyed = keyed_job(work, Stage.APPROVED)
    client, address = client_as(Role.BENCH), f"/bench/jobs/{keyed.job.number}"
    page = client.get(address).text
    assert 'type="checkbox"' not in page and "Put on the bench" in page
    answer = client.post(f"{address}/ticks", data=ticked(keyed, "pinned", 0))
    assert answer.status_code == 422 and "move it on to the bench first" in answer.text


def test_a_job_keyed_at_the_factory_has_no_bench_page(client_as: ClientAs) -> None:
    factories.JobFactory(number=7, keyed_at="factory")
    answer = client_as(Role.BENCH).get("/bench/jobs/7")
    assert answer.status_code == 400 and "own bench" in answer.text


def test_from_pinned_to_moved_on(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.BENCH), f"/bench/jobs/{keyed.job.number}"
    for as_ in ("pinned", "checked"):
        client.post(f"{address}/ticks", data=ticked(keyed, as_, 0, 1))
    page = client.get(address).text
    assert "not ticked off" not in page
    work.session.rollback()
    work.session.refresh(keyed.job)
    moved = client.post(f"/jobs/{keyed.job.number}/move", data={"version": keyed.job.version, "to": "checked"})
    assert moved.status_code == 303
    work.session.rollback()
    work.session.refresh(keyed.job)
    assert keyed.job.stage is Stage.CHECKED


def test_unticked_cylinders_stop_all_checked_and_are_named(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    """In any house, whether it wants a second check or not; the page it is pressed on is the bench's or the job's."""
    keyed.cylinders[1].door_id, keyed.cylinders[1].line_number = None, 3
    factories.CylinderFactory(
        job_id=keyed.job.id, door=keyed.doors[0], position="inside", keyset=keyed.cylinders[0].keyset
    )
    work.session.commit()
    client, address = client_as(Role.BENCH), f"/bench/jobs/{keyed.job.number}"
    move = {"version": keyed.job.version, "to": "checked"}
    assert "All checked: move on" in client.get(address).text
    refused = client.post(f"/jobs/{keyed.job.number}/move", data=move)
    assert refused.status_code == 422
    said = "3 of this job&#39;s cylinders are not ticked off as checked: F1, no door 2AA, F1 inside. The bench"
    assert said in refused.text
    client.post(f"{address}/ticks", data=ticked(keyed, "pinned", 0, 1))
    client.post(f"{address}/ticks", data=ticked(keyed, "checked", 0))
    refused = client.post(f"/jobs/{keyed.job.number}/move", data=move)
    assert "2 of this job&#39;s cylinders are not ticked off as checked: no door 2AA, F1 inside." in refused.text
    work.session.rollback()
    work.session.refresh(keyed.job)
    assert keyed.job.stage is Stage.ON_THE_BENCH and states(work, keyed) == [
        CylinderState.CHECKED,
        CylinderState.PINNED,
    ]
    keys = set(work.session.scalars(sa.select(Key.state)))
    assert keys == {KeyState.ORDERED}


def test_what_the_shop_does_not_key_needs_no_tick(work: Work, client_as: ClientAs) -> None:
    """Cylinders without pins, a job that the factory keys, a job of hardware alone."""
    keyed = keyed_job(work)
    factories.CylinderFactory(job_id=keyed.job.id, keyset=None, door=None)
    factory = factories.JobFactory(number=7, stage=Stage.ON_THE_BENCH, keyed_at="factory")
    factories.CylinderFactory(job_id=factory.id, door=None, keyset=keyed.cylinders[0].keyset)
    bare = factories.JobFactory(number=8, stage=Stage.ON_THE_BENCH, keyed_at="")
    client = client_as(Role.BENCH)
    client.post(f"/bench/jobs/{keyed.job.number}/ticks", data=ticked(keyed, "pinned", 0, 1))
    client.post(f"/bench/jobs/{keyed.job.number}/ticks", data=ticked(keyed, "checked", 0, 1))
    for job in (keyed.job, factory, bare):
        moved = client.post(f"/jobs/{job.number}/move", data={"version": job.version, "to": "checked"})
        assert moved.status_code == 303, job.number


def test_keys_are_ticked_off_as_cut_on_the_bench_page(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.BENCH), f"/bench/jobs/{keyed.job.number}"
    page = client.get(address).text
    assert "<dt>Keys to cut</dt><dd>3 of 3</dd>" in page and "Mark as cut" in page
    flats = [one.keyset_id for one in keyed.cylinders]
    answer = client.post(f"{address}/ticks", data={"as": "cut", "keys": flats})
    assert answer.status_code == 303
    page = client.get(address).text
    assert "2 keys ticked off as cut." in page and "<dt>Keys to cut</dt><dd>1 of 3</dd>" in page
    client.post(f"{address}/ticks", data={"as": "uncut", "keys": flats[:1]})
    page = client.get(address).text
    assert "1 key to cut anew." in page and "<dt>Keys to cut</dt><dd>2 of 3</dd>" in page
    nothing = client.post(f"{address}/ticks", data={"as": "cut"})
    assert nothing.status_code == 422 and "Tick the keys that this is about." in nothing.text
    assert client_as(Role.COUNTER).post(f"{address}/ticks", data={"as": "cut", "keys": flats}).status_code == 403


def test_a_lost_master_is_told_wherever_one_keys_under_it(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    pages = {
        Role.OWNER: [f"/bench/jobs/{keyed.job.number}", f"/key-systems/{keyed.system.id}"],
        Role.BENCH: [f"/bench/jobs/{keyed.job.number}", f"/key-systems/{keyed.system.id}"],
        Role.COUNTER: [f"/key-systems/{keyed.system.id}"],
    }
    words = "A key of AA of The Flats is lost (copy 1): whoever has it would open"
    for lost in (False, True):
        if lost:
            key = work.session.scalars(sa.select(Key).join(Keyset).where(Keyset.symbol == "AA")).one()
            mark_lost(work.session, key)
        for role, addresses in pages.items():
            for address in addresses:
                page = client_as(role).get(address).text
                assert (words in page) is lost, (role, address)
                assert bitting_in(page) is None


def checked_both(keyed: Keyed, client_as: ClientAs) -> FormClient:
    address = f"/bench/jobs/{keyed.job.number}/ticks"
    client_as(Role.BENCH).post(address, data=ticked(keyed, "pinned", 0, 1))
    owner = client_as(Role.OWNER)
    assert owner.post(address, data=ticked(keyed, "checked", 0, 1)).status_code == 303
    return owner


def test_a_tick_by_mistake_is_taken_back(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    owner, address = checked_both(keyed, client_as), f"/bench/jobs/{keyed.job.number}"
    assert owner.post(f"{address}/ticks", data=ticked(keyed, "unticked")).status_code == 422
    assert owner.post(f"{address}/ticks", data=ticked(keyed, "unticked", 1)).status_code == 303
    assert states(work, keyed) == [CylinderState.CHECKED, CylinderState.ORDERED]
    page = owner.get(address).text
    assert "1 cylinder to pin and check anew." in page and "1 of 2" in page
    again = owner.post(f"{address}/ticks", data=ticked(keyed, "checked", 1))
    assert again.status_code == 422 and "checked after it is pinned" in again.text


def test_a_cylinder_cross_keyed_after_its_check_is_pinned_and_checked_anew(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    owner, address = checked_both(keyed, client_as), f"/bench/jobs/{keyed.job.number}"
    work.session.expire_all()  # the ticks came in by another session
    cross_key(work, keyed.cylinders[0].id, ["2AA"])
    assert states(work, keyed) == [CylinderState.ORDERED, CylinderState.CHECKED]
    assert "1 not ticked off as checked yet" in owner.get(address).text
    move = {"version": keyed.job.version, "to": "checked"}
    early = owner.post(f"/jobs/{keyed.job.number}/move", data=move)
    assert (
        early.status_code == 422 and "1 of this job&#39;s cylinders is not ticked off as checked: F1." in early.text
    )
    tick_off(work, keyed.job)
    assert owner.post(f"/jobs/{keyed.job.number}/move", data=move).status_code == 303
    with pytest.raises(LedgerError, match="is checked: move it back on to the bench first"):
        cross_key(work, keyed.cylinders[1].id, ["1AA"])


def test_back_on_the_bench_nothing_was_checked_alone(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.BENCH), f"/bench/jobs/{keyed.job.number}"
    for as_ in ("pinned", "checked"):
        client.post(f"{address}/ticks", data=ticked(keyed, as_, 0, 1))
    for to in ("checked", "on the bench"):
        work.session.rollback()
        work.session.refresh(keyed.job)
        client.post(f"/jobs/{keyed.job.number}/move", data={"version": keyed.job.version, "to": to})
    page = client.get(address).text
    assert "0 of 2" in page and "by whoever pinned" not in page
