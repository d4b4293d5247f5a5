"""The installer's schedule: every door and keyset on it, its header on every page, and never a bitting."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from app.documents import bench_sheet_pdf, keyset_schedule_pdf, schedule_pdf
from app.documents.schedule import schedule_page
from app.ledger.bench.bench_sheet import BenchWork
from app.ledger.jobs.cylinder_lines import ScheduleKeyset
from app.ledger.jobs.papers import Schedule

Pages = Callable[[bytes], list[str]]


@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_every_door_and_keyset_is_printed_once_by_door(
    paper: str, schedule: Callable[..., Schedule], pages: Pages
) -> None:
    given = schedule(150, paper)
    texts = pages(schedule_pdf(given))
    by_door, by_keyset = " ".join(texts).split("By keyset", 1)
    for row in given.rows:
        assert by_door.count(f"{row.opening_number} ") == 1
        assert f" {row.keyset} {', '.join(row.operated_by)} " in by_door
    for keyset in given.keysets:
        assert f"{keyset.symbol} {keyset.level} {keyset.purpose} {keyset.cylinders} {keyset.keys}" in by_keyset
    for said in ("Saltmarsh Maritime College", "College GMK", "150 doors, 150 cylinders, 304 keys", "18 April 2031"):
        assert said in texts[0]
    table_pages = [text for text in texts if " AB-M118-6-AQ2-C1-626 " in text]
    assert len(table_pages) > 5
    assert all("Opening Location Hand Lock Cylinder" in text for text in table_pages)
    assert sum("Received by" in text for text in texts) == 1


def test_no_bitting_of_the_system_is_on_the_schedule(
    schedule: Callable[..., Schedule], bench: Callable[..., BenchWork], pages: Pages
) -> None:
    bittings = [key.bitting for system in bench().systems for key in system.keys]
    secret = "".join(pages(bench_sheet_pdf(bench()))).replace(" ", "")
    assert all(bitting in secret for bitting in bittings)  # the search can find one where it is printed
    printed = "".join(pages(schedule_pdf(schedule()))).replace(" ", "")
    assert [bitting for bitting in bittings if bitting in printed] == []
    page = schedule_page(schedule())
    given = page.schedule
    parts = (page, page.lines[0], given, given.head, given.rows[0], given.keysets[0])
    assert not any("bitting" in name or "pin" in name for part in parts for name in type(part).__slots__)


def test_cautions_are_numbered_and_marked_at_their_doors(schedule: Callable[..., Schedule], pages: Pages) -> None:
    given = schedule(3)
    first, second = "Needs a key from inside: ask the authority.", "Fire-rated: see the label."
    rows = (
        replace(given.rows[0], cautions=(first,)),
        replace(given.rows[1], cautions=(second, first)),
        replace(given.rows[2], cautions=()),
    )
    page = schedule_page(replace(given, rows=rows))
    assert page.cautions == (("C1", first), ("C2", second))
    assert [line.marks for line in page.lines] == ["C1", "C2 C1", ""]
    text = " ".join(pages(schedule_pdf(replace(given, rows=rows))))
    assert text.count(first) == 1 and "C2 C1" in text


def test_a_shared_keyset_says_how_many_keys_there_are_for_all(schedule: Callable[..., Schedule]) -> None:
    given = schedule(2)
    alike = replace(given.keysets[1], symbol="AB1", cylinders=2, keys=4)
    rows = tuple(replace(row, keyset="AB1") for row in given.rows)
    page = schedule_page(replace(given, rows=rows, keysets=(alike,)))
    assert [line.keys for line in page.lines] == ["4 for all 2"] * 2
    assert page.keysets[0][1] == "C-101, L-102"


def test_a_cylinder_without_door_or_keyset_is_still_a_row(schedule: Callable[..., Schedule], pages: Pages) -> None:
    given = schedule(1)
    row = replace(given.rows[0], opening_number="", keyset="", operated_by=(), part_number="")
    text = " ".join(pages(schedule_pdf(replace(given, rows=(row,)))))
    assert "no door" in text and "uncombinated" in text and row.words in text


def test_an_empty_schedule_prints(schedule: Callable[..., Schedule], pages: Pages) -> None:
    assert "0 doors, 0 cylinders" in " ".join(pages(schedule_pdf(replace(schedule(1), rows=(), keysets=()))))


def test_a_job_without_a_title_says_so(schedule: Callable[..., Schedule], pages: Pages) -> None:
    given = schedule(1)
    untitled = replace(given, head=replace(given.head, title=""))
    assert "Job untitled" in pages(schedule_pdf(untitled))[0]


def test_a_cylinder_under_a_selective_master_has_its_keys_and_its_keyset_its_door(
    schedule: Callable[..., Schedule],
) -> None:
    given = schedule(3)
    row = given.rows[0]
    under = replace(row, keyset=f"{row.keyset}(ENG)", operated_by=(*row.operated_by, "ENG"))
    plain, page = schedule_page(given), schedule_page(replace(given, rows=(under, *given.rows[1:])))
    assert page.lines[0].keys == plain.lines[0].keys != ""
    assert page.keysets == plain.keysets


def test_a_construction_core_is_told_at_its_door_with_a_box_to_tick(
    schedule: Callable[..., Schedule], pages: Pages
) -> None:
    """At arm's length one row a door: what hangs there now, what comes, and a box for each."""
    given = schedule(3)
    core = ScheduleKeyset("CMK", "construction", "", 2, 3)
    lent = [
        replace(
            row, cylinder_id=100 + row.cylinder_id, words="Construction core, lent", part_number="", keyset="CMK",
            operated_by=("CMK",), construction="CMK", is_lent=True, cautions=(),
        )
        for row in given.rows[:2]
    ]  # fmt: skip
    changed = {1: "moved", 101: "moved"}
    given = replace(given, rows=(*given.rows, *lent), keysets=(*given.keysets, core), changed=changed)
    page = schedule_page(given)
    assert page.changes == ((given.rows[0].opening_number, "moved"),)  # not once more of its core
    assert [line.row.keyset for line in page.lines] == [row.keyset for row in given.rows[:3]]
    assert [line.site for line in page.lines] == ["CMK core", "CMK core", ""]
    assert [bool(line.changed) for line in page.lines] == [True, False, False]
    text = " ".join(pages(schedule_pdf(given)))
    assert "3 doors, 3 cylinders, 2 construction cores" in text
    assert "Tick when swapped" in text and "Construction core, lent" not in text
    assert "CMK construction 3 2 cylinders" in " ".join(pages(keyset_schedule_pdf(given)))
    left = replace(given, rows=given.rows[1:])  # its door is none of this job's
    assert [line.row.keyset for line in schedule_page(left).lines][-1] == "CMK"


def test_a_door_that_is_to_be_made_dead_has_a_box_for_it(schedule: Callable[..., Schedule], pages: Pages) -> None:
    given = schedule(2)
    first = replace(given.rows[0], construction="CMK")
    text = " ".join(pages(schedule_pdf(replace(given, rows=(first, given.rows[1])))))
    assert "Tick when dead" in text and "CMK" in text
    assert "Tick when" not in " ".join(pages(schedule_pdf(given)))
