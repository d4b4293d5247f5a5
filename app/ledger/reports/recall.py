"""Which doors have a part, a finish, a keyset …: where each cylinder stands now, and whom to call about it."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date
from enum import StrEnum
from functools import partial
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from app.fitting import without_separators
from app.ledger.search.words import LAST, dialect_of, holds, numbered
from app.ledger.sites.doors import BY_OPENING
from app.ledger.store.engine import Page, page_of, place_of_page, read
from app.ledger.store.work import Work
from app.ledger.tables import (
    LATE_STAGES,
    Contact,
    Customer,
    Cylinder,
    CylinderState,
    Door,
    FormerName,
    Item,
    Job,
    JobLine,
    Keyset,
    KeySystem,
    LineKind,
    Maker,
    Role,
    Site,
    Stage,
)

_Rows = Page[sa.Row[*tuple[Any, ...]]]
_Condition = sa.ColumnElement[bool]


class Whereabouts(StrEnum):
    """Where a cylinder is, for whoever asks where a part stands."""

    STANDING = "standing"
    COMING = "on its way"
    REMOVED = "removed"
    REKEYED = "rekeyed since"  # the same metal stands there on another keyset


@dataclass(frozen=True, slots=True)
class CylinderQuestion:
    """Which cylinders are wanted; each box narrows it. part: a number or how it begins; maker: the maker's code.

    where None: wherever they are; what was or is being rekeyed is told once, as it stands, unless the question is
    about keysets. finish: also in the words of one whose finish is not on record by itself.
    """

    part: str = ""
    finish: str = ""
    maker: str = ""
    keyset: str = ""
    system: str = ""
    customer: str = ""
    site: str = ""
    fitted_from: date | None = None
    fitted_to: date | None = None
    where: Whereabouts | None = None

    @property
    def is_about_keys(self) -> bool:
        """Whether each keyset of a cylinder is an answer of its own."""
        return bool(self.keyset or self.system)

    @property
    def is_empty(self) -> bool:
        """Whether nothing is asked that narrows it."""
        return not any(getattr(self, one.name) for one in fields(self) if one.name != "where")


def _job_in(*stages: Stage) -> _Condition:
    # Not by a join: then no job is looked up for what stands there, which is most of it.
    return Cylinder.job_id.in_(sa.select(Job.id).where(Job.stage.in_(stages)))


def _beside(condition: _Condition) -> _Condition:
    """Whether a cylinder of the same part number at the same place is such."""
    return sa.exists().where(
        _OTHER.door_id == Cylinder.door_id,
        sa.func.lower(_OTHER.position) == sa.func.lower(Cylinder.position),
        _OTHER.part_number == Cylinder.part_number,
        condition,
    )


def _is_rekeyed_by_its_line(cylinder: Any) -> _Condition:
    return sa.exists().where(
        JobLine.job_id == cylinder.job_id,
        JobLine.number == cylinder.line_number,
        JobLine.kind == LineKind.REKEY.value,
    )


_OTHER = aliased(Cylinder)
_IS_STANDING = Cylinder.state == CylinderState.FITTED
_IS_GONE = Cylinder.state == CylinderState.REMOVED
_IS_COMING = sa.and_(
    Cylinder.state.in_((CylinderState.ORDERED, CylinderState.PINNED, CylinderState.CHECKED)),
    _job_in(*LATE_STAGES),
)
_IS_BEING_REKEYED = sa.and_(_is_rekeyed_by_its_line(Cylinder), _beside(_OTHER.state == CylinderState.FITTED))
# A rekeyed cylinder is on record once for each keyset: as it was, it counts as removed, and the same metal stands.
_IS_REKEYED = _beside(
    sa.and_(
        _is_rekeyed_by_its_line(_OTHER),
        sa.or_(
            _OTHER.fitted_on == Cylinder.removed_on, sa.and_(Cylinder.removed_on.is_(None), _OTHER.id > Cylinder.id)
        ),
    )
)
# What a canceled job did not bring never hung anywhere.
_IS_REMOVED = sa.and_(
    _IS_GONE,
    sa.or_(Cylinder.fitted_on.is_not(None), Cylinder.job_id.is_(None), sa.not_(_job_in(Stage.CANCELED))),
    sa.not_(_IS_REKEYED),
)
_IS: dict[Whereabouts, _Condition] = {
    Whereabouts.STANDING: _IS_STANDING,
    Whereabouts.COMING: sa.and_(_IS_COMING, sa.not_(_IS_BEING_REKEYED)),
    Whereabouts.REMOVED: _IS_REMOVED,
}
_BY_KEYSET = {
    **_IS,
    Whereabouts.COMING: _IS_COMING,
    Whereabouts.REKEYED: sa.and_(_IS_GONE, _IS_REKEYED),
}
_CUSTOMER_ID = sa.func.coalesce(Site.customer_id, Job.customer_id)  # of what hangs on no door: who bought it
# What was removed stands apart, behind the rest.
_ORDER = (
    sa.case((_IS_GONE, 1), else_=0),
    Customer.name,
    Customer.id,
    Site.name,
    Site.id,
    *BY_OPENING,
    Cylinder.position,
    Cylinder.id,
)


def _first_contact(column: Any) -> sa.ScalarSelect[Any]:
    """Of the first of a customer's people who has a phone."""
    mine = sa.select(column).where(Contact.customer_id == Customer.id, Contact.phone != "")
    return mine.order_by(Contact.id).limit(1).correlate(Customer).scalar_subquery()


