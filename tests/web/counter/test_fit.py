"""What the fitting tables say on the counter page, and the customer's answer about the face."""

import json
import re
from collections.abc import Callable
from html import unescape

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.documents import owner_quote_pdf, quote_pdf
from app.fitting import CatalogItem
from app.ledger.catalog.maker_items import put_items
from app.ledger.catalog.makers import add_maker
from app.ledger.quoting.request import LineRequest, said_of_line
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.work import Work
from app.ledger.tables import Draft, Event, Job, JobLine, LineKind, QuoteRevision, Role, Site
from app.web.counter.drafts import line_of_ask
from tests.factories import FormClient
from tests.reading import pdf_text
from tests.stocked import HARDWARE, MORTISE, PART, empty_house, posted

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]
LIVE = {"HX-Request": "true"}
OLD = "A18M-Q1-66.SC"  # Ardent Brass, mortise 1-1/8, 626
NEW = {**PART, "part_number": "31.118.P26", "replaces": OLD}  # Pell & Rowe, mortise 1-1/8, 626
ASKED = "The face will be Pell & Rowe's instead of Ardent Brass's."
TOLD = "Customer was told that the face will be Pell & Rowe's instead of Ardent Brass's, and agreed."
AGREED = {**NEW, "face_asked": ASKED, "face_answer": "agreed"}


def pane(clerk: FormClient, *lines: dict[str, str], **head: str) -> str:
    """What stands below the first line."""
    page = unescape(clerk.post("/counter/work-out", data=posted(*lines, **head), headers=LIVE).text)
    return page[page.index('id="told-0"') :]


def hidden(page: str, name: str) -> str:
    found = re.search(rf'name="lines-0-{name}" value="([^"]*)"', page)
    assert found
    return found[1]


# ---- the face ----


def test_another_makers_face_is_asked_about_and_no_quote_goes_out_without_an_answer(
    clerk: FormClient, session: Session
) -> None:
    said = pane(clerk, NEW)
    assert ASKED in said and "Ask the customer and record the answer" in said and hidden(said, "face_answer") == ""
    refused = clerk.post("/counter/issue", data=posted(NEW))
    assert refused.status_code == 422 and 'href="#lines-0-face_answer">Line 1, Face</a>' in refused.text
    assert not session.scalars(sa.select(QuoteRevision)).all()


def test_a_press_records_that_the_customer_agrees(clerk: FormClient, session: Session) -> None:
    said = pane(clerk, {**NEW, "face_asked": ASKED}, face="0:agreed")
    assert hidden(said, "face_answer") == "agreed" and "customer agreed" in said
    assert "Ask the customer" not in said
    answer = clerk.post("/counter/issue", data=posted(AGREED))
    assert answer.status_code == 303
    revision = session.scalars(sa.select(QuoteRevision)).one()
    snapshot = read_snapshot(revision.snapshot)
    line = snapshot.lines[0]
    assert line.face == TOLD and line.replaces.startswith(f"Ardent Brass {OLD}, mortise cylinder 1-1/8 in")
    assert TOLD in unescape(clerk.get(answer.location).text)
    assert TOLD in pdf_text(quote_pdf(snapshot)) and TOLD in pdf_text(owner_quote_pdf(snapshot))
    event = session.scalars(sa.select(Event).where(Event.kind == "face agreed")).one()
    assert TOLD in event.summary and event.actor_name
    again = clerk.get(f"/counter?job={snapshot.job_number}").text
    assert hidden(again, "face_answer") == "agreed"


# ---- the lock ----

BEACON = "Beacon 3 classroom lock"  # Northlight; the cylinders below are Ardent Brass's


