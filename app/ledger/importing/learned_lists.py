"""A maker learned from its price list comes in as any table does: what it brought is noted, and undone at once."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from itertools import islice
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.fitting import read_maker
from app.ledger.catalog.learned_makers import LearnedMaker, plan_learned, save_learned
from app.ledger.catalog.makers import reread_catalog
from app.ledger.importing.kinds import ImportKind
from app.ledger.importing.written import WrittenRows, take_back, what_leans
from app.ledger.quoting.snapshot import QuoteSnapshot, read_snapshot
from app.ledger.store.engine import in_steps, transaction
from app.ledger.store.events import record
from app.ledger.store.numbers import quote_number
from app.ledger.store.work import Work
from app.ledger.tables import Base, Import, Item, Job, Keyset, KeySystem, Keyway, Maker, QuoteRevision

_STEP = 500  # ids in one statement
_NAMED = 3


def learn_list(
    work: Work, learned: LearnedMaker, version: int, file_name: str, unread: int = 0
) -> tuple[Maker, Import]:
    """Save a maker learned from its list, as `save_learned` does, so that it can be undone; it, and what came in.

    unread: the rows of the file that hold no number and price, which are left aside.
    """
    work.require_owner()
    with transaction(work.session):
        sold = plan_learned(work.session, learned).items
        written = WrittenRows()
        with written.watching(work.session):
            maker = save_learned(work, learned, version)
        kept = written.to_json(work.session)
        items = kept.get(Item.__tablename__, {"new": (), "changed": ()})
        new = len(items["new"])
        # What the list says of an item is more than what its number is read as.
        said = sum("words" in before for _, _, before in items["changed"])
        row = Import(
            kind=LEARNED.name,
            file_name=file_name[:120],
            sender=maker.name,
            made_at=work.now,
            made_by_id=work.actor.user_id,
            new=new,
            changed=len(items["changed"]),
            unchanged=sold - new - said,
            aside=len(learned.rows) - sold + unread,
            written=kept,
        )
        work.session.add(row)
        work.session.flush()
        return maker, row


def list_learned(session: Session, maker: Maker | None = None) -> Import | None:
    """The newest list that a maker, or any, was learned from and that is not undone."""
    rows = sa.select(Import).where(Import.kind == LEARNED.name, Import.undone_at.is_(None))
    if maker is not None:
        rows = rows.where(Import.sender == maker.name)
    return session.scalar(rows.order_by(Import.id.desc()).limit(1))


def _new(written: Mapping[str, Any], model: type[Base]) -> list[int]:
    return [id_ for id_, _ in written.get(model.__tablename__, {}).get("new", ())]


def _maker_of(session: Session, written: Mapping[str, Any]) -> Maker | None:
    """The maker that was learned; None where nothing was written, or it is gone."""
    rows = written.get(Maker.__tablename__) or written.get(Item.__tablename__, {})
    first = next((row[0] for row in (*rows.get("new", ()), *rows.get("changed", ()))), None)
    if Maker.__tablename__ not in written and first is not None:
        first = session.scalar(sa.select(Item.maker_id).where(Item.id == first))
    return session.get(Maker, first) if first is not None else None


def _leans(session: Session, row: Import) -> tuple[str, ...]:
    """Besides the rows that name new ones: quotes issued since and key systems, which tell them by their words."""
    maker = _maker_of(session, row.written)
    code = maker.code if maker else ""
    is_new = bool(_new(row.written, Maker))
    codes: set[str] = set()
    for some in in_steps(_new(row.written, Item), _STEP):
        codes.update(session.scalars(sa.select(Item.code).where(Item.id.in_(some))))
    ours = _new(row.written, Keyway)
    keyways = set(session.scalars(sa.select(Keyway.code).where(Keyway.id.in_(ours))))
    others = sa.select(Keyway.code).where(Keyway.code.in_(keyways), Keyway.id.not_in(ours))
    only_here = keyways - set(session.scalars(others))
    quotes = (
        quote_number(number, revision)
        for number, revision, quote in _issued_since(session, row)
        if _names(quote, code, codes, keyways, every=is_new)
    )
    systems = session.scalars(
        sa.select(KeySystem.name)
        .where(
            sa.or_(
                KeySystem.keyway.in_(only_here),
                sa.exists().where(Keyset.system_id == KeySystem.id, Keyset.keyway.in_(only_here)),
            )
        )
        .order_by(KeySystem.name)
    ).all()
    return (
        *what_leans(session, row.written),
        *_told("quotes issued with them", quotes),
        *_told("key systems on its keyways", systems),
    )


def _issued_since(session: Session, row: Import) -> Iterator[tuple[int, int, QuoteSnapshot]]:
    """The quotes issued since a list came in, some at a time: there may be years of them."""
    ids = sa.select(QuoteRevision.id).where(QuoteRevision.issued_at >= row.made_at).order_by(QuoteRevision.id)
    columns = sa.select(Job.number, QuoteRevision.revision, QuoteRevision.snapshot)
    rows = columns.join(Job, Job.id == QuoteRevision.job_id).order_by(QuoteRevision.id)
    for some in in_steps(session.scalars(ids).all(), _STEP):
        for number, revision, text in session.execute(rows.where(QuoteRevision.id.in_(some))):
            yield number, revision, read_snapshot(text)


def _told(words: str, names: Iterable[str]) -> Iterator[str]:
    first = list(islice(names, _NAMED + 1))
    if first:
        yield f"{words} ({', '.join(first[:_NAMED])}{', …' if len(first) > _NAMED else ''})"


def _names(
    quote: QuoteSnapshot, code: str, numbers: Collection[str], keyways: Collection[str], *, every: bool
) -> bool:
    """Whether a quote names what was learned of the maker of this code. every: any line of this maker does."""
    asked = {str(place): line for place, line in enumerate(quote.ask.get("lines", ()), 1)}
    for line in asked.values():
        keyway = (line.get("attributes") or {}).get("keyway")
        if line.get("maker_code") == code and (every or keyway in keyways):
            return True
    for printed in quote.lines:
        line = asked.get("".join(filter(str.isdigit, printed.label)), {})
        if printed.part_number in numbers and line.get("maker_code", "") in ("", code):
            return True
    return False


def _take_back(work: Work, written: Mapping[str, Any]) -> None:
    """What came into the catalog since is read as the numbers are read again that stood before."""
    maker = _maker_of(work.session, written)
    about = (maker.id, maker.name) if maker else None
    take_back(work.session, written)
    if about is None:
        return
    maker_id, name = about
    record(work, "import undone", f"maker {maker_id}", f"{name}: what was learned from its list undone")
    if stands := work.session.get(Maker, maker_id):
        reread_catalog(work.session, stands, read_maker({**stands.tables, "items": []}).patterns)


def _elsewhere(*_: object) -> Any:
    """It has no columns, so that no table of it is ever opened."""
    raise NotImplementedError


LEARNED = ImportKind(
    "learned maker",
    "Learned maker",
    "item",
    (),
    _elsewhere,
    _elsewhere,
    leans=_leans,
    take_back=_take_back,
)
