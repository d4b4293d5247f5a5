"""Pictures of a maker's keyways, cams, key blanks and locks, beside their names where somebody chooses by eye."""

from collections.abc import Mapping, Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.pictures import draw_small, picture_kind
from app.ledger.store.work import Work
from app.ledger.tables import Maker, MakerPicture, PageTopic, longest

PICTURED = (PageTopic.KEYWAY, PageTopic.CAM, PageTopic.BLANK, PageTopic.LOCK)
Pictures = Mapping[tuple[str, str, str], int]
"""(maker, topic, name) → the picture's id."""


def put_picture(work: Work, maker_id: int, topic: PageTopic, name: str, content: bytes) -> MakerPicture:
    """Keep a picture of something of a maker's, small; one that was there is replaced. The owner's alone."""
    work.require_owner()
    name = " ".join(name.split())
    if topic not in PICTURED:
        raise LedgerError("topic", "Pictures are kept of keyways, cams, key blanks and locks.")
    if not name or len(name) > longest(MakerPicture.name):
        raise LedgerError("name", "Enter its name as the maker's table has it, at most 80 characters.")
    picture_kind(content)
    jpeg = draw_small(content, name)
    with transaction(work.session):
        maker = get_row(work.session, Maker, maker_id, "maker")
        row = work.session.scalar(
            sa.select(MakerPicture).where(
                MakerPicture.maker_id == maker_id, MakerPicture.topic == topic, MakerPicture.name == name
            )
        ) or MakerPicture(maker_id=maker_id, topic=topic, name=name)
        row.jpeg = jpeg
        work.session.add(row)
        work.session.flush()
        record(work, "picture kept", f"maker {maker_id}", f"{maker.name}: picture of {topic.value} {name}")
        return row


def remove_picture(work: Work, picture_id: int) -> int:
    """Delete a picture; its maker's id."""
    work.require_owner()
    with transaction(work.session):
        row = get_picture(work.session, picture_id)
        maker_id = row.maker_id
        work.session.delete(row)
        record(work, "picture deleted", f"maker {maker_id}", f"Picture of {row.topic.value} {row.name} deleted")
        return maker_id


def get_picture(session: Session, picture_id: int) -> MakerPicture:
    """A picture; NotFound when there is none."""
    return get_row(session, MakerPicture, picture_id, "picture")


def pictures(session: Session) -> Pictures:
    """All pictures there are, by maker's name, topic and name."""
    rows = sa.select(Maker.name, MakerPicture.topic, MakerPicture.name, MakerPicture.id).join(MakerPicture.maker)
    return {(maker, topic.value, name): number for maker, topic, name, number in session.execute(rows)}


def pictures_of(session: Session, maker_id: int) -> Sequence[MakerPicture]:
    """A maker's pictures, by what they are of."""
    rows = sa.select(MakerPicture).where(MakerPicture.maker_id == maker_id)
    return session.scalars(rows.order_by(MakerPicture.topic, MakerPicture.name)).all()
