"""J14: a facilities manager's caretaker leaves, keys come back, the yearly count misses one; one is back twice."""

import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.tables import Counted, Job, Key, KeyCount, KeyCountLine, Keyset, KeyState, Loss, QuoteRevision, Role
from tests.journeys.conftest import Hands, House

DENTAL = "Lantern Row Dental"
_MASTERS_AND_SPARES = "AA-1, AA-2, CONTROL 1, 2AA-1, 4AA-2, 5AA-1, 5AA 2, 6AA-1, 6AA copy 2"


def _hand_over_the_cores(hands: Hands) -> None:
    """Job 1003's six cores and the eight keys that wait go to the dentist, so that a lost key opens doors."""
    hands.click("Jobs", "link")
    hands.click("1003", "link")
    hands.click("Ready to hand over")
    hands.page.get_by_label("Who takes it").fill("Dr A. Lantern")
    hands.page.get_by_label("Handed over all the same").check()
    hands.page.get_by_role("button", name="Handed over", exact=True).click()
    hands.settle()
    expect(hands.page.locator("main")).to_contain_text("Have receipt H-1003-1 signed.")


def test_a_leavers_keys_and_the_yearly_count(hands: Hands, house: House) -> None:
    page, main = hands.page, hands.page.locator("main")
    hands.log_in(house.served, Role.COUNTER)
    _hand_over_the_cores(hands)

    # Who leaves is found by the phone; one key comes back, the other goes on to her successor.
    hands.start()
    hands.press("/")
    hands.type("555-0133")
    hands.press("Enter")
    hands.click("M. Sandpiper, reception", "link", within=page.get_by_label("Key holders"))
    expect(page.get_by_role("group")).to_have_count(2)  # the two keys that she holds
    hands.click("Returned", "radio", within=page.get_by_role("group", name="1AA copy 1"))
    hands.click("Handed on", "radio", within=page.get_by_role("group", name="1AA copy 2"))
    hands.tab_to("Handed on to")
    hands.type("P. Knot, caretaker")
    hands.click("Save, and make the receipt")
    expect(main).to_contain_text("1 key returned, 1 key handed on. Have receipt K-0008 signed.")
    hers, his = hands.read_paper("Receipt K-0008, PDF"), hands.read_paper("Receipt K-0007, PDF")
    hands.report("J14, a leaver's keys to both receipts")
    assert "Key return receipt" in hers and "After this M. Sandpiper, reception holds no key of" in hers
    assert "1AA 1 1AA 1 D1 returned blank Northlight NKH-7A" in hers
    assert "1AA 2 1AA 2 D1 handed on to P. Knot, blank Northlight NKH-7A caretaker" in hers
    assert "After this P. Knot, caretaker holds 1 key of Lantern Row Dental: 1AA copy 2." in his
    assert "1AA 2 1AA 2 D1 when it is asked for" in his and "1AA 1" not in his

    # Awkward: the same key lies on the counter once more.
    hands.click("Key systems", "link")
    page.locator("td").get_by_role("link", name=DENTAL, exact=True).last.click()
    hands.click("Keys and holders", "link")
    page.get_by_text("Keys returned").click()
    back = page.locator("form").filter(has=page.get_by_role("button", name="Mark as returned"))
    back.get_by_label("Keyset").fill("1AA")
    back.get_by_label("Copies").fill("1")
    hands.click("Mark as returned")
    expect(main).to_contain_text("1AA copy 1 is back in the shop since")
    expect(main).to_contain_text("it is a second piece: put it aside, and tell the owner.")

    # The yearly count: 10 with the dentist, one each with the joiner and the caretaker, two in the shop.
    hands.start()
    hands.click("Customers", "link")
    hands.click(DENTAL, "link")
    hands.click("Key counts", "link")
    hands.click("Begin a count")
    sheet = hands.read_paper("Sheet to walk with, PDF")
    for holder in ("Dr A. Lantern: 10 keys", "J. Curlew, joiner: 1 key", "P. Knot, caretaker: 1 key"):
        assert holder in sheet, holder
    assert "In the shop: 2 keys" in sheet and "R. Dunlin" not in sheet and "M. Sandpiper" not in sheet
    assert not any(told in sheet for told in ("D1", "D2", "Surgery", "Reception", "change"))
    hands.type(_MASTERS_AND_SPARES)
    hands.press("Enter")
    hands.type("7AA-1")
    hands.press("Enter")
    expect(main).to_contain_text("No key with the stamp 7AA-1 is on record for Lantern Row Dental")
    page.get_by_label("Stamps", exact=True).fill("1AA-2")
    hands.press("Enter")
    hands.type("2AA-2")
    hands.click("Missing")
    # Meanwhile the joiner brings his key back.
    hands.click("Key systems", "link")
    hands.click("Keys out", "link")
    hands.click("3AA copy 1 is returned")
    hands.click("Key systems", "link")
    hands.click("Keys out", "link")
    hands.click("Key counts", "link")
    hands.click("Go on with the count of Lantern Row Dental", "link")
    expect(main).to_contain_text("came back on Wednesday 25 November 2026")
    hands.click("All seen: In the shop")
    hands.click("End the count")
    expect(main).to_contain_text("The count is on record: 14 keys, 1 key missing.")
    record = hands.read_paper("Record, PDF")
    hands.report("J14, the count to its record")
    assert "Seen 13 Missing 1" in record and "2AA 2AA 2 2 missing Dr A. Lantern" in record

    # The missing key opens one door; its plan has a price: rekey 14.00 and 12.00, two keys at 3.25, 7.25 % on keys:
    # 32.97; the trip to the site is 85.00, a quarter of an hour there 23.75: 141.72.
    hands.start()
    hands.click("The loss of 2AA", "link")
    expect(main).to_contain_text("still turns 1 door: D2.")
    hands.click("Make a plan", "link")
    hands.click("Choose this plan")
    hands.click("Make draft quotes")
    expect(main).to_contain_text("Rekeys what hangs on D2; it stays there.")
    hands.access("i")
    expect(main).to_contain_text("$141.72")
    hands.report("J14, from the missing key to the issued quote")

    with house.ledger.sessions() as session:
        count = session.scalars(sa.select(KeyCount)).one()
        assert count.ended_at is not None and not count.why_stopped and count.customer.name == DENTAL
        found = session.execute(
            sa.select(KeyCountLine.found, sa.func.count()).group_by(KeyCountLine.found).order_by(KeyCountLine.found)
        ).all()
        assert dict(found) == {Counted.MISSING: 1, Counted.SEEN: 13}
        of_dental = sa.select(Keyset.symbol, Key.copy_number, Key.state, Key.holder).join(Key.keyset)
        rows = session.execute(
            of_dental.where(Keyset.system_id == session.scalar(sa.select(Loss.system_id).limit(1)))
        )
        held = {f"{symbol} {copy}": (state, holder) for symbol, copy, state, holder in rows}
        assert held["1AA 1"] == held["3AA 1"] == (KeyState.RETURNED, "")
        assert held["1AA 2"] == (KeyState.OUT, "P. Knot, caretaker")
        assert held["2AA 2"] == (KeyState.LOST, "Dr A. Lantern")
        assert sum(state is KeyState.OUT for state, _ in held.values()) == 10
        assert {loss.keyset.symbol for loss in session.scalars(sa.select(Loss))} == {"2AA", "4AA"}
        newest = sa.select(QuoteRevision).join(Job).order_by(QuoteRevision.id.desc()).limit(1)
        quote = session.scalars(newest).one()
        assert (quote.total_cents, quote.job.loss_id is not None) == (14172, True)
