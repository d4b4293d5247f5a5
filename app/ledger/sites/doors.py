"""Doors: their fields as text, saved one by one, or one field changed on many doors at once."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload
from sqlalchemy.orm.attributes import flag_modified

from app.errors import BitternError, Problem, Problems
from app.fitting import read_inches, write_inches
from app.ledger.sites.door_paste import HANDS, TEXTS, DoorFields, DoorRow
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError, Stale, Taken
from app.ledger.store.events import record
from app.ledger.store.records import text_problems
from app.ledger.store.work import Work
from app.ledger.tables import Door, Lock, Role, Site, longest
from app.validation import check_length, counted, first_of

BY_OPENING = (sa.func.length(Door.opening_number), Door.opening_number)
"""Doors in the order of their numbers as people count: F9 comes before F10."""


@dataclass(frozen=True, slots=True)
class DoorForm(DoorFields):
    """A door with its number and its lock."""

    opening_number: str

    @classmethod
    def of(cls, door: Door) -> "DoorForm":
        """What is on record."""
        own = {one.name: getattr(door, one.name) for one in fields(cls) if one.name not in ("lock", "function")}
        lock = door.lock
        return cls(**own, lock=lock.description if lock else "", function=lock.function if lock else "")

    def texts(self) -> dict[str, str]:
        """Every field as text, in the order of FIELDS."""
        return {"opening": self.opening_number, **self.cells()}


def change_door(work: Work, door_id: int, version: int, form: DoorForm) -> Door:
    """Save a door that was read at `version`, its lock with it; the event says what was what before.

    Raises Problems for fields that cannot be, Taken when the site has the opening number already, Stale when
    somebody saved in between.
    """
    work.require(Role.COUNTER, Role.BENCH)
    _check(form)
    with transaction(work.session):
        door = get_version(work.session, Door, door_id, "door", version)
        _refuse_taken(work, door.site_id, form.opening_number, door.id)
        if found := changed(door_texts(door), form.texts()):
            change = DoorChange(door.id, version, door.opening_number, found)
            change.apply(door)
            _record_change(work, replace(change, opening=form.opening_number))
        return door


def _record_change(work: Work, change: "DoorChange") -> None:
    told = "; ".join(f"{name} {old or 'none'} → {new or 'none'}" for name, (old, new) in change.fields.items())
    summary = f"Door {change.opening}: {told}"
    record(work, "door changed", f"door {change.door_id}", summary, doors=for_event([change]))


def add_door(work: Work, site_id: int, form: DoorForm) -> Door:
    """Put a door of a site on record. Raises Problems, Taken for an opening number that the site has, NotFound."""
    work.require(Role.COUNTER, Role.BENCH)
    _check(form)
    with transaction(work.session):
        get_row(work.session, Site, site_id, "site")
        _refuse_taken(work, site_id, form.opening_number)
        door = Door(site_id=site_id)
        set_texts(door, form.texts())
        work.session.add(door)
        work.session.flush()
        record(work, "door added", f"door {door.id}", f"Door {door.opening_number} saved")
        return door


def _refuse_taken(work: Work, site_id: int, opening_number: str, but: int = 0) -> None:
    same = sa.select(Door.id).where(Door.site_id == site_id, Door.opening_number == opening_number, Door.id != but)
    if work.session.scalar(same):
        raise Taken("opening_number", f"This site has an opening {opening_number} already.")


def _check(form: DoorForm) -> None:
    problems = text_problems(form, Door, lock=Lock.description, function=Lock.function)
    if not form.opening_number.strip():
        problems.append(Problem("opening_number", "Enter the opening number."))
    if form.hand not in HANDS:
        problems.append(Problem("hand", "Choose LH, RH, LHR, RHR or none."))
    if form.function and not form.lock:
        problems.append(Problem("lock", "Say what lock it is; a function alone is not one."))
    if problems:
        raise Problems(problems)


def upsert_door(work: Work, site_id: int, row: DoorRow) -> Door:
    """The site's door with this opening number, made or filled in, inside the caller's transaction.

    What the row does not say stays as it is on record, and so do the remarks, to which the row's are added. An event
    says what became other.
    """
    door = work.session.scalar(sa.select(Door).where(Door.site_id == site_id, Door.opening_number == row.opening))
    if is_new := door is None:
        door = Door(site_id=site_id, opening_number=row.opening, location="", hand="", remarks="")
        work.session.add(door)
    cells, before = row.cells(), door_texts(door)
    if not row.lock:
        cells.pop("function")
    if row.remarks:
        cells["remarks"] = with_remarks(before["remarks"], row.remarks, "\n")
    set_texts(door, {name: text for name, text in cells.items() if text and not (name in _FLAGS and text == "no")})
    work.session.flush()
    if not is_new and (found := changed(before, door_texts(door))):
        _record_change(work, DoorChange(door.id, door.version, door.opening_number, found))
    return door


def with_remarks(there: str, more: str, parted_by: str) -> str:
    """Remarks on record with more after them, as far as they are new; never longer than the column.

    >>> with_remarks("sticks", "sticks", " · "), with_remarks("sticks", "oiled", " · ")
    ('sticks', 'sticks · oiled')
    """
    if not more or more in there:
        return there
    both = parted_by.join(filter(None, (there, more)))
    return both if len(both) <= longest(Door.remarks) else more


def plan_change(
    session: Session, site_id: int, door_ids: Sequence[int], values: Mapping[str, str]
) -> "tuple[DoorChange, ...]":
    """What setting `values` (texts by field) would change on these doors of a site; doors that stay are left out.

    Raises Problems by field, LedgerError on `doors` when none is chosen or one is not the site's. Saves nothing.
    """
    new = _read(values)
    changes, lockless = [], []
    for door in _doors(session, site_id, door_ids):
        before = door_texts(door)
        if (before | new)["function"] and not (before | new)["lock"]:
            lockless.append(door.opening_number)
        if found := changed(before, new):
            changes.append(DoorChange(door.id, door.version, door.opening_number, found))
    if lockless:
        raise LedgerError("lock", f"A function alone is no lock: say what lock {first_of(lockless, 6)} has.")
    return tuple(changes)


def _read(values: Mapping[str, str]) -> dict[str, str]:
    new, problems = {}, []
    if not values:
        raise LedgerError("fields", "Choose at least one field to set.")
    for field, text in values.items():
        if field not in BULK_FIELDS:
            raise LedgerError("fields", f"{field[:40]!r} is not set on many doors at once.")
        try:
            new[field] = read_field(field, text)
        except BitternError as error:
            problems.append(Problem(field, error.message))
    if problems:
        raise Problems(problems)
    return new


def _doors(session: Session, site_id: int, door_ids: Sequence[int]) -> list[Door]:
    wanted = set(door_ids)
    if not wanted:
        raise LedgerError("doors", "Choose the doors first.")
    rows = sa.select(Door).where(Door.site_id == site_id).options(joinedload(Door.lock))
    doors = [door for door in session.scalars(rows.order_by(*BY_OPENING)) if door.id in wanted]
    if len(doors) < len(wanted):
        raise LedgerError("doors", "One of these doors is not on record at this site any more; choose again.")
    return doors


def change_doors(work: Work, site_id: int, seen: Mapping[int, int], values: Mapping[str, str]) -> int:
    """Set fields on the doors in `seen` (id → version read); how many were changed. One event keeps every before.

    Raises as `plan_change`, and Stale, naming the doors, when somebody saved one in between; then none is changed.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        plan = plan_change(work.session, site_id, list(seen), values)
        moved = [change.opening for change in plan if change.version != seen[change.door_id]]
        if moved:
            raise Stale(
                f"Somebody changed {first_of(moved, 6)} while you were choosing. Nothing was saved; look again."
            )
        for change in plan:
            change.apply(work.session.get_one(Door, change.door_id))
        if plan:
            set_to = "; ".join(f"{field} → {text or 'none'}" for field, text in _read(values).items())
            record(
                work,
                "doors changed together",
                f"site {site_id}",
                f"{counted(len(plan), 'door')}: {set_to}"[:1000],
                doors=for_event(plan),
            )
        return len(plan)