def test_a_composed_number_has_a_cam_that_the_lock_takes(clerk: FormClient) -> None:
    line = {**MORTISE, "tail": "", "fit_lock": "Ferry 43 deadlock"}
    said = pane(clerk, line)
    assert "A18M-Q1-66L.SC" in said and "long cam" in said and hidden(said, "face_asked") == ""
    assert clerk.post("/counter/issue", data=posted(line)).status_code == 303
    for wrong, field in (
        ({**line, "tail": "standard"}, "tail"),
        ({**PART, "fit_lock": "Ferry 43 deadlock"}, "part_number"),  # A18M-Q1-66.SC says the standard cam
    ):
        refused = clerk.post("/counter/issue", data=posted(wrong) | {"token": "u" * 32})
        assert refused.status_code == 422 and f'href="#lines-0-{field}"' in refused.text
        assert "its bolt tail sits deeper and wants the long cam. It takes the long cam." in unescape(refused.text)
    said = pane(clerk, {**line, "fit_lock": "Ferry 40 passage lock"})
    assert "A18M-Q1-66.SC" in said and "it serves the series but not Ferry 43 deadlock" in said


def test_a_cam_that_is_not_known_is_asked_for_and_not_chosen(clerk: FormClient) -> None:
    said = pane(clerk, {**MORTISE, "tail": "", "fit_lock": BEACON})
    own = "Northlight's own for this lock is standard (NM-1)."
    assert f"Choose the cam. The cam of Ardent Brass that works {BEACON} is not known: {own}" in said
    assert "A18M-" not in said.partition("works")[0]
    # No cam of the lock's own maker works this one, by its row's exception: that is asked, with the reason.
    said = pane(clerk, {**MORTISE, "tail": "hooked", "length": "1-1/4", "fit_lock": "Narrow 7 with alarm switch"})
    assert "the hook fouls the switch; use the lock with its own cam." in hidden(said, "face_asked")


def test_lock_and_cylinder_of_two_makers_ask_about_cam_and_face_and_the_answer_is_on_record(
    clerk: FormClient, session: Session
) -> None:
    line = {**MORTISE, "fit_lock": BEACON}  # the finish is whatever it is: the maker alone is another
    said = pane(clerk, line)
    asked = hidden(said, "face_asked")
    assert asked.startswith("The face will be Ardent Brass's on a lock of Northlight's. The cam of Ardent Brass that")
    refused = clerk.post("/counter/issue", data=posted(line))
    assert refused.status_code == 422 and 'href="#lines-0-face_answer">Line 1, Face</a>' in refused.text
    said = pane(clerk, {**line, "face_asked": asked}, face="0:agreed")
    assert hidden(said, "face_answer") == "agreed" and "customer agreed" in said
    agreed = {**line, "face_asked": asked, "face_answer": "agreed"}
    answer = clerk.post("/counter/issue", data=posted(agreed))
    assert answer.status_code == 303
    told = "Customer was told that the face will be Ardent Brass's on a lock of Northlight's; the cam of Ardent Brass"
    assert told in pdf_text(quote_pdf(read_snapshot(session.scalars(sa.select(QuoteRevision.snapshot)).one())))
    assert told in session.scalars(sa.select(Event.summary).where(Event.kind == "face agreed")).one()
    # What was agreed for one lock is agreed for no other, and a lock of the cylinder's own maker asks nothing.
    other = {**agreed, "fit_lock": "Market 10 entry lock"}
    assert hidden(pane(clerk, other), "face_answer") == ""
    assert hidden(pane(clerk, {**agreed, "fit_lock": "Pier 20 office lock"}), "face_asked") == ""
    bored = pane(clerk, {**PART, "part_number": "AD-Q1-66.SC", "fit_lock": "Budget deadbolt"})
    assert "on a lock of Pell & Rowe's. The tailpiece must be the one that Budget deadbolt dictates." in bored


@pytest.mark.parametrize(
    ("part", "lock", "told"),
    [
        ("A18R-Q1-66.SC", "Ferry 40 passage lock", "takes a mortise cylinder, and this is a rim cylinder"),
        ("A18M-Q1-66.SC", "Tidewater 6 night latch", "takes a rim cylinder, and this is a mortise cylinder"),
        (
            "AD-Q1-66.SC",
            "Zenith core deadbolt",
            "takes a large-format interchangeable core, and this is a bored-lock cylinder",
        ),
        ("A18R-Q1-66.SC", "Tidewater 6 night latch", ""),
        ("CAP2-Q1-66.SC", "Capstan 2 deadbolt", ""),
    ],
)
def test_a_cylinder_that_its_lock_does_not_take_is_refused(
    clerk: FormClient, part: str, lock: str, told: str
) -> None:
    line = {**PART, "part_number": part, "fit_lock": lock}
    answer = clerk.post("/counter/issue", data=posted(line))
    if told:
        assert answer.status_code == 422 and f"{lock} {told}: choose another cylinder" in answer.text
        assert 'href="#lines-0-fit_lock">Line 1, Lock</a>' in answer.text
    else:
        assert answer.status_code == 303


