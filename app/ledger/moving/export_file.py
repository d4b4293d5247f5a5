"""An export as one ZIP of CSV files or one workbook: the same records give the same bytes; and read back."""

import io
import re
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from app.errors import BitternError, Problem
from app.ledger.moving.cells import write_cell
from app.ledger.moving.rows_on_record import People, rows_on_record
from app.ledger.moving.tables import TABLES, MovedTable, table_named
from app.ledger.store.engine import transaction
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.spreadsheets import (
    book_sheets,
    cell_text,
    guarded,
    guarded_book_bytes,
    guarded_csv_bytes,
    head_problems,
    table_rows,
    unguarded,
    zip_bytes,
)

KINDS = ("zip", "xlsx")
CONTINUED = "…"  # stands before a text that goes on, so that no piece begins like a formula
LONGEST = 30_000  # a workbook's cell holds 32,767 characters, and readers of CSV have limits of their own
_ROOM = 2_700
_SHORT = 4_500
MOST_UNPACKED = 2_000_000_000
MOST_ROWS = 5_000_000
MOST_COLUMNS = 10_000  # a long text takes several
_READMES = ("README.txt", "read me")
# Tables of earlier releases that have no place here any more: what lay on the shelf then is counted anew.
_GONE = ("pin stock",)
_FURTHER = re.compile(r"(.+) \((\d{1,4})\)")
_README = f"""\
The records of this house, as tables of text.

It goes back in under Settings, Export and import, or by: bittern house import FILE. Into an empty house,
or into one that holds the same rows: rows that are on record stay, rows that are not are added, a row
that reads differently here stops everything; only the house's own settings are brought to what the file
says. All of it goes in, or nothing. Exported again, it gives the same bytes.

Not in here, on purpose: bittings and the plans they are made from, passwords and logins, drafts of the
counter page, the files that were put with jobs (pictures, papers), and what the house's story tells of
anything but jobs and keys. They are in the sealed backup alone (bittern backup). Without that backup, a
key system that comes in from here can be read and the register of its keys kept, but it is not keyed any
further.

People stand here by their names alone. A name that a house does not know is entered there as a person who
cannot log in, until the owner gives them a password. A quote stands here as it was issued, with the SHA-256
of its words: one that was changed in the file is not imported. The story is put at the end of the other
house's own, each event with the moment and the person that it happened by.

A text that begins with = + - @, a tab or a line end, after any apostrophes, has one apostrophe more in
front, so that no spreadsheet program runs it; reading takes it off again. Days are written 2026-01-31,
moments 2026-01-31T09:30:00+00:00, inches 1-3/4, money in whole cents. Each row has its number under
'row'; a column such as 'customer row' points to the row with that number in another table.
A text of over 30,000 characters goes on in further columns, named such as 'snapshot (2)', since a
workbook's cell holds no more; each piece there begins with {CONTINUED}.

The tables and their columns:
"""


def export_house(work: Work, kind: str) -> bytes:
    """The whole house as `kind` zip or xlsx, for the owner alone, and on record. What is secret is in neither."""
    work.require_owner()
    if kind not in KINDS:
        raise BitternError("file", "A house is exported as .zip (CSV files) or as .xlsx.")
    with transaction(work.session):
        record(work, "house taken out", "house", f"Everything but what is secret was exported as .{kind}")
    people = People(work.session)
    tables = [(one.name, split_long(_rows(work.session, one, people))) for one in TABLES]
    readme = _readme_rows()
    if kind == "xlsx":
        return guarded_book_bytes([("read me", readme), *tables])
    files = {"README.txt": "".join(f"{row[0].rstrip()}\n" for row in readme).encode()}
    files |= {f"{name}.csv": guarded_csv_bytes(rows) for name, rows in tables}
    return zip_bytes(files)


def _rows(session: Session, moved: MovedTable, people: People) -> list[list[str]]:
    """One table as guarded texts under its head; people by their names."""
    rows = [list(moved.titles)]
    for values in rows_on_record(session, moved, people):
        rows.append(
            [
                guarded(values[one.name] or "" if one.name in moved.people else write_cell(one, values[one.name]))
                for one in moved.columns
            ]
        )
    return rows


def split_long(rows: list[list[str]]) -> list[list[str]]:
    """Rows whose longest texts go on in columns named "tables (2)", …, at the end."""
    split = [[_pieces(text) for text in row] for row in rows]
    most = [max(len(row[place]) for row in split) for place in range(len(rows[0]))]
    more = [(place, part) for place, count in enumerate(most) for part in range(1, count)]
    if not more:
        return rows
    head, *body = split
    longer = [[*rows[0], *(f"{head[place][0]} ({part + 1})" for place, part in more)]]
    for row in body:
        further = [CONTINUED + row[place][part] if part < len(row[place]) else "" for place, part in more]
        longer.append([*(pieces[0] for pieces in row), *further])
    return longer


def _pieces(text: str) -> list[str]:
    if len(text) <= _SHORT:
        return [text]
    # A character that stands in a workbook as seven, such as a carriage return, counts as that many.
    size = LONGEST if len(cell_text(text)) - len(text) < _ROOM else _SHORT
    return [text[start : start + size] for start in range(0, len(text), size)]


