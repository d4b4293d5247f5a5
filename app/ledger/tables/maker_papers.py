"""Tables: the makers' papers (catalogs, manuals, lists of blanks), their pages, and what is known from which page."""

from datetime import date, datetime
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, LongText, UTCDateTime, Versioned, choice
from app.ledger.tables.makers import Maker
from app.ledger.tables.users import User


class MakerPaper(Versioned, Base):
    """A maker's PDF. `name` is the sender's for the file, `stored_name` the file's own in the files folder.

    pages with text are `text_pages`: of a scan, none. dated: the day that its edition holds from, where it says one.
    """

    __tablename__ = "maker_papers"

    id: Mapped[int] = mapped_column(primary_key=True)
    maker_id: Mapped[int] = mapped_column(sa.ForeignKey("makers.id"), index=True)
    title: Mapped[str] = mapped_column(sa.String(120))
    edition: Mapped[str] = mapped_column(sa.String(40), default="")
    dated: Mapped[date | None]
    name: Mapped[str] = mapped_column(sa.String(120))
    stored_name: Mapped[str] = mapped_column(sa.String(40), unique=True)
    size: Mapped[int]  # bytes
    sha256: Mapped[bytes] = mapped_column(sa.LargeBinary(32))
    pages: Mapped[int]
    text_pages: Mapped[int]
    added_at: Mapped[datetime] = mapped_column(UTCDateTime)
    added_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))

    maker: Mapped[Maker] = relationship()
    added_by: Mapped[User | None] = relationship()


class MakerPaperPage(Base):
    """The text of a page, for the search; `joined` has its numbers without their separators."""

    __tablename__ = "maker_paper_pages"
    __table_args__ = (sa.UniqueConstraint("paper_id", "number"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    paper_id: Mapped[int] = mapped_column(sa.ForeignKey("maker_papers.id"))
    number: Mapped[int]
    text: Mapped[str] = mapped_column(LongText(40_000))
    joined: Mapped[str] = mapped_column(LongText(20_000), default="")

    paper: Mapped[MakerPaper] = relationship()


class PageTopic(StrEnum):
    """What a page tells about."""

    CAM = "cam"
    LOCK = "lock"
    KEYWAY = "keyway"
    BLANK = "key blank"
    SPEC = "bitting spec"
    ITEM = "part number"


class PageNote(Base):
    """That a page of a maker's paper is where something is known from: a cam, a lock, a spec …, by its name there."""

    __tablename__ = "page_notes"
    __table_args__ = (sa.UniqueConstraint("page_id", "topic", "name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    page_id: Mapped[int] = mapped_column(sa.ForeignKey("maker_paper_pages.id"))
    topic: Mapped[PageTopic] = mapped_column(choice(PageTopic))
    name: Mapped[str] = mapped_column(sa.String(80), index=True)

    page: Mapped[MakerPaperPage] = relationship()


class MakerPicture(Base):
    """What a keyway, a cam, a key blank or a lock of a maker looks like, small, for whoever chooses it by eye."""

    __tablename__ = "maker_pictures"
    __table_args__ = (sa.UniqueConstraint("maker_id", "topic", "name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    maker_id: Mapped[int] = mapped_column(sa.ForeignKey("makers.id"))
    topic: Mapped[PageTopic] = mapped_column(choice(PageTopic, "picturetopic"))
    name: Mapped[str] = mapped_column(sa.String(80))
    jpeg: Mapped[bytes] = mapped_column(sa.LargeBinary)

    maker: Mapped[Maker] = relationship()
