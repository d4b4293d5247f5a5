"""The papers of a job beside its schedule: by keyset, by holder, hardware, labels, pins; what they say and break."""

import csv
import io
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import openpyxl
import pytest

from app.documents import (
    hardware_list_pdf,
    hardware_table,
    holders_pdf,
    holders_table,
    keyset_schedule_pdf,
    labels_pdf,
    pick_list_pdf,
)
from app.documents.labels import LABELS_A_SHEET, label_rows, qr_code
from app.errors import BitternError
from app.keying import PinSize, pick_list
from app.ledger.bench.bench_sheet import BenchWork
from app.ledger.bench.pins import Picked, PickedSpec
from app.ledger.jobs.papers import HeldKeys, Holder, KeyHolders, Schedule
from app.ledger.jobs.purchasing import HardwareItem, HardwareList

Pages = Callable[[bytes], list[str]]
PAPERS = pytest.mark.parametrize("paper", ["Letter", "A4"])


def address(cylinder_id: int) -> str:
    return f"https://bittern.example/cylinders/{cylinder_id}"


def second_revision(schedule: Schedule) -> Schedule:
    return replace(schedule, head=replace(schedule.head, revision=2))


def holders(schedule: Schedule) -> KeyHolders:
    doors = tuple(row.opening_number for row in schedule.rows)
    master = HeldKeys("AA", "master", "head porter", (1, 2, 4), date(2031, 6, 30), doors)
    change = HeldKeys("AA1", "change", "", (1,), None, doors[:1])
    return KeyHolders(
        schedule,
        (Holder("Imke Farrow", True, (master, change)), Holder("In the shop, cut", False, (change,))),
    )


def hardware(schedule: Schedule) -> HardwareList:
    openings = tuple(row.opening_number for row in schedule.rows)
    lines = (
        HardwareItem("Ardent Brass", "AB-M118", "Mortise cylinder", len(openings), (1, 3), openings),
        HardwareItem("", "", '=Back plate, "rim"', 2, (2,), ()),
    )
    blanks = (HardwareItem("", "", "Key blanks, keyway AQ2", 84, (), ()),)
    return HardwareList(replace(schedule.head, revision=2, promised_on=None), lines, blanks)


def assert_numbered(leaves: list[str], name: str) -> None:
    """Name, number, revision and 'page n of m' on every page; the day on the first."""
    for place, leaf in enumerate(leaves, start=1):
        assert f"page {place} of {len(leaves)}" in leaf
        assert f"{name} for job 1038, revision 2" in leaf or (name in leaf and "for job 1038, revision 2" in leaf)
    assert "4 March 2031" in leaves[0]


@PAPERS
def test_the_schedule_by_keyset_lists_every_cylinder_under_its_keyset(
    schedule: Callable[..., Schedule], pages: Pages, paper: str
) -> None:
    given = second_revision(schedule(90, paper))
    leaves = pages(keyset_schedule_pdf(given))
    assert len(leaves) > 2
    assert_numbered(leaves, "Schedule by keyset")
    text = " ".join(leaves)
    assert "A grand master head porter 4 90 cylinders" in text
    for row in given.rows:
        assert text.count(row.opening_number) == 1
    for leaf in leaves[1:]:
        assert "Keyset Keys Opening Location Cylinder Operated by Remarks" in leaf


@PAPERS
def test_keys_by_holder_have_a_line_to_sign_for_people_alone(
    schedule: Callable[..., Schedule], pages: Pages, paper: str
) -> None:
    given = holders(second_revision(schedule(40, paper)))
    leaves = pages(holders_pdf(given))
    assert_numbered(leaves, "Keys by holder")
    text = " ".join(leaves)
    assert "Imke Farrow: 4 keys" in text and "copies 1-2, 4" in text and "and 24 more" in text
    assert "30 June 2031" in text and text.count("signature") == 1
    rows = list(csv.reader(io.StringIO(holders_table(given).csv().decode("utf-8-sig"))))
    assert len(rows) == 4 and rows[1][5].count(",") == 39  # every opening, where the paper has 16
    assert openpyxl.load_workbook(io.BytesIO(holders_table(given).xlsx()))["By holder"]["A2"].value == "Imke Farrow"


