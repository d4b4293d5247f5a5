"""Pages about people's keys: a leaver's page and receipts, a count with its sheet and record, a key cut wrong."""

import re
from collections.abc import Callable

import pytest
import sqlalchemy as sa

from app.ledger.keys.blind_codes import give_blind_code
from app.ledger.keys.keys import KeyIssueForm, issue_keys, order_copies
from app.ledger.store.work import Work
from app.ledger.tables import Key, KeyCountLine, KeyState, KeySystem, Role
from tests.factories import FormClient
from tests.keyed import Keyed, bitting_in, keyed_job, put, the
from tests.reading import pdf_text

ClientAs = Callable[[Role | None], FormClient]


@pytest.fixture
def keyed(work: Work) -> Keyed:
    """J. Curlew has AA copy 1 and 1AA copy 1; 2AA copy 1 is in the shop."""
    keyed = keyed_job(work)
    for symbol in ("AA", "1AA", "2AA"):
        put(work, symbol, KeyState.CUT)
    for symbol in ("AA", "1AA"):
        issue_keys(work, KeyIssueForm(keyed.system.id, symbol, (1,), "J. Curlew", "555-0190"))
    return keyed


def test_a_leavers_page_gives_both_receipts_and_keeps_what_was_typed(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    client = client_as(Role.COUNTER)
    found = client.get("/keys?q=5550190").text
    address = re.search(r'href="(/keys/people\?[^"]+)"', found)[1].replace("&amp;", "&")  # type: ignore[index]
    master, change = the(work, "AA").id, the(work, "1AA").id
    ends = {f"key-{master}": "handed on", f"key-{change}": "missing", "note": "left on the ferry"}
    refused = client.post(address, data=ends)
    assert refused.status_code == 422 and "Enter who takes the key" in refused.text
    assert f'name="key-{change}" value="missing" checked' in refused.text and "left on the ferry" in refused.text
    done = client.post(address, data={**ends, "successor": "P. Knot", "phone": "555-0191"})
    page = client.get(done.location).text
    assert "J. Curlew: 1 key handed on, 1 key missing. Have receipt K-0004 signed." in page
    assert "No key of Harbourmaster&#39;s Flats is with J. Curlew." in page and "/keys/losses/" in page
    late = client.post(address, data={f"key-{master}": "returned"})  # from a tab that was opened before
    assert late.status_code == 422 and "Nothing saved." in late.text
    assert "AA copy 1 is out already: P. Knot has it" in late.text
    mine, other = (pdf_text(client.get(f"/keys/receipts/{number}.pdf").data) for number in (4, 3))
    assert "Key return receipt" in mine and "handed on to P. Knot" in mine and "missing" in mine
    assert "After this J. Curlew holds no key of Harbourmaster's Flats" in mine
    assert "After this P. Knot holds 1 key of Harbourmaster's Flats: AA copy 1." in other and "1AA" not in other
    assert bitting_in(mine) is bitting_in(other) is None


def test_a_count_goes_from_its_sheet_to_its_record(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    give_blind_code(work, keyed.system.id, "AA", "4417K")
    client, customer = client_as(Role.COUNTER), keyed.job.customer_id
    assert "Begin a count" in client.get("/keys/counts").text
    count = client.post(f"/keys/counts/customer/{customer}").location
    again = client.post(f"/keys/counts/customer/{customer}")
    assert (
        again.status_code == 422
        and "goes on since Wednesday 25 November 2026" in again.text
        and "Go on with the count" in again.text
    )
    sheet = pdf_text(client.get(f"{count}/sheet.pdf").data)
    assert "J. Curlew: 2 keys" in sheet and "4417K 1" in sheet and "In the shop: 1 key" in sheet
    for secret in ("F1", "F2", "Flat 1", "The Flats", " master", "change"):  # nothing that leads to a door
        assert secret not in sheet, secret
    assert bitting_in(sheet) is None
    refused = client.post(f"{count}/stamps", data={"stamps": "4417K-1, 1AA-9", "found": "seen"})
    assert refused.status_code == 422 and "it was never cut here" in refused.text and "4417K-1, 1AA-9" in refused.text
    client.post(f"{count}/stamps", data={"stamps": "4417K-1"})
    twice = client.get(client.post(f"{count}/stamps", data={"stamps": "aa 1", "found": "seen"}).location).text
    assert "AA copy 1 was seen already: if this is another piece with the same stamp, put it aside" in twice
    key = the(work, "1AA").id
    back = client.post(f"/keys/system/{keyed.system.id}/back", data={"back-symbol": "2AA", "back-copies": "1"})
    assert back.status_code == 422 and "2AA copy 1 was never issued" in back.text  # nor is it in the count by that
    client.post(f"{count}/marks", data={f"was-{key}": "not counted yet", f"key-{key}": "missing"})
    early = client.post(f"{count}/end", data={"version": "1"})
    assert early.status_code == 422 and "1 key is not counted yet: 2AA copy 1" in early.text
    client.post(f"{count}/marks", data={"holder": "In the shop"})
    ended = client.post(f"{count}/end", data={"version": "1"})
    page = client.get(ended.location).text
    assert "The count is on record: 3 keys, 1 key missing." in page and "/keys/losses/" in page
    record = pdf_text(client.get(f"{count}/sheet.pdf").data)
    assert "Record of a key count" in record and "Missing: 1 key" in record and "Seen 2" in " ".join(record.split())
    assert the(work, "1AA").state is KeyState.LOST
    assert client.get("/keys/counts").text.count("1 missing") == 1
    assert work.session.scalar(sa.select(sa.func.count()).select_from(KeyCountLine)) == 3


def test_a_count_of_nothing_and_a_stop_say_why(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, customer = client_as(Role.COUNTER), keyed.job.customer_id
    count = client.post(f"/keys/counts/customer/{customer}").location
    assert "Say why the count stops" in client.post(f"{count}/stop", data={"version": "1"}).text
    back = client.post(f"/keys/system/{keyed.system.id}/back", data={"back-symbol": "1AA", "back-copies": "1"})
    assert (
        "goes on since Wednesday 25 November 2026: a key of it that moves meanwhile counts as seen"
        in client.get(back.location).text
    )
    stopped = client.post(f"{count}/stop", data={"version": "1", "note": "fire drill"})
    assert "was stopped before its end: fire drill" in client.get(stopped.location).text
    work.session.rollback()
    for key in work.session.scalars(sa.select(Key)):
        key.state = KeyState.RETIRED
    work.session.commit()
    empty = client.post(f"/keys/counts/customer/{customer}")
    assert empty.status_code == 422 and "so there is nothing to count" in empty.text


def test_a_key_cut_wrong_is_back_on_the_list_of_keys_to_cut(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    bench, counter, job = client_as(Role.BENCH), client_as(Role.COUNTER), keyed.job.number
    keyset = the(work, "2AA").keyset_id
    page = bench.get(f"/bench/jobs/{job}").text
    assert "Keys to cut</dt><dd>0 of 3" in page
    refused = bench.post(f"/bench/jobs/{job}/scrap", data={"keyset": str(keyset), "copies": "7"})
    assert refused.status_code == 422 and "There is no copy 7 of 2AA" in refused.text and 'value="7"' in refused.text
    done = bench.post(f"/bench/jobs/{job}/scrap", data={"keyset": str(keyset), "copies": "1", "note": "too deep"})
    page = bench.get(done.location).text
    assert "2AA copy 1 scrapped; copy 2 to cut instead." in page and "Keys to cut</dt><dd>1 of 3" in page
    order_copies(work, keyed.system.id, "1AA", 1)
    address = f"/keys/system/{keyed.system.id}"
    assert f'<a href="{address}">The Flats</a> 1 key' in bench.get("/bench").text  # it is of no job
    assert counter.post(f"{address}/wrong", data={"wrong-symbol": "1AA", "wrong-copies": "2"}).status_code == 303
    assert the(work, "1AA", 3).state is KeyState.ORDERED
    blind = counter.post(f"{address}/blind", data={"blind-symbol": "1AA", "blind-code": "528614"})
    assert blind.status_code == 422 and "so it is no bitting" in blind.text
    assert counter.post(f"{address}/blind", data={"blind-symbol": "1AA", "blind-code": "b-77c"}).status_code == 303
    assert 'stamped <span class="code">B-77C 3</span>' in counter.get("/search?q=b-77c+3").text


def test_codes_are_given_to_a_system_found_and_printed(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    """From keys out to the system's keys, one press for all its codes; a key that is found leads to its keyset."""
    client = client_as(Role.COUNTER)
    assert "Blind codes</a>" in client.get("/keys").text
    assert "No blind code was given yet" in client.get("/keys/codes").text
    place = f"/keys/system/{keyed.system.id}"
    assert f'action="{place}/codes"' in client.get(place).text
    refused = client.post(f"{place}/codes", data={"codes-prefix": "F/Q"})
    assert (
        refused.status_code == 422
        and "at most 7 letters and digits" in refused.text
        and 'value="F/Q"' in refused.text
    )
    done = client.post(f"{place}/codes", data={"codes-prefix": "FQ"})
    page = client.get(done.location).text
    assert "stamped with codes from now on, FQ1001H to FQ" in page.replace("\n", "")
    code = the(work, "1AA").keyset.blind_code
    register = client.get(f"/keys/codes?q={code}").text
    assert code in register and "1AA" in register and "The Flats" in register and "J. Curlew" in register
    assert 'href="/keys/codes.pdf"' not in register and client.get("/keys/codes.pdf").status_code == 403
    assert bitting_in(register) is None
    found = client.get(f"/search?q={code}-1").text
    assert "1AA" in found and "J. Curlew" in found
    owner = client_as(Role.OWNER)
    assert 'href="/keys/codes.pdf"' in owner.get("/keys/codes").text
    text = pdf_text(owner.get("/keys/codes.pdf").data)
    assert code in text and "J. Curlew" in text and "keep it locked up" in text and bitting_in(text) is None
    # A system that has its customer's name is headed by that once.
    work.session.rollback()
    owned = work.session.get_one(KeySystem, keyed.system.id)
    owned.name = owned.customer.name
    work.session.commit()
    text = pdf_text(owner.get("/keys/codes.pdf").data)
    assert text.count(owned.name) == 1
