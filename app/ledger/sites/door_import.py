"""A site's door list: what its rows would change, then all of it saved, or nothing; and written out again."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload, selectinload

from app.errors import Problem, Problems
from app.ledger.sites.cylinders import CylinderForm, as_found, standing
from app.ledger.sites.door_paste import LIST_COLUMNS, DoorRow
from app.ledger.sites.doors import BY_OPENING, FIELDS, DoorChange, changed, door_texts, for_event, set_texts
from app.ledger.sites.duplicate_doors import number_key
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Door, Keyset, KeySystem, Role, Site
from app.validation import counted


@dataclass(frozen=True, slots=True)
class NewCylinder(CylinderForm):
    """A cylinder that a list says stands on a door, and that is not on record there. keyset: its symbol."""

    opening: str = ""
    keyset: str = ""


@dataclass(frozen=True, slots=True)
class ListPlan:
    """What a door list would do. `added`: each new door's fields; `alike`: sentences about numbers that may be the
    same door written differently; with a problem, nothing can be put on record."""

    added: tuple[Mapping[str, str], ...] = ()
    changed: tuple[DoorChange, ...] = ()
    cylinders: tuple[NewCylinder, ...] = ()
    alike: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()


def plan_doors(session: Session, site_id: int, rows: Sequence[DoorRow]) -> ListPlan:
    """What the rows of a list would change on a site; an empty cell leaves what is on record. Saves nothing."""
    site = get_row(session, Site, site_id, "site")
    known = {door.opening_number: door for door in _doors(session, site_id)}
    keysets = _keysets(session, site.customer_id)
    problems: list[Problem] = []
    wanted = _by_door(rows, problems)
    added, changes = [], []
    for opening, (first, values) in wanted.items():
        door = known.get(opening)
        before = door_texts(door) if door else dict.fromkeys(FIELDS, "") | {"egress": "no", "fire rated": "no"}
        after = {**before, "opening": opening, **values}
        if after["function"] and not after["lock"]:
            problems.append(Problem(f"row {first}, lock", "Say what lock it is; a function alone is not one."))
        if door is None:
            added.append(after)
        elif found := changed(before, after):
            changes.append(DoorChange(door.id, door.version, opening, found))
    cylinders = [one for row in rows if (one := _cylinder(row, known.get(row.opening), keysets, problems))]
    problems += _doubled(rows)
    return ListPlan(tuple(added), tuple(changes), tuple(cylinders), _alike(known, wanted), tuple(problems))


def _doors(session: Session, site_id: int) -> Sequence[Door]:
    rows = sa.select(Door).where(Door.site_id == site_id)
    loaded = (joinedload(Door.lock), selectinload(Door.cylinders).joinedload(Cylinder.keyset))
    return session.scalars(rows.options(*loaded).order_by(*BY_OPENING)).all()


def _keysets(session: Session, customer_id: int) -> dict[str, list[int]]:
    """By symbol, and by the customer's own names where these are nobody's symbol."""
    found: dict[str, list[int]] = {}
    own: dict[str, list[int]] = {}
    rows = sa.select(Keyset.symbol, Keyset.own_symbol, Keyset.id).join(KeySystem)
    for symbol, name, keyset_id in session.execute(
        rows.where(KeySystem.customer_id == customer_id).order_by(Keyset.id)
    ):
        found.setdefault(symbol, []).append(keyset_id)
        own.setdefault(name, []).append(keyset_id)
    return own | found


def _by_door(rows: Sequence[DoorRow], problems: list[Problem]) -> dict[str, tuple[int, dict[str, str]]]:
    """Opening number → its first row, and what its rows say of the door. Rows that contradict are problems."""
    doors: dict[str, tuple[int, dict[str, str]]] = {}
    for row in rows:
        _, values = doors.setdefault(row.opening, (row.row, {}))
        for name, text in row.texts().items():
            if values.setdefault(name, text) != text:
                problems.append(
                    Problem(
                        f"row {row.row}, {name}",
                        f"{row.opening} is {values[name][:60]!r} here by an earlier row; write the same in each row.",
                    )
                )
    return doors


def _doubled(rows: Sequence[DoorRow]) -> list[Problem]:
    """Two rows for one position of a door: the same word in other letters, or none, which means outside."""
    seen: dict[tuple[str, str], int] = {}
    found = []
    for row in rows:
        first = seen.setdefault((row.opening, _position(row).casefold()), row.row)
        if first != row.row:
            found.append(
                Problem(
                    f"row {row.row}, position",
                    f"Row {first} has {row.opening} {_position(row)} already; no position means outside. Give the "
                    "two cylinders of one door different positions.",
                )
            )
    return found


def _position(row: DoorRow) -> str:
    return row.position or "outside"


def _cylinder(
    row: DoorRow, door: Door | None, keysets: Mapping[str, Sequence[int]], problems: list[Problem]
) -> NewCylinder | None:
    if not (row.cylinder or row.part_number or row.keyset):
        return None
    position = _position(row)
    there = [one for one in standing(door) if not one.is_planned] if door else ()
    here = next((one for one in there if one.position.casefold() == position.casefold()), None)
    if here is not None:
        problems += _contradictions(row, here)
        return None
    found = keysets.get(row.keyset, []) if row.keyset else []
    if row.keyset and len(found) != 1:
        why = "is in several of this customer's key systems" if found else "is in no key system of this customer"
        problems.append(
            Problem(f"row {row.row}, keyset", f"{row.keyset} {why}; leave it empty and set it from the key system.")
        )
    words = row.cylinder or row.part_number or "cylinder as found"
    keyset_id = found[0] if found else None
    return NewCylinder(position, words, row.part_number, keyset_id, opening=row.opening, keyset=row.keyset)


def _contradictions(row: DoorRow, here: Cylinder) -> list[Problem]:
    known = {
        "cylinder": here.words,
        "part number": here.part_number,
        "keyset": here.keyset.symbol if here.keyset else "",
    }
    told = {"cylinder": row.cylinder, "part number": row.part_number, "keyset": row.keyset}
    return [
        Problem(
            f"row {row.row}, {name}",
            f"On record the cylinder {here.position} has {known[name] or 'none'}. A list adds cylinders and changes "
            "none: remove the old one on the door's page first, or leave this cell empty.",
        )
        for name, text in told.items()
        if text and text != known[name]
    ]


def _alike(known: Mapping[str, Door], wanted: Mapping[str, tuple[int, dict[str, str]]]) -> tuple[str, ...]:
    by_key: dict[str, list[str]] = {}
    for opening in (*known, *(one for one in wanted if one not in known)):
        by_key.setdefault(number_key(opening), []).append(opening)
    return tuple(
        f"{', '.join(group)} may be one door written differently."
        for group in by_key.values()
        if len(group) > 1 and any(one in wanted and one not in known for one in group)
    )


def import_doors(work: Work, site_id: int, rows: Sequence[DoorRow]) -> ListPlan:
    """Put a door list on record: all of it, or Problems and nothing."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        plan = plan_doors(work.session, site_id, rows)
        if plan.problems:
            raise Problems(plan.problems)
        if not (plan.added or plan.changed or plan.cylinders):
            return plan
        known = {door.opening_number: door for door in _doors(work.session, site_id)}
        for values in plan.added:
            door = Door(site_id=site_id)
            set_texts(door, values)
            known[door.opening_number] = door
            work.session.add(door)
        for change in plan.changed:
            change.apply(known[change.opening])
        work.session.flush()
        cylinders = [as_found(known[one.opening], one) for one in plan.cylinders]
        work.session.add_all(cylinders)
        work.session.flush()
        record(
            work,
            "door list read",
            f"site {site_id}",
            f"Door list: {counted(len(plan.added), 'door')} added, {len(plan.changed):,} changed, "
            f"{counted(len(plan.cylinders), 'cylinder')} added",
            doors=for_event(plan.changed),
            added=[known[values["opening"]].id for values in plan.added],
            cylinders={str(one.id): one.door_id for one in cylinders},
        )
        return plan


def site_list(session: Session, site_id: int) -> list[list[str]]:
    """A site's doors as a table of text, its head first: one row a cylinder, or one for a door without any.

    Written as CSV or XLSX, it goes in again as the same list.
    """
    get_row(session, Site, site_id, "site")
    return [list(LIST_COLUMNS), *(row for door in _doors(session, site_id) for row in _rows(door))]


def _rows(door: Door) -> list[list[str]]:
    fields = door_texts(door)
    hung = [
        {
            "position": one.position,
            "keyset": one.keyset.symbol if one.keyset else "",
            "cylinder": one.words,
            "part number": one.part_number,
        }
        for one in standing(door)
        if not one.is_planned
    ]
    return [[(fields | cells).get(name, "") for name in LIST_COLUMNS] for cells in hung or [{}]]