_CONTACT = (
    sa.func.coalesce(_first_contact(Contact.name), "").label("contact"),
    sa.func.coalesce(_first_contact(Contact.phone), "").label("contact_phone"),
)


def _placed(rows: sa.Select[*tuple[Any, ...]]) -> sa.Select[*tuple[Any, ...]]:
    """With door, site and job of each cylinder, where it has them."""
    rows = rows.select_from(Cylinder).outerjoin(Job, Job.id == Cylinder.job_id)
    return rows.outerjoin(Door, Door.id == Cylinder.door_id).outerjoin(Site, Site.id == Door.site_id)


def find_cylinders(work: Work, question: CylinderQuestion, page: int = 1, size: int = 50) -> _Rows:
    """The cylinders by customer, site and door, a page at a time; none where nothing is asked.

    Each with the names of the columns below; `where` says where it is.
    """
    work.require(Role.COUNTER, Role.BENCH)
    if question.is_empty:
        return Page((), 0, 1, 1)
    session = work.session
    conditions = _conditions(session, question)
    count = session.scalar(sa.select(sa.func.count()).select_from(Cylinder).where(*conditions)) or 0
    wanted = _placed(sa.select(Cylinder.id)).where(*conditions)
    page, pages = place_of_page(count, page, size)
    named = wanted.join(Customer, Customer.id == _CUSTOMER_ID).order_by(*_ORDER)
    shown = named.limit(size).offset((page - 1) * size).subquery()
    rows = _placed(
        sa.select(
            Cylinder.id,
            Customer.id.label("customer_id"),
            Customer.name.label("customer_name"),
            Customer.phone,
            Customer.email,
            Door.id.label("door_id"),
            sa.func.coalesce(Site.name, "").label("site_name"),
            sa.func.coalesce(Site.address, "").label("site_address"),
            sa.func.coalesce(Door.opening_number, "").label("opening"),
            sa.func.coalesce(Door.location, "").label("location"),
            *(Cylinder.position, Cylinder.part_number, Cylinder.words, Cylinder.finish),
            sa.func.coalesce(Maker.name, "").label("maker_name"),
            sa.func.coalesce(Keyset.symbol, "").label("symbol"),
            sa.func.coalesce(KeySystem.name, "").label("system_name"),
            *(Cylinder.fitted_on, Cylinder.removed_on, Job.number.label("job_number")),
            sa.case(
                (_IS_STANDING, Whereabouts.STANDING.value),
                (sa.and_(_IS_GONE, _IS_REKEYED), Whereabouts.REKEYED.value),
                (_IS_GONE, Whereabouts.REMOVED.value),
                else_=Whereabouts.COMING.value,
            ).label("where"),
            *_CONTACT,
        )
    )
    rows = rows.join(shown, shown.c.id == Cylinder.id).join(Customer, Customer.id == _CUSTOMER_ID)
    rows = rows.outerjoin(Maker, Maker.id == Cylinder.maker_id).outerjoin(Keyset, Keyset.id == Cylinder.keyset_id)
    rows = rows.outerjoin(KeySystem, KeySystem.id == Keyset.system_id)
    return Page(read(session, rows.order_by(*_ORDER)), count, page, pages)


