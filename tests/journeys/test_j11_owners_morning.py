"""J11, the owner's morning: what is late, what to order, a maker who confirms later and dearer, and an order that
comes short and partly wrong.
"""

import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.stock.movements import quantity_of
from app.ledger.stock.needs import needs_of
from app.ledger.tables import Item, Job, MakerClaim, PurchaseOrder, Role
from tests.journeys.conftest import Hands, House


def test_orders_go_out_are_confirmed_later_and_come_short_and_partly_wrong(hands: Hands, house: House) -> None:
    page = hands.page
    hands.log_in(house.served, Role.OWNER)
    main, leaves = page.locator("main"), page.get_by_role("navigation", name="Goods")
    hands.click("Goods", "link", page.locator("#menu"))
    hands.click("Orders", "link", leaves)
    expect(main).to_contain_text("late 8 days")  # P-0001 was expected on 17 November; it is the 25th

    # What to order today. The college lacks 7 of one cylinder, of which 36 are to lie on the shelf: 43, in sixes 48.
    hands.click("To order", "link", leaves)
    row = page.get_by_role("row").filter(has_text="A18M-Q3-66.SC")
    expect(row).to_contain_text("Job 1004: 7 Saltmarsh Maritime College, 9 Dec 2026; shelf: 36")
    expect(row.get_by_label("Pieces of A18M-Q3-66.SC")).to_have_value("48")
    hands.click("Make orders of what is ticked")
    expect(page.get_by_role("heading", level=1)).to_have_text("Order P-0002, Ardent Brass")
    expect(main).to_contain_text("$1,288.00")  # 48 at 15.20, 36 at 13.90, 40 at 1.45
    hands.click("Send: it is ordered now")
    paper = hands.read_paper("PDF")
    assert "Purchase order P-0002" in paper and "Our account FQ-2207" in paper and "by Wren" in paper
    assert "48 A18M-Q3-66.SC" in paper and "Total, before freight and tax $1,288.00" in paper
    hands.report("J11, to the order")

    # The awkward turn: the factory confirms job 1010 a week later, and 36 cylinders at 15.80 for 15.20.
    hands.click("Orders", "link", leaves)
    hands.click("F-1010-1", "link")
    page.get_by_label("The maker's number of it").fill("AB-5521")
    hands.type_day("All of it on", "12222026")
    page.get_by_label("Price of A18M-Q2-66.SC").fill("15.80")
    hands.click("Save what the maker confirmed")
    expect(main).to_contain_text("1 promise moved: call the customer.")
    job = page.get_by_role("row").filter(has_text="Otterburn Property Care")
    expect(job).to_contain_text("22 Dec 2026")  # was promised for the 15th
    expect(job).to_contain_text("$794.06")
    expect(job).to_contain_text("$772.46")  # less 36 × 0.60
    hands.click("Orders", "link", leaves)
    hands.click("the list with phones", "link")
    call = page.get_by_role("row").filter(has_text="Otterburn Property Care")
    expect(call).to_contain_text("15 Dec 2026")
    expect(call).to_contain_text("555-0")
    hands.click("Called Otterburn Property Care about job 1010")
    expect(call).to_have_count(0)
    # The college's seven were ordered too late for its day, which nobody has moved: its maker is asked first.
    expect(main).to_contain_text("P-0002 was sent so late that it can be ready on")

    # P-0002 comes: of one eight short, two damaged and one wrong; of another four too many; of the third all. What
    # the reader cannot read stands in no next scan's way.
    hands.click("Orders", "link", leaves)
    hands.click("Receive P-0002", "link")
    for scanned in ("NO-SUCH-1", "40*A18M-Q3-66.SC", "40*A18R-Q3-66.SC", "39*AG-04", "AG-04"):
        hands.type(scanned)
        hands.press("Enter")
    expect(main).to_contain_text("AG-04: 40")
    page.get_by_label("Damaged, A18M-Q3-66.SC").fill("2")
    page.get_by_label("Wrong, A18M-Q3-66.SC").fill("1")
    hands.click("Receive what is counted")
    expect(main).to_contain_text("36 ordered: 36 are to come, and 40 are counted. Keep the 4 over for the shelf, or")
    page.get_by_label("Send back").check()
    hands.click("Receive what is counted")
    expect(main).to_contain_text("Received: 116 good pieces on the shelf. 3 pieces claimed of the maker.")
    hands.report("J11, to what came")
    with house.ledger.sessions() as session:
        order = session.scalars(sa.select(PurchaseOrder).where(PurchaseOrder.number == "P-0002")).one()
        came = {line.item.code: [(one.good, one.sent_back) for one in line.received] for line in order.lines}
        assert came == {"A18M-Q3-66.SC": [(40, 0)], "A18R-Q3-66.SC": [(36, 4)], "AG-04": [(40, 0)]}
        assert order.state.value == "sent"  # eight are still to come
        item = session.scalars(sa.select(Item).where(Item.code == "A18M-Q3-66.SC")).one()
        college = session.scalars(sa.select(Job).where(Job.number == 1004)).one()
        needs = [one for one in needs_of(session, college.id) if one.need.item_id == item.id]
        assert sum(one.to_order + one.on_order for one in needs) == 0
        there = quantity_of(session, item.id)
        assert there.free == 33  # of the forty, seven are the college's
        assert [claim.quantity for claim in session.scalars(sa.select(MakerClaim).order_by(MakerClaim.id))] == [2, 1]
        factory = session.scalars(sa.select(Job).where(Job.number == 1010)).one()
        assert (str(factory.promised_on), factory.stage.value) == ("2026-12-22", "parts on order")
