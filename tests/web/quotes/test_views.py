"""A quote's page, its papers, and accepting it with its doors."""

import re
from collections.abc import Callable
from datetime import date, timedelta
from html import unescape

import pytest
import sqlalchemy as sa
from flask import Flask
from sqlalchemy.orm import Session

from app.keying import write_bitting
from app.ledger.care.opening import Ledger
from app.ledger.catalog.house_settings import set_factory_terms
from app.ledger.catalog.price_queries import bench_terms_on
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.keysystems.systems import SystemForm, insert_system
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import (
    BenchTermsRow,
    Cylinder,
    Door,
    FactoryTermsRow,
    Job,
    Keyset,
    KeySystem,
    Maker,
    QuoteRevision,
    RecordsHolder,
    Role,
    Site,
    Stage,
)
from app.pricing import add_working_days, show_day
from app.web.quotes.accepting import read_table, typed_rows
from app.web.templating import show_day as day_of_page
from tests import factories
from tests.conftest import NOW
from tests.desk import accept_page_sent, quoted
from tests.factories import FormClient
from tests.forms_found import form_with
from tests.keyed import mark_lost
from tests.ledger.conftest import customer_id
from tests.reading import pdf_text
from tests.stocked import MORTISE, PART, empty_house, posted

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]
FLATS = {"kind": "part number", "part_number": "AD-Q1-66.SC", "quantity": "24", "keying": "MK", "keys_each": "2"}
AT_THE_BENCH = {"keyed_at": "shop", "override_reason": "wanted this week, says the manager"}


def accepted(**more: object) -> dict[str, object]:
    return {"version": "2", "accepted_by": "R. Teal", "accepted_on": "2026-11-25", "po_number": "PO 7", **more}


def accept(clerk: FormClient, session: Session, **more: object) -> tuple[int, str]:
    session.rollback()
    version = session.scalars(sa.select(Job.version)).one()
    answer = clerk.post("/quotes/1001/accept", data=accepted(version=version, **more))
    session.rollback()
    return answer.status_code, unescape(answer.text) if answer.status_code == 422 else str(answer.location)


def cylinders(session: Session) -> list[Cylinder]:
    return list(session.scalars(sa.select(Cylinder).order_by(Cylinder.id)))


# ---- the quote ----


def test_the_page_shows_what_the_paper_says(clerk: FormClient) -> None:
    quoted(clerk, dict(MORTISE), title="Pair alike")
    page = unescape(clerk.get("/quotes/1001/1").text)
    for words in (
        "I. Plover",
        "Pair alike",
        "A18M-Q1-66.SC",
        "$60.80",
        "Keys, 2 a cylinder",
        "25 Dec 2026",
        "Accept",
    ):
        assert words in page
    assert "Cost" not in page and "margin" not in page.lower()


def test_the_papers_open_in_the_browser_under_plain_names(client_as: ClientAs) -> None:
    quoted(client_as(Role.COUNTER), dict(MORTISE))
    paper = client_as(Role.COUNTER).get("/quotes/1001/1/quote.pdf")
    assert paper.data.startswith(b"%PDF") and paper.mimetype == "application/pdf"
    assert paper.headers["Content-Disposition"] == 'inline; filename="quote-1001-1.pdf"'
    assert client_as(Role.COUNTER).get("/quotes/1001/1/owner.pdf").status_code == 403
    assert client_as(Role.OWNER).get("/quotes/1001/1/owner.pdf").data.startswith(b"%PDF")


def test_the_reason_for_an_override_is_the_owners_to_read(client_as: ClientAs) -> None:
    quoted(client_as(Role.COUNTER), FLATS, **AT_THE_BENCH)
    seen, owned = (client_as(role).get("/quotes/1001/1").text for role in (Role.COUNTER, Role.OWNER))
    assert "Chosen against the figures" in seen and "says the manager" not in seen
    assert "says the manager" in owned


