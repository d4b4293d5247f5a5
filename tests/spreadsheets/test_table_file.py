"""A file of a table: its rows, or in words why it is none; and what is wrong with a head whose columns are named."""

import io
import zipfile

import pytest

from app.errors import BitternError
from app.spreadsheets import head_problems, table_rows


def test_a_head_is_told_what_it_lacks_has_twice_or_should_not_have() -> None:
    problems = head_problems(["code", "tier", "tier", "size"], ["code", "price", "tier"], ["code", "price"], "row 7")
    assert [problem.message for problem in problems] == [
        "There is no column 'price'.",
        "The column 'size' is not one of code, price, tier.",
        "The column 'tier' stands twice.",
    ]
    assert {problem.field for problem in problems} == {"row 7"}


def zipped(names: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in names.items():
            packed.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("items.txt", b"x", "neither .csv nor .xlsx"),
        ("items", b"x", "neither .csv nor .xlsx"),
        ("n" * 5000, b"x", "neither .csv nor .xlsx"),
        ("items.xlsm", b"PK", "macros"),
        ("items.xlsx", b"part_number,", "no XLSX workbook"),
        ("items.xlsx", b"", "no XLSX workbook"),
        ("items.xlsx", zipped({"xl/workbook.xml": b"<x>"}), "no XLSX workbook"),
        ("items.xlsx", zipped({"xl/vbaProject.bin": b"x"}), "holds macros"),
        ("items.csv", b"PK\x03\x04rest", "no CSV file"),
        ("items.csv", b"a\x00b", "no CSV file"),
        ("items.csv", b"part,words\nA-1,Ring\nA-2,Caf\xe9\n", "Row 3 is not in UTF-8"),
        ("items.csv", b'part,words\nA,"open', "Row 2 cannot be read"),
        ("items.csv", b"," * 200, "columns"),
    ],
)
def test_a_file_of_the_wrong_kind_is_refused_whole(name: str, content: bytes, says: str) -> None:
    with pytest.raises(BitternError, match=says) as refusal:
        list(table_rows(name, content))
    assert refusal.value.field == "file"
    assert len(refusal.value.message) < 300


class Endless(io.RawIOBase):
    """A file that gives its line again and again."""

    def __init__(self, line: bytes) -> None:
        self._line, self.given = line, 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray) -> int:
        self.given += len(buffer)
        assert self.given < 100_000_000
        at = (self.given - len(buffer)) % len(self._line)
        buffer[:] = (self._line * (len(buffer) // len(self._line) + 2))[at : at + len(buffer)]
        return len(buffer)

    def read(self, size: int = -1) -> bytes:
        assert 0 < size < 100_000_000
        return b"x" * size


@pytest.mark.parametrize(
    ("name", "line", "says"),
    [
        ("items.csv", b"x", "Row 1 is longer than 10 MB"),
        ("items.csv", b"x" * 1000 + (b"," + b"x" * 1000) * 90 + b"\n", "larger than 50 MB"),
        ("items.xlsx", b"x", "larger than 50 MB"),
    ],
)
def test_a_very_large_file_is_refused_without_reading_all_of_it(name: str, line: bytes, says: str) -> None:
    with pytest.raises(BitternError, match=says):
        list(table_rows(name, Endless(line)))  # type: ignore[arg-type]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_other_encodings_that_say_so_are_read(encoding: str) -> None:
    assert list(table_rows("x.csv", "part,words\nA-1,Ring ⅛\n".encode(encoding)))[1] == ["A-1", "Ring ⅛"]