def find_customers_to_call(work: Work, question: CylinderQuestion, page: int = 1, size: int = 50) -> _Rows:
    """Who has such cylinders, by name: phone, address, contact, and how many stand, come and were removed."""
    work.require(Role.COUNTER, Role.BENCH)
    if question.is_empty:
        return Page((), 0, 1, 1)
    session = work.session
    counts = [_count(condition, name) for name, condition in zip(_COUNTS, _IS.values(), strict=True)]
    grouped = _placed(
        sa.select(_CUSTOMER_ID.label("customer_id"), sa.func.count(sa.distinct(Site.id)).label("sites"), *counts)
    )
    counted = grouped.where(*_conditions(session, question)).group_by(_CUSTOMER_ID)
    held = counted.subquery()
    rows = (
        sa.select(
            *(Customer.id, Customer.name.label("customer_name"), Customer.phone, Customer.email, Customer.address),
            *_CONTACT,
            *(held.c[name] for name in ("sites", *_COUNTS)),
        )
        .join(held, held.c.customer_id == Customer.id)
        .order_by(Customer.name, Customer.id)
    )
    return page_of(session, rows, page, size, take=partial(read, session), counted=counted)


_COUNTS = ("standing", "coming", "removed")


def _count(condition: _Condition, name: str) -> sa.ColumnElement[int]:
    return sa.func.sum(sa.case((condition, 1), else_=0)).label(name)


def _conditions(session: Session, question: CylinderQuestion) -> Sequence[_Condition]:
    ways = _BY_KEYSET if question.is_about_keys else _IS
    found = [sa.or_(*ways.values()) if question.where is None else {**_BY_KEYSET, **ways}[question.where]]
    if question.part:
        number = numbered(dialect_of(session), Cylinder.part_number)
        begun = without_separators(question.part).lower()
        found.append(sa.and_(number >= begun, number < begun + LAST))
    if question.finish:
        written = {question.finish, question.finish.lower(), question.finish.upper()}
        said = sa.and_(Cylinder.finish == "", holds(Cylinder.words, question.finish))
        found.append(sa.or_(Cylinder.finish.in_(sorted(written)), said))
    if question.maker:
        of_maker = sa.select(Maker.id).where(Maker.code == question.maker).scalar_subquery()
        numbers = sa.select(Item.code).where(Item.maker_id == of_maker)
        # One found on a door was sold by nobody here: its part number tells the maker.
        found_there = sa.and_(Cylinder.maker_id.is_(None), Cylinder.part_number.in_(numbers))
        found.append(sa.or_(Cylinder.maker_id == of_maker, found_there))
    if question.keyset or question.system:
        keysets = sa.select(Keyset.id).join(KeySystem, KeySystem.id == Keyset.system_id)
        if question.keyset:
            keysets = keysets.where(Keyset.symbol.in_(sorted({question.keyset, question.keyset.upper()})))
        if question.system:
            keysets = keysets.where(KeySystem.id.in_(ids_named(session, KeySystem, question.system)))
        found.append(Cylinder.keyset_id.in_(keysets))
    if question.site:
        found.append(Cylinder.id.in_(_at_sites(Site.id.in_(ids_named(session, Site, question.site)))))
    if question.customer:
        theirs = ids_named(session, Customer, question.customer)
        bought = sa.select(Cylinder.id).join(Job, Job.id == Cylinder.job_id)
        bought = bought.where(Cylinder.door_id.is_(None), Job.customer_id.in_(theirs))
        found.append(Cylinder.id.in_(_at_sites(Site.customer_id.in_(theirs)).union_all(bought)))
    if question.fitted_from:
        found.append(Cylinder.fitted_on >= question.fitted_from)
    if question.fitted_to:
        found.append(Cylinder.fitted_on <= question.fitted_to)
    return found


def ids_named(session: Session, model: Any, text: str) -> sa.Select[int]:
    """The ids of customers, sites or key systems of just this name; where none has it, of those whose name holds it.

    Of customers and sites also by a former name; of one that was merged the id of what it became part of.
    """
    names: list[tuple[Any, sa.Select[int]]] = [(model.name, sa.select(model.id))]
    if model is not KeySystem:
        own = FormerName.customer_id if model is Customer else FormerName.site_id
        current = sa.select(sa.func.coalesce(model.merged_into_id, model.id).label("id"))
        names = [(model.name, current), (FormerName.name, current.join(FormerName, own == model.id))]
    exact = [ids.where(sa.func.lower(name) == text.lower()) for name, ids in names]
    if not any(session.scalar(ids.limit(1)) for ids in exact):
        exact = [ids.where(holds(name, text)) for name, ids in names]
    return sa.select(sa.union_all(*exact).subquery().c.id)


def _at_sites(condition: _Condition) -> sa.Select[int]:
    doors = sa.select(Cylinder.id).join(Door, Door.id == Cylinder.door_id).join(Site, Site.id == Door.site_id)
    return doors.where(condition)
