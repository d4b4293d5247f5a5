"""Every paper is a tagged PDF with its fonts inside, made from static/ alone, the same bytes each time."""

import hashlib
import io
import os
import pickle
import re
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date
from pathlib import Path

import pypdf
import pytest
import weasyprint

from app.documents import (
    BittingList,
    FactoryOrder,
    bench_sheet_pdf,
    bitting_list_pdf,
    factory_order_pdf,
    key_receipt_pdf,
    keys_list_pdf,
    owner_quote_pdf,
    quote_pdf,
    schedule_pdf,
)
from app.documents.render import PaperHead, StaticFetcher, pdf
from app.errors import BitternError
from app.ledger.bench.bench_sheet import BenchWork
from app.ledger.jobs.papers import Schedule
from app.ledger.keys.key_queries import KeyReceipt
from app.ledger.quoting.snapshot import HouseHead, QuoteSnapshot

ROOT = Path(__file__).resolve().parents[2]
POINTS = {"Letter": (612.0, 792.0), "A4": (595.28, 841.89)}
Papers = dict[str, bytes]
LANDSCAPES = ("schedule", "order")
NUMBERS = {
    "quote": "Quote Q-1042-2",
    "owner": "Quote Q-1042-2, costs",
    "schedule": "Keying schedule for job 1038",
    "bench": "Bench sheet for job 1038",
    "keys": "Keys to cut for job 1038",
    "receipt": "Key receipt 1038-3",
    "order": "Factory order F-1042-1",
    "list": "Bitting list College GMK",
}


@pytest.fixture(scope="module", params=["Letter", "A4"])
def papers(request: pytest.FixtureRequest, make_all: Callable[[str], Papers]) -> tuple[str, Papers]:
    return request.param, make_all(request.param)


def test_each_paper_has_the_size_that_was_asked(papers: tuple[str, Papers]) -> None:
    size, documents = papers
    for name, document in documents.items():
        box = pypdf.PdfReader(io.BytesIO(document)).pages[0].mediabox
        expected = POINTS[size][::-1] if name in LANDSCAPES else POINTS[size]
        assert (float(box.width), float(box.height)) == pytest.approx(expected, abs=0.1)


def test_each_paper_is_tagged_and_says_its_language_and_title(papers: tuple[str, Papers]) -> None:
    for document in papers[1].values():
        reader = pypdf.PdfReader(io.BytesIO(document))
        root = reader.trailer["/Root"]
        assert root["/MarkInfo"]["/Marked"]
        assert root["/StructTreeRoot"]["/K"]
        assert root["/Lang"] == "en-US"
        assert root["/ViewerPreferences"]["/DisplayDocTitle"]
        assert "Fenwick Quay Builders' Hardware" in (reader.metadata.title or "")
        assert b"pdfuaid" in root["/Metadata"].get_data()


def test_table_headers_are_tagged(papers: tuple[str, Papers]) -> None:
    kinds, waiting = set(), [pypdf.PdfReader(io.BytesIO(papers[1]["schedule"])).trailer["/Root"]["/StructTreeRoot"]]
    while waiting:
        element = waiting.pop()
        kinds.add(element.get("/S"))
        children = (child.get_object() for child in element.get("/K", ()))
        waiting += [child for child in children if isinstance(child, dict)]
    assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/TR"} <= kinds


def test_every_font_is_embedded_and_is_the_houses_own(papers: tuple[str, Papers]) -> None:
    for document in papers[1].values():
        fonts = [
            font.get_object()
            for page in pypdf.PdfReader(io.BytesIO(document)).pages
            for font in page["/Resources"]["/Font"].values()
        ]
        assert fonts
        for font in fonts:
            descriptor = font["/DescendantFonts"][0]["/FontDescriptor"]
            assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor)
            assert "Source-" in font["/BaseFont"]


