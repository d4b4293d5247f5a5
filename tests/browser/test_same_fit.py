"""A customer with an old cylinder of one maker is sold the same fit from another, and agrees to its face."""

import sqlalchemy as sa
from playwright.sync_api import Page, expect
from sqlalchemy.orm import Session

from app.ledger.tables import Customer, User
from tests.factories import UserFactory
from tests.reading import pdf_text
from tests.stocked import empty_house

__all__ = ["empty_house"]

OLD, NEW = "A18M-Q1-66.SC", "31.118.P26"
TOLD = "Customer was told that the face will be Pell & Rowe's instead of Ardent Brass's, and agreed."


def test_the_same_fit_from_another_maker_with_the_face_on_the_quote(
    served, page: Page, log_in, session: Session, owner: User
) -> None:
    clerk: User = UserFactory(name="Clerk")
    gull = session.scalars(sa.select(Customer).where(Customer.name.startswith("Gull"))).one()
    log_in(clerk)
    page.goto(served.url(f"/customers/{gull.id}"))
    page.get_by_role("link", name="Quote", exact=True).click()
    expect(page.get_by_label("Quick line")).to_be_focused()
    page.get_by_role("button", name="Part number").press("Enter")
    page.get_by_text("Old cylinder, door, key").click()
    page.get_by_label("On the door now").fill(OLD)
    offer = page.get_by_role("button", name=f"Put {NEW} on the line")
    expect(page.get_by_role("listitem").filter(has=offer)).to_contain_text("another face: ask")
    offer.click()
    expect(page.get_by_label("Part number")).to_have_value(NEW)
    expect(page.get_by_label("On the door now")).to_have_value(OLD)
    face = page.get_by_role("group", name="Does the customer agree to another face?")
    expect(face).to_contain_text("The face will be Pell & Rowe's instead of Ardent Brass's.")
    page.get_by_role("button", name="Issue quote").click()
    expect(page.get_by_role("alert")).to_contain_text("Ask the customer and record the answer.")
    face.get_by_role("button", name="Agrees").click()
    expect(face).to_contain_text("customer agreed")
    expect(face).to_be_focused()
    page.get_by_role("button", name="Issue quote").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1001-1")
    paper = page.get_by_label("The quote as on paper")
    expect(paper).to_contain_text(TOLD)
    expect(paper).to_contain_text(f"In place of Ardent Brass {OLD}")
    url = page.get_by_role("link", name="Print (PDF)").get_attribute("href")
    content = page.request.get(served.url(url or "")).body()
    text = pdf_text(content)
    assert TOLD in text and f"In place of Ardent Brass {OLD}" in text
