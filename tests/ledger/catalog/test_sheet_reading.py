"""A maker's patterns entered and changed segment by segment, without a file."""

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.fitting import decode_any, read_maker
from app.ledger.catalog.makers import add_maker, change_table
from app.ledger.catalog.sheet_reading import read_sheet
from app.ledger.catalog.sheets import find_sheet, sheet_rows
from app.ledger.tables import Maker


@pytest.fixture
def ardent(work) -> Maker:
    maker: Maker = work.session.scalar(sa.select(Maker).where(Maker.code == "ARD"))
    return maker


def row(pattern: str, segment: str, kind: str, **cells: str) -> dict[str, str]:
    given = {name.replace("_", " "): value for name, value in cells.items()}
    return {
        **dict.fromkeys(find_sheet({}, "segments").columns, ""),
        "pattern": pattern,
        "segment": segment,
        "kind": kind,
        **given,
    }


NEW = [
    row("rims", "mark", "text", text="G", means="Gannet rim cylinder", sets="type: rim"),
    row("rims", "length", "number", attribute="length", digits="2", unit="1/16", least="16", most="24"),
    row("rims", "finish", "codes", separator="-", text="SC", means="satin chromium", sets="finish: 626"),
]


def numbered(rows):
    return list(enumerate(rows, 1))


def test_a_house_enters_a_pattern_with_no_file_at_all(work) -> None:
    maker = add_maker(work, "Gannet", "GAN")
    change_table(work, maker.id, maker.version, "segments", numbered(NEW))
    reading = decode_any(read_maker(maker.tables).patterns, "G18-SC")[0]
    assert (reading.attributes.type, reading.attributes.finish, str(reading.attributes.length)) == (
        "rim",
        "626",
        "9/8",
    )
    assert maker.tables["patterns"][0]["segments"][1]["digits"] == 2  # a number in the maker's file, as in any
    codes = find_sheet(maker.tables, "codes-1-3")
    rows = [*sheet_rows(maker.tables, codes), {"code": "BB", "means": "bright brass", "sets": "finish: 605"}]
    change_table(work, maker.id, maker.version, "codes-1-3", numbered(rows))
    change_table(work, maker.id, maker.version, "lengths", numbered([{"length": "1-1/8"}, {"length": "1.25"}]))
    read = read_maker(maker.tables)
    assert decode_any(read.patterns, "G20-BB")[0].attributes.finish == "605"
    assert [str(each) for each in read.lengths] == ["9/8", "5/4"]


def test_a_segments_codes_follow_it_to_another_place_and_under_another_name(ardent: Maker) -> None:
    sheet = find_sheet(ardent.tables, "segments")
    rows = sheet_rows(ardent.tables, sheet)
    rows[3] = {**rows[3], "segment": "key section"}
    renamed = read_sheet(ardent.tables, sheet, numbered(rows))
    before = ardent.tables["patterns"][0]
    assert renamed["patterns"][0]["segments"][3]["codes"] == before["segments"][3]["codes"]
    assert renamed["patterns"][0]["rules"] == before["rules"]
    swapped = sheet_rows(ardent.tables, sheet)
    swapped[6], swapped[5] = swapped[5], swapped[6]
    moved = read_sheet(ardent.tables, sheet, numbered(swapped))
    assert moved["patterns"][0]["segments"][6]["codes"] == before["segments"][5]["codes"]
    assert ardent.tables["patterns"][0] == before


@pytest.mark.parametrize(
    ("place", "cells", "where"),
    [
        (1, {"kind": "guess"}, "row 2, kind"),
        (1, {"digits": "many"}, "row 2, digits"),
        (1, {"digits": "9" * 40}, "row 2, digits"),
        (1, {"attribute": "color"}, "row 2, attribute"),
        (1, {"unit": "1/0"}, "row 2, unit"),
        (0, {"text": "ä"}, "row 1, text"),
        (0, {"sets": "rim"}, "row 1, sets"),
        (0, {"left out": "none = rim"}, "row 1, left out"),
        (2, {"text": ""}, "row 3, text"),
        (2, {"separator": "?!"}, "row 3, separator"),
        (2, {"segment": ""}, "row 3, segment"),
        (2, {"pattern": ""}, "row 3, pattern"),
        (0, {"digits": "2"}, "row 1, digits"),
        (1, {"means": "a length"}, "row 2, means"),
        (2, {"unit": "1/16"}, "row 3, unit"),
    ],
)
def test_a_bad_segment_is_named_by_row_and_column(work, place: int, cells: dict[str, str], where: str) -> None:
    maker = add_maker(work, "Gannet", "GAN")
    rows = [{**each, **cells} if at == place else each for at, each in enumerate(NEW)]
    with pytest.raises(Problems) as refused:
        change_table(work, maker.id, maker.version, "segments", numbered(rows))
    assert refused.value.problems[0].field == where
    assert maker.tables["patterns"] == []


def test_patterns_that_cannot_be_told_apart_are_refused(work) -> None:
    maker = add_maker(work, "Gannet", "GAN")
    blurred = [
        row("rims", "one", "codes", text="A", means="a", left_out=""),
        row("rims", "two", "number", attribute="chambers", digits="1", least="1", most="9", left_out="six"),
        row("rims", "three", "number", attribute="drilled", digits="1", least="1", most="9", left_out="six"),
    ]
    with pytest.raises(Problems) as refused:
        change_table(work, maker.id, maker.version, "segments", numbered(blurred))
    assert refused.value.problems


def test_a_new_code_table_takes_what_it_means_when_left_out(work) -> None:
    maker = add_maker(work, "Gannet", "GAN")
    rows = [*NEW[:2], {**NEW[2], "left out": "plain brass = finish: 606"}]
    change_table(work, maker.id, maker.version, "segments", numbered(rows))
    patterns = read_maker(maker.tables).patterns
    assert decode_any(patterns, "G18")[0].attributes.finish == "606"
    sheet = find_sheet(maker.tables, "segments")
    assert (
        read_sheet(maker.tables, sheet, numbered(sheet_rows(maker.tables, sheet)))["patterns"]
        == (maker.tables["patterns"])
    )


@pytest.mark.parametrize("column", ["text", "means", "sets", "left out"])
def test_what_belongs_into_a_code_table_is_not_passed_over(ardent: Maker, column: str) -> None:
    sheet = find_sheet(ardent.tables, "segments")
    rows = sheet_rows(ardent.tables, sheet)
    place = next(place for place, each in enumerate(rows) if each["kind"] == "codes")
    rows[place] = {**rows[place], column: "none = cam: long"}
    with pytest.raises(Problems, match="table of their own") as refused:
        read_sheet(ardent.tables, sheet, numbered(rows))
    assert refused.value.problems[0].field == f"row {place + 1}, {column}"


def test_every_bad_segment_is_told_and_not_the_first_alone(work) -> None:
    maker = add_maker(work, "Gannet", "GAN")
    bad = [{**NEW[0], "text": "ä"}, {**NEW[1], "digits": "many"}, {**NEW[2], "kind": "guess"}]
    with pytest.raises(Problems) as refused:
        change_table(work, maker.id, maker.version, "segments", numbered(bad))
    assert [problem.field for problem in refused.value.problems] == ["row 1, text", "row 2, digits", "row 3, kind"]