def test_the_job_tells_it_before_and_after_the_quote_is_accepted(clerk: FormClient, session: Session) -> None:
    clerk.post("/counter/issue", data=posted(AGREED))
    job = session.scalars(sa.select(Job)).one()
    assert TOLD in unescape(clerk.get(f"/jobs/{job.number}").text)
    session.add(
        JobLine(
            job_id=job.id,
            number=1,
            kind="cylinder",
            description="Mortise cylinder",
            quantity=1,
            unit_cents=0,
            ask=read_snapshot(job.revisions[0].snapshot).ask["lines"][0],
        )
    )
    session.commit()
    assert TOLD in unescape(clerk.get(f"/jobs/{job.number}").text)


def test_a_customer_who_refuses_stops_the_quote_and_sees_what_else_would_do(clerk: FormClient) -> None:
    line = {**NEW, "face_asked": ASKED, "face_answer": "refused"}
    refused = unescape(clerk.post("/counter/issue", data=posted(line)).text)
    assert "choose another cylinder" in refused and f'value="0:ARD:{OLD}"' in refused


def test_an_answer_holds_for_what_was_asked_alone(clerk: FormClient) -> None:
    other = {**AGREED, "part_number": "31.118.P05"}  # bright brass
    said = pane(clerk, other)
    assert hidden(said, "face_answer") == "" and "605 bright brass instead of 626" in said
    assert clerk.post("/counter/issue", data=posted(other)).status_code == 422
    assert hidden(pane(clerk, {**NEW, "face_answer": "agreed"}), "face_answer") == ""


def test_the_answer_is_kept_in_the_draft(clerk: FormClient, session: Session) -> None:
    pane(clerk, AGREED)
    kept = session.scalars(sa.select(Draft)).one().typed["lines"][0]
    assert (kept["replaces"], kept["face_answer"]) == (OLD, "agreed")
    assert hidden(clerk.get("/counter?draft=1").text, "face_answer") == "agreed"


@pytest.mark.parametrize(
    ("replaces", "finish", "said"),
    [
        ("Pell & Rowe", "626", ""),
        ("par", "", ""),
        ("Pell & Rowe", "605", "626 satin chromium instead of 605 bright brass"),
        ("some other make", "", "Pell & Rowe's instead of some other make's"),
        ("", "us3", "stands for several finishes"),
        ("Pell & Rowe", "us10b", "613"),
        ("Pell & Rowe", "99", "not in the table"),
        ("A18M-Q1-66.S", "", "taken for another make"),
        ("x" * 10_000, "", "At most 60 characters"),
    ],
)
def test_the_old_one_is_named_by_maker_or_finish_too(
    clerk: FormClient, replaces: str, finish: str, said: str
) -> None:
    page = pane(clerk, {**NEW, "replaces": replaces, "replaces_finish": finish})
    assert said in page
    if not said:
        assert hidden(page, "face_asked") == ""


def test_what_does_not_fit_where_the_old_one_was_is_said(clerk: FormClient) -> None:
    said = pane(clerk, {**NEW, "part_number": "31.138.P26"})
    assert "length 1-3/8 instead of 1-1/8" in said and "keyway PR-P instead of AQ1" in said


# ---- fit as one types ----


def test_the_same_fit_is_offered_and_put_on_the_line_by_a_press(clerk: FormClient) -> None:
    offered = pane(clerk, {**PART, "part_number": "", "replaces": OLD, "quantity": "3"})
    assert 'value="0:PAR:31.118.P26"' in offered and "another face: ask" in offered
    line = {**PART, "part_number": "", "replaces": OLD, "quantity": "3"}
    page = clerk.post("/counter/work-out", data=posted(line, put="0:PAR:31.118.P26"), headers=LIVE).text
    assert 'value="31.118.P26"' in page and 'value="3"' in page and f'value="{OLD}"' in page
    assert page.count("<fieldset") == 1 and 'id="line-0"' in page
    whole = clerk.post("/counter/work-out", data=posted(line, put="0:PAR:31.118.P26")).text
    assert ASKED in unescape(whole)


