"""A job keyed in two places, from the counter page: marked by a line's own day, shown, insisted on, printed."""

import re
from collections.abc import Callable
from html import unescape

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.tables import Job, Key, KeyState, Role
from tests.desk import accepted, issued, quoted
from tests.factories import FormClient
from tests.forms_found import form_with
from tests.reading import pdf_text
from tests.stocked import MORTISE, PART, empty_house, posted

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]
BULK = {**MORTISE, "keying": "MK", "quantity": "60"}
EARLY = {**BULK, "quantity": "4", "need_by": "2026-12-07"}
LIVE = {"HX-Request": "true"}


def worked_out(client: FormClient, *lines: dict[str, str], **head: object) -> str:
    return unescape(client.post("/counter/work-out", data=posted(*lines, **head), headers=LIVE).text)


def approved(owned: FormClient, session: Session, *lines: dict[str, str]) -> None:
    """Issue a quote of these lines and accept it: job 1001."""
    accepted(owned, quoted(owned, *lines))
    session.rollback()


def moved(owned: FormClient, session: Session, to: str) -> str:
    """What the page says when job 1001 is moved to a stage."""
    session.rollback()
    version = session.scalars(sa.select(Job.version)).one()
    answer = owned.post("/jobs/1001/move", data={"version": version, "to": to})
    return unescape(owned.get(answer.location).text if answer.status_code == 303 else answer.text)


def test_a_lines_own_day_makes_two_parts(client_as: ClientAs) -> None:
    page = worked_out(client_as(Role.COUNTER), BULK, EARLY)
    assert "In both" in page and "60 cylinders, the bulk" in page
    assert "4 cylinders ready on" in page and "keyed on our bench; 60 cylinders" in page
    ways = page[page.index('id="ways"') :]
    ways = ways[: ways.index("This line")] if "This line" in ways else ways
    assert "Costs" not in ways and not re.search(r"\d+ h \d+ min", ways)
    assert ways.count("The factory's earliest date") == 1  # beside its way, and not told again below


def test_both_are_insisted_on_with_a_reason_and_refused_without_marked_lines(client_as: ClientAs) -> None:
    clerk = client_as(Role.COUNTER)
    insisted = {"keyed_at": "split", "override_reason": "the flats open in two lots"}
    assert "give some lines of a maker's cylinders a day of their own" in worked_out(clerk, BULK, **insisted)
    late = {**EARLY, "need_by": "2027-06-01"}
    page = worked_out(clerk, BULK, late, **insisted)
    assert "your choice" in page and "60 cylinders, the bulk" in page
    assert "the bulk" not in worked_out(clerk, BULK, late)


@pytest.mark.parametrize("typed", ["soon", "2026-13-01", "2026-11-24", "9" * 10_000])
def test_a_day_that_cannot_be_is_said_beside_the_line_and_kept(client_as: ClientAs, typed: str) -> None:
    answer = client_as(Role.COUNTER).post("/counter/issue", data=posted(BULK, {**EARLY, "need_by": typed}))
    page = unescape(answer.text)
    assert answer.status_code == 422 and typed in page
    assert re.search(r'data-for="lines-\d-need_by"', page)


def test_it_is_issued_printed_and_revised(client_as: ClientAs, session: Session) -> None:
    clerk, owned = client_as(Role.COUNTER), client_as(Role.OWNER)
    assert clerk.post("/counter/issue", data=posted(BULK, EARLY)).status_code == 303
    paper = pdf_text(clerk.get("/quotes/1001/1/quote.pdf").data)
    assert "4 cylinders ready on the day of acceptance" in paper
    assert "60 cylinders ready 15 working days after acceptance" in paper
    assert "Extension at the factory" not in paper and "Cost" not in paper
    costs = pdf_text(owned.get("/quotes/1001/1/owner.pdf").data)
    assert "Keying of the whole job" in costs and "both (chosen)" in costs and "with the above" in costs
    assert "What keying this mix costs" in costs
    shown = unescape(owned.get("/quotes/1001/1").text)
    assert "The whole job" in shown and 'stroke-dasharray="6 3"' in shown
    assert "stroke-dasharray" not in clerk.get("/quotes/1001/1").text
    assert 'value="2026-12-07"' in clerk.get("/counter?job=1001").text


def test_the_restricted_keyway_is_a_risk_that_the_counter_reads(client_as: ClientAs) -> None:
    line = {**PART, "part_number": "A18M-Q6-66.SC", "unit_price": "30", "price_reason": "asked the maker"}
    assert "Keyway AQ6 needs its owner's written order." in worked_out(client_as(Role.COUNTER), line)


