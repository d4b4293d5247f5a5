"""The makers' papers at hand: PDFs kept with their maker, found by what their pages say, opened at that page."""

import hashlib
import re
import secrets
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.orm import Session, contains_eager, joinedload

from app.fitting import SEPARATORS
from app.ledger.search.words import MOST, dialect_of, query_of, read_words, word_ids
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import record
from app.ledger.store.kept_files import open_kept, plain_name, write_kept
from app.ledger.store.records import check_texts, set_changed
from app.ledger.store.work import Progress, Work, nobody_watches
from app.ledger.tables import FileKind, Maker, MakerPaper, MakerPaperPage, PageNote, PageTopic, longest
from app.spreadsheets import pdf_picture, pdf_texts

STEP = 50
_AROUND = 60  # characters of a page shown before and after what was found
_LONGEST_WORD = 200  # PostgreSQL's index of words takes none of 2,048 bytes
_APART = "".join(SEPARATORS).replace(" ", "")
_NUMBER = re.compile(rf"[^\W_]+(?:[{re.escape(_APART)}][^\W_]+)+")


@dataclass(frozen=True, slots=True)
class PaperForm:
    """What a paper is called, its edition in the maker's words, and the day that this holds from."""

    title: str
    edition: str = ""
    dated: date | None = None


@dataclass(frozen=True, slots=True)
class FoundPage:
    """A page that holds what was asked for, and what stands there: before it, itself, and after it."""

    page: MakerPaperPage
    before: str
    met: str
    after: str


def add_paper(
    work: Work,
    folder: Path,
    maker_id: int,
    sent_name: str,
    content: bytes,
    form: PaperForm,
    progress: Progress = nobody_watches,
) -> MakerPaper:
    """Keep a maker's PDF with the text of each of its pages. The owner's alone.

    Raises LedgerError on `file` for what is no PDF that can be read, or is there already; then nothing is kept.
    """
    work.require_owner()
    _check(form)
    digest = hashlib.sha256(content).digest()
    same = work.session.scalar(sa.select(MakerPaper).where(MakerPaper.sha256 == digest))
    if same is not None:
        raise LedgerError("file", f"This file is on record already, as {same.title}.")
    progress("reading pages", 0, 0)
    texts = [plain_text(text) for text in pdf_texts(content)]
    paper = MakerPaper(
        maker_id=get_row(work.session, Maker, maker_id, "maker").id,
        title=form.title,
        edition=form.edition,
        dated=form.dated,
        name=plain_name(sent_name, FileKind.PDF),
        stored_name=secrets.token_hex(16),
        size=len(content),
        sha256=digest,
        pages=len(texts),
        text_pages=sum(bool(text) for text in texts),
        added_at=work.now,
        added_by_id=work.actor.user_id,
    )
    path = folder / paper.stored_name
    try:
        with transaction(work.session):
            work.session.add(paper)
            write_kept(path, content)
            work.session.flush()
            for number, text in enumerate(texts, 1):
                work.session.add(MakerPaperPage(paper_id=paper.id, number=number, text=text, joined=joined(text)))
                if number % STEP == 0:
                    work.session.flush()
                    progress("saving pages", number, len(texts))
            work.session.flush()
            said = f"{paper.title} kept, {len(texts):,} pages"
            record(work, "paper kept", f"maker {maker_id}", said, paper=paper.id, bytes=paper.size)
            return paper
    except BaseException:
        with suppress(OSError):
            path.unlink()
        raise


def _check(form: PaperForm) -> None:
    check_texts(form, MakerPaper)
    if not form.title.strip():
        raise LedgerError("title", "Enter what the paper is called.")


def plain_text(text: str) -> str:
    """A page's text as it is kept: one blank between words, no control characters, within the column's length.

    A hyphen at a line's end, which the reader gives as U+FFFE, is a hyphen: a number may be broken there.

    >>> plain_text("18M-Q2\\x00 \\r\\n  satin\\tbrass")
    '18M-Q2 satin brass'
    """
    text = text.replace("\ufffe", "-")
    shown = "".join(one if one.isprintable() or one.isspace() else " " for one in text)
    words = (word[start : start + _LONGEST_WORD] for word in shown.split() for start in _starts(word))
    return " ".join(words)[: longest(MakerPaperPage.text)]