@pytest.mark.parametrize("value", ["", "7:PAR:31.118.P26", "x:y", "0:PAR:" + "9" * 500, "0::"])
def test_a_forged_press_breaks_nothing(clerk: FormClient, value: str) -> None:
    for name in ("put", "face"):
        assert clerk.post("/counter/work-out", data=posted(dict(NEW), **{name: value})).status_code == 200


def test_a_part_number_is_laid_out_piece_by_piece(clerk: FormClient) -> None:
    said = pane(clerk, dict(PART))
    assert 'class="pieces"' in said and "keyway" in said
    assert 'class="pieces"' in pane(clerk, dict(MORTISE))


def test_a_mistyped_number_offers_the_nearest_and_words_find_items(clerk: FormClient) -> None:
    near = pane(clerk, {**PART, "part_number": "A18M-Q9-66.SC"})
    assert "Nearest legal number" in near and 'value="0:ARD:A18M-Q1-66.SC"' in near
    found = pane(clerk, {**PART, "part_number": "1-1/4 rim satin chrome, six pin"})
    assert 'value="0:ARD:A20R-Q1-66.SC"' in found and "press one of those below" in found
    blank = pane(clerk, {**PART, "part_number": "AK5-12"})
    assert "Key blank" in blank or "key blank" in blank.lower()


def test_a_worn_number_offers_all_that_it_can_be_and_no_other_makers_nearest(clerk: FormClient) -> None:
    said = pane(clerk, {**PART, "part_number": "18M-Q?-66.SC"})
    assert [f'value="0:ARD:A18M-Q{n}-66.SC"' in said for n in range(1, 7)] == [True] * 6
    assert "press one of those below" in said and "Nearest legal number" not in said
    many = pane(clerk, {**PART, "part_number": "M-Q?-56"})
    assert "It can be any of" in many
    pressed = posted({**PART, "part_number": "18M-Q?-66.SC"}, put="0:ARD:A18M-Q3-66.SC")
    page = clerk.post("/counter/work-out", data=pressed, headers=LIVE).text
    assert 'value="A18M-Q3-66.SC"' in page and "keyway AQ3" in page


def test_a_door_gives_length_ring_and_cam_below_the_line(clerk: FormClient) -> None:
    line = {**MORTISE, "fit_lock": "Ferry 40 passage lock", "fit_door": "2"}
    said = pane(clerk, {**line, "fit_door": "1-7/8"})
    assert (
        "The door asks for 1-3/16 in. With the ring it sits flush." in " ".join(said.split())
        and "works" in said
        and "AC-10" in said
    )
    wrong = pane(clerk, line)
    assert "This cylinder is 1-1/8 in long; the door asks for 1-1/4 in." in wrong
    assert "Door thickness" in pane(clerk, {**line, "fit_door": "thick"})
    exception = pane(clerk, {**line, "fit_lock": "Ferry 43 deadlock"})
    assert "does not work" in exception and "wants the long cam" in exception


def test_the_customers_key_is_held_against_the_line(clerk: FormClient) -> None:
    takes = pane(clerk, {**MORTISE, "chambers": "5", "fit_key": "PK-91", "fit_cuts": "5"})
    assert "can be keyed to it" in takes
    short = pane(clerk, {**MORTISE, "fit_key": "PK-91", "fit_cuts": "5"})
    assert "cannot take it" in short


def test_finishes_that_do_not_match_on_the_door_are_warned_of(clerk: FormClient) -> None:
    assert "do not match" in pane(clerk, {**MORTISE, "fit_finishes": "US3, 626"})
    assert "do not match" not in pane(clerk, {**MORTISE, "fit_finishes": "US26D"})


