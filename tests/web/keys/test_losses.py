"""A loss from the report to its end, over the pages: what its key still turns is counted door by door."""

from collections.abc import Callable
from html import unescape

import pytest
import sqlalchemy as sa

from app.ledger.keysystems.bittings import reseal_bittings, seal_bitting
from app.ledger.keysystems.lost_keysets import keep_lost_bitting
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Job, Key, Keyset, KeyState, Level, Loss, Role, Stage
from tests import factories
from tests.factories import FormClient
from tests.forms_found import form_with
from tests.keyed import Keyed, bitting_in, keyed_job
from tests.reading import pdf_text

ClientAs = Callable[[Role], FormClient]


@pytest.fixture
def keyed(work: Work) -> Keyed:
    """Two flats under AA whose cylinders stand on F1 (1AA) and F2 (2AA), every key out."""
    made = keyed_job(work, Stage.CLOSED)
    for cylinder in made.cylinders:
        cylinder.state = CylinderState.FITTED
    for key in work.session.scalars(sa.select(Key)):
        key.state, key.holder = KeyState.OUT, "P. Harbour"
    work.session.commit()
    return made


def the_loss(work: Work) -> Loss:
    work.session.rollback()
    return work.session.scalars(sa.select(Loss)).one()


def report(client: FormClient, keyed: Keyed, **said: str) -> tuple[int, str]:
    """The answer to the report of a loss on the Lost key page, and the page that is shown then."""
    address = f"/keying/systems/{keyed.system.id}/lost-key"
    fields = form_with(client.get(address).text, "keyset") | {"deed": "report", **said}
    answer = client.post(address, data=fields)
    return answer.status_code, unescape((client.get(answer.location) if answer.location else answer).text)


def replaced_on(work: Work, keyed: Keyed, loss: Loss, door: int, symbol: str, cuts: str) -> Job:
    """A job of the loss that is ready to bring the door a cylinder of its own keyset."""
    keyset = factories.KeysetFactory(system=keyed.system, symbol=symbol, level=Level.SINGLE)
    seal_bitting(work, keyed.system, keyset, tuple(map(int, cuts)))
    job = factories.JobFactory(customer=keyed.system.customer, stage=Stage.READY, loss_id=loss.id, keyed_at="factory")
    factories.CylinderFactory(
        job_id=job.id, door=keyed.doors[door], keyset=keyset, state=CylinderState.CHECKED, position="outside"
    )
    return job


