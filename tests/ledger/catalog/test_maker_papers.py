"""The makers' papers: kept, found by words and numbers however they are typed, opened, noted, deleted."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from app.config import Config
from app.errors import BitternError
from app.ledger.care.opening import Ledger
from app.ledger.catalog.maker_papers import (
    PaperForm,
    add_paper,
    change_paper,
    delete_paper,
    find_pages,
    get_page,
    note_page,
    noted_pages,
    notes_at,
    page_picture,
    papers_of,
    plain_text,
    remove_note,
)
from app.ledger.reports.search import search
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Maker, MakerPaper, MakerPaperPage, PageNote, PageTopic, Role
from tests import factories
from tests.conftest import NOW
from tests.plain_pdf import plain_pdf

CATALOG = plain_pdf(
    [
        ["Cylinder catalog"],
        ["Q18-M2-66 mortise cylinder, 1-1/8 in", "Q18-M2-56 of five chambers"],
        [],
        ["The hooked cam fouls the switch of lock Narrow 7"],
    ]
)
FORM = PaperForm("Catalog", "fall", date(2026, 9, 1))


@pytest.fixture
def config(empty_house: Path, copied: Callable[[Path], Config]) -> Config:
    return copied(empty_house)


@pytest.fixture
def work(ledger: Ledger, session: Session) -> Work:
    return Work(session, ledger.vault, Actor.of(factories.UserFactory(role=Role.OWNER)), NOW)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "files"


@pytest.fixture
def maker(session) -> Maker:
    made: Maker = factories.MakerFactory(name="Ardent Brass")
    return made


@pytest.fixture
def paper(work: Work, folder: Path, maker: Maker) -> MakerPaper:
    return add_paper(work, folder, maker.id, "../cat alog.PDF", CATALOG, FORM)


def test_a_paper_is_kept_with_its_pages(work: Work, folder: Path, paper: MakerPaper) -> None:
    assert (paper.name, paper.pages, paper.text_pages) == ("cat alog.PDF", 4, 3)
    assert [path.name for path in folder.iterdir()] == [paper.stored_name]
    assert get_page(work.session, paper.id, 4).text == "The hooked cam fouls the switch of lock Narrow 7"
    with pytest.raises(NotFound):
        get_page(work.session, paper.id, 5)


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("typed", "pages"),
    [
        ("Q18-M2-66", [2]),
        ("q18m266", [2]),
        ("Q18 M2", [2]),
        ("Q18", [2]),
        ("hooked narrow", [4]),
        ("cylinder", [1, 2]),
        ("lock 7", [4]),
        ("Q18-M2-99", []),
        ("   ", []),
        ("'; drop table", []),
    ],
)
def test_a_page_is_found_by_words_and_by_numbers_however_typed(
    work: Work, paper: MakerPaper, typed: str, pages: list[int]
) -> None:
    assert [one.page.number for one in find_pages(work.session, typed)] == pages
    assert [one.page.number for one in search(work.session, typed).pages] == pages


def test_what_was_met_is_shown_with_what_stands_around_it(work: Work, paper: MakerPaper) -> None:
    (found,) = find_pages(work.session, "q18m256", paper.maker_id)
    before = "Q18-M2-66 mortise cylinder, 1-1/8 in "
    assert (found.before, found.met, found.after) == (before, "Q18-M2-56", " of five chambers")
    assert find_pages(work.session, "Q18", maker_id=paper.maker_id + 1) == []


def test_the_newest_edition_stands_first(work: Work, folder: Path, maker: Maker, paper: MakerPaper) -> None:
    newer = add_paper(
        work, folder, maker.id, "n.pdf", plain_pdf([["Q18-M2-66"]]), PaperForm("N", "", date(2026, 10, 1))
    )
    older = add_paper(
        work, folder, maker.id, "o.pdf", plain_pdf([["Q18-M2-66 o"]]), PaperForm("O", "", date(2024, 1, 1))
    )
    assert [one.id for one in papers_of(work.session, maker.id)] == [newer.id, paper.id, older.id]
    assert [one.page.paper_id for one in find_pages(work.session, "Q18-M2-66")] == [newer.id, paper.id, older.id]
    change_paper(work, older.id, older.version, PaperForm("O", "2nd", date(2026, 11, 1)))
    assert papers_of(work.session, maker.id)[0].id == older.id
    with pytest.raises(Stale):
        change_paper(work, older.id, 1, PaperForm("P"))


def test_pages_with_the_number_itself_stand_before_such_as_have_its_pieces(
    work: Work, folder: Path, maker: Maker
) -> None:
    pages = [["Cam 7 of lock C, list 44.10"], ["Narrow locks", "use cam C-44"], ["C-45", "44 C"]]
    add_paper(work, folder, maker.id, "c.pdf", plain_pdf(pages), FORM)
    assert [one.page.number for one in find_pages(work.session, "c-44")] == [2, 1, 3]
    assert [one.page.number for one in find_pages(work.session, "c44")] == [2]
    assert [one.page.number for one in find_pages(work.session, "c-44", limit=1)] == [2]


def test_a_number_broken_at_the_end_of_a_line_is_whole() -> None:
    assert plain_text("A16M\ufffeQ1-66.SC") == "A16M-Q1-66.SC"
    assert max(map(len, plain_text("x" * 5000).split())) == 200


@pytest.mark.parametrize(
    ("content", "form", "field", "says"),
    [
        (b"%PDF-1.7 and no more", FORM, "file", "no PDF that can be read"),
        (CATALOG, PaperForm("  "), "title", "Enter what the paper is called"),
        (CATALOG, PaperForm("x" * 121), "title", "At most 120"),
    ],
)
def test_what_is_refused_leaves_nothing(
    work: Work, folder: Path, maker: Maker, content: bytes, form: PaperForm, field: str, says: str
) -> None:
    with pytest.raises(BitternError, match=says) as refused:
        add_paper(work, folder, maker.id, "x.pdf", content, form)
    assert field in str(refused.value)
    assert not folder.exists() and work.session.query(MakerPaper).count() == 0


def test_the_same_paper_twice_is_refused(work: Work, folder: Path, maker: Maker, paper: MakerPaper) -> None:
    with pytest.raises(LedgerError, match="on record already, as Catalog"):
        add_paper(work, folder, maker.id, "again.pdf", CATALOG, FORM)


def test_a_page_can_be_where_something_is_known_from(work: Work, paper: MakerPaper, maker: Maker) -> None:
    note_page(work, paper.id, 4, PageTopic.CAM, " hooked ")
    again = note_page(work, paper.id, 4, PageTopic.CAM, "hooked")
    assert [(one.topic, one.name) for one in notes_at(work.session, again.page_id)] == [(PageTopic.CAM, "hooked")]
    known = noted_pages(work.session, maker.id, [PageTopic.CAM, PageTopic.LOCK])
    assert {key: [page.number for page in pages] for key, pages in known.items()} == {(PageTopic.CAM, "hooked"): [4]}
    remove_note(work, again.id)
    assert noted_pages(work.session, maker.id, PageTopic) == {}


def test_a_deleted_paper_is_gone_with_its_pages_and_file(
    work: Work, folder: Path, paper: MakerPaper, maker: Maker
) -> None:
    note_page(work, paper.id, 2, PageTopic.ITEM, "Q18-M2-66")
    assert delete_paper(work, folder, paper.id, paper.version) == maker.id
    assert list(folder.iterdir()) == [] and find_pages(work.session, "Q18") == []
    assert [work.session.query(each).count() for each in (MakerPaper, MakerPaperPage, PageNote)] == [0, 0, 0]


def test_a_page_is_a_picture(work: Work, folder: Path, paper: MakerPaper) -> None:
    assert page_picture(folder, get_page(work.session, paper.id, 2), "Q18-M2-66")[:8] == b"\x89PNG\r\n\x1a\n"


def test_a_paper_is_held_against_its_hash_once_and_again_when_it_was_written(
    work: Work, folder: Path, paper: MakerPaper, monkeypatch: pytest.MonkeyPatch
) -> None:
    page, path = get_page(work.session, paper.id, 2), folder / paper.stored_name
    picture = page_picture(folder, page)

    def whole(*_: object) -> None:
        raise AssertionError("the whole paper was read")

    with monkeypatch.context() as patched:
        patched.setattr("app.ledger.store.kept_files.hashlib.sha256", whole)
        patched.setattr("app.ledger.store.kept_files.hashlib.file_digest", whole)
        assert page_picture(folder, page) == picture
    path.write_bytes(path.read_bytes() + b"%")
    with pytest.raises(LedgerError, match="not as it was sent"):
        page_picture(folder, page)
