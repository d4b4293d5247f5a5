"""J8: a contractor argues. Discount, option B, exempt certificate, his order's number, deposit; half now, half later.

10 mortise cylinders A18M-Q1-66.SC keyed different, two keys each, 20 ring sets. By hand, in dollars: a cylinder at
the trade price, 30.40 less 10 %, is 27.36; keying 6.50; a key 3.25; a ring set, argued down from 9.80, 9.00.
Goods 273.60 + 20 x 3.25 + 20 x 9.00 = 518.60, less 8 %, 41.488, so 41.49; labor 10 x 6.50 = 65.00; no tax.
Option B, the shop: 518.60 + 65.00 - 41.49 = 542.11; half with the order, 271.055, so 271.06.
Option A, the factory, with Ardent Brass's small-order charge of 35.00: 577.11; half 288.555, so 288.56.
"""

import io
from email import message_from_bytes, policy
from email.message import EmailMessage
from zipfile import ZipFile, is_zipfile

import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.tables import ClaimState, Cylinder, CylinderState, Job, Key, KeyState, MakerClaim, Role, Stage
from tests.journeys.conftest import Hands, House
from tests.reading import pdf_text

REASON = "Wagtail"  # stands in every reason, and on no paper


def open_part(hands: Hands, summary: str, part: str = "main") -> None:
    """Open what is folded away, as a click on its summary does, and go to its first box."""
    hands.page.locator(f"{part} summary", has_text=summary).first.focus()
    hands.press("Enter", "Tab")


def texts_of(paper: bytes) -> list[str]:
    """All that somebody can read in a PDF, a workbook, a message, a folder or a list."""
    if paper.startswith(b"%PDF"):
        return [pdf_text(paper)]
    if is_zipfile(io.BytesIO(paper)):
        with ZipFile(io.BytesIO(paper)) as folder:
            return [name + text for name in folder.namelist() for text in texts_of(folder.read(name))]
    if b"MIME-Version" in paper[:2000]:
        message = message_from_bytes(paper, policy=policy.default)
        assert isinstance(message, EmailMessage)
        return [
            str(message["Subject"]),
            *(text for part in message.walk() if (body := part.get_payload(decode=True)) for text in texts_of(body)),
        ]
    return [paper.decode()]


def paper(hands: Hands, name: str) -> str:
    """The text of the PDF that a link on the page leads to."""
    address = hands.page.get_by_role("link", name=name).first.evaluate("one => one.href")
    answer = hands.page.request.get(address)
    assert answer.ok, address
    return pdf_text(answer.body())


def saved(hands: Hands, button: str) -> list[str]:
    """All that can be read in the file that a button saves."""
    with hands.page.expect_download() as told:
        hands.click(button)
    return texts_of(told.value.path().read_bytes())


def quote_what_he_argues_for(hands: Hands) -> None:
    hands.tab_to("New customer")
    hands.press("Enter")
    hands.type("Sandgate Builders")
    hands.press("Tab")
    hands.type("555-0199")
    hands.press("Tab")
    hands.type("Pier Street")
    open_part(hands, "E-mail, address, price tier, tax")
    hands.type("buy@sandgate.example")
    hands.tab_to("Price tier")
    hands.type("trade")
    hands.tab_to("Exemption certificate")
    hands.type("SGB-EX-77")
    hands.press("Tab")
    hands.type("06302027")
    hands.tab_to("Quick line")
    hands.type("10 A18M-Q1-66.SC KD; 20 ring set")
    hands.press("Enter")
    expect(hands.page.locator("#line-1")).to_contain_text("20 × $9.80")
    open_part(hands, "Own price, discount, remark", "#line-1")
    hands.type("9.00")
    hands.press("Tab", "Tab")
    hands.type(f"{REASON}: he had it so last year")
    open_part(hands, "Give a discount on the goods")
    hands.type("8 %")
    hands.press("Tab")
    hands.type(f"{REASON}: or he goes elsewhere")
    open_part(hands, "Key it somewhere else")
    hands.type("the factory")
    hands.press("Tab")
    hands.type(f"{REASON}: he wants it from the maker")
    hands.page.get_by_label("Offer the shop too, as option B").focus()
    hands.press("Space")
    expect(hands.page.locator("#option-sum")).to_contain_text("Option B: $542.11.")
    expect(hands.page.locator("#sums")).to_contain_text("$577.11")
    hands.access("i")
    expect(hands.page.get_by_role("heading", level=1)).to_contain_text("Q-1011-1")