def test_every_page_says_which_paper_it_is(papers: tuple[str, Papers], pages: Callable[[bytes], list[str]]) -> None:
    for name, document in papers[1].items():
        texts = pages(document)
        for number, text in enumerate(texts, start=1):
            assert f"page {number} of {len(texts)}" in text
            assert "4 March 2031" in text
            assert "Fenwick Quay" in text
            assert NUMBERS[name] in text


@pytest.mark.usefixtures("prints_anew")
def test_the_same_view_gives_the_same_bytes_in_another_process(snapshot: Callable[..., QuoteSnapshot]) -> None:
    here = quote_pdf(snapshot())
    assert quote_pdf(snapshot()) == here
    script = (
        "import hashlib, pickle, sys; from app.documents import quote_pdf; "
        "print(hashlib.sha256(quote_pdf(pickle.load(sys.stdin.buffer))).hexdigest())"
    )
    environment = {name: value for name, value in os.environ.items() if name != "SOURCE_DATE_EPOCH"}
    run = subprocess.run(
        [sys.executable, "-c", script], input=pickle.dumps(snapshot()), capture_output=True, cwd=ROOT,
        env={**environment, "TZ": "Asia/Tokyo", "PYTHONHASHSEED": "7"}, check=True,
    )  # fmt: skip
    assert run.stdout.decode().strip() == hashlib.sha256(here).hexdigest()