@pytest.mark.parametrize("path", ["/quotes/1001/2", "/quotes/1002/1", "/quotes/1001/0", f"/quotes/{10**30}/1"])
def test_a_quote_that_is_not_there(clerk: FormClient, path: str) -> None:
    quoted(clerk, dict(PART))
    assert clerk.get(path).status_code == 404
    assert clerk.get(f"{path}/quote.pdf").status_code == 404


def test_an_older_revision_says_so_and_is_not_accepted(clerk: FormClient) -> None:
    quoted(clerk, dict(PART))
    clerk.post("/counter/issue?job=1001", data=posted(dict(MORTISE), token="u" * 32, job_version=2))
    older, newer = clerk.get("/quotes/1001/1").text, clerk.get("/quotes/1001/2").text
    assert "replaced by revision 2" in older and "/quotes/1001/accept" not in older
    assert "/quotes/1001/accept" in newer and "Revision 1" in newer


def test_the_customer_said_no(clerk: FormClient, session: Session) -> None:
    quoted(clerk, dict(PART))
    page = clerk.get("/quotes/1001/1").text
    sent = {"version": re.findall(r'name="version" value="(\d+)"', page)[0], "to": "lost", "reason": "bought online"}
    assert clerk.post("/jobs/1001/move", data=sent).status_code == 303
    session.rollback()
    assert session.scalars(sa.select(Job.stage)).one() is Stage.LOST


# ---- accepting ----


def test_doors_pasted_from_a_spreadsheet(clerk: FormClient, session: Session) -> None:
    quoted(clerk, dict(MORTISE))
    pasted = "opening\thand\tlocation\r\nF1\tRH\tFront door\r\nB1\tlh\tYard door\r\n"
    assert accept(clerk, session, doors=pasted, site_name="The Quay") == (303, "/jobs/1001")
    assert [(c.door.opening_number, c.door.location, c.door.hand) for c in cylinders(session) if c.door] == [
        ("F1", "Front door", "RH"),
        ("B1", "Yard door", "LH"),
    ]
    job = session.scalars(sa.select(Job)).one()
    assert (job.stage, job.accepted_by, job.po_number) == (Stage.APPROVED, "R. Teal", "PO 7")
    assert job.site is not None and job.site.name == "The Quay"


def test_a_pasted_list_with_other_names_is_asked_about_and_goes_on(clerk: FormClient, session: Session) -> None:
    quoted(clerk, dict(MORTISE))
    given = {"doors": "Tag\tSwing\r\nFRONT\tRH\r\nBACK\tlh\r\n", "site_name": "The Quay"}
    status, page = accept(clerk, session, **given)
    assert status == 422 and "Which column is which" in page and cylinders(session) == []
    asked = {name: value for name, value in form_with(page, "columns-of").items() if name.startswith("columns-of")}
    chosen = {**given, **asked, "column-0": "opening", "column-1": "hand", "first-row": "heading"}
    assert accept(clerk, session, **chosen) == (303, "/jobs/1001")
    there = [(one.door.opening_number, one.door.hand) for one in cylinders(session) if one.door]
    assert there == [("FRONT", "RH"), ("BACK", "LH")]


def test_doors_typed_in_the_table_keep_their_cylinders(clerk: FormClient, session: Session) -> None:
    quoted(clerk, {**PART, "quantity": "3"}, site="Shed")
    table = {"row-1-opening": "101", "row-3-opening": "103", "row-3-egress": "yes", "row-3-fire_rated": "yes"}
    status, place = accept(clerk, session, **table)
    assert (status, place) == (303, "/jobs/1001")
    doors = [cylinder.door for cylinder in cylinders(session)]
    assert [door and door.opening_number for door in doors] == ["101", None, "103"]
    assert doors[2] is not None and doors[2].is_egress and doors[2].is_fire_rated