FIELDS = (
    "opening", "location", "hand", "thickness", "stile", "lock", "function", "egress", "fire rated", "remarks",
)  # fmt: skip
BULK_FIELDS = FIELDS[1:]  # an opening number is one door's own
_INCHES = ("thickness", "stile")
_FLAGS = ("egress", "fire rated")


@dataclass(frozen=True, slots=True)
class DoorChange:
    """What changes on one door, read at `version`: field → its text before and after, "" where nothing is known."""

    door_id: int
    version: int
    opening: str
    fields: Mapping[str, tuple[str, str]]

    def apply(self, door: Door) -> None:
        """Change the door; a change of the lock alone is a change of the door too."""
        set_texts(door, {name: new for name, (_, new) in self.fields.items()})
        flag_modified(door, "remarks")


def read_field(field: str, text: str) -> str:
    """The text of a field as it is kept: inches exact, flags yes or no. BitternError on the field."""
    text = text.strip()
    check_length(text, TEXTS.get(field, 200), field)
    if field == "opening" and not text:
        raise BitternError(field, "Enter the opening number.")
    if field == "hand" and text.upper() not in HANDS:
        raise BitternError(field, "Choose LH, RH, LHR, RHR or none.")
    if field in _INCHES and text:
        return write_inches(read_inches(text, field))
    if field in _FLAGS and text not in ("yes", "no"):
        raise BitternError(field, "Say yes or no.")
    return text.upper() if field == "hand" else text


def door_texts(door: Door) -> dict[str, str]:
    """Every field of a door on record as text, in the order of FIELDS."""
    return DoorForm.of(door).texts()


def changed(before: Mapping[str, str], after: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """The fields of `after` that are not what they were, each before and after."""
    return {name: (before[name], new) for name, new in after.items() if before[name] != new}


def for_event(changes: Iterable[DoorChange]) -> dict[str, dict[str, list[str]]]:
    """Changes as an event keeps them, so that they can be taken back: door id → field → [before, after]."""
    return {str(one.door_id): {name: list(pair) for name, pair in one.fields.items()} for one in changes}


def set_texts(door: Door, values: Mapping[str, str]) -> None:
    """Set fields from texts that `read_field` gave. A lock that is taken away takes its function along."""
    for name, text in values.items():
        match name:
            case "opening":
                door.opening_number = text
            case "thickness" | "stile":
                setattr(door, name, read_inches(text, name) if text else None)
            case "egress":
                door.is_egress = text == "yes"
            case "fire rated":
                door.is_fire_rated = text == "yes"
            case "lock" | "function":
                _put_lock(door, name, text)
            case _:
                setattr(door, name, text)


def _put_lock(door: Door, name: str, text: str) -> None:
    if door.lock is None:
        if not text:
            return
        door.lock = Lock(description="", function="")
    if name == "lock":
        door.lock.description = text
    else:
        door.lock.function = text
