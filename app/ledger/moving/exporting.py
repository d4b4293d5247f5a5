"""Export a whole house: one ZIP of CSV files, or one workbook. The same records give the same bytes."""

from __future__ import annotations

import io
import zipfile

from sqlalchemy.orm import Session

from app.errors import BitternError
from app.ledger.moving.cells import write_cell
from app.ledger.moving.rows_on_record import People, rows_on_record
from app.ledger.moving.tables import TABLES, MovedTable
from app.ledger.store.engine import transaction
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.spreadsheets import cell_text, guarded, guarded_book_bytes, guarded_csv_bytes

KINDS = ("zip", "xlsx")
CONTINUED = "…"  # stands before a text that goes on, so that no piece begins like a formula
LONGEST = 30_000  # a workbook's cell holds 32,767 characters, and readers of CSV have limits of their own
_ROOM = 2_700
_SHORT = 4_500
_EPOCH = (1980, 1, 1, 0, 0, 0)
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
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in files.items():
            packed.writestr(zipfile.ZipInfo(name, _EPOCH), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


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