def test_a_stile_asks_for_its_backset(clerk: FormClient) -> None:
    said = pane(clerk, {**HARDWARE, "fit_lock": "Capstan 2 deadbolt", "fit_stile": "4"})
    assert "The middle of the stile is 2 in from the edge" in said
    assert "Backset" in pane(clerk, {**HARDWARE, "fit_stile": "4"})
    other = pane(clerk, {**HARDWARE, "fit_lock": "Budget deadbolt", "fit_stile": "4"})
    assert "No backset centers" in other and "The nearest that Budget deadbolt has is <b>2-3/8 in</b>" in other
    assert "No lock is named: these are common backsets" in pane(clerk, {**HARDWARE, "fit_stile": "4"})
    beside = pane(clerk, {**PART, "fit_lock": "Ferry 40 passage lock", "fit_stile": "4"})
    assert "No backsets of Ferry 40 passage lock are on record: these are common backsets" in beside


def test_a_rim_cylinders_tailpiece_and_a_mortise_ones_thread_are_answered(clerk: FormClient) -> None:
    rim = {**PART, "part_number": "A18R-Q1-66.SC", "fit_door": "1-3/4", "fit_lock": "Tidewater 6 night latch"}
    said = pane(clerk, {**rim, "fit_reach_least": "3/8", "fit_reach_most": "5/8", "fit_supplied": "3"})
    assert "cut to" in said and "The door asks for" not in said
    assert "Must reach past the door, most" in pane(clerk, {**rim, "fit_reach_least": "3/8", "fit_supplied": "3"})
    assert "it goes in" in pane(clerk, {**MORTISE, "fit_lock_hole": "1-5/32"})
    assert "it does not go in" in pane(clerk, {**MORTISE, "fit_lock_hole": "1-5/32", "fit_lock_threads": "27"})


def test_nonsense_in_the_boxes_is_answered(clerk: FormClient) -> None:
    full = {"fit_lock": "Ferry 40 passage lock", "fit_door": "2", "fit_key": "PK-91", "fit_cuts": "5"}
    nonsense = ("1" * 31, "x" * 10_000, "-1", "1/0", "\N{REPLACEMENT CHARACTER}")
    for name in (
        "fit_door",
        "fit_trim",
        "fit_cuts",
        "fit_stile",
        "fit_hole",
        "fit_finishes",
        "fit_lock",
        "fit_lock_hole",
        "fit_supplied",
    ):
        lines = [{**line, **full, "fit_stile": "4", name: text} for line in (MORTISE, HARDWARE) for text in nonsense]
        assert clerk.post("/counter/work-out", data=posted(*lines), headers=LIVE).status_code == 200


# ---- from the customer's page ----


def test_a_customers_page_leads_to_a_quote_for_them_and_their_site(clerk: FormClient, session: Session) -> None:
    site = session.scalars(sa.select(Site).where(Site.name == "The Flats")).one()
    page = clerk.get(f"/customers/{site.customer_id}").text
    link = f"/counter?customer={site.customer_id}&site={site.id}"
    assert f'href="{link}">Quote' in unescape(page)
    counter = clerk.get(link).text
    assert f'name="customer_id" value="{site.customer_id}"' in counter
    assert f'<option value="{site.id}" selected>The Flats</option>' in counter


@pytest.mark.parametrize(
    "query", ["customer=999999", "customer=x", "customer=" + "9" * 50, "customer=1&site=zzz", "site=1"]
)
def test_a_wrong_customer_in_the_address_is_answered(clerk: FormClient, query: str) -> None:
    assert clerk.get(f"/counter?{query}").status_code == 200


@pytest.mark.parametrize("begun", ["A18", "A18M-Q", "a18m q1"])
def test_a_number_half_typed_is_completed_with_the_same_maker(clerk: FormClient, begun: str) -> None:
    said = pane(clerk, {**PART, "part_number": begun})
    assert 'value="0:ARD:A18M-Q1-56.BB"' in said
    assert "0:PAR:35" not in said and "is the beginning of a number" in said


@pytest.mark.parametrize(("maker", "offered"), [("", {"ARD", "NOR"}), ("PAR", {"PAR"}), ("NOR", {"NOR"})])
def test_a_worn_number_of_a_maker_that_is_chosen_is_no_other_makers(
    clerk: FormClient, maker: str, offered: set[str]
) -> None:
    said = pane(clerk, {**PART, "part_number": "26", "maker": maker})  # in numbers of all three
    assert set(re.findall(r'name="put" value="0:([A-Z]+):', said)) == offered