def test_a_lost_master_stays_open_until_its_last_door_is_rekeyed(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    clerk = client_as(Role.COUNTER)
    status, page = report(clerk, keyed, keyset="AA", which="unknown", since="2026-11-20", note="a bag was stolen")
    assert status == 303 and "The loss of AA is on record. It exposes 2 doors." in page
    for said in ("nobody knows which or how many", "20 Nov 2026", "a bag was stolen", "Still turned", ">F1</a>"):
        assert said in page, said
    loss = the_loss(work)
    listed = clerk.get("/keys/losses").text
    assert "AA</a>" in listed and "2 doors" in listed
    assert "A lost key is reported on its own page, on its door&#39;s page, or" in listed  # the next one is
    assert 'href="/keys/losses"' in clerk.get("/key-systems").text
    assert f'href="/keys/losses/{loss.id}"' in clerk.get(f"/key-systems/{keyed.system.id}").text
    assert "1 open" in client_as(Role.OWNER).get("/day").text
    assert clerk.post(f"/keys/losses/{loss.id}/close", data={"version": str(loss.version)}).status_code == 422
    assert the_loss(work).closed_at is None

    # Copy 1 turns up as one of those that are lost: it goes to the same loss, which stays one of unknown copies.
    status, page = report(clerk, keyed, keyset="AA", which="copies", copies="1")
    assert status == 303 and "A loss of AA is open since Wednesday 25 November 2026, and this is added to it." in page
    assert the_loss(work).copies == []

    loss.successors = {"1AA": "SKD1", "2AA": "SKD2", "AA": ""}
    work.session.commit()
    for door, symbol, cuts, before, left in ((0, "SKD1", "111111", "2 doors", 1), (1, "SKD2", "333333", "1 door", 0)):
        job = replaced_on(work, keyed, loss, door, symbol, cuts)
        words = "1 door" if left else "no door"
        after = "still turn 1 door" if left else "turn no door any more"
        page = unescape(clerk.get(f"/jobs/{job.number}").text)
        assert f"The lost keys of AA still turn {before}. Once all that waits here is handed over: {words}." in page
        gone = {"version": str(job.version), "taken_by": "P. Harbour"}
        answer = clerk.post(f"/jobs/{job.number}/hand-overs", data=gone)
        page = unescape(clerk.get(answer.location).text)
        assert page.count(f"The lost keys of AA {after}.") == 2, "the flash, and the story"
        receipt = pdf_text(clerk.get(f"/jobs/{job.number}/hand-overs/1.pdf").data)
        assert f"The lost keys of AA {after}." in receipt
        page = unescape(clerk.get(f"/keys/losses/{loss.id}").text)
        assert ("Close the loss" in page) is (left == 0) and bitting_in(page) is None
        assert f"The lost keys of AA {after}." in page, "each hand-over is part of the loss's own story"

    closing = form_with(page, "note") | {"note": "both flats done"}
    answer = clerk.post(f"/keys/losses/{loss.id}/close", data=closing)
    page = unescape(clerk.get(answer.location).text)
    assert "The loss of AA is closed. Retired: AA, 1AA, 2AA. Call in 2 keys that are out." in page
    assert "both flats done" in page and "Closed on 25 Nov 2026 by" in page and "Call them in" in page
    session = work.session
    session.rollback()
    retired = [one.symbol for one in session.scalars(sa.select(Keyset).order_by(Keyset.id)) if one.is_out_of_use]
    assert retired == ["AA", "1AA", "2AA"]
    assert "No loss is open" in clerk.get("/keys/losses").text
    assert ">AA</a>" in clerk.get("/keys/losses?show=closed").text


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"copies": "7"}, "There is no copy 7 of 1AA; copy 1 alone is on record."),
        ({"copies": ""}, "Enter the copy numbers stamped on the keys"),
        ({"copies": "some"}, "Write copy numbers as they are stamped"),
        ({"copies": "1", "since": "2026-11-26"}, "Thursday 26 November 2026 has not come yet"),
        ({"copies": "1", "note": "x" * 501}, "At most 500 characters"),
        ({"copies": "1", "keyset": ""}, "Choose the keyset."),
    ],
)
def test_a_report_that_cannot_be_is_told_on_its_field_and_nothing_is_lost(
    work: Work, keyed: Keyed, client_as: ClientAs, said: dict[str, str], told: str
) -> None:
    status, page = report(client_as(Role.BENCH), keyed, **{"keyset": "1AA", "note": "near the quay", **said})
    assert status == 422 and told in page
    assert said.get("note", "near the quay") in page
    work.session.rollback()
    assert work.session.scalar(sa.select(sa.func.count(Loss.id))) == 0
    assert {key.state for key in work.session.scalars(sa.select(Key))} == {KeyState.OUT}