def _starts(word: str) -> range:
    return range(0, len(word), _LONGEST_WORD)


def joined(text: str) -> str:
    """The numbers of a text without what parts their pieces, so that one is found however it is typed.

    >>> joined("See 18M-Q2-66 and 18M-Q2-66, or A.7")
    '18MQ266 A7'
    """
    apart = str.maketrans("", "", "".join(SEPARATORS))
    numbers = dict.fromkeys(match.translate(apart) for match in _NUMBER.findall(text))
    return " ".join(numbers)[: longest(MakerPaperPage.joined)]


def papers_of(session: Session, maker_id: int | None = None) -> Sequence[MakerPaper]:
    """The papers of a maker, or of all, the newest edition first."""
    rows = sa.select(MakerPaper).options(joinedload(MakerPaper.maker), joinedload(MakerPaper.added_by))
    if maker_id is not None:
        rows = rows.where(MakerPaper.maker_id == maker_id)
    return session.scalars(rows.order_by(*_NEWEST)).all()


_NEWEST = (sa.func.coalesce(MakerPaper.dated, sa.func.date(MakerPaper.added_at)).desc(), MakerPaper.id.desc())


def get_paper(session: Session, paper_id: int) -> MakerPaper:
    """A paper; NotFound when there is none."""
    return get_row(session, MakerPaper, paper_id, "maker's paper")


def get_page(session: Session, paper_id: int, number: int) -> MakerPaperPage:
    """A page of a paper with that paper; NotFound when it has none such."""
    rows = sa.select(MakerPaperPage).options(joinedload(MakerPaperPage.paper).joinedload(MakerPaper.maker))
    page = session.scalar(rows.where(MakerPaperPage.paper_id == paper_id, MakerPaperPage.number == number))
    if page is None:
        raise NotFound("page of this paper")
    return page


def page_picture(folder: Path, page: MakerPaperPage, text: str = "") -> bytes:
    """A page as a PNG, marked where the words of `text` stand."""
    words = dict.fromkeys((*text.split(), *read_words(text)))
    with open_kept(folder, page.paper) as paper:
        return pdf_picture(paper, page.number, [word for word in words if len(word) > 1])


def find_pages(session: Session, text: str, maker_id: int | None = None, limit: int = 50) -> list[FoundPage]:
    """The pages that hold `text` as one number, then those that hold its every word; each of the newest papers first,
    then in their order."""
    words = read_words(text)
    whole = "".join(words)
    found = _pages_with(session, text, [whole], maker_id, limit) if len(words) > 1 and not whole.isalpha() else []
    if words and len(found) < limit:
        ids = {one.page.id for one in found}
        found += [one for one in _pages_with(session, text, words, maker_id, limit) if one.page.id not in ids]
    return found[:limit]


def _pages_with(
    session: Session, text: str, words: Sequence[str], maker_id: int | None, limit: int
) -> list[FoundPage]:
    dialect = dialect_of(session)
    ids = word_ids(dialect, MakerPaperPage, "asked", MOST)
    rows = sa.select(MakerPaperPage).join(MakerPaper).where(MakerPaperPage.id.in_(sa.select(ids.subquery().c.id)))
    if maker_id is not None:
        rows = rows.where(MakerPaper.maker_id == maker_id)
    rows = rows.options(contains_eager(MakerPaperPage.paper).joinedload(MakerPaper.maker))
    rows = rows.order_by(*_NEWEST, MakerPaperPage.number).limit(limit)
    found = session.scalars(rows, {"asked": query_of(dialect, words)})
    return [_shown(page, text, read_words(text)) for page in found]


def _shown(page: MakerPaperPage, text: str, words: Sequence[str]) -> FoundPage:
    """The page with what stands around the first place that is met."""
    apart = rf"[\s{re.escape(''.join(SEPARATORS))}]*"
    typed = apart.join(map(re.escape, words))
    bare = apart.join(map(re.escape, "".join(words)))
    for pattern in (typed, bare, *map(re.escape, words)):
        if met := re.search(pattern, page.text, re.IGNORECASE):
            start, end = met.span()
            before, after = page.text[max(0, start - _AROUND) : start], page.text[end : end + _AROUND]
            return FoundPage(page, before, met[0], after)
    return FoundPage(page, "", "", page.text[: 2 * _AROUND])


