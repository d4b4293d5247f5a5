"""Pages about keys out: who holds what, issuing with a receipt, one key's presses, and nothing lost on a refusal."""

import json
import re
from collections.abc import Callable
from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.ledger.keys.keys import KeyIssueForm, issue_keys
from app.ledger.keysystems.authority import change_records
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Event, KeyState, Role
from tests import factories
from tests.conftest import NOW
from tests.factories import FormClient
from tests.keyed import Keyed, bitting_in, counted, keyed_job, put, the
from tests.reading import pdf_text
from tests.stocked import DEMO

ClientAs = Callable[[Role | None], FormClient]


@pytest.fixture
def keyed(work: Work) -> Keyed:
    return keyed_job(work)


ISSUE = {"issue-symbol": "1AA", "issue-copies": "1", "issue-holder": "Ann Reed", "issue-phone": "555-0190"}


@pytest.mark.parametrize("role", [Role.COUNTER, Role.BENCH, Role.OWNER])
def test_a_key_is_issued_and_its_receipt_is_ready_to_sign(
    work: Work, keyed: Keyed, client_as: ClientAs, role: Role
) -> None:
    put(work, "1AA", KeyState.CUT)
    client = client_as(role)
    answer = client.post(f"/keys/system/{keyed.system.id}/issue", data={**ISSUE, "issue-due_back": "2026-12-02"})
    assert answer.status_code == 303
    page = client.get(answer.location).text
    assert "Receipt K-0001, PDF" in page and "<b>Ann Reed</b>" in page and "until 2 Dec 2026" in page
    receipt = client.get("/keys/receipts/1.pdf")
    assert receipt.mimetype == "application/pdf"
    text = pdf_text(receipt.data)
    for told in ("Key receipt", "Ann Reed", "555-0190", "Harbourmaster's Flats", "1AA", "F1", "Holder's signature"):
        assert told in text, told
    assert bitting_in(text) is None
    assert client.get("/keys/receipts/1.pdf").data == receipt.data