def test_a_customers_key_blank_offers_what_takes_it(clerk: FormClient) -> None:
    said = pane(clerk, {**PART, "part_number": "PK-91"})
    assert "enters PR-P, AQ1" in said
    assert 'value="0:PAR:31.118.P05"' in said and 'value="0:PAR:PK-91"' not in said
    assert "enters" not in pane(clerk, {**PART, "part_number": "A18M-Q1-66.SC"})


def test_a_stile_is_answered_beside_a_mortise_lock(clerk: FormClient) -> None:
    said = pane(clerk, {**PART, "fit_lock": "Ferry 40 passage lock", "fit_stile": "4"})
    assert "the bolt is centered" in said and "at least one backset" not in said


def test_a_maker_without_a_pattern_stops_no_other_makers_numbers(clerk: FormClient, work: Work) -> None:
    maker = add_maker(work, "Aldgrave", "AAA")
    odd = CatalogItem("X-1", maker.name, "cylinder", "Odd cylinder", 500, 900, True)
    put_items(work.session, maker.id, [(odd, {})])
    work.session.commit()
    assert 'class="pieces"' in pane(clerk, dict(PART))
    assert "no part-number pattern" not in pane(clerk, dict(PART))
    sold = pane(clerk, {**PART, "part_number": "X-1"})
    assert "Odd cylinder" in sold and "$9.00" in sold
    keyed = pane(clerk, {**PART, "part_number": "X-1", "keying": "KD"})
    assert "do not say what X-1 is, so it cannot be keyed" in keyed


def offers(page: str) -> dict[str, list[dict[str, str]]]:
    """What the buttons of answers put on the quote: by their names, the lines."""
    found = re.findall(r'name="goods" value="0:(.*?)" hx-post="[^"]*" aria-label="Put (.*?) on the quote"', page)
    return {name: json.loads(lines) for lines, name in found}


def test_the_length_that_the_door_asks_for_is_put_on_the_line_by_a_press(clerk: FormClient, session: Session) -> None:
    # Door 2 in, case 1 in, cam 3/4 in: (2 - 1)/2 + 3/4 = 1-1/4 inside; with 1/8 in of trim 1-3/8 outside.
    line = {**PART, "quantity": "3", "fit_lock": "Ferry 40 passage lock", "fit_door": "2", "fit_trim": "1/8"}
    said = pane(clerk, line)
    assert "the door asks for 1-1/4 or 1-3/8 in" in said
    put = offers(said)
    assert list(put) == ["A22M-Q1-66.SC (outside)", "A20M-Q1-66.SC (inside)", "both cylinders"]
    page = pane(clerk, line, goods="0:" + json.dumps(put["both cylinders"]))
    assert "the door asks for" not in page and "A22M-Q1-66.SC, A20M-Q1-66.SC on this quote." in page
    lines = session.scalars(sa.select(Draft)).one().typed["lines"]
    kept = [(one["part_number"], one["quantity"], one["remark"], one["fit_trim"]) for one in lines]
    assert kept == [("A22M-Q1-66.SC", "3", "Outside", "1/8"), ("A20M-Q1-66.SC", "3", "Inside", "1/8")]


def test_cylinder_ring_and_the_locks_own_cam_go_on_the_quote_in_one_press(
    clerk: FormClient, session: Session
) -> None:
    # Door 2-1/4 in, case 1 in, cam 3/4 in: 1-3/8 inside; 1/16 in of trim: 1-7/16, so 1-1/2 with a 1/16 in ring.
    lock = {"fit_lock": "Beacon 8 vestibule lock", "fit_door": "2-1/4", "fit_trim": "1/16", "remark": "front"}
    put = offers(pane(clerk, {**PART, **lock}))
    assert list(put) == [
        "A24M-Q1-66.SC and AG-01 and NM-2 (outside)",
        "A22M-Q1-66.SC and NM-2 (inside)",
        "both cylinders",
    ]
    page = pane(clerk, {**PART, **lock}, goods="0:" + json.dumps(next(iter(put.values()))))
    lines = session.scalars(sa.select(Draft)).one().typed["lines"]
    assert [(one["part_number"], one["maker"], one["quantity"], one["remark"]) for one in lines] == [
        ("A24M-Q1-66.SC", "ARD", "1", "front; Outside"),
        ("AG-01", "ARD", "1", "For outside cylinder"),
        ("NM-2", "NOR", "1", "For outside cylinder"),
    ]
    assert "The face will be Ardent Brass's on a lock of Northlight's." in page
    assert "A24M-Q1-66.SC, AG-01, NM-2 on this quote." in page


