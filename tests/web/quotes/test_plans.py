"""What accepting does stands on its page; what has changed since the quote was issued is said, and seen first."""

import secrets
from html import unescape

from sqlalchemy.orm import Session

from app.ledger.tables import Cylinder, CylinderState
from tests.desk import accept_page_sent, accepted, quoted
from tests.factories import FormClient
from tests.forms_found import form_with
from tests.stocked import PART, empty_house

__all__ = ["empty_house"]

AT_THE_BENCH = {"keyed_at": "shop", "override_reason": "wanted this week"}
MASTER_KEYED = {**PART, "keying": "MK", "quantity": "2"}


def quoted_to_the_flats(clerk: FormClient, line: dict[str, str], **head: str) -> int:
    """The number of a job that is quoted to Harbourmaster's Flats, of a page of its own."""
    return quoted(clerk, line, customer_id="3", token=secrets.token_hex(16), **head)


def begin_the_flats(clerk: FormClient, **doors: str) -> None:
    """Two cylinders under AA, sold."""
    accepted(
        clerk,
        quoted_to_the_flats(clerk, MASTER_KEYED, system_id="new", system_name="The Flats", **AT_THE_BENCH),
        **doors,
    )


def test_another_job_that_takes_the_keysets_meanwhile_is_told_and_seen_first(clerk: FormClient) -> None:
    """Of two quotes into one system, the one accepted first has the lower numbers."""
    begin_the_flats(clerk)
    first, second = (quoted_to_the_flats(clerk, MASTER_KEYED, system_id="1", **AT_THE_BENCH) for _ in range(2))
    page = unescape(clerk.get(f"/quotes/{second}/accept").text)
    assert (
        "Line 1 gets 3AA, 4AA of The Flats, under AA." in page and "4 keys come with it: 2 each to 3AA, 4AA." in page
    )
    assert "Since the quote was issued" not in page
    form = form_with(page, "accepted_by")
    accepted(clerk, first)
    late = clerk.post(f"/quotes/{second}/accept", data={**form, "accepted_by": "R. Teal"})
    told = unescape(late.text)
    assert late.status_code == 422 and "What accepting does has changed since this page was made" in told
    assert "Since the quote was issued: Line 1 gets 5AA, 6AA of The Flats, under AA; it was to get 3AA, 4AA." in told
    again = clerk.post(f"/quotes/{second}/accept", data={**form_with(told, "accepted_by"), "accepted_by": "R. Teal"})
    assert again.status_code == 303


def test_what_stands_against_it_by_now_is_told_before_anybody_accepts(clerk: FormClient) -> None:
    """Two quotes start a system of one name; the one accepted first has it."""
    new = {"system_id": "new", "system_name": "The Flats", **AT_THE_BENCH}
    first, second = (quoted_to_the_flats(clerk, MASTER_KEYED, **new) for _ in range(2))
    told = "It cannot be accepted as it stands, so revise the quote. This customer has a key system named The Flats"
    assert told not in clerk.get(f"/quotes/{second}/accept").text
    accepted(clerk, first)
    assert told in clerk.get(f"/quotes/{second}/accept").text
    refused = accept_page_sent(clerk, second)
    assert refused.status_code == 422 and "has a key system named The Flats already" in refused.text


def test_a_door_that_has_a_cylinder_already_is_asked_about(clerk: FormClient, session: Session) -> None:
    begin_the_flats(clerk, **{"site_name": "The Quay", "row-1-opening": "F1", "row-2-opening": "F2"})
    number = quoted_to_the_flats(clerk, dict(PART))
    only = {"site_name": "The Quay", "row-1-opening": "F2"}
    asked = accept_page_sent(clerk, number, **only)
    told = "F2 gets a cylinder on 2AA from job 1001. Tick that the new ones take their places, and press again."
    assert asked.status_code == 422 and told in unescape(asked.text)
    assert 'value="F2"' in asked.text and 'name="takes_places"' in asked.text
    other = accept_page_sent(clerk, number, **{**only, "row-1-opening": "F1"}, takes_places=told)
    assert other.status_code == 422 and "F1 gets a cylinder on 1AA from job 1001." in unescape(other.text)
    accepted(clerk, number, **only, takes_places=told)
    session.rollback()
    there = session.query(Cylinder).filter(Cylinder.door_id == 2).all()
    assert [one.state for one in there] == [CylinderState.ORDERED] * 2  # the earlier one goes when the later is there
