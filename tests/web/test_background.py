"""The page of what takes long: how far it is, for whoever began it, with and without a script."""

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.tables import Role, User
from app.web.background import Run, Runs
from app.web.importing.views import SAVING
from tests.factories import FormClient, UserFactory

PAGE = "/imports/waiting/large/saving"


@pytest.fixture
def run(owner_client: FormClient, session: Session) -> Run:
    """The saving of a large table, as the owner who is logged in began it."""
    owner = session.scalar(sa.select(User.id).where(User.role == Role.OWNER))
    begun = Run(SAVING, owner, "large.csv", doing="saving", done=12_000, total=50_000, mark="customers")
    runs = owner_client.application.extensions["background runs"] = Runs()
    runs._runs["save large"] = begun
    return begun


def test_what_goes_on_says_how_far_it_is_with_and_without_a_script(owner_client: FormClient, run: Run) -> None:
    page = owner_client.get(PAGE).text
    assert '<noscript><meta http-equiv="refresh" content="2"></noscript>' in page
    assert "Saving: 12,000 of 50,000" in page and 'value="24"' in page and "hx-trigger" in page
    piece = owner_client.get(PAGE, headers={"HX-Request": "true"}).text
    assert "Saving" in piece and "<html" not in piece


def test_what_broke_leaves_the_page_answering(owner_client: FormClient, run: Run) -> None:
    run.state = "broken"
    assert "This could not be worked on" in owner_client.get(PAGE).text


def test_a_run_is_its_senders_and_an_unknown_one_says_so(owner_client: FormClient, run: Run) -> None:
    other = FormClient(owner_client.application)
    other.log_in(UserFactory(role=Role.OWNER))
    assert other.get(PAGE).status_code == 404
    gone = owner_client.get("/imports/waiting/nothing/saving")
    assert gone.status_code == 404 and "not known any more" in gone.text
