"""PDFs as texts, pictures and rows: made here, read in the process of their own, held against what went in."""

import io

import pypdf
import pytest
from PIL import Image
from weasyprint import HTML

from app.errors import BitternError
from app.spreadsheets import pdf_picture, pdf_texts, table_rows
from app.spreadsheets.pdf_pages import MOST_TABLE_PAGES

PRICES = [
    ("number", "words", "list"),
    ("MQ-118-66", "mortise cylinder, 1-1/8 in, satin brass", "$84.50"),
    ("MQ-114-66", "mortise cylinder, 1-1/4 in", "$1,086.00"),
    ("RQ-66", "rim cylinder, satin brass", "$79.25"),
]


def made(body: str, style: str = "") -> bytes:
    content = HTML(string=f"<style>{style}</style>{body}").write_pdf()
    assert isinstance(content, bytes)
    return content


def table(rows: list[tuple[str, ...]]) -> str:
    lines = "".join(f"<tr>{''.join(f'<td>{cell}</td>' for cell in row)}</tr>" for row in rows)
    return f"<h1>Price list, fall</h1><table>{lines}</table>"


def test_each_page_has_its_text_and_a_scan_has_none() -> None:
    apart = "<p>Cams: MQ-C4 fits</p><p style='break-before: page'></p><p style='break-before: page'>Blanks: BQ1</p>"
    texts = [" ".join(text.split()) for text in pdf_texts(made(apart))]
    assert texts == ["Cams: MQ-C4 fits", "", "Blanks: BQ1"]


@pytest.mark.parametrize("style", ["td { border: 1px solid }", "td { padding: 2pt 12pt; text-align: right }"])
def test_a_price_table_is_read_with_lines_and_without(style: str) -> None:
    rows = list(table_rows("prices.pdf", made(table(PRICES), style)))
    assert [tuple(row) for row in rows if len(row) == 3 and row[2]] == PRICES


def test_a_page_is_drawn_with_its_words_marked() -> None:
    content = made("<p>plain</p><p style='break-before: page'>MQ-118-66 stands here</p>")
    bare, marked = (Image.open(io.BytesIO(pdf_picture(content, 2, words))) for words in ((), ("MQ-118-66",)))
    assert bare.size == marked.size and bare.width <= 1400 and bare.height <= 2000
    yellow = [color for _, color in marked.getcolors(1 << 20) or () if color[0] > 240 and color[2] < 180]
    assert yellow and not [color for _, color in bare.getcolors(1 << 20) or () if color[0] > 240 and color[2] < 180]


def locked() -> bytes:
    writer, out = pypdf.PdfWriter(clone_from=io.BytesIO(made("<p>secret</p>"))), io.BytesIO()
    writer.encrypt("word", algorithm="RC4-128")
    writer.write(out)
    return out.getvalue()


def scanned() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (85, 110), "white").save(out, "PDF")
    return out.getvalue()


def long() -> bytes:
    writer, out = pypdf.PdfWriter(), io.BytesIO()
    for _ in range(MOST_TABLE_PAGES + 1):
        writer.add_blank_page(100, 100)
    writer.write(out)
    return out.getvalue()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"%PDF", "no PDF that can be read"),
        (made("<p>cut</p>")[:200], "no PDF that can be read"),
        (locked(), "protected by a password"),
        (scanned(), "has no text: it is a scan"),
        (long(), "has 201 pages; tables are read of 200"),
    ],
    ids=["a head alone", "cut short", "locked", "a scan", "long"],
)
def test_what_cannot_be_read_is_a_sentence(content: bytes, says: str) -> None:
    with pytest.raises(BitternError, match=says) as refused:
        list(table_rows("prices.pdf", content))
    assert refused.value.field == "file"


def test_a_page_of_thirteen_feet_is_drawn_small() -> None:
    drawn = Image.open(io.BytesIO(pdf_picture(made("<p>x</p>", "@page { size: 4000mm 4000mm }"), 1)))
    assert max(drawn.size) <= 1400


def test_a_ruled_row_that_is_broken_between_two_pages_is_not_lost() -> None:
    style = "@page { size: 6in 4in } td { border: 1px solid }"
    numbers = [(f"MQ-{at:03d}", "mortise cylinder, satin brass, with a cam", f"${at}.50") for at in range(100, 140)]
    rows = list(table_rows("prices.pdf", made(table(numbers), style)))
    assert [tuple(row) for row in rows if row[0].startswith("MQ")] == numbers
