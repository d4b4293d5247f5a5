"""A workbook made to harm: one that unpacks to a flood, one that names entities, one that reaches for a file."""

import io
import subprocess
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from openpyxl import Workbook

from app.errors import BitternError
from app.spreadsheets.table_file import table_rows


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
    monkeypatch.setattr("app.spreadsheets.workbook.MOST_UNPACKED", 2**20)
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


def with_rows(rows: bytes) -> dict[str, bytes]:
    parts = packed()
    sheet = parts["xl/worksheets/sheet1.xml"]
    parts["xl/worksheets/sheet1.xml"] = sheet.replace(b"</sheetData>", rows + b"</sheetData>")
    return parts


def test_a_million_styles_cost_the_app_nothing() -> None:
    """Forty-eight kilobytes held a core for nineteen seconds, and made a table of all of them in the app's memory."""
    parts = packed()
    start, end = (parts["xl/styles.xml"].index(mark) for mark in (b"<cellXfs", b"</cellXfs>"))
    styles = b"<cellXfs>" + b'<xf numFmtId="0"/>' * 1_000_000
    parts["xl/styles.xml"] = parts["xl/styles.xml"][:start] + styles + parts["xl/styles.xml"][end:]
    content = repacked(parts)
    assert len(content) < 60_000
    tracemalloc.start()
    try:
        assert list(table_rows("styled.xlsx", content)) == [["part number", "price"], ["A18M", "1.00"]]
        assert tracemalloc.get_traced_memory()[1] < 5_000_000
    finally:
        tracemalloc.stop()


def repeated_string() -> dict[str, bytes]:
    """One long text that a great many cells point to: a gigabyte of it in the reader's memory."""
    row = b"<row>" + b'<c t="s"><v>0</v></c>' * 90 + b"</row>"
    namespace = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    text = b'<sst xmlns="%s"><si><t>%s</t></si></sst>' % (namespace, b"x" * 30_000)
    return {**with_rows(row * 1_000), "xl/sharedStrings.xml": text}


def one_string_told(text: bytes, times: int) -> bytes:
    """A workbook of a few kilobytes with one shared string in that many rows of its own."""
    namespace = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    shared = b'<sst xmlns="%s"><si><t>%s</t></si></sst>' % (namespace, text)
    return repacked({**with_rows(b'<row><c t="s"><v>0</v></c></row>' * times), "xl/sharedStrings.xml": shared})


@pytest.mark.parametrize(
    "text", [b"_x0001_" * 32_000, b"a" * 32_000, "🗝".encode() * 16_000], ids=["escaped", "plain", "four bytes each"]
)
def test_what_a_small_workbook_says_is_counted_as_it_is_told_and_never_whole_in_the_app(text: bytes) -> None:
    """Six thousand cells of one string, which JSON writes six times as long, took two gigabytes in the app."""
    tracemalloc.start()
    try:
        with pytest.raises(BitternError, match="This workbook holds more than 100 MB"):
            list(table_rows("told.xlsx", one_string_told(text, 6_000)))
        assert sum(1 for _ in table_rows("told.xlsx", one_string_told(text, 400))) == 402
        assert tracemalloc.get_traced_memory()[1] < 5_000_000
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    "flood",
    [
        b"<row/>" * 14_000_000,
        (b"<row>" + b"<c><v>1</v></c>" * 90 + b"</row>") * 40_000,
        b"<row>" + b"<c>" * 14_000_000,
    ],
    ids=["rows", "cells", "cells without an end"],
)
def test_a_flood_of_rows_or_cells_is_refused_before_it_is_read(flood: bytes) -> None:
    """They held a core for ten seconds; to count what is to be read takes a tenth of one."""
    with pytest.raises(BitternError, match="too large once unpacked"):
        list(table_rows("flood.xlsx", repacked(with_rows(flood))))


def test_two_million_cells_in_as_many_rows_as_are_read_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("app.spreadsheets.workbook.MOST_SECONDS", 600)  # on a core however slow
    row = b"<row>" + b'<c t="inlineStr"><is><t>part number</t></is></c>' * 10 + b"</row>"
    rows = table_rows("honest.xlsx", repacked(with_rows(row * 199_998)))
    assert sum(len(row) for row in rows) == 2_000_000 - 20 + 4