@pytest.mark.parametrize("typed", ["North Hall", " north HALL "])
def test_the_doors_can_be_on_a_site_that_the_customer_has(clerk: FormClient, session: Session, typed: str) -> None:
    hall = session.scalars(sa.select(Site).where(Site.name == "North Hall")).one()
    names = session.scalars(sa.select(Site.name).order_by(Site.name)).all()
    quoted(clerk, dict(MORTISE), customer_id=hall.customer_id)
    page = clerk.get("/quotes/1001/accept").text
    assert '<option value="North Hall">' in page and re.search(r'<input[^>]* list="sites"', page)
    assert accept(clerk, session, doors="F1\nB1", site_name=typed) == (303, "/jobs/1001")
    assert session.scalars(sa.select(Job.site_id)).all() == [hall.id]
    assert {cylinder.door.site_id for cylinder in cylinders(session) if cylinder.door} == {hall.id}
    assert session.scalars(sa.select(Site.name).order_by(Site.name)).all() == names


def test_nothing_but_a_name_is_enough(clerk: FormClient, session: Session) -> None:
    quoted(clerk, dict(MORTISE))
    assert accept(clerk, session)[0] == 303
    assert [cylinder.door for cylinder in cylinders(session)] == [None, None]


def test_a_keyset_can_be_wished_for(clerk: FormClient, session: Session) -> None:
    quoted(clerk, FLATS, site="The Flats", **AT_THE_BENCH)
    assert accept(clerk, session, **{"row-1-opening": "F1", "row-1-keyset": "7AA"})[0] == 303
    first = cylinders(session)[0]
    assert first.keyset_id is not None and session.get_one(Keyset, first.keyset_id).symbol == "7AA"


def test_a_factory_extends_a_system_from_our_records_and_they_stay_here(
    client_as: ClientAs, clerk: FormClient, work: Work, session: Session
) -> None:
    """Enough of them for the factory to be the cheaper way, whose maker keys from records that it is sent."""
    with transaction(work.session):
        system = insert_system(work, SystemForm(customer_id(work, "Saltmarsh Mar"), "Halls", 3, "AQ1", 6, masters=2))
    line = {**PART, "quantity": "24", "keying": "GMK", "master": "AB"}
    quoted(clerk, line, customer_id=system.customer_id, system_id=system.id)
    page = unescape(client_as(Role.OWNER).get("/quotes/1001/1").text)
    assert "Keyed at the factory" in page and "The bitting list stays here" in page
    assert accept(clerk, session)[0] == 303
    assert session.scalars(sa.select(Job.keyed_at)).all() == ["factory"]
    keysets = [one.keyset for one in cylinders(session) if one.keyset]
    assert len(keysets) == 24 and {one.system_id for one in keysets} == {system.id}
    assert system.records is RecordsHolder.SHOP and all(one.bitting is not None for one in keysets)
    order = clerk.get("/jobs/1001/factory-order-1.pdf")
    assert "We hold this system's records" in pdf_text(order.data)


def test_single_keyed_cylinders_of_our_system_go_to_no_factory_that_takes_no_records(
    clerk: FormClient, work: Work, session: Session
) -> None:
    """Enough of them for the factory to be the cheaper way."""
    row = session.scalars(sa.select(FactoryTermsRow).join(Maker).where(Maker.code == "ARD")).one()
    set_factory_terms(work, "ARD", work.today, {**row.terms, "takes_records": False})
    with transaction(work.session):
        system = insert_system(work, SystemForm(customer_id(work, "Saltmarsh Mar"), "Halls", 3, "AQ1", 6))
    line = {**PART, "quantity": "24", "keying": "SKD"}
    quoted(clerk, line, customer_id=system.customer_id, system_id=system.id)
    assert accept(clerk, session)[0] == 303
    assert session.scalars(sa.select(Job.keyed_at)).all() == ["shop"]


