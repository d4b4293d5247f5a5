"""Prints how long a keying schedule of 1,000 doors takes, as a ratio to WeasyPrint on the same bare tables.

Run: python tests/bench/schedule.py
"""

import importlib.util
from html import escape
from pathlib import Path
from time import perf_counter

import weasyprint

from app.documents import schedule_pdf
from app.documents.schedule import schedule_page

DOORS, TURNS = 1_000, 2
CONFTEST = Path(__file__).resolve().parents[1] / "documents" / "conftest.py"


def the_schedule():
    """The schedule of the tests' invented college, this many doors long."""
    spec = importlib.util.spec_from_file_location("papers_of_tests", CONFTEST)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.make_schedule(DOORS)


def bare(schedule):
    """Both of the schedule's tables with the same cells and heads, and no style but the paper's size."""
    page = schedule_page(schedule)
    doors = [
        (
            row.opening_number, row.location, row.hand, row.lock, row.part_number, row.position, row.keyset,
            ", ".join(row.operated_by), line.keys, f"{row.remarks} {line.marks}",
        )
        for line in page.lines
        for row in [line.row]
    ]  # fmt: skip
    keysets = [
        (keyset.symbol, keyset.level, keyset.purpose, str(keyset.cylinders), str(keyset.keys), openings)
        for keyset, openings in page.keysets
    ]
    return "<style>@page { size: Letter landscape }</style>" + "".join(
        "<table><thead><tr>"
        + "<th>Head</th>" * len(rows[0])
        + "</tr></thead><tbody>"
        + "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
        + "</tbody></table>"
        for rows in (doors, keysets)
    )


def seconds(function):
    start = perf_counter()
    function()
    return perf_counter() - start


def main():
    schedule = the_schedule()
    text = bare(schedule)
    schedule_pdf(the_schedule())  # fonts and style sheet are read once a process
    # In turn, so that a machine that is busy for a while is busy for both.
    turns = [
        (
            seconds(lambda: schedule_pdf(schedule)),
            seconds(lambda: weasyprint.HTML(string=text).write_pdf(pdf_variant="pdf/ua-1")),
            seconds(lambda: weasyprint.HTML(string=text).write_pdf()),
        )
        for _ in range(TURNS)
    ]
    ours, tagged, plain = (min(column) for column in zip(*turns, strict=True))
    print(f"keying schedule of {DOORS} doors: {ours:.1f} s here")
    print(f"  {ours / tagged:.2f} times WeasyPrint on the same cells in bare tables, tagged for screen readers too")
    print(f"  {ours / plain:.2f} times the same without tags")


if __name__ == "__main__":
    main()
