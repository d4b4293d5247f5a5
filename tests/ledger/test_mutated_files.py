"""Two thousand damaged spreadsheets: each reader answers with problems or a refusal in words, never with a fault."""

import csv
import io
import itertools
import json
import random
import subprocess
import zipfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from subprocess import CompletedProcess
from types import SimpleNamespace
from typing import Any, BinaryIO

import pytest
import sqlalchemy as sa

from app.errors import BitternError
from app.ledger.catalog.maker_items import items_of
from app.ledger.catalog.makers import plan_maker, read_table_file
from app.ledger.catalog.sheets import sheets_of
from app.ledger.catalog.specs import read_chart
from app.ledger.importing.imports import KINDS, ask_questions, open_table, plan_import, propose_choice
from app.ledger.moving.export_file import export_house
from app.ledger.moving.importing import plan_house
from app.ledger.store.work import Work
from app.ledger.tables import Maker
from app.spreadsheets import child_process, guarded_book_bytes, reading_child, workbook_child
from tests.ledger.conftest import DEMO, FIRST_DAY

Reader = Callable[[str, bytes], object]
FILES = 2000
BITS = (
    b"\0",
    b"\xff\xfe",
    b'"',
    b"\n",
    b"\r",
    b",",
    b";",
    b"=cmd|' /C calc'!A0",
    b"9" * 400,
    b"1e309",
    b"-1",
    b"<!DOCTYPE x [<!ENTITY a SYSTEM 'file:///etc/passwd'>]>",
    b"&a;",
    b"]]>",
    b"{",
    b"null",
    b"[[[[",
    "½٣é\u202e".encode(),
    b"<x>",
    b"../../x",
)


def damaged(content: bytes, chance: random.Random) -> bytes:
    """The bytes with one to four pieces flipped, lost, doubled, swapped, or put in."""
    data = bytearray(content)
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(data) + 1)
        span = chance.choice((1, 1, 2, 8, 64, len(data) // 2))
        match chance.randrange(5):
            case 0 if at < len(data):
                data[at] = chance.randrange(256)
            case 1:
                del data[at : at + span]
            case 2:
                data[at:at] = data[at : at + span]
            case 3:
                data[at:at] = chance.choice(BITS)
            case _:
                data[at : at + span] = bytes(reversed(data[at : at + span]))
    return bytes(data)


def damaged_inside(content: bytes, chance: random.Random) -> bytes:
    """A zip file that is sound outside, and whose members one is damaged in."""
    with zipfile.ZipFile(io.BytesIO(content)) as whole:
        members = {name: whole.read(name) for name in whole.namelist()}
    wrong = chance.choice(sorted(members))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name, data in members.items():
            made.writestr(name, damaged(data, chance) if name == wrong and data else data)
    return out.getvalue()


def as_xlsx(text: str) -> bytes:
    return guarded_book_bytes([("List", csv.reader(io.StringIO(text)))])


@pytest.fixture
def readers(work: Work) -> dict[str, tuple[Reader, bytes]]:
    """'file name' → what reads it, and a sound one."""
    session = work.session
    maker = session.scalars(sa.select(Maker).order_by(Maker.id)).first()
    assert maker is not None
    key = sheets_of(maker.tables)[0].key

    def text(name: str) -> str:
        return (DEMO / name).read_text("utf-8")

    def imported(kind: str, about_id: int | None, name: str, content: bytes) -> object:
        sent = open_table(name, content, KINDS[kind], about_id, FIRST_DAY)
        choice = propose_choice(session, sent).choice
        if ask_questions(session, sent, choice).missing:
            return None  # the page asks before it goes on
        return plan_import(session, sent, choice)

    doors, prices, goods = (
        partial(imported, *kind) for kind in (("doors", 1), ("prices", None), ("goods", maker.id))
    )

    def table(name: str, content: bytes) -> object:
        return read_table_file(maker.tables, key, name, content)

    def house(name: str, content: bytes) -> object:
        return plan_house(work, name, content)

    codes = "code,words\nA,one\nB,two\n"
    chart = "name,chambers,depths,macs\nRook,6,10,7\n"
    items = "part_number,words,list_cents\nA18M-Q1-66.SC,a cylinder,1000\n"
    assert list(items_of(session, maker)) is not None
    return {
        "doors.csv": (doors, text("college_doors.csv").encode()[:4000]),
        "doors.xlsx": (doors, as_xlsx(text("flats_doors.csv"))),
        "prices.csv": (prices, text("prices.csv").encode()[:4000]),
        "prices.xlsx": (prices, as_xlsx("\n".join(text("prices.csv").splitlines()[:20]))),
        "table.csv": (table, codes.encode()),
        "table.xlsx": (table, as_xlsx(codes)),
        "catalogue.csv": (goods, items.encode()),
        "catalog.xlsx": (goods, as_xlsx(items)),
        "chart.csv": (lambda name, content: read_chart(name, content), chart.encode()),
        "chart.json": (
            lambda name, content: read_chart(name, content),
            b'{"name": "Rook", "chambers": 6, "depths": 10}',
        ),
        "maker.json": (lambda _, content: plan_maker(session, content), a_maker().read_bytes()),
        "house.zip": (house, export_house(work, "zip")),
        "house.xlsx": (house, export_house(work, "xlsx")),
    }


def a_maker() -> Path:
    return min((DEMO / "makers").glob("*.json"), key=lambda path: path.stat().st_size)


@pytest.fixture
def reads_mostly_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of ten workbooks nine are read by the reader's own lines in this process: to start a process for each was
    most of what two thousand files took. The tenth goes through a process as always.
    """
    started = itertools.count()

    def run(command: list[str], *, input: bytes, stdout: BinaryIO, **options: Any) -> CompletedProcess[bytes]:
        if next(started) % 10 == 0:
            return subprocess.run(command, input=input, stdout=stdout, **options)
        stdout.writelines(reading_child.lines_of(vars(workbook_child), input, json.loads(command[-1])))
        return CompletedProcess(command, 0)

    here = SimpleNamespace(run=run, DEVNULL=subprocess.DEVNULL, TimeoutExpired=subprocess.TimeoutExpired)
    monkeypatch.setattr(child_process, "subprocess", here)


@pytest.mark.usefixtures("reads_mostly_here")
def test_no_damaged_file_is_a_fault(readers: dict[str, tuple[Reader, bytes]]) -> None:
    chance = random.Random(2000)
    faults: list[str] = []
    refused = 0
    for number in range(FILES):
        name = sorted(readers)[number % len(readers)]
        read, sound = readers[name]
        is_zip = name.endswith((".xlsx", ".zip"))
        content = damaged_inside(sound, chance) if is_zip and number % 3 else damaged(sound, chance)
        try:
            read(name, content)
        except BitternError:
            refused += 1
        except Exception as fault:
            faults.append(f"{number} {name}: {type(fault).__name__} {str(fault)[:150]}")
    assert faults == [], f"{len(faults)} faults\n" + "\n".join(faults[:40])
    assert FILES / 10 < refused < FILES