def test_a_lock_that_no_table_has_is_asked_about_by_its_maker(clerk: FormClient) -> None:
    stranger = {"fit_lock_maker": "Corbel", "fit_door": "1-3/4", "fit_case": "1", "fit_cam_depth": "3/4"}
    said = pane(clerk, {**PART, **stranger})
    asked = (
        "The face will be Ardent Brass's on a lock of Corbel's. The cam of Ardent Brass that works a lock of "
        "Corbel's is not known: ask Corbel for the lock's own."
    )
    assert hidden(said, "face_asked") == asked and "Ask the customer and record the answer." in said
    assert "1-1/8 in" in said and "Whose lock is it?" not in said
    agreed = pane(clerk, {**PART, **stranger, "face_asked": asked}, face="0:agreed")
    assert hidden(agreed, "face_answer") == "agreed"
    own = pane(clerk, {**PART, "fit_door": "1-3/4", "fit_case": "1", "fit_cam_depth": "3/4"})
    assert "Whose lock is it?" in own and hidden(own, "face_asked") == ""


def test_the_right_length_is_offered_with_a_cam_that_the_lock_takes(clerk: FormClient) -> None:
    line = {**PART, "part_number": "A22M-Q1-66.SC", "fit_lock": "Ferry 43 deadlock", "fit_door": "1-5/8"}
    said = pane(clerk, line)
    assert "It takes the long cam." in said and "the door asks for 1-1/8 in" in said
    assert list(offers(said)) == ["A18M-Q1-66L.SC (outside)", "A18M-Q1-66L.SC (inside)", "both cylinders"]
    put = pane(clerk, line, put="0:ARD:A18M-Q1-66L.SC")
    assert "It takes the long cam." not in put and "the door asks for 1-1/8 in" not in put
    # (2-1/4 - 1)/2 + 13/16 = 1-7/16: the catalog has no 1-1/2 in cylinder with the long cam, the maker makes one.
    long = pane(clerk, {**line, "fit_door": "2-1/4"})
    assert "A24M-Q1-66L.SC and AG-01 (outside)" in offers(long) and "not in the catalog: ask for its price" in long


def test_a_number_without_a_price_is_known_for_its_door_all_the_same(clerk: FormClient) -> None:
    # (2-1/4 - 1)/2 + 3/4 = 1-3/8: the catalog has no A22M in keyway AQ4.
    strange = {**PART, "part_number": "A22M-Q4-66.SC", "fit_lock": "Pier 20 office lock", "fit_door": "2-1/4"}
    said = pane(clerk, strange)
    assert "ask the maker for the price" in said and "A22M-Q4-66.SC on this quote." in said
    half = pane(
        clerk, {**MORTISE, "quantity": "", "chambers": "5/6", "fit_lock": "Pier 20 office lock", "fit_door": "2"}
    )
    assert "A20M-Q1-56.SC (outside)" in offers(half)


def test_a_deadbolts_backset_goes_on_the_quote_with_the_lock(clerk: FormClient, session: Session) -> None:
    said = pane(clerk, {**PART, "part_number": "P-BUDGET", "fit_lock": "Budget deadbolt", "fit_stile": "101.6 mm"})
    assert "Stile width: 101.6 mm is 4 in." in said and "No backset centers" in said
    put = offers(said)["CAP2-Q1-66.SC"]
    budget = {**PART, "part_number": "P-BUDGET", "quantity": "2", "fit_lock": "Budget deadbolt", "fit_stile": "4"}
    page = pane(clerk, budget, goods="0:" + json.dumps(put))
    assert "the bolt is centered" in page and "The face will be" not in page
    (line,) = session.scalars(sa.select(Draft)).one().typed["lines"]
    assert (line["part_number"], line["maker"], line["quantity"]) == ("CAP2-Q1-66.SC", "ARD", "2")
    assert line["remark"] == "Capstan 2 deadbolt: backset 2 in, hole 2-1/8 in, stile 4 in"
    assert (line["fit_lock"], line["fit_stile"], line["fit_hole"]) == ("Capstan 2 deadbolt", "101.6 mm", "2-1/8")


