"""A workbook made to harm: one that unpacks to a flood, one that names entities, one that reaches for a file."""

from __future__ import annotations

import io
import zipfile

import pytest
from openpyxl import Workbook

from app.errors import BitternError
from app.fitting.table_file import table_rows


def packed() -> dict[str, bytes]:
    """The parts of an honest workbook."""
    out, book = io.BytesIO(), Workbook()
    book.active.append(["part number", "price"])
    book.active.append(["A18M", "1.00"])
    book.save(out)
    with zipfile.ZipFile(out) as file:
        return {name: file.read(name) for name in file.namelist()}


def repacked(parts: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
        for name, content in parts.items():
            file.writestr(name, content)
    return out.getvalue()


def test_a_workbook_that_unpacks_to_a_flood_is_refused_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("app.fitting.workbook.MOST_UNPACKED", 2**20)
    parts = packed()
    parts["xl/media/flood.bin"] = b"\x00" * (4 * 2**20)
    content = repacked(parts)
    assert len(content) < 2**15
    with pytest.raises(BitternError, match="too large once unpacked"):
        list(table_rows("flood.xlsx", content))


LAUGHS = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 12))


@pytest.mark.parametrize(
    "head",
    [
        f'<!DOCTYPE x [<!ENTITY l0 "ha">{LAUGHS}]>',
        '<!DOCTYPE x [<!ENTITY l11 SYSTEM "file:///etc/passwd">]>',
        '<!DOCTYPE x [<!ENTITY l11 SYSTEM "http://192.0.2.1/x">]>',
    ],
    ids=["a flood", "a file", "a network"],
)
@pytest.mark.parametrize("part", ["xl/worksheets/sheet1.xml", "xl/workbook.xml", "[Content_Types].xml"])
def test_an_entity_is_neither_unfolded_nor_fetched(head: str, part: str) -> None:
    parts = packed()
    text = parts[part].decode()
    body = text.replace("A18M", "&l11;").replace("part number", "&l11;")
    start = body.index("?>") + 2 if body.startswith("<?xml") else 0
    parts[part] = (body[:start] + head + body[start:].replace("</", "&l11;</", 1)).encode()
    try:
        read = repr(list(table_rows("x.xlsx", repacked(parts))))
    except BitternError as error:
        read = error.message
    assert "root:" not in read and "haha" not in read


@pytest.mark.parametrize(
    "endless",
    [b"<x y='" + b">" * 400_000 + b"'/>", b"<!--" + b">" * 400_000 + b"-->", b"<?x " + b">" * 400_000 + b"?>"],
    ids=["an attribute", "a comment", "an instruction"],
)
@pytest.mark.parametrize("part", ["xl/worksheets/sheet1.xml", "xl/styles.xml", "xl/workbook.xml"])
def test_markup_without_an_end_in_sight_is_refused_unread(
    part: str, endless: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Forty megabytes of it, forty kilobytes packed, kept the reader for more than a minute."""
    parts = packed()
    start = parts[part].index(b">", parts[part].index(b"<worksheet") if b"<worksheet" in parts[part] else 60) + 1
    parts[part] = parts[part][:start] + endless + parts[part][start:]

    def read_nothing(*given: object, **named: object) -> None:
        raise AssertionError("it was read")

    monkeypatch.setattr("app.fitting.workbook.load_workbook", read_nothing)
    with pytest.raises(BitternError, match="no XLSX workbook that can be read"):
        list(table_rows("endless.xlsx", repacked(parts)))


def test_much_text_is_no_endless_markup() -> None:
    parts = packed()
    sheet = parts["xl/worksheets/sheet1.xml"]
    rows = b"".join(
        b'<row r="%d"><c t="inlineStr"><is><t>x</t></is></c></row>' % number for number in range(3, 20_000)
    )
    parts["xl/worksheets/sheet1.xml"] = sheet.replace(b"</sheetData>", rows + b"</sheetData>")
    parts["xl/media/image1.png"] = b"\x89PNG" + b"\x00" * 600_000
    assert len(list(table_rows("long.xlsx", repacked(parts)))) == 19_999