CORNERS = b'<row r="4"><c r="A4"><v>1</v></c></row><row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        (lambda: with_rows(CORNERS), "too large once unpacked"),
        (repeated_string, "too large once unpacked|more than 200 MB"),
        (
            lambda: with_rows(b'<row r="4294967290"><c><v>1</v></c></row>'),
            "no XLSX workbook that can be read|too large",
        ),
    ],
    ids=["two corners", "one string again and again", "a row beyond all"],
)
def test_what_unfolds_without_end_is_refused_in_words_and_harms_nobody(
    parts: Callable[[], dict[str, bytes]], says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.spreadsheets.child_process.MOST_MEMORY", 400_000_000)
    with pytest.raises(BitternError, match=says):
        list(table_rows("flood.xlsx", repacked(parts())))
    assert len(list(table_rows("honest.xlsx", repacked(packed())))) == 2


def test_a_reader_that_only_waits_is_stopped_by_the_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("app.spreadsheets.child_process.PATIENCE", 0.0)
    with pytest.raises(BitternError, match="takes too long to read"):
        list(table_rows("slow.xlsx", repacked(packed())))


def test_a_reader_that_works_without_end_is_stopped_by_the_system(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    endless = tmp_path / "reader.py"
    endless.write_text("while True:\n    pass\n")
    monkeypatch.setattr("app.spreadsheets.workbook.MOST_SECONDS", 1)
    monkeypatch.setattr("app.spreadsheets.workbook._READER", endless)
    with pytest.raises(BitternError, match="takes too long to read"):
        list(table_rows("slow.xlsx", repacked(packed())))


@pytest.mark.parametrize(("signal", "says"), [(6, "too large"), (11, "too large"), (24, "takes too long")])
def test_a_reader_that_is_killed_is_a_sentence(signal: int, says: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def killed(*given: object, **named: object) -> subprocess.CompletedProcess[bytes]:
        return subprocess.CompletedProcess([], -signal, b'["half a')

    monkeypatch.setattr("subprocess.run", killed)
    with pytest.raises(BitternError, match=says):
        list(table_rows("x.xlsx", repacked(packed())))


def test_a_reader_that_cannot_start_is_our_fault_and_not_the_workbooks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.spreadsheets.workbook._READER", tmp_path / "gone.py")
    with pytest.raises(subprocess.CalledProcessError):
        list(table_rows("x.xlsx", repacked(packed())))


def test_the_reader_gets_no_setting_of_the_house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told = tmp_path / "reader.py"
    told.write_text(
        "import os\nNEEDS, REFUSAL = 'json', KeyError\n"
        "def parts_of(data, request):\n    yield from ({'merged': []}, sorted(os.environ))\n"
    )
    monkeypatch.setattr("app.spreadsheets.workbook._READER", told)
    monkeypatch.setenv("BITTERN_KEY", "not for you")
    (names,) = table_rows("x.xlsx", b"")
    assert not [name for name in names if name.startswith("BITTERN")]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "protected by a password, or in an old format"),
        (b"PK\x03\x04 and no more", "no XLSX workbook"),
        (repacked({"mimetype": b"application/vnd.oasis.opendocument.spreadsheet"}), "no XLSX workbook"),
        (repacked(with_rows(b'<row><c t="inlineStr"><is><t>' + b"x" * 32_768 + b"</t></is></c></row>")), "Row 3 has"),
    ],
    ids=["encrypted", "cut short", "another format", "a cell too long"],
)
def test_each_refusal_says_what_to_do(content: bytes, says: str) -> None:
    with pytest.raises(BitternError, match=says):
        list(table_rows("x.xlsx", content))


def test_more_rows_or_more_text_than_are_read_are_refused_and_not_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    content = repacked(packed())
    assert len(list(table_rows("x.xlsx", content, most_rows=2))) == 2
    with pytest.raises(BitternError, match="more than 1 rows"):
        list(table_rows("x.xlsx", content, most_rows=1))
    monkeypatch.setattr("app.spreadsheets.workbook.MOST_BYTES", 60)
    with pytest.raises(BitternError, match="This workbook holds more than"):
        list(table_rows("x.xlsx", content))


@pytest.mark.parametrize(
    "endless",
    [b"<x y='" + b">" * 400_000 + b"'/>", b"<!--" + b">" * 400_000 + b"-->", b"<?x " + b">" * 400_000 + b"?>"],
    ids=["an attribute", "a comment", "an instruction"],
)
@pytest.mark.parametrize("part", ["xl/worksheets/sheet1.xml", "xl/styles.xml", "xl/workbook.xml"])
def test_markup_without_an_end_in_sight_is_read_in_no_time(
    part: str, endless: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reader that begins such a piece anew with each chunk took minutes for forty kilobytes, packed."""
    monkeypatch.setattr("app.spreadsheets.workbook.MOST_SECONDS", 5)
    parts = packed()
    start = parts[part].index(b">", parts[part].index(b"<worksheet") if b"<worksheet" in parts[part] else 60) + 1
    parts[part] = parts[part][:start] + endless * 20 + parts[part][start:]
    assert len(list(table_rows("endless.xlsx", repacked(parts)))) == 2


def test_much_text_is_no_endless_markup() -> None:
    parts = packed()
    sheet = parts["xl/worksheets/sheet1.xml"]
    rows = b"".join(
        b'<row r="%d"><c t="inlineStr"><is><t>x</t></is></c></row>' % number for number in range(3, 20_000)
    )
    parts["xl/worksheets/sheet1.xml"] = sheet.replace(b"</sheetData>", rows + b"</sheetData>")
    parts["xl/media/image1.png"] = b"\x89PNG" + b"\x00" * 600_000
    assert len(list(table_rows("long.xlsx", repacked(parts)))) == 19_999