BAD = (
    ({"accepted_by": ""}, "Enter the name of the person"),
    ({"accepted_by": "R\0T"}, "cannot be written"),
    ({"accepted_by": "N" * 10_000}, "At most 120"),
    ({"po_number": "P" * 10_000}, "At most 60"),
    ({"accepted_on": "2026-11-26"}, "cannot lie ahead"),
    ({"accepted_on": "2026-11-24"}, "before the quote was issued"),
    ({"accepted_on": "yesterday"}, ""),
    ({"row-2-hand": "up", "row-2-opening": "B1"}, 'Write LH, RH, LHR, RHR or nothing, not "up"'),
    ({"row-1-opening": "F1", "row-2-opening": "F1"}, "F1 stands in row 1 already"),
    ({"row-1-opening": "F1", "row-1-keyset": "99AA"}, "99AA is none of this line's keysets"),
    ({"row-2-location": "Yard"}, "A location or a lock needs an opening number"),
    ({"row-1-opening": "O" * 10_000}, "at most 40 characters"),
    ({"doors": "F1\nF2\nF3"}, "There are 3 rows, but only 2 cylinders"),
    ({"doors": "opening\tcolor\nF1\tred"}, "Row 1: 'color' is not one of"),
    ({"doors": "F1\tYard\tup"}, "Row 1, hand"),
    ({"doors": "F1", "row-1-opening": "F1"}, "not both"),
    ({"doors": "F1", "site_name": "S" * 10_000}, "At most 120"),
    ({"doors": "F1", "site_name": ""}, "enter the site's name"),
)


@pytest.mark.parametrize(("given", "words"), BAD)
def test_what_cannot_be_accepted_is_refused_with_everything_kept(
    clerk: FormClient, session: Session, given: dict[str, str], words: str
) -> None:
    quoted(clerk, dict(MORTISE))
    status, page = accept(clerk, session, **{"site_name": "The Quay", **given})
    assert status == 422 and words.casefold() in page.casefold()
    assert cylinders(session) == [] and session.scalar(sa.select(sa.func.count()).select_from(Door)) == 0
    assert "The Quay" not in session.scalars(sa.select(Site.name)).all()
    assert session.scalars(sa.select(Job.stage)).one() is Stage.QUOTED
    for value in given.values():
        assert value.replace("\0", "") in page.replace("\0", "")


def test_a_refused_cell_is_marked(clerk: FormClient, session: Session) -> None:
    quoted(clerk, dict(MORTISE))
    page = accept(clerk, session, **{"row-2-opening": "B1", "row-2-hand": "up"})[1]
    assert re.search(r'name="row-2-hand"[^>]*aria-invalid="true" aria-describedby="row-2-hand-error"', page)
    assert 'id="row-2-hand-error"' in page


def test_more_cylinders_than_rows_of_boxes_are_pasted(clerk: FormClient, session: Session) -> None:
    quoted(clerk, {**PART, "quantity": "31"}, site="Shed")
    page = clerk.get("/quotes/1001/accept").text
    assert "row-1-opening" not in page and 'name="doors"' in page
    doors = "\n".join(f"D{number}" for number in range(1, 32))
    assert accept(clerk, session, doors=doors)[0] == 303
    assert len(cylinders(session)) == 31