def test_what_stands_in_for_the_press_in_one_test_is_no_paper_of_another(
    snapshot: Callable[..., QuoteSnapshot], pages: Callable[[bytes], list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = replace(snapshot(), title="Printed by a stand-in")
    with monkeypatch.context() as patch:
        patch.setattr(weasyprint.HTML, "write_pdf", lambda *_, **__: b"%PDF, or not")
        assert quote_pdf(asked) == b"%PDF, or not"
    assert "Printed by a stand-in" in pages(quote_pdf(asked))[0]


@pytest.mark.parametrize("paper", ["", "letter", "Legal", "Letter } @import url(http://x.example/a.css); {"])
def test_another_paper_is_refused(paper: str, snapshot: Callable[..., QuoteSnapshot]) -> None:
    with pytest.raises(BitternError) as refusal:
        pdf("quote.html", PaperHead(snapshot(paper).house, "Quote", "1042", date(2031, 3, 4)))
    assert refusal.value.field == "paper"


@pytest.mark.parametrize(
    "address",
    [
        "http://127.0.0.1/a.css",
        "https://example.com/a.png",
        "file:///etc/passwd",
        "file://elsewhere/work/static/css/print.css",
        (ROOT / "static" / ".." / "pyproject.toml").as_uri().replace("pyproject", "static/../pyproject"),
        (ROOT / "static").as_uri() + "/%2e%2e/pyproject.toml",
        "data:text/css,a{}",
    ],
)
def test_nothing_outside_static_is_opened(address: str) -> None:
    with pytest.raises(ValueError, match="static/ only"):
        StaticFetcher().fetch(address)


def test_static_is_opened() -> None:
    assert b"@page" in StaticFetcher().fetch((ROOT / "static/css/print.css").as_uri()).read()


def test_every_column_width_that_a_template_names_is_in_the_style_sheet() -> None:
    sheet = (ROOT / "static/css/print.css").read_text()
    for template in (ROOT / "templates/documents").glob("*.html"):
        named = set(re.findall(r'"(mm\d+)"', template.read_text()))
        assert {name for name in named if f".{name} {{" not in sheet} == set(), template.name


def test_no_template_carries_style_script_or_unescaped_text() -> None:
    for template in (ROOT / "templates/documents").glob("*.html"):
        assert not re.search(r"style=|<style|<script|\|\s*safe|autoescape", template.read_text()), template.name


HOSTILE = {
    "markup": "<script>alert(1)</script><img src=x onerror=y><b>bold",
    "template": "{{ 7 * 7 }}{% raw %}",
    "formula": "=cmd|'/c calc'!A0",
    "entities": "&lt;already&gt; &amp; &#x41;",
    "css": "');} @page { size: 1cm } /*",
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE.keys())
def test_hostile_text_is_printed_as_it_was_typed(
    text: str, snapshot: Callable[..., QuoteSnapshot], pages: Callable[[bytes], list[str]]
) -> None:
    given = snapshot()
    hostile = replace(
        given,
        customer_name=text, title=text, terms=text, cautions=(text,),
        house=replace(given.house, name=text, address=text),
        lines=(replace(given.lines[0], words=text, part_number=text, keying=text, remark=text),),
    )  # fmt: skip
    printed = "".join(pages(quote_pdf(hostile))).replace(" ", "")
    assert printed.count(text.replace(" ", "")) >= 9


def test_long_and_strange_names_do_not_stop_a_paper(
    snapshot: Callable[..., QuoteSnapshot],
    schedule: Callable[..., Schedule],
    bench: Callable[..., BenchWork],
) -> None:
    long, strange = "W" * 10_000, "قفل שער \U0001f511 \U000e0001 \ud800 bell\x07 nul\x00 \u202eabc 鍵"
    house = replace(snapshot().house, name=long, address=strange)
    quote = read_by_poppler(quote_pdf(replace(snapshot(), customer_name=long, house=house, title=strange)))
    assert quote.count("W") >= 20_000  # as customer and as house
    assert {"bell\ufffd", "nul\ufffd"} <= set(quote.split())
    given = schedule(2)
    rows = (replace(given.rows[0], location="Storeroom " * 1000, remarks=strange, keyset=strange), given.rows[1])
    assert "L-102" in read_by_poppler(schedule_pdf(replace(given, rows=rows)))
    odd = replace(bench(), head=replace(bench().head, title=strange))
    assert "AA3" in read_by_poppler(bench_sheet_pdf(replace(odd, revealed_to=long)))


def read_by_poppler(document: bytes) -> str:
    """The text by a second reader: pypdf cannot read a font that has a missing glyph."""
    run = subprocess.run(["pdftotext", "-raw", "-", "-"], input=document, capture_output=True, check=True)
    return run.stdout.decode()


@pytest.fixture(scope="module")
def make_all(
    snapshot: Callable[..., QuoteSnapshot],
    schedule: Callable[..., Schedule],
    bench: Callable[..., BenchWork],
    house: Callable[..., HouseHead],
    receipt: Callable[..., KeyReceipt],
    order: Callable[..., FactoryOrder],
    bitting_list: Callable[..., BittingList],
) -> Callable[[str], Papers]:
    return lambda paper: {
        "quote": quote_pdf(snapshot(paper)),
        "owner": owner_quote_pdf(snapshot(paper)),
        "schedule": schedule_pdf(schedule(20, paper)),
        "bench": bench_sheet_pdf(bench(paper)),
        "keys": keys_list_pdf(bench(paper)),
        "receipt": key_receipt_pdf(house(paper), receipt()),
        "order": factory_order_pdf(order(paper)),
        "list": bitting_list_pdf(bitting_list(paper)),
    }


def test_a_browsers_line_ends_are_line_ends(
    snapshot: Callable[..., QuoteSnapshot], pages: Callable[[bytes], list[str]]
) -> None:
    text = pages(quote_pdf(replace(snapshot(), terms="Payment on collection.\r\nNo returns.")))[0]
    assert "Payment on collection. No returns." in text and "\ufffd" not in text


@pytest.mark.usefixtures("prints_anew")
def test_papers_printed_at_once_by_several_threads_are_the_same(snapshot: Callable[..., QuoteSnapshot]) -> None:
    with ThreadPoolExecutor(4) as threads:
        made = list(threads.map(lambda _: quote_pdf(snapshot()), range(8)))
    assert set(made) == {quote_pdf(snapshot())}
