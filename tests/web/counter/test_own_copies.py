"""Copies of a key that the customer brings, from the counter page to the hand-over: the bench is told to cut them."""

import re

import pytest
from sqlalchemy.orm import Session

from app.ledger.tables import Role
from tests.factories import FormClient
from tests.reading import pdf_text, words_of
from tests.stocked import empty_house
from tests.web.counter.test_two_places import ClientAs, approved, moved, worked_out

__all__ = ["empty_house"]

OWN = {"kind": "keys", "quantity": "3", "symbol": "own", "keyway": "AQ1", "keys_each": "0"}
KEYED = {"kind": "part number", "part_number": "A18M-Q1-66.SC", "quantity": "1", "keying": "KD", "keys_each": "2"}


def test_the_bench_page_of_a_job_of_keys_offers_no_paper_of_cylinders(client_as: ClientAs, session: Session) -> None:
    owned = client_as(Role.OWNER)
    approved(owned, session, OWN)
    page = owned.get("/bench/jobs/1001").text
    assert "bench-sheet.pdf" not in page and "labels.pdf" not in page
    assert "Show bittings" not in page
    for address in re.findall(r'class="button plain" href="([^"]+)"', page):
        assert owned.get(address).status_code == 200, address


def test_a_line_of_keys_that_is_refused_does_not_say_whose_they_are(client_as: ClientAs) -> None:
    clerk = client_as(Role.COUNTER)
    for symbol in ("zz9", "line 7"):
        page = worked_out(clerk, {**OWN, "symbol": symbol})
        assert "Keys, keyway AQ1" in page and "customer's key" not in page
    assert "Keys cut to the customer's key, keyway AQ1" in worked_out(clerk, OWN)


def keys_on_the_day(bench: FormClient) -> list[str]:
    return re.findall(r'data-label="Keys to cut"[^>]*>(\d+)<', bench.get("/bench").text)


@pytest.mark.parametrize(("lines", "keys"), [([OWN], 3), ([KEYED, OWN], 5)])
def test_the_bench_is_told_of_copies_of_the_customers_own_key(
    client_as: ClientAs, session: Session, lines: list[dict[str, str]], keys: int
) -> None:
    owned = client_as(Role.OWNER)
    approved(owned, session, *lines)
    assert keys_on_the_day(owned) == [str(keys)]
    assert 'href="/bench/jobs/1001"' in owned.get("/jobs/1001").text
    assert "Copies of the customer’s own key 3 keyway AQ1" in words_of(owned.get("/bench/jobs/1001").text)
    paper = pdf_text(owned.post("/jobs/1001/keys-to-cut.pdf").data)
    assert f"{keys} keys" in paper and "3 of the customer's own key, keyway AQ1" in paper
    if lines == [OWN]:
        moved(owned, session, "on the bench")
        moved(owned, session, "checked")
        assert keys_on_the_day(owned) == []
        told = words_of(moved(owned, session, "ready"))
        assert "3 copies of the customer’s own key, keyway AQ1, go with it" in told
