"""The quick line on the counter page: words become lines, and what is not understood stays to be put right."""

import html
import re

from sqlalchemy.orm import Session

from app.ledger.tables import Draft
from tests.factories import FormClient
from tests.stocked import MORTISE, empty_house, posted

__all__ = ["empty_house"]

LIVE = {"HX-Request": "true"}
WORDS = "2 mortise 1-1/8 AQ1 six pin 626 KA 4 keys"


def typed(page: str, name: str) -> str:
    """What stands in a box."""
    found = re.search(rf'<input [^>]*name="{name}"[^>]*>', page)
    assert found, name
    value = re.search(r' value="([^"]*)"', found[0])
    return html.unescape(value[1]) if value else ""


def chosen(page: str, name: str) -> str:
    """What is chosen in a list."""
    found = re.search(rf'<select [^>]*name="{name}".*?</select>', page, re.DOTALL)
    assert found, name
    picked = re.search(r'<option value="([^"]*)" selected', found[0])
    return picked[1] if picked else ""


def added(clerk: FormClient, words: str, *lines: dict[str, str], **head: str) -> str:
    """The page after Enter in the quick line, whose script takes the words out of it."""
    return clerk.post(
        "/counter/work-out", data=posted(*lines, entered=words, action="enter", **head), headers=LIVE
    ).text


def test_words_become_a_priced_line_and_the_box_is_free_for_the_next(clerk: FormClient) -> None:
    page = added(clerk, WORDS)
    boxes = {name: typed(page, f"lines-0-{name}") for name in ("length", "chambers", "keyway", "finish", "quantity")}
    assert boxes == {"length": "1-1/8", "chambers": "6", "keyway": "AQ1", "finish": "626", "quantity": "2"}
    assert typed(page, "lines-0-keys_in_all") == "4"
    assert (chosen(page, "lines-0-type"), chosen(page, "lines-0-keying")) == ("mortise", "KA")
    # Twice $30.40 the cylinder and $7.50 keying alike, four keys at $3.25.
    assert "2 × $30.40" in page and "2 × $7.50" in page and "4 × $3.25" in page and "$88.80" in page
    assert typed(page, "quick") == ""
    for said in ("2: <b>quantity 2</b>", "mortise: <b>mortise cylinder</b>", "KA: <b>keyed alike</b>"):
        assert said in page
    assert "not understood" not in page
    assert re.search(r'id="quick"[^>]*autofocus', page)


def test_what_is_said_of_the_door_stands_in_its_boxes(clerk: FormClient) -> None:
    """It was taken for an aluminum finish and a length of 4 in."""
    page = added(clerk, "aluminum door 4 in stile, deadbolt 626")
    assert (typed(page, "lines-0-fit_stile"), chosen(page, "lines-0-fit_material")) == ("4 in", "aluminum")
    assert (typed(page, "lines-0-finish"), typed(page, "lines-0-length")) == ("626", "")
    page = added(clerk, "mortise 626 for a 2-1/4 in door")
    assert (typed(page, "lines-0-fit_door"), typed(page, "lines-0-length")) == ("2-1/4 in", "")


def test_the_button_adds_what_enter_adds_without_a_script(clerk: FormClient) -> None:
    page = clerk.post("/counter/work-out", data=posted(quick="ring set 3; trip", add="quick")).text
    assert page.count('id="line-') == 2
    page = clerk.post("/counter/work-out", data=posted(quick="ring set 3; trip", action="enter")).text
    assert (chosen(page, "lines-0-price_code"), typed(page, "lines-0-quantity")) == ("RING-SET", "3")
    assert chosen(page, "lines-1-price_code") == "TRIP"
    assert "3 × $9.80" in page and "1 × $85.00" in page


