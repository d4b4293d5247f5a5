"""Reports from the menu: three presses to a list, its filter in the address, the same rows as CSV and workbook."""

import csv
import io
import re
from collections.abc import Callable
from datetime import date
from html import unescape

import openpyxl
import pytest
from sqlalchemy.orm import Session

from app.ledger.tables import CylinderState, Role
from tests.factories import (
    CustomerFactory,
    CylinderFactory,
    DoorFactory,
    FormClient,
    JobFactory,
    SiteFactory,
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
