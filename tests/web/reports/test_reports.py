"""Reports from the menu: three presses to a list, its filter in the address, the same rows as CSV and workbook."""

import csv
import io
import re
from collections.abc import Callable
from datetime import date, timedelta
from html import unescape

import openpyxl
import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.tables import Customer, CylinderState, Door, Role, Stage
from tests.factories import (
    CustomerFactory,
    CylinderFactory,
    DoorFactory,
    FormClient,
    JobFactory,
    SiteFactory,
    SoldLineFactory,
    saving_into,
)

ClientAs = Callable[[Role], FormClient]


@pytest.fixture
def counter(session: Session, client_as: ClientAs) -> FormClient:
    """A counter's login in a house with 51 cylinders of one series at the flats, one of which was removed."""
    with saving_into(session):
        flats = CustomerFactory(name="=Quay Flats", phone="555-0101")
        door, job = DoorFactory(site=SiteFactory(customer=flats)), JobFactory(customer=flats)
        for place in range(51):
            state = CylinderState.FITTED if place else CylinderState.REMOVED
            said = {"state": state, "fitted_on": date(2026, 3, 2), "job_id": job.id, "position": f"place {place:02}"}
            CylinderFactory(door=door, part_number="A18M-Q1", finish="626", **said)
    return client_as(Role.COUNTER)


def link(client: FormClient, address: str, words: str) -> str:
    page = client.get(address).text
    found = re.search(rf'href="([^"]+)"[^>]*>(?:<[^>]+>)*{re.escape(words)}<', page)
    assert found, (address, words)
    return unescape(found[1])


def test_three_presses_from_the_menu_lead_to_a_list_that_can_be_filtered_and_saved(counter: FormClient) -> None:
    reports = link(counter, link(counter, "/counter", "Jobs"), "Reports")
    report = link(counter, reports, "Where cylinders stand")
    assert "Fill in at least one box" in counter.get(report).text
    answer = f"{report}?part=a18m&where=standing&finish=&site="
    page = counter.get(answer).text
    assert "50 rows." in page and page.count("<tr><td") == 50
    assert "Page 1 of 2" in counter.get(f"{report}?part=a18m").text
    table = list(csv.DictReader(io.StringIO(counter.get(link(counter, answer, "CSV")).data.decode("utf-8-sig"))))
    assert len(table) == 50
    assert (table[0]["Customer"], table[0]["Fitted"], table[0]["Phone"]) == ("'=Quay Flats", "2026-03-02", "555-0101")
    sheet = openpyxl.load_workbook(io.BytesIO(counter.get(link(counter, answer, "Spreadsheet")).data)).active
    assert [cell.value for cell in sheet[1]] == list(table[0])
    assert (sheet.max_row, sheet["A2"].value) == (51, "=Quay Flats")


def test_the_recall_list_leads_to_the_doors_behind_each_figure(counter: FormClient) -> None:
    page = "/reports/recall?part=A18M"
    standing = counter.get(link(counter, page, "50")).text
    assert "50 rows." in standing and "removed</td>" not in standing
    removed = counter.get(link(counter, page, "1")).text
    assert "1 row." in removed and "place 00" in removed


def test_a_day_that_is_none_is_told_beside_its_box_and_nothing_typed_is_lost(counter: FormClient) -> None:
    answer = counter.get("/reports/cylinders?part=A18M&fitted_from=yesterday")
    assert answer.status_code == 422
    assert 'id="box-fitted_from-error"' in answer.text and "Write the day as 2026-01-31" in answer.text
    assert 'value="yesterday"' in answer.text and 'value="A18M"' in answer.text
    assert counter.get("/reports/cylinders.csv?part=A18M&fitted_from=yesterday").status_code == 400
    assert counter.get("/reports/nothing").status_code == 404


