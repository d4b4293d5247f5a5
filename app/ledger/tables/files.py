"""Table: files of jobs. The content lies in the house's files folder, under a name of chance."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, UTCDateTime, choice
from app.ledger.tables.users import User


class FileKind(StrEnum):
    """What a file is, told by its content."""

    PDF = "pdf"
    JPEG = "jpeg"
    PNG = "png"
    WEBP = "webp"
    TXT = "txt"
    CSV = "csv"
    XLSX = "xlsx"

    @property
    def is_image(self) -> bool:
        """Whether a browser shows it as a picture."""
        return self in (FileKind.JPEG, FileKind.PNG, FileKind.WEBP)

    @property
    def suffix(self) -> str:
        """What its name ends with."""
        return ".jpg" if self is FileKind.JPEG else f".{self.value}"

    @property
    def media_type(self) -> str:
        """As the web calls it."""
        return _MEDIA_TYPES[self]


_MEDIA_TYPES = {
    FileKind.PDF: "application/pdf",
    FileKind.JPEG: "image/jpeg",
    FileKind.PNG: "image/png",
    FileKind.WEBP: "image/webp",
    FileKind.TXT: "text/plain; charset=utf-8",
    FileKind.CSV: "text/csv; charset=utf-8",
    FileKind.XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


class JobFile(Base):
    """One file of a job. `name` is for people alone; `stored_name` is the file's own in the files folder."""

    __tablename__ = "job_files"

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    stored_name: Mapped[str] = mapped_column(sa.String(40), unique=True)
    name: Mapped[str] = mapped_column(sa.String(120))
    kind: Mapped[FileKind] = mapped_column(choice(FileKind))
    size: Mapped[int]  # bytes
    sha256: Mapped[bytes] = mapped_column(sa.LargeBinary(32))
    about: Mapped[str] = mapped_column(sa.String(200), default="")
    kept_at: Mapped[datetime] = mapped_column(UTCDateTime)
    kept_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))

    kept_by: Mapped[User | None] = relationship()