def change_paper(work: Work, paper_id: int, version: int | None, form: PaperForm) -> MakerPaper:
    """Give a paper another title, edition or day."""
    work.require_owner()
    _check(form)
    with transaction(work.session):
        paper = get_version(work.session, MakerPaper, paper_id, "maker's paper", version)
        if set_changed(paper, {"title": form.title, "edition": form.edition, "dated": form.dated}):
            record(
                work, "paper changed", f"maker {paper.maker_id}", f"{paper.title}, {paper.edition or 'no edition'}"
            )
        return paper


def delete_paper(work: Work, folder: Path, paper_id: int, version: int | None) -> int:
    """Delete a paper with its pages and what was noted at them; its maker's id."""
    work.require_owner()
    with transaction(work.session):
        paper = get_version(work.session, MakerPaper, paper_id, "maker's paper", version)
        maker_id, title, path = paper.maker_id, paper.title, folder / paper.stored_name
        pages = sa.select(MakerPaperPage.id).where(MakerPaperPage.paper_id == paper_id)
        work.session.execute(sa.delete(PageNote).where(PageNote.page_id.in_(pages)))
        work.session.execute(sa.delete(MakerPaperPage).where(MakerPaperPage.paper_id == paper_id))
        work.session.delete(paper)
        record(work, "paper deleted", f"maker {maker_id}", f"{title} deleted")
    with suppress(OSError):
        path.unlink()
    return maker_id


def note_page(work: Work, paper_id: int, number: int, topic: PageTopic, name: str) -> PageNote:
    """Say that a page is where a cam, a lock, a spec … is known from, by its name."""
    work.require_owner()
    name = " ".join(name.split())
    if not name:
        raise LedgerError("name", "Enter the name of what this page tells about, as the maker's page here has it.")
    if len(name) > longest(PageNote.name):
        raise LedgerError("name", f"At most {longest(PageNote.name)} characters fit here.")
    with transaction(work.session):
        page = get_page(work.session, paper_id, number)
        there = sa.select(PageNote).where(PageNote.page_id == page.id, PageNote.topic == topic, PageNote.name == name)
        note = work.session.scalar(there)
        if note is None:
            note = PageNote(page_id=page.id, topic=topic, name=name)
            work.session.add(note)
            work.session.flush()
            said = f"{topic.value} {name}: {page.paper.title}, page {number}"
            record(work, "page noted", f"maker {page.paper.maker_id}", said)
        return note


def remove_note(work: Work, note_id: int) -> PageNote:
    """Take back what was noted at a page."""
    work.require_owner()
    with transaction(work.session):
        note = get_row(work.session, PageNote, note_id, "note at a page")
        page = note.page
        work.session.delete(note)
        said = f"{note.topic.value} {note.name}: no longer {page.paper.title}, page {page.number}"
        record(work, "page noted", f"maker {page.paper.maker_id}", said)
        return note


def notes_at(session: Session, page_id: int) -> Sequence[PageNote]:
    """What was noted at a page."""
    return session.scalars(sa.select(PageNote).where(PageNote.page_id == page_id).order_by(PageNote.id)).all()


def noted_pages(
    session: Session, maker_id: int | None, topics: Iterable[PageTopic]
) -> dict[tuple[PageTopic, str], list[MakerPaperPage]]:
    """Topic and name → the pages that tell about it, the newest paper's first."""
    rows = sa.select(PageNote).join(MakerPaperPage).join(MakerPaper).where(PageNote.topic.in_(list(topics)))
    if maker_id is not None:
        rows = rows.where(MakerPaper.maker_id == maker_id)
    rows = rows.options(contains_eager(PageNote.page).contains_eager(MakerPaperPage.paper))
    found: dict[tuple[PageTopic, str], list[MakerPaperPage]] = {}
    for note in session.scalars(rows.order_by(*_NEWEST, MakerPaperPage.number, PageNote.id)):
        found.setdefault((note.topic, note.name), []).append(note.page)
    return found