def _readme_rows() -> list[list[str]]:
    """What the export holds, what it does not, and how it goes back in."""
    return [[line] for line in _README.splitlines()] + [
        [f"{one.name}: {one.what}. Columns: {', '.join(one.titles)}."] for one in TABLES
    ]


@dataclass(frozen=True, slots=True)
class ReadRow:
    """A row of a table as it stands in the file: its number there, and its texts by column title."""

    number: int
    cells: dict[str, str]


def read_export(name: str, content: bytes) -> tuple[dict[str, list[ReadRow]], list[Problem]]:
    """The tables of an export (.zip or .xlsx) by name, and the problems with their heads.

    BitternError on `file` when it cannot be opened at all, or holds what no export has.
    """
    kind = name.rpartition(".")[2].lower()
    if kind not in ("zip", "xlsx"):
        raise BitternError("file", "An export of a house is a .zip of CSV files, or an .xlsx workbook.")
    tables: dict[str, list[ReadRow]] = {}
    problems: list[Problem] = []
    for moved, rows in _zip_tables(content) if kind == "zip" else _book_tables(content):
        if moved.name in tables:
            raise BitternError("file", f"The table {moved.name!r} stands twice in this file.")
        tables[moved.name] = _read(moved, rows, problems)
    if not tables:
        raise BitternError("file", "There is no table of a house in this file.")
    _add_priced(tables)
    return tables, problems


def _add_priced(tables: dict[str, list[ReadRow]]) -> None:
    """An item for each code that prices of the first release name: their words stood with them."""
    items = tables.get("items", [])
    known = {row.cells.get("code") for row in items}
    last = max((int(row.cells["row"]) for row in items if row.cells.get("row", "").isdecimal()), default=0)
    for row in tables.get("prices", []):
        code = row.cells.get("code")
        if "description" not in row.cells or code in known:
            continue
        known.add(code)
        last += 1
        kind = "labor" if row.cells.get("kind") == "labour" else "goods"
        said = {"code": code or "", "words": row.cells["description"], "category": row.cells.get("category", "")}
        tables.setdefault("items", []).append(ReadRow(row.number, {"row": str(last), "kind": kind, **said}))


def _known(name: str) -> MovedTable:
    moved = table_named(name)
    if moved is None:
        raise BitternError(
            "file", f"This file holds {name[:60]!r}, which no export of a house has. Nothing was read."
        )
    return moved


def _zip_tables(content: bytes) -> Iterator[tuple[MovedTable, Iterator[Sequence[str]]]]:
    try:
        packed = zipfile.ZipFile(io.BytesIO(content))
        entries = packed.infolist()
    except zipfile.BadZipFile as error:
        raise BitternError("file", "This is no ZIP file that can be opened.") from error
    if sum(entry.file_size for entry in entries) > MOST_UNPACKED:
        raise BitternError("file", "This file is too large once unpacked.")
    with packed:
        for entry in entries:
            if entry.filename not in _READMES and entry.filename.removesuffix(".csv") not in _GONE:
                yield _known(entry.filename.removesuffix(".csv")), _csv_in(packed, entry)


def _csv_in(packed: zipfile.ZipFile, entry: zipfile.ZipInfo) -> Iterator[Sequence[str]]:
    """The rows of one table, unpacked as they are read; never by a method that unpacks without bounds."""
    damaged = BitternError("file", f"{entry.filename} in this ZIP file is damaged or locked.")
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise damaged
    try:
        with packed.open(entry) as part:
            yield from table_rows("table.csv", part, MOST_COLUMNS, most_rows=MOST_ROWS, most_bytes=MOST_UNPACKED)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, ValueError, EOFError) as error:
        raise damaged from error


def _book_tables(content: bytes) -> Iterator[tuple[MovedTable, Iterator[Sequence[str]]]]:
    for name, rows in book_sheets(content, MOST_ROWS):
        if name not in (*_READMES, *_GONE):
            yield _known(name), rows


def _read(moved: MovedTable, rows: Iterator[Sequence[str]], problems: list[Problem]) -> list[ReadRow]:
    try:
        head = [moved.former_titles.get(title, title) for title in next(rows, ())]
        needed = [
            title
            for title, column in zip(moved.titles, moved.columns, strict=True)
            if not column.nullable and column.default is None
        ]
        plain = [title for title in head if not _FURTHER.fullmatch(title)]
        problems += head_problems(plain, (*moved.titles, *moved.gone_titles), needed, f"{moved.name}, row 1")
        return [
            ReadRow(number, _joined(head, row))
            for number, row in enumerate(rows, start=2)
            if any(row) or len(head) == 1
        ]
    except BitternError as error:
        problems.append(Problem(f"{moved.name}, {error.field}", error.message))
        return []


def _joined(head: Sequence[str], row: Sequence[str]) -> dict[str, str]:
    """The row's texts by title, those that go on in further columns put together, without their guards."""
    cells: dict[str, str] = {}
    # A workbook leaves out the empty cells at the end of a row.
    for title, text in zip(head, [*row, *[""] * (len(head) - len(row))], strict=False):
        further = _FURTHER.fullmatch(title)
        name = further[1] if further else title
        cells[name] = cells.get(name, "") + (text.removeprefix(CONTINUED) if further else text)
    return {name: unguarded(text) for name, text in cells.items()}