def test_whose_each_report_is_and_what_the_counter_is_not_told(counter: FormClient, client_as: ClientAs) -> None:
    owner, bench = client_as(Role.OWNER), client_as(Role.BENCH)
    shown = {who: set(re.findall(r'/reports/([a-z]+)"', who.get("/reports").text)) for who in (counter, owner, bench)}
    assert shown[bench] == {"cylinders", "recall"}
    assert shown[counter] == shown[bench] | {"bought", "aging"}
    assert shown[owner] == shown[counter] | {"reveals", "promises", "unprofitable", "makers"}
    for name in ("reveals", "promises", "due", "unprofitable", "makers"):
        for ending in ("", ".csv", ".xlsx"):
            assert counter.get(f"/reports/{name}{ending}").status_code == 403, (name, ending)
            assert owner.get(f"/reports/{name}{ending}").status_code == 200, (name, ending)
    assert bench.get("/reports/purchases?customer=quay").status_code == 403


def test_what_a_customer_bought_stands_without_cost_for_the_counter(
    counter: FormClient, client_as: ClientAs, session: Session
) -> None:
    with saving_into(session):
        for day in (date(2026, 1, 5), date(2026, 2, 5)):
            customer = session.scalars(sa.select(Customer)).one()
            job = JobFactory(customer=customer, stage=Stage.CLOSED, accepted_on=day)
            SoldLineFactory(job_id=job.id, part_number="A18M", quantity=3, amount_cents=12_345, cost_cents=6_543)
    address = "/reports/bought?customer=quay&first=2026-01-01"
    page = counter.get(address).text
    assert "$246.90" in page and "Cost" not in page and "$130.86" not in page
    file = counter.get(address.replace("bought", "bought.csv")).data.decode("utf-8-sig")
    assert "246.90" in file and "130.86" not in file and "Margin" not in file
    assert "$130.86" in client_as(Role.OWNER).get(address).text
    lines = counter.get(link(counter, address, "6")).text
    assert "2 rows." in lines and lines.count("$123.45") == 2 and "$246.90" in lines  # the sum
    narrowed = counter.get(address + "&last=2026-01-31").text
    assert "$123.45" in narrowed and "$246.90" not in narrowed
    wrong = counter.get(address + "&last=2025-12-31")
    assert wrong.status_code == 422 and "The last day is before the first, 1 Jan 2026." in wrong.text


def test_a_figure_of_promises_opens_the_jobs_behind_it(client_as: ClientAs, session: Session) -> None:
    """In March two kept and one late, in April one late: each month's figures open its own."""
    owner = client_as(Role.OWNER)
    with saving_into(session):
        for promised, late in (
            (date(2026, 3, 2), 0),
            (date(2026, 3, 31), 0),
            (date(2026, 3, 9), 8),
            (date(2026, 4, 1), 2),
        ):
            ready = promised + timedelta(days=late)
            JobFactory(stage=Stage.CLOSED, keyed_at="shop", promised_on=promised, ready_on=ready, title=f"by {late}")
    address = "/reports/promises?by=month&first=2026-03-02&last=2026-12-31"
    page = owner.get(address).text
    march = page[page.index("2026-03<") : page.index("2026-04<")]
    figures = {unescape(url): int(said) for url, said in re.findall(r'href="([^"]+)">([0-9]+)</a>', march)}
    assert list(figures.values()) == [3, 2, 1, 0]
    for url, count in figures.items():
        told = owner.get(url).text
        assert told.count("<tr><td") == count, url
    assert "by 8" in owner.get(list(figures)[2]).text
    assert ">67<" in march and ">8<" in march


def test_a_door_a_customer_and_a_part_lead_to_their_reports(
    counter: FormClient, client_as: ClientAs, session: Session
) -> None:
    owner = client_as(Role.OWNER)
    door, customer = session.scalars(sa.select(Door)).one(), session.scalars(sa.select(Customer)).one()
    reveals = owner.get(link(owner, f"/doors/{door.id}", "Who saw its bitting"))
    assert reveals.status_code == 200 and f'value="{door.opening_number}"' in reveals.text
    assert "Who saw" not in counter.get(f"/doors/{door.id}").text
    assert (
        "Enter the customer" not in counter.get(link(counter, f"/customers/{customer.id}", "What they bought")).text
    )
    assert "51 rows." in counter.get(link(counter, "/search?q=a18m-q1", "A18M-Q1")).text