def test_a_key_is_not_lost_twice_and_one_that_is_found_leaves_the_loss(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    clerk = client_as(Role.COUNTER)
    assert report(clerk, keyed, keyset="1AA", copies="1")[0] == 303
    status, page = report(clerk, keyed, keyset="1AA", copies="1")
    assert status == 422 and "1AA copy 1 is on record as lost since Wednesday 25 November 2026" in page
    loss = the_loss(work)
    key = work.session.scalars(sa.select(Key).where(Key.keyset_id == loss.keyset_id)).one()
    answer = clerk.post(f"/keys/{key.id}/return", data={"version": str(key.version)})
    assert (
        "1AA copy 1 is back in the shop. Every lost copy is found: close the loss." in clerk.get(answer.location).text
    )
    page = clerk.get(f"/keys/losses/{loss.id}").text
    assert "Every copy that was lost is back" in page and "every copy is found" in page
    answer = clerk.post(f"/keys/losses/{loss.id}/close", data=form_with(page, "note"))
    page = clerk.get(answer.location).text
    assert "The loss of 1AA is closed." in page and "Retired" not in page and "every lost copy is found" in page


def test_a_key_that_the_shop_never_cut_can_be_lost_and_bars_new_keying_under_it(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    clerk = client_as(Role.COUNTER)
    status, page = report(clerk, keyed, keyset="AA", which="elsewhere")
    assert status == 303 and "A key that this shop never cut." in page
    page = unescape(client_as(Role.BENCH).get(f"/keying/systems/{keyed.system.id}/extend").text)
    assert "Keys of AA of The Flats are lost, and nobody knows which or how many: whoever has it would open" in page


def test_what_is_on_its_way_is_no_exposure_but_keeps_the_loss_open(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    """F1 is rekeyed out of reach; an ordered cylinder on 1AA for a door of its own is still to come."""
    clerk = client_as(Role.COUNTER)
    assert report(clerk, keyed, keyset="1AA", copies="1")[0] == 303
    loss = the_loss(work)
    work.session.get_one(Cylinder, keyed.cylinders[0].id).state = CylinderState.REMOVED
    coming = factories.JobFactory(customer=keyed.system.customer, stage=Stage.APPROVED)
    factories.CylinderFactory(job_id=coming.id, keyset=keyed.cylinders[0].keyset, state=CylinderState.ORDERED)
    page = unescape(clerk.get(f"/keys/losses/{loss.id}").text)
    assert "<dt>Still turned</dt><dd>0" in page and "<dt>On the way</dt><dd>1" in page
    assert f"would turn 1 cylinder on the way of job {coming.number}" in page and "Close the loss" not in page


def test_a_part_that_goes_says_what_the_lost_key_still_turns(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    """One job rekeys F1 and F2; F1 goes today."""
    clerk = client_as(Role.COUNTER)
    assert report(clerk, keyed, keyset="AA", which="unknown")[0] == 303
    job = replaced_on(work, keyed, the_loss(work), 0, "SKD1", "111111")
    keyset = work.session.scalars(sa.select(Keyset).where(Keyset.symbol == "SKD1")).one()
    factories.CylinderFactory(job_id=job.id, door=keyed.doors[1], keyset=keyset, state=CylinderState.CHECKED)
    first = work.session.scalars(
        sa.select(Cylinder).where(Cylinder.job_id == job.id, Cylinder.door_id == keyed.doors[0].id)
    ).one()
    page = unescape(clerk.get(f"/jobs/{job.number}/hand-over").text)
    assert "The lost keys of AA still turn 2 doors. Once all that waits here is handed over: no door." in page
    said = {"version": str(job.version), "taken_by": "P. Harbour", "cylinder": str(first.id)}
    answer = clerk.post(f"/jobs/{job.number}/hand-over", data=said)
    page = unescape(clerk.get(answer.location).text)
    assert page.count("The lost keys of AA still turn 1 door.") == 3, "the flash, the story, and what goes next"
    assert "The lost keys of AA still turn 1 door." in pdf_text(
        clerk.get(f"/jobs/{job.number}/hand-overs/1.pdf").data
    )


def test_old_copies_of_a_master_that_keeps_its_symbol_are_called_in_from_the_losss_page(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    """AA got 304852 in place of 528614, both doors are pinned to it, and copies 1 and 2 are out beside the new 3."""
    clerk = client_as(Role.COUNTER)
    report(clerk, keyed, keyset="AA", which="unknown")
    loss = the_loss(work)
    job = factories.JobFactory(customer=keyed.system.customer, stage=Stage.CLOSED, loss_id=loss.id)
    for copy, job_id in ((2, None), (3, job.id)):
        held = factories.KeyFactory(keyset=loss.keyset, job_id=job_id, copy_number=copy, state=KeyState.OUT)
        held.holder = "P. Harbour"
    with transaction(work.session):
        keep_lost_bitting(work, loss.keyset, (5, 2, 8, 6, 1, 4))
        reseal_bittings(work, keyed.system, [(loss.keyset, (3, 0, 4, 8, 5, 2))])
    address, call_in = f"/keys/losses/{loss.id}", f"/keys/system/{keyed.system.id}/call-in"
    page = unescape(clerk.get(address).text)
    assert "2 keys of what is out of use, still out" in page and ">AA 1</a>" in page and ">AA 2</a>" in page
    assert ">AA 3</a>" not in page and f'href="{call_in}"' in page
    answer = clerk.post(f"{address}/close", data=form_with(page, "note"))
    page = unescape(clerk.get(answer.location).text)
    assert "Call in 2 keys that are out. AA copies 1-2 are cut to the bitting that was lost." in page
    page = clerk.get(call_in).text
    assert "AA</b> copy 2" in page and "AA</b> copy 3" not in page
    back = form_with(clerk.get(f"/keys/system/{keyed.system.id}").text, "back-copies")
    answer = clerk.post(f"/keys/system/{keyed.system.id}/back", data=back | {"back-symbol": "AA", "back-copies": "2"})
    page = unescape(clerk.get(answer.location).text)
    told = "AA copy 2 is cut to the bitting that was lost and opens nothing any more: retired, not to hand out again."
    assert told in page and "Still out: <b>1 key</b>" in clerk.get(call_in).text