@pytest.mark.parametrize("nonsense", ["", "{}", "[1]", "[" * 9000, '[{"kind": 3}]', "x" * 30_000])
def test_nonsense_for_goods_changes_no_line(clerk: FormClient, session: Session, nonsense: str) -> None:
    pane(clerk, dict(PART), goods="0:" + nonsense)
    lines = session.scalars(sa.select(Draft)).one().typed["lines"]
    assert nonsense == '[{"kind": 3}]' or [one["part_number"] for one in lines] == ["A18M-Q1-66.SC"]


def test_goods_go_on_the_page_that_was_typed_into_last_and_still_waits(clerk: FormClient, session: Session) -> None:
    ring = {"lines": json.dumps([{"kind": "part number", "maker": "ARD", "part_number": "AG-01"}])}
    number = clerk.post("/counter/keep", data=posted(PART)).location.rpartition("/")[2]
    address, _, line = clerk.post("/counter/put", data=ring).location.partition("#")
    assert address.startswith(f"/counter?job={number}&draft=") and line == "line-1"
    page = clerk.get(address).text
    assert 'value="A18M-Q1-66.SC"' in page and 'value="AG-01"' in page
    version = re.search(r'name="job_version" value="([0-9]+)"', page)
    assert version
    typed = {**posted(PART), "job_version": version[1]}
    assert clerk.post(f"/counter/issue?job={number}", data=typed | {"is_new_customer": "another"}).status_code == 303
    # The quote is out: what is found now goes on a page of its own.
    after = clerk.post("/counter/put", data=ring).location
    assert "job=" not in after and after.endswith("#line-0")


def test_goods_fill_a_line_in_which_nothing_is_said_yet(clerk: FormClient, session: Session) -> None:
    ring = {"lines": json.dumps([{"kind": "part number", "maker": "ARD", "part_number": "AG-01"}])}
    clerk.post("/counter/work-out", data=posted({"kind": "part number", "quantity": "4"}), headers=LIVE)
    assert clerk.post("/counter/put", data=ring).location.endswith("#line-0")
    (line,) = session.scalars(sa.select(Draft)).one().typed["lines"]
    assert (line["part_number"], line["quantity"]) == ("AG-01", "4")


# ---- the customer's key ----


@pytest.mark.parametrize(
    ("typed", "kept", "are_cuts"),
    [
        *(("6", "6", False), ("six", "6", False), ("6 cuts", "6", False), ("five-pin", "5", False)),
        *(("275038", "6", True), ("2-7-5-0-3", "5", True), ("2 7 5 0 3 8", "6", True)),
        *(("27503812345678", "", False), ("2x75038", "", False), ("0", "0", False), ("many", "many", False)),
    ],
)
def test_of_a_keys_cuts_their_number_alone_is_kept(
    clerk: FormClient, session: Session, typed: str, kept: str, are_cuts: bool
) -> None:
    said = pane(clerk, {**PART, "fit_key": "PK-91", "fit_cuts": typed})
    assert session.scalars(sa.select(Draft)).one().typed["lines"][0]["fit_cuts"] == kept
    assert ("cuts were counted; their depths are not kept here" in said) == are_cuts


def test_the_cuts_that_an_earlier_release_kept_are_said_nowhere() -> None:
    line = LineRequest(
        LineKind.PART, 1, part_number="A18M-Q1-66.SC", fit=(("fit_key", "PK-91"), ("fit_cuts", "275038"))
    )
    assert said_of_line(line.to_json()) == ("In place of a cylinder, its key PK-91",)
    typed = line_of_ask(line)
    assert typed["fit_key"] == "PK-91" and "fit_cuts" not in typed