@PAPERS
def test_the_hardware_list_adds_up_by_part_number(
    schedule: Callable[..., Schedule], pages: Pages, paper: str
) -> None:
    given = hardware(schedule(40, paper))
    leaves = pages(hardware_list_pdf(given))
    assert_numbered(leaves, "Hardware list")
    assert "42 pieces of 2 kinds" in leaves[0] and "and 10 more" in leaves[0]
    assert "84 Key blanks, keyway AQ2" in leaves[0]
    rows = list(csv.reader(io.StringIO(hardware_table(given).csv().decode("utf-8-sig"))))
    assert [row[3] for row in rows] == ["Quantity", "40", "2", "84"]
    assert rows[2][2] == '\'=Back plate, "rim"'
    sheet = openpyxl.load_workbook(io.BytesIO(hardware_table(given).xlsx()))["Hardware"]
    assert sheet["C3"].value == '=Back plate, "rim"' and sheet["C3"].data_type == "s"


@PAPERS
def test_labels_fill_whole_sheets_and_tell_no_more_than_they_may(
    schedule: Callable[..., Schedule], pages: Pages, paper: str
) -> None:
    given = second_revision(schedule(70, paper))
    leaves = pages(labels_pdf(given, address))
    assert len(leaves) == -(-70 // LABELS_A_SHEET[paper])
    for place, leaf in enumerate(leaves, start=1):
        assert f"page {place} of {len(leaves)}" in leaf and "Labels for job 1038, revision 2" in leaf
        shown = [row for row in given.rows if f"{row.opening_number} {row.keyset} " in f"{leaf} "]
        assert len(shown) == min(LABELS_A_SHEET[paper], 70 - (place - 1) * LABELS_A_SHEET[paper])
    assert "Saltmarsh" not in " ".join(leaves)  # nobody who finds a label learns whose door it is


def test_labels_begin_after_those_that_are_used(schedule: Callable[..., Schedule], pages: Pages) -> None:
    given = schedule(4)
    rows = label_rows(given, address, 29)
    assert [label is not None for row in rows for label in row].index(True) == 29
    assert len(pages(labels_pdf(given, address, 29))) == 2
    for taken in (-1, 30):
        with pytest.raises(BitternError, match="A sheet has 30 labels"):
            label_rows(given, address, taken)


def test_a_label_without_door_or_keyset_says_the_cylinders_number(schedule: Callable[..., Schedule]) -> None:
    given = schedule(1)
    given = replace(given, rows=(replace(given.rows[0], opening_number="", keyset="", cylinder_id=77),))
    label = label_rows(given, address)[0][0]
    assert label is not None
    assert (label.row.opening_number, label.symbol, label.address) == ("", "no. 77", address(77))


def test_the_code_is_drawn_module_by_module() -> None:
    import segno

    matrix = [list(line) for line in segno.make(address(5), error="m", micro=False).matrix]
    drawn = [[0] * len(matrix) for _ in matrix]
    path = str(qr_code(address(5))).split('path d="')[1].split('"')[0]
    for run in path.split("z")[:-1]:
        place, length = run[1:].split("h", 1)
        x, y = (int(number) - 4 for number in place.split())
        for offset in range(int(length.split("v")[0])):
            drawn[y][x + offset] = 1
    assert drawn == matrix


@PAPERS
def test_pins_to_pick_are_confidential_and_say_what_is_short(
    bench: Callable[..., BenchWork], pages: Pages, paper: str
) -> None:
    work = bench(paper)
    pins = pick_list([(group.pinning, group.quantity) for group in work.systems[0].cylinders])
    stock = {pin: 1 for pin, _ in pins.pins} | {PinSize("bottom", pins.pins[0][0].size): 500}
    head = replace(work.head, revision=2, promised_on=None)
    leaves = pages(
        pick_list_pdf(
            head, Picked((PickedSpec(1, "AQ six", work.systems[0].spec, 4, pins, stock),), False), "Marlow Finch"
        )
    )
    assert_numbered(leaves, "Pins to pick")
    assert "CONFIDENTIAL · revealed to Marlow Finch" in leaves[0] and "copy ____ of ____" in leaves[0]
    assert f"{pins.total} pins for 4 cylinders" in leaves[0]
    first, count = pins.pins[0]
    assert f"{first.kind} {first.size} {count} 500" in leaves[0]
    second, count = next((pin, n) for pin, n in pins.pins[1:] if n > 1)
    assert f"{second.kind} {second.size} {count} 1 {count - 1}" in leaves[0]