def test_a_copy_on_a_restricted_keyway_asks_for_its_owners_order(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    """Which keyways are, the makers' terms of the day say; a note on written authority settles it."""
    client, address = client_as(Role.COUNTER), f"/keys/system/{keyed.system.id}"
    said = json.loads((DEMO / "terms" / "factory_ard.json").read_text())
    terms = factories.FactoryTermsFactory(terms={**said, "authorised_keyways": ["Z9"]})
    before = client.get(address).text
    assert "Copies by keyset" in before and "is restricted" not in before
    said["authorised_keyways"] = [keyed.system.keyway, "Z9"]
    factories.FactoryTermsFactory(maker_id=terms.maker_id, valid_from=NOW.date(), terms=said)
    told = f"Keyway {keyed.system.keyway} is restricted: see its owner&#39;s written order before a key is ordered"
    assert told in client.get(address).text
    change_records(
        work, keyed.system.id, keyed.system.version, "Quay Trust", "letter of 2 March, signed by the trust"
    )
    assert "is restricted" not in client.get(address).text


def test_overdue_stands_first_and_a_key_comes_back_with_one_press(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    put(work, "AA", KeyState.OUT, holder="Ann Reed", due_back=NOW.date() + timedelta(days=2))
    late = put(work, "1AA", KeyState.OUT, holder="Bo Quay", due_back=NOW.date() - timedelta(days=3))
    put(work, "2AA", KeyState.LOST, holder="Cy Marsh")
    client = client_as(Role.COUNTER)
    page = client.get("/keys").text
    assert page.index("Bo Quay") < page.index("Ann Reed") and "3 days over" in page and "Cy Marsh" not in page
    assert "Cy Marsh" in client.get("/keys?show=lost").text
    assert "Ann Reed" not in client.get("/keys?show=overdue").text
    assert "Bo Quay" not in client.get("/keys?q=ann").text
    assert "No key of this kind" in client.get("/keys?q=nobody").text
    answer = client.post(f"/keys/{late.id}/return", data={"version": str(late.version)})
    assert answer.status_code == 303 and "is back in the shop" in client.get(answer.location).text
    assert the(work, "1AA").state is KeyState.RETURNED
    assert bitting_in(page) is None


def test_a_return_of_a_key_never_issued_is_told_and_changes_nothing(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    key = put(work, "1AA", KeyState.CUT)
    client = client_as(Role.COUNTER)
    answer = client.post(f"/keys/{key.id}/return", data={"version": str(key.version)})
    assert answer.status_code == 422 and "was never issued: it is cut and in the shop" in answer.text
    assert client.post("/keys/999/return", data={"version": "1"}).status_code == 404
    assert (the(work, "1AA").state, the(work, "1AA").version) == (KeyState.CUT, key.version)


def test_keys_come_back_by_what_is_stamped_on_them_or_are_told_never_issued(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    put(work, "1AA", KeyState.OUT, holder="Ann Reed")
    client = client_as(Role.COUNTER)
    address = f"/keys/system/{keyed.system.id}/back"
    for symbol, copies, told in (
        ("1AA", "99", "There is no copy 99 of 1AA; copy 1 alone is on record."),
        ("2AA", "1", "was never issued: it is"),
        ("ZZ9", "1", "No keyset &#39;ZZ9&#39; is in"),
        ("1AA", "1, 99", "There is no copy 99"),
    ):
        refused = client.post(address, data={"back-symbol": symbol, "back-copies": copies})
        assert refused.status_code == 422 and told in refused.text, (symbol, copies)
        assert f'value="{copies}"' in refused.text
    assert the(work, "1AA").state is KeyState.OUT
    assert client.post(address, data={"back-symbol": "1aa", "back-copies": "1"}).status_code == 303
    assert the(work, "1AA").state is KeyState.RETURNED


def test_a_stale_press_says_what_happened_meanwhile(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    put(work, "1AA", KeyState.CUT)
    read = the(work, "1AA").version
    issue_keys(work, KeyIssueForm(keyed.system.id, "1AA", (1,), "Bo Quay"))
    key = the(work, "1AA")
    answer = client_as(Role.COUNTER).post(f"/keys/{key.id}/lost", data={"version": str(read), "note": "on the ferry"})
    assert answer.status_code == 409
    assert "1AA copy 1 to Bo Quay" in answer.text and "on the ferry" in answer.text
    assert the(work, "1AA").state is KeyState.OUT


def test_a_lost_key_is_reported_on_its_page_and_its_loss_lists_what_it_exposes(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    for cylinder in keyed.cylinders:
        cylinder.state = CylinderState.FITTED
    work.session.commit()
    key = put(work, "AA", KeyState.OUT, holder="P. Harbour")
    client = client_as(Role.COUNTER)
    assert "If it is lost, it exposes 2 cylinders." in client.get(f"/keys/{key.id}").text
    said = {"version": str(key.version), "note": "left on the ferry", "since": "2026-11-20"}
    answer = client.post(f"/keys/{key.id}/lost", data=said)
    page = client.get(answer.location).text
    for told in (
        "It exposes 2 doors.",
        ">F1</a>",
        ">F2</a>",
        "last with P. Harbour",
        "left on the ferry",
        "20 Nov 2026",
    ):
        assert told in page, told
    assert re.search(r'href="/keying/losses/[0-9]+/plan"', page) and bitting_in(page) is None
    assert "Mark as found" in client.get(f"/keys/{key.id}").text


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"issue-copies": "7"}, "There is no copy 7 of 1AA"),
        ({"issue-copies": "all"}, "Write copy numbers"),
        ({"issue-copies": "1" * 10_000}, "At most 200 characters"),
        ({"issue-copies": ""}, "Enter the copy numbers"),
        ({"issue-symbol": "9ZZ"}, "No keyset"),
        ({"issue-holder": ""}, "Enter who takes the key"),
        ({"issue-due_back": "2020-01-01"}, "Wednesday 1 January 2020 is past"),
        ({"issue-due_back": "soon"}, "Write the day as"),
    ],
)
def test_what_cannot_be_issued_keeps_what_was_typed(
    work: Work, keyed: Keyed, client_as: ClientAs, changed: dict[str, str], says: str
) -> None:
    put(work, "1AA", KeyState.CUT)
    answer = client_as(Role.COUNTER).post(f"/keys/system/{keyed.system.id}/issue", data={**ISSUE, **changed})
    assert answer.status_code == 422 and says in answer.text
    assert {**ISSUE, **changed}["issue-phone"] in answer.text
    assert the(work, "1AA").state is KeyState.CUT
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Event)) == 0