@pytest.mark.parametrize(("two", "before", "option"), [({}, "", ""), ({"option_b": "factory"}, "Option A: ", "A")])
def test_what_the_shelf_has_not_left_by_now_is_promised_for_the_day_when_it_is_here(
    clerk: FormClient, session: Session, two: dict[str, str], before: str, option: str
) -> None:
    """Three quotes are promised from one shelf of 40 bored cylinders: 24, 12 and 24 more; the bench has time."""
    terms = session.scalars(sa.select(BenchTermsRow)).one()
    terms.terms = {**terms.terms, "minutes_per_day": 5000}
    session.commit()
    for name, count, more in (("First", "24", {}), ("Second", "12", {}), ("Third", "24", two)):
        head = {"token": name * 6, "customer_name": name, "system_name": name, **AT_THE_BENCH, **more}
        quoted(clerk, {**FLATS, "quantity": count}, **head)
    on_paper = dict(session.execute(sa.select(Job.number, Job.promised_on)).all())

    def taken(number: int, **chosen: str) -> tuple[str, date | None]:
        session.rollback()
        page = unescape(clerk.get(f"/quotes/{number}/accept").text)
        version = session.scalars(sa.select(Job.version).where(Job.number == number)).one()
        sent = accepted(version=version, **chosen)
        assert clerk.post(f"/quotes/{number}/accept", data=sent).status_code == 303
        session.rollback()
        return page, session.scalars(sa.select(Job.promised_on).where(Job.number == number)).one()

    for number in (1001, 1002):
        page, promised = taken(number)
        assert "not on the shelf" not in page and promised == on_paper[number]
    here = add_working_days(NOW.date(), bench_terms_on(session, NOW.date()).uncombinated_lead_days or 0)
    page, promised = taken(1003, **({"option": option} if option else {}))
    said = "20 of 24 cylinders are not on the shelf: 20 to order, here on "
    assert f"{before}{said}{show_day(here)}." in page
    assert promised == here > on_paper[1003]
    assert ("promised " if option else "it is promised for ") + day_of_page(here) in page


def test_rush_work_has_its_price_on_the_paper_and_its_place_on_the_bench(
    client_as: ClientAs, session: Session
) -> None:
    """The book's price for a rush is $35.00, whatever the job's size."""
    clerk = client_as(Role.COUNTER)
    usual = quoted(clerk, dict(MORTISE), token="usual")
    rushed = quoted(clerk, dict(MORTISE), token="rushed", urgency="rush")
    before, after = session.scalars(sa.select(QuoteRevision.subtotal_cents).order_by(QuoteRevision.id))
    assert after - before == 3500
    session.rollback()
    paper = pdf_text(clerk.get(f"/quotes/{rushed}/1/quote.pdf").data)
    assert "Rush: before the bench's other work" in paper and "$35.00" in paper and "as rush work" in paper
    assert "Rush" not in pdf_text(clerk.get(f"/quotes/{usual}/1/quote.pdf").data)
    page = clerk.get(f"/quotes/{rushed}/accept").text
    assert "Ready on the day of acceptance. Accepted today, it is promised for 25 Nov 2026." in page
    for number in (usual, rushed):
        accept_page_sent(clerk, number)
    bench = client_as(Role.BENCH).get("/bench").text
    assert re.findall(r">(100\d)</a>", bench) == [str(rushed), str(usual)]
    assert bench.count("rush") - bench.count("rush work") == 1


def test_at_the_bench_is_one_of_three(clerk: FormClient) -> None:
    page = unescape(clerk.post("/counter/issue", data=posted(dict(MORTISE), urgency="soon")).text)
    assert "Choose when the bench takes it up." in page and '<option value="soon" selected>' in page


def test_a_stale_acceptance_says_so(clerk: FormClient, session: Session) -> None:
    quoted(clerk, dict(PART))
    answer = clerk.post("/quotes/1001/accept", data=accepted(version=1, accepted_by="My own words"))
    assert answer.status_code == 409 and "My own words" in answer.text
    assert cylinders(session) == []


def test_an_accepted_quote_is_not_accepted_again(clerk: FormClient, session: Session) -> None:
    quoted(clerk, dict(MORTISE))
    assert accept(clerk, session)[0] == 303
    assert clerk.get("/quotes/1001/accept").location == "/quotes/1001/1"
    status, page = accept(clerk, session)
    assert status == 422 and "Only a quoted job can be accepted" in page
    assert len(cylinders(session)) == 2