def test_the_bench_ticks_what_it_keys_and_the_factorys_keys_are_there_once_it_is_ready(
    client_as: ClientAs, session: Session
) -> None:
    owned = client_as(Role.OWNER)
    approved(owned, session, BULK, EARLY)
    assert "Job 1001 is on the bench now." in moved(owned, session, "on the bench")
    assert "4 of this job's cylinders are not ticked off as checked: no door 61AA, no door 62AA" in moved(
        owned, session, "checked"
    )
    page = owned.get("/bench/jobs/1001").text
    here = re.findall(r'name="cylinders" value="([0-9]+)"', page)
    keysets = re.findall(r'name="keys" value="([0-9]+)"', page)
    assert (len(here), len(keysets)) == (4, 4) and "<dt>Keys to cut</dt><dd>8 of 8</dd>" in page
    for how in ("pinned", "checked"):
        assert owned.post("/bench/jobs/1001/ticks", data={"as": how, "cylinders": here}).status_code == 303
    assert owned.post("/bench/jobs/1001/ticks", data={"as": "cut", "keys": keysets[:3]}).status_code == 303
    assert "Job 1001 is checked now." in moved(owned, session, "checked")
    assert "2 keys are not cut yet: " in moved(owned, session, "ready")
    session.rollback()
    states = dict(session.execute(sa.select(Key.state, sa.func.count()).group_by(Key.state)).all())
    assert states == {KeyState.ORDERED: 2, KeyState.CUT: 126}


def test_the_masters_keys_are_cut_in_one_place(client_as: ClientAs, session: Session) -> None:
    """The shop cuts them where it keys any cylinder of their system, and asks them of no factory."""
    owned = client_as(Role.OWNER)
    approved(owned, session, BULK, EARLY, {"kind": "keys", "quantity": "3", "symbol": "AA"})
    assert "<dt>Keys to cut</dt><dd>11 of 11</dd>" in owned.get("/bench/jobs/1001").text
    assert "keys only" not in pdf_text(owned.get("/jobs/1001/factory-order-1.pdf").data)


def test_the_factorys_keys_do_not_wait_for_our_bench(client_as: ClientAs, session: Session) -> None:
    """The bench's day counts 8 of the 128 keys, and lists the job no longer once those are cut."""
    owned = client_as(Role.OWNER)
    approved(owned, session, BULK, EARLY)
    assert '<td data-label="Keys to cut" data-say="keys to cut" class="number">8</td>' in owned.get("/bench").text
    assert "is on the bench now." in moved(owned, session, "on the bench")
    page = owned.get("/bench/jobs/1001").text
    here, keysets = (re.findall(f'name="{name}" value="([0-9]+)"', page) for name in ("cylinders", "keys"))
    for how, ticked in (("pinned", here), ("checked", here), ("cut", keysets[:1])):
        name = "keys" if how == "cut" else "cylinders"
        assert owned.post("/bench/jobs/1001/ticks", data={"as": how, name: ticked}).status_code == 303
    assert "is checked now." in moved(owned, session, "checked")
    assert '<td data-label="Keys to cut" data-say="keys to cut" class="number">6</td>' in owned.get("/bench").text
    assert owned.post("/bench/jobs/1001/ticks", data={"as": "cut", "keys": keysets}).status_code == 303
    assert "Nothing waits for the bench." in owned.get("/bench").text


def test_bench_times_are_asked_for_the_keys_that_the_bench_cuts(client_as: ClientAs, session: Session) -> None:
    owned = client_as(Role.OWNER)
    approved(owned, session, BULK, EARLY)
    page = unescape(owned.get("/bench/jobs/1001/times").text)
    assert "Cutting 8 keys" in page and "128 keys" not in page


def test_one_press_quotes_in_time_what_can_be(clerk: FormClient) -> None:
    """Wednesday 25 November: the shelf has 80 of 90, and Friday ends 990 minutes of 12 each: 80 by then, 10 later."""
    line = {**MORTISE, "keying": "KD", "quantity": "90", "remark": "north hall"}
    form = posted(line, need_by="2026-11-27", title="Ninety")
    page = unescape(clerk.post("/counter/work-out", data=form).text)
    assert "By Friday 27 November 2026 our bench can have 80 of 90 cylinders ready." in page
    assert "Quote as two deliveries" in page
    parted = clerk.post("/counter/work-out", data={**form_with(page, "title"), "deliver": "apart"}).text
    sent = form_with(parted, "title")
    lines = [[sent[f"lines-{key}-{name}"] for name in ("quantity", "need_by", "remark")] for key in (0, 1)]
    assert lines == [["80", "2026-11-27", "north hall"], ["10", "", "north hall"]]
    assert (sent["need_by"], sent["customer_name"], sent["title"]) == ("", "I. Plover", "Ninety")
    number = issued(clerk, sent)
    accepted(clerk, number)
    paper = pdf_text(clerk.get(f"/quotes/{number}/1/quote.pdf").data)
    assert "80 cylinders ready 2 working days after acceptance" in paper
    unread = {**form, "lines-1-kind": "cylinder", "lines-1-quantity": "many"}
    assert "Quote as two deliveries" not in clerk.post("/counter/work-out", data=unread).text