def test_what_is_not_understood_stays_in_the_box_and_holds_the_quote_until_it_is_settled(clerk: FormClient) -> None:
    page = added(clerk, "2 mortise purple 1-1/8 AQ1 six pin brass KA")
    assert typed(page, "quick") == "purple brass"
    assert "purple: <b>not understood</b>" in page
    assert "brass: <b>not understood: could be 605 bright brass or 606 satin brass</b>" in page
    assert typed(page, "lines-0-finish") == "" and chosen(page, "lines-0-keying") == "KA"
    refused = clerk.post("/counter/issue", data=posted(dict(MORTISE), quick="purple"))
    assert refused.status_code == 422
    assert "This is on no line yet: press Enter here to add it, or clear the box." in refused.text
    assert typed(refused.text, "quick") == "purple"


def test_nothing_is_called_added_where_nothing_was_understood(clerk: FormClient) -> None:
    assert '<span class="soft">Added</span>' in added(clerk, "2 mortise purple")
    page = added(clerk, "purple")
    assert "purple: <b>not understood" in page and '<span class="soft">Added</span>' not in page
    page = added(clerk, "rush")  # no line, but the box below is another now
    assert chosen(page, "urgency") == "rush" and '<span class="soft">Added</span>' in page


def test_what_stands_in_the_box_is_read_before_it_is_added_and_kept_with_the_draft(
    clerk: FormClient, session: Session
) -> None:
    page = clerk.post("/counter/work-out", data=posted(quick="2 rim 626"), headers=LIVE).text
    assert "rim: <b>rim cylinder</b>" in page and 'id="line-0"' not in page
    assert session.query(Draft).one().typed["quick"] == "2 rim 626"
    assert typed(clerk.get("/counter?draft=1").text, "quick") == "2 rim 626"
    too_long = clerk.post("/counter/work-out", data=posted(quick="2 rim " * 90), headers=LIVE).text
    assert "At most 500 characters" in too_long
    too_long = added(clerk, "2 rim " * 90)
    assert "At most 500 characters" in too_long and typed(too_long, "quick") == ("2 rim " * 90).strip()


def test_words_that_left_the_box_with_enter_become_lines_whoever_asks_first(clerk: FormClient) -> None:
    """The script takes them out of the box at once; what is typed there meanwhile stays."""
    form = posted(entered="2 rim AQ1 purple", quick="ring se")
    page = clerk.post("/counter/work-out", data=form, headers={**LIVE, "HX-Trigger": "counter"}).text
    assert typed(page, "lines-0-keyway") == "AQ1" and 'id="line-1"' not in page
    assert (typed(page, "entered"), typed(page, "quick")) == ("", "purple ring se")


def test_a_line_that_is_still_open_offers_what_the_catalog_has_and_the_first_has_the_focus(clerk: FormClient) -> None:
    page = added(clerk, "2 deadbolts keyed alike four keys")
    offers = re.findall(r'value="0:ARD:(CAP2-[^"]+)"', page)
    assert offers == ["CAP2-Q1-66.SC", "CAP2-Q3-66.SC", "CAP2-Q1-66.OB"]  # what is on the shelf first
    assert re.search(r'value="0:ARD:CAP2-Q1-66.SC"[^>]*autofocus', page)
    line = {"kind": "cylinder", "type": "deadbolt", "quantity": "2", "keying": "KA", "keys_in_all": "4"}
    put = clerk.post("/counter/work-out", data=posted(line, put="0:ARD:CAP2-Q1-66.SC"), headers=LIVE).text
    assert typed(put, "lines-0-part_number") == "CAP2-Q1-66.SC" and typed(put, "lines-0-keys_in_all") == "4"
    assert re.search(r'id="quick"[^>]*autofocus', put)


def test_the_search_for_a_customer_takes_a_line_where_it_finds_nobody(clerk: FormClient) -> None:
    head = {"is_new_customer": "", "customer_name": ""}
    page = added(clerk, "", find=WORDS, **head)
    assert typed(page, "lines-0-keyway") == "AQ1" and typed(page, "find") == ""
    for nobody in ("I. Plover", "555-9999", "Trip Adler"):
        page = added(clerk, "", find=nobody, **head)
        assert 'id="line-0"' not in page and typed(page, "find") == nobody