def test_a_quote_is_offered_for_acceptance_up_to_its_last_day(
    clerk: FormClient, web: Flask, session: Session
) -> None:
    quoted(clerk, dict(MORTISE))
    quote = session.scalars(sa.select(QuoteRevision)).one()
    for days, is_over in ((0, False), (1, True)):
        on = quote.valid_until + timedelta(days=days)
        web.extensions["clock"] = lambda on=on: NOW + (on - NOW.date())
        clerk.log_in(quote.issued_by)
        assert ("This quote was valid until" in clerk.get("/quotes/1001/1").text) is is_over
        assert ("the prices held until" in clerk.get("/quotes/1001/accept").text) is is_over
    assert accept(clerk, session, accepted_on=quote.valid_until.isoformat())[0] == 303


def test_an_expired_quote_is_accepted_only_for_a_day_when_it_held(
    clerk: FormClient, web: Flask, session: Session
) -> None:
    quoted(clerk, dict(MORTISE))
    # Within one login: what matters is the day.
    web.extensions["clock"] = lambda: NOW + timedelta(days=31)
    clerk.log_in(session.scalars(sa.select(QuoteRevision)).one().issued_by)
    assert "Revise it to quote" in clerk.get("/quotes/1001/1").text
    assert "valid until 25 Dec 2026" in accept(clerk, session, accepted_on="2026-12-26")[1]
    assert accept(clerk, session, accepted_on="2026-12-20")[0] == 303


def test_a_quote_into_a_system_with_a_lost_master_says_so_where_it_is_accepted(
    clerk: FormClient, session: Session
) -> None:
    quoted(clerk, FLATS, site="The Flats", **AT_THE_BENCH)
    doors = "\n".join(f"F{number}\tFlat {number}\tRH" for number in range(1, 25))
    assert accept(clerk, session, doors=doors)[0] == 303
    system = session.scalars(sa.select(KeySystem)).one()
    master = next(keyset for keyset in system.keysets if keyset.symbol == "AA")
    more = {"customer_id": system.customer_id, "system_id": system.id, "site": "", "token": "u" * 32, **AT_THE_BENCH}
    quoted(clerk, {**FLATS, "quantity": "1"}, **more)
    page = clerk.get("/quotes/1002/accept")
    assert page.status_code == 200 and "is lost" not in page.text
    session.rollback()
    mark_lost(session, factories.KeyFactory(keyset=master, copy_number=9))
    said = f"A key of AA of {system.name} is lost (copy 9): whoever has it would open all that is newly keyed under"
    assert said in unescape(clerk.get("/quotes/1002/accept").text)


def test_no_page_or_paper_of_the_counter_shows_a_bitting(clerk: FormClient, session: Session, ledger: Ledger) -> None:
    quoted(clerk, FLATS, site="The Flats", **AT_THE_BENCH)
    doors = "\n".join(f"F{number}\tFlat {number}\tRH" for number in range(1, 25))
    assert accept(clerk, session, doors=doors)[0] == 303
    system = session.scalars(sa.select(KeySystem)).one()
    bittings = {
        write_bitting(spec_of(system), cuts) for cuts in open_bittings(session, ledger.vault, [system]).values()
    }
    assert len(bittings) == 25
    for path in ("/counter", "/quotes/1001/1", "/jobs/1001", "/counter?job=1001", "/quotes/1001/accept"):
        page = clerk.get(path, follow_redirects=True)
        assert page.status_code == 200
        # Tokens are hexadecimal chance; what people read is not.
        text = re.sub(r'value="[^"]*"|content="[^"]*"|hx-headers=\'[^\']*\'', "", page.text)
        assert not [bitting for bitting in bittings if bitting in text], path


def test_a_table_is_read_by_the_rules_of_a_pasted_list() -> None:
    rows = typed_rows(
        [("row-2-opening", 'a "b"\tc'), ("row-2-hand", "rh"), ("row-31-opening", "x"), ("row-1-x", "y")]
    )
    doors, problems = read_table(rows)
    assert problems == [] and [(door.row, door.opening, door.hand) for door in doors] == [
        (1, "", ""),
        (2, 'a "b" c', "RH"),
    ]
    assert read_table({}) == ((), [])