def test_a_contractor_argues_pays_half_and_takes_half(hands: Hands, house: House) -> None:
    page = hands.page
    hands.log_in(house.served, Role.COUNTER)
    quote_what_he_argues_for(hands)
    hands.report("J8, to the issued quote")
    expect(page.get_by_text(REASON)).to_have_count(2)  # beside the paper, for the house
    # The quote, on paper and in an e-mail.
    hands.click("E-mail", "link")
    mail = saved(hands, "Save as a file")
    quote = next(text for text in mail if "Q-1011-1" in text and "$27.36" in text)
    for figure in (
        "10 $27.36 $273.60",
        "10 $6.50 $65.00",
        "20 $3.25 $65.00",
        "1 $35.00 $35.00",
        "20 $9.00 $180.00",
        "Goods $518.60",
        "Labor $100.00",
        "−$41.49",
        "$0.00",
        "SGB-EX-77",
        "$577.11",
        "$542.11",
        "$288.56",
        "$271.06",
    ):
        assert figure in quote, figure
    assert not any(REASON in text or "tax included" in text for text in mail)
    hands.click("Back to the quote", "link")
    # He takes B, and gives his order's number.
    hands.click("Accept", "link")
    hands.type("M. Quill")
    page.get_by_label("B: keyed on our bench").focus()
    hands.press("Space")
    hands.tab_to("Their order number")
    hands.type("PO-4471")
    hands.press("Enter")
    expect(page.locator("main")).to_contain_text("$271.06 of the deposit of $271.06 is not paid yet.")
    expect(page.get_by_role("region", name="Quotes")).to_contain_text("option A $577.11")
    hands.click("Take a payment", "link")
    hands.click("Save")
    expect(page.locator("main")).to_contain_text("$271.06 received; $271.05 left to pay.")
    hands.report("J8, to the deposit")
    # The bench keys all of it.
    hands.click("Log out")
    hands.log_in(house.served, Role.BENCH)
    hands.click("1011", "link")
    hands.click("Put on the bench")
    hands.click("Bench page", "link")
    for boxes, done in (("cylinders", "pinned"), ("cylinders", "checked"), ("keys", "cut")):
        for box in page.locator(f"input[name={boxes}]").all():
            box.check()
        hands.click(f"Mark as {done}")
    hands.click("All checked: move on")
    hands.click("Ready to hand over")
    # He picks up half: found by his order's number, a blank for its hyphen.
    hands.click("Log out")
    hands.log_in(house.served, Role.COUNTER)
    hands.press("/")
    hands.type("po 4471")
    hands.press("Enter")
    hands.click("Job 1011", "link", within=page.locator("#found"))
    hands.click("Only a part goes", "link")
    hands.type("M. Quill")
    for box in page.locator("input[name=cylinder]").all()[:5]:
        box.check()
    for box in page.locator("input[name^=keys-]").all()[:5]:
        box.fill("2")
    page.locator("input[name^=goods-]").fill("10")
    hands.click("Hand over")
    expect(page.locator("main")).to_contain_text("Still here: 5 cylinders, 10 keys, 10 other pieces.")
    hands.report("J8, to the half that is handed over")
    half = paper(hands, "Hand-over receipt H-1011-1")
    assert "Your order PO-4471" in half and "SKD5 copies 1-2" in half and "SKD6" not in half
    assert "10 Trim ring set" in half
    assert "Still to come: 5 cylinders, 10 keys, 10 other pieces, promised for 8 December 2026." in half
    # The half is invoiced; the deposit pays it. By hand: the discount is shared as 21.89, 5.20, 14.40, so half of
    # 251.71 + 59.80 + 165.60 and of the keying is 125.86 + 29.90 + 82.80 + 32.50 = 271.06.
    hands.click("Invoices and credit notes", "link")
    hands.click("Issue")
    expect(page.locator("main")).to_contain_text("Invoice I-0002 is issued: $271.06.")
    expect(page.locator("main")).to_contain_text("Left to pay$0.00")
    first = paper(hands, "PDF")
    to_pay = "Received before −$271.06 To pay $0.00"
    for figure in ("5 $27.36 $136.80", "10 $3.25 $32.50", "10 $9.00 $90.00", "−$20.74", to_pay, "SGB-EX-77"):
        assert figure in first, figure
    assert "Your order PO-4471" in first and "The invoices of a job add up to what was agreed." in first
    # The rest goes without money: it stays owed, here beside 52.33 of the corner shop.
    hands.click("The job", "link")
    page.get_by_label("Who takes it").fill("M. Quill")
    page.get_by_label("Handed over all the same").check()
    hands.click("Handed over")
    expect(page.locator("main")).to_contain_text("taken by M. Quill")
    rest = paper(hands, "Hand-over receipt H-1011-2")
    assert "SKD6 copies 1-2" in rest and "SKD5" not in rest and "Nothing of this job waits in the shop" in rest
    hands.click("Invoices and credit notes", "link")
    hands.click("Issue")
    expect(page.locator("main")).to_contain_text("Invoice I-0003 is issued: $271.05.")
    second = paper(hands, "PDF")
    assert "With this invoice all of job 1011 is invoiced." in second and "$271.05" in second
    hands.report("J8, to the second invoice")
    hands.click("Log out")
    hands.log_in(house.served, Role.OWNER)
    hands.click("$323.38", "link")
    expect(page.get_by_role("row", name="Sandgate Builders")).to_contain_text("$271.05")
    hands.click("Log out")
    # A part of it comes by check; the statement says what is left.
    hands.log_in(house.served, Role.COUNTER)
    hands.press("/")
    hands.type("sandgate")
    hands.press("Enter")
    hands.click("Job 1011", "link", within=page.locator("#found"))
    hands.click("Take a payment", "link")
    page.get_by_label("Amount").fill("100.00")
    hands.click("Save")
    expect(page.locator("main")).to_contain_text("$100.00 received; $171.05 left to pay.")
    hands.click("Invoices", "link")
    hands.click("The customer's account", "link")
    statement = paper(hands, "Statement, PDF")
    for entry in (
        "Deposit invoice" not in statement and "I-0002 Invoice, job 1011",
        "used for I-0002: $271.06",
        "used for I-0003: $100.00",
        "$171.05 left to pay",
        "Balance $171.05",
    ):
        assert entry and entry in statement, entry
    # He pays the rest; then the awkward turn: he brings two back, one of them defective.
    page.get_by_label("Amount", exact=True).first.fill("171.05")
    page.get_by_label("Note", exact=True).first.fill("no. 4472")
    hands.click("Save")
    expect(page.locator("main")).to_contain_text("M-0001")
    hands.click("I-0003", "link")
    expect(page.locator("main")).to_contain_text("Left to pay$0.00")
    hands.click("The job", "link")
    hands.click("Goods come back", "link")
    page.get_by_label("Why it comes back").fill("two doors fewer; one turns hard")
    page.get_by_label("Brought back by").fill("M. Quill")
    ends = page.locator("select[name^=cylinder-]").all()[-2:]
    ends[0].select_option("good")
    ends[1].select_option("defective")
    page.locator("input[name^=keys-]").nth(8).fill("2")
    page.get_by_label("The money").select_option("cash")
    hands.click("Take it back")
    # Two of five at 125.85 with their share of the discount: 50.34.
    expect(page.locator("main")).to_contain_text("T-0001 is on record. $50.34 is credited. Have its slip signed.")
    expect(page.locator("main")).to_contain_text("line 1, 1 good; line 1, 1 defective")
    slip = paper(hands, "T-0001")
    for told in ("the maker, with a claim", "credit note I-0004: $50.34", "$50.34 of it went back, cash."):
        assert told in slip, told
    hands.click("Credit note I-0004", "link")
    note = paper(hands, "PDF")
    for told in ("Changes invoice I-0003", "T-0001: two doors fewer; one turns hard", "−$50.34"):
        assert told in note, told
    hands.click("The job", "link")
    hands.click("Take a payment", "link")
    expect(page.locator("main")).to_contain_text("R-1011-4")
    for number, figures in (
        (
            1,
            "Deposit received $271.06 Total of the job, tax included $542.11 Paid so far $271.06 Left to pay $271.05",
        ),
        (2, "Received $100.00 Total of the job, tax included $542.11 Paid so far $371.06"),
        # 542.11 - 50.34 = 491.77
        (4, "Given back $50.34 Total of the job, tax included $491.77 Paid so far $491.77 Left to pay $0.00"),
    ):
        receipt = paper(hands, f"R-1011-{number}")
        assert figures in receipt and "Your order PO-4471" in receipt, receipt
    hands.click("The job", "link")
    # The page on which goods come back has boxes wide enough for a number.
    hands.click("Goods come back", "link")
    box = page.get_by_label("How many of line 2 come back").bounding_box()
    assert box is not None and box["width"] > 48
    hands.click("The job", "link")
    folder = saved(hands, "Job folder, ZIP")
    assert len([text for text in folder if text.startswith(("papers/receipt-", "papers/hand-over-"))]) == 6
    assert len([text for text in folder if text.startswith("papers/invoice-")]) == 3
    assert not any(REASON in text for text in folder)
    hands.report("J8, to the end")
    with house.ledger.sessions() as session:
        job = session.scalars(sa.select(Job).where(Job.number == 1011)).one()
        assert (job.stage, job.accepted_option, job.agreed_cents) == (Stage.HANDED_OVER, "B", 491_77)
        cylinders = session.scalars(sa.select(Cylinder.state).where(Cylinder.job_id == job.id)).all()
        assert sorted(cylinders) == [CylinderState.FITTED] * 8 + [CylinderState.REMOVED] * 2
        [claim] = session.scalars(sa.select(MakerClaim).where(MakerClaim.job_id == job.id)).all()
        assert (claim.quantity, claim.what, claim.state) == (1, "A18M-Q1-66.SC", ClaimState.OPEN)
        keysets = sa.select(Cylinder.keyset_id).where(Cylinder.job_id == job.id)
        keys = session.scalars(sa.select(Key).where(Key.keyset_id.in_(keysets))).all()
        assert [(key.state, key.holder) for key in keys if key.state is not KeyState.RETURNED] == [
            (KeyState.OUT, "M. Quill")
        ] * 18
