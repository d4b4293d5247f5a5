"""An old cylinder with a worn number, whose key must go on working: from the counter to the bench, page by page."""

import re
from collections.abc import Callable
from html import unescape

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.tables import Cylinder, Event, Job, Keyset, Role
from tests.desk import accepted, issued
from tests.factories import FormClient
from tests.forms_found import form_with
from tests.reading import pdf_text
from tests.stocked import PART, empty_house, posted

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]
LIVE = {"HX-Request": "true"}
QUOTE = "/quotes/{}/1/quote.pdf"
SAID = "keyed to the customer's key (AQ1, D 14)"
WORN = {**PART, "part_number": "18M-Q?-66", "maker": "", "quantity": "2", "keying": "OWN", "key_marks": "D 14"}


def below(page: str) -> str:
    """What stands below the first line."""
    return page[page.index('id="told-0"') :]


def line_of(page: str) -> dict[str, str]:
    """The first line as the page has it."""
    typed = form_with(page, "lines-0-quantity")
    return {name.removeprefix("lines-0-"): text for name, text in typed.items() if name.startswith("lines-0-")}


def pressed(clerk: FormClient, line: dict[str, str], **buttons: str) -> str:
    return unescape(clerk.post("/counter/work-out", data=posted(line, **buttons), headers=LIVE).text)


def test_a_worn_number_and_the_key_lead_to_a_job_that_the_bench_keys_to_that_key(
    clerk: FormClient, client_as: ClientAs, session: Session
) -> None:
    bench = client_as(Role.BENCH)
    # What is known beside the number sorts what it can be: the key's keyway first, then the finish.
    offered = below(pressed(clerk, {**WORN, "key_keyway": "AQ3", "replaces_finish": "626"}))
    numbers = re.findall(r'name="put" value="0:ARD:([^"]*)"', offered)
    assert numbers[:3] == ["A18M-Q3-66.SC", "A18M-Q3-66.SC+Z", "A18M-Q1-66.SC"]
    page = pressed(clerk, {**WORN, "key_keyway": "AQ3"}, put="0:ARD:A18M-Q1-66.SC")
    # The key cannot enter that one: it is said on the line, with the cylinder that it enters.
    told = "A key on AQ3 does not enter keyway AQ1: choose a cylinder on AQ3."
    assert told in below(page) and "On the key's keyway:" in below(page) and "A18M-Q3-66.SC" in below(page)
    line = line_of(page)
    assert (line["replaces"], line["keying"], line["key_marks"]) == ("18M-Q?-66", "OWN", "D 14")
    assert clerk.post("/counter/issue", data=posted(line)).status_code == 422
    line["key_keyway"] = "aq1"
    line |= {"fit_old_length": "1-1/4", "fit_key": "AK6-ALL", "fit_cuts": "6"}
    said = below(pressed(clerk, line))
    assert "Against the old one: length 1-1/8 instead of 1-1/4." in said
    assert f"Keying: {SAID}" in said and "Decoding the customer's key" in said and told not in said

    number = issued(clerk, posted(line))
    old = "In place of 18M-Q?-66, mortise cylinder 1-1/8 in, six pin, Ardent Brass, "
    old += "measured 1-1/4 in, its key AK6-ALL with 6 cuts"
    for paper in (unescape(clerk.get(f"/quotes/{number}/1").text), pdf_text(clerk.get(QUOTE.format(number)).data)):
        read = " ".join(paper.split())
        assert f"Keying: {SAID}" in read and old in read
    # 2 × 30.40 goods, 2 × 7.50 keying, 12.00 decoding, 4 × 3.25 keys: 100.80 before tax.
    job = session.scalars(sa.select(Job).where(Job.number == number)).one()
    assert job.value_cents == 2 * 3040 + 2 * 750 + 1200 + 4 * 325 == 10080
    accepted(clerk, number)
    shown = unescape(clerk.get(f"/jobs/{number}").text)
    assert "Keyed to the customer's key (AQ1, D 14)" in shown and f"In place of 18M-Q?-66, {old[-46:]}" in shown
    assert "keep the key with the job until the bench has decoded it" in shown and "Decode the key" not in shown
    schedule = " ".join(pdf_text(clerk.get(f"/jobs/{number}/keying-schedule.pdf").data).split())
    assert "customer's key (AQ1, D 14)" in schedule and "to the customer's" in schedule

    page = bench.get(f"/bench/jobs/{number}").text
    assert "SKD1 waits for the customer&#39;s key (AQ1, D 14)" in page and "Show bittings" not in page
    [link] = re.findall(r'href="([^"]*)">Decode the key', page)
    assert clerk.get(link).status_code == 403
    typed = form_with(bench.get(link).text, "cuts")
    refused = bench.post(link, data={**typed, "cuts": "27416"})
    assert refused.status_code == 422 and "has 5 cuts; this spec has 6 chambers" in refused.text
    assert 'value="27416"' in refused.text
    done = bench.post(link, data={**typed, "cuts": "2 7 4 1 6 3"})
    assert done.status_code == 303 and "274163" not in done.location
    page = unescape(bench.get(done.location).text)
    assert "The customer's key of SKD1 is decoded." in page and "Show bittings" in page and "274163" not in page
    opened = unescape(bench.post(f"/bench/jobs/{number}/bittings").text)
    assert "274163" in opened and "customer's key (AQ1, D 14)" in opened
    assert "274163" not in clerk.get(f"/jobs/{number}").text
    assert bench.get(link).status_code == 404  # it waits no more
    bench.post(
        f"/jobs/{number}/move", data=form_with(bench.get(f"/jobs/{number}").text, "version") | {"to": "on the bench"}
    )
    sheet = bench.get(f"/bench/jobs/{number}").text
    [keyset] = re.findall(r'name="keys" value="(\d+)"', sheet)
    assert bench.post(f"/bench/jobs/{number}/ticks", data={"keys": keyset, "as": "cut"}).status_code == 303
    receipt = pdf_text(clerk.get(f"/jobs/{number}/key-receipt.pdf").data)
    assert "what the customer's key (AQ1, D 14) opens" in receipt
    session.rollback()  # look anew
    assert not session.scalars(sa.select(Event.id).where(Event.summary.contains("274163"))).all()
    assert session.scalars(sa.select(Keyset.symbol).join(Cylinder).distinct()).all() == ["SKD1"]


def test_a_rekey_is_keyed_to_the_customers_key(clerk: FormClient, session: Session) -> None:
    own = {"kind": "rekey", "type": "rim", "quantity": "1", "keying": "OWN", "chambers": "6", "keyway": "AQ2"}
    said = below(pressed(clerk, own))
    assert "Is the customer's key on AQ2? Enter its keyway, or the number on its bow." in unescape(
        clerk.post("/counter/issue", data=posted(own)).text
    )
    assert "Rekey customer's own rim cylinder" in said
    number = issued(clerk, posted({**own, "key_keyway": "AQ2"}))
    accepted(clerk, number)
    session.rollback()
    keyset = session.scalars(sa.select(Keyset)).one()
    assert keyset.is_customers_key and keyset.bitting is None and len(keyset.cylinders) == 1


def test_digits_on_the_key_that_may_be_its_cuts_are_asked_to_be_left_out(clerk: FormClient) -> None:
    to_key = {**PART, "keying": "OWN", "key_keyway": "AQ1"}
    told = "If it is the key's cuts, leave it out: the bench decodes the key."
    assert told in pressed(clerk, {**to_key, "key_marks": "2-7-5-0-3-8"})
    assert told not in pressed(clerk, {**to_key, "key_marks": "D 14"})