def test_a_double_issue_is_told(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    put(work, "1AA", KeyState.CUT)
    client, address = client_as(Role.COUNTER), f"/keys/system/{keyed.system.id}/issue"
    assert client.post(address, data=ISSUE).status_code == 303
    again = client.post(address, data={**ISSUE, "issue-holder": "Bo Quay"})
    assert again.status_code == 422 and "out already: Ann Reed has it" in again.text
    assert the(work, "1AA").holder == "Ann Reed"


def test_copies_are_ordered_cut_and_retired(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.BENCH), f"/keys/system/{keyed.system.id}"
    answer = client.post(f"{address}/order", data={"order-symbol": "1AA", "order-count": "2"})
    assert "copies 2-3 ordered" in client.get(answer.location).text
    answer = client.post(f"{address}/cut", data={"cut-symbol": "1AA", "cut-copies": "1-3"})
    assert "copies 1-3 cut" in client.get(answer.location).text
    key = the(work, "1AA", 3)
    client.post(f"/keys/{key.id}/retire", data={"version": str(key.version), "note": "miscut"})
    assert the(work, "1AA", 3).state is KeyState.RETIRED
    for form, refused in (("order", {"order-count": ""}), ("order", {"order-count": "10000"}), ("cut", {})):
        again = client.post(f"{address}/{form}", data={f"{form}-symbol": "1AA", "cut-copies": "1", **refused})
        assert again.status_code == 422, form


def test_without_written_authority_nothing_is_cut_but_by_the_owner_with_a_reason(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    change_records(work, keyed.system.id, keyed.system.version, "Harbour Board", "")
    address, data = f"/keys/system/{keyed.system.id}", {"cut-symbol": "1AA", "cut-copies": "1"}
    bench, owner = client_as(Role.BENCH), client_as(Role.OWNER)
    page = bench.get(address).text
    assert "No key of this system is cut before" in page and "override_reason" not in page
    refused = bench.post(f"{address}/cut", data=data)
    assert refused.status_code == 422 and "no written authority is on file" in refused.text
    sly = bench.post(f"{address}/cut", data={**data, "cut-override_reason": "in a hurry"})
    assert sly.status_code == 422 and "Only the owner of the house" in sly.text
    assert "cut-override_reason" in owner.get(address).text
    assert owner.post(f"{address}/cut", data=data).status_code == 422
    assert the(work, "1AA").state is KeyState.ORDERED
    done = owner.post(f"{address}/cut", data={**data, "cut-override_reason": "letter is in the post"})
    assert done.status_code == 303
    assert the(work, "1AA").state is KeyState.CUT
    event = work.session.scalars(sa.select(Event).where(Event.kind == "authority overridden")).one()
    assert "letter is in the post" in event.summary


@pytest.mark.parametrize("address", ["/keys", "/keys/system/{system}"])
def test_the_pages_ask_as_often_for_many_keys_as_for_few(
    work: Work, keyed: Keyed, client_as: ClientAs, address: str
) -> None:
    client, address = client_as(Role.COUNTER), address.format(system=keyed.system.id)
    put(work, "1AA", KeyState.OUT, holder="Ann Reed")
    client.get(address)

    def asked() -> int:
        with counted(work.session.get_bind()) as statements:  # type: ignore[arg-type]
            assert client.get(address).status_code == 200
        return len(statements)

    few = asked()
    for number in range(2, 30):
        keyset = factories.KeysetFactory(system=keyed.system)
        factories.KeyFactory(keyset=keyset, copy_number=number, state=KeyState.OUT, holder=f"Holder {number}")
    assert asked() == few <= 9


def test_what_is_typed_is_shown_as_text(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    put(work, "1AA", KeyState.OUT, holder="<script>alert(1)</script>")
    client = client_as(Role.COUNTER)
    for address in ("/keys", f"/keys/system/{keyed.system.id}", f"/keys/{the(work, '1AA').id}"):
        assert "<script>alert" not in client.get(address).text
    for address in ("/keys?page=x&show=%00&q=%ff", f"/keys/system/{keyed.system.id}?receipt=x&page=-1&keyset=%00"):
        assert client.get(address).status_code == 200
    for address in ("/keys/999", "/keys/system/999", "/keys/receipts/999.pdf"):
        assert client.get(address).status_code == 404
