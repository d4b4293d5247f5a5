"""Changes that are kept back for a floor, a building or a department, until a door of it comes and takes one."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased, joinedload

from app.keying import NoBittingsLeft
from app.ledger.keysystems.auditing import prove_no_interchange
from app.ledger.keysystems.extending import Added, why_not_extend
from app.ledger.keysystems.keysets import add_keysets, over_changes
from app.ledger.keysystems.lost_keysets import require_none_lost_above
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Door, Keyset, KeySystem, Level, Role, longest
from app.validation import counted

ANY_DOOR = "later doors"
"""What a reserve is for that is kept back for no floor, building or department in particular."""
EACH_FLOOR = "each floor"
MOST_KEPT = 500
_LONGEST = longest(Keyset.reserved_for)
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
_FLOOR = re.compile(
    rf"(?:(?:floor|level|story)\s*([a-z0-9]+)|([0-9]+)(?:st|nd|rd|th)\s+floor|({'|'.join(_ORDINALS)})\s+floor)",
    re.IGNORECASE,
)
_OPENING = re.compile(r"\D*(\d+)\d\d(?!\d).*")
_WANTED = re.compile(
    r"(?:(?P<name>[^:]+?)\s*:\s*)?(?P<count>[0-9]{1,4})(?:\s+under\s+(?P<master>\S+))?", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Reserve:
    """So many changes to keep back: for what, and under which master, "" where the doors are to tell."""

    name: str
    count: int
    master: str = ""


@dataclass(frozen=True, slots=True)
class ReserveLeft:
    """What is left of a reserve: the changes under a master that no door has taken yet, of so many `kept`."""

    name: str
    master: str
    symbols: tuple[str, ...]
    kept: int

    @property
    def left(self) -> int:
        """How many that are."""
        return len(self.symbols)


def read_reserves(text: str) -> tuple[Reserve, ...]:
    """Read "floor 2: 10; Chemistry: 5 under AB", or a number alone: so many under each master. LedgerError tells.

    >>> read_reserves("floor 2: 10; Chemistry: 5 under ab")
    (Reserve(name='floor 2', count=10, master=''), Reserve(name='Chemistry', count=5, master='AB'))
    >>> read_reserves("10"), read_reserves("0")
    ((Reserve(name='later doors', count=10, master=''),), ())
    """
    found = []
    for part in filter(None, map(str.strip, re.split(r"[;\n]", text))):
        read = _WANTED.fullmatch(part)
        if read is None or int(read["count"]) > MOST_KEPT or len(read["name"] or "") > _LONGEST:
            raise LedgerError(
                "reserve",
                f"{part[:40]} is no reserve: write what it is for and how many, up to {MOST_KEPT}, such as floor 2: "
                "10; or a number alone, for each master.",
            )
        name = " ".join((read["name"] or ANY_DOOR).split())
        found.append(Reserve(name, int(read["count"]), (read["master"] or "").upper()))
    return tuple(one for one in found if one.count)


def floor_of(opening: str) -> str:
    """The floor that an opening number tells, its last two figures left out; "" where it tells none. (common
    practice, no source)

    >>> floor_of("215"), floor_of("N412"), floor_of("store")
    ('2', '4', '')
    """
    found = _OPENING.fullmatch(opening)
    return found[1] if found else ""


def belongs(name: str, opening: str, location: str = "", site: str = "") -> bool:
    """Whether a door is of the floor, building or department of a reserve: its location says so, or its site, or of a
    floor its opening number where the location speaks of none.

    >>> belongs("floor 2", "215"), belongs("floor 2", "215", "third floor"), belongs("Lab", "7", "wet lab")
    (True, False, True)
    """
    if name == ANY_DOOR:
        return True
    wanted, said = _plain(name), _plain(location)
    if f" {wanted} " in f" {said} " or wanted == _plain(site):
        return True
    floor = _floor(name)
    return bool(floor) and (_floor(location) or floor_of(opening)) == floor


def is_of(name: str, door: Door) -> bool:
    """The same of a door on record."""
    return belongs(name, door.opening_number, door.location, door.site.name)


def _plain(words: str) -> str:
    return " ".join(re.findall(r"\w+", words.casefold()))


def _floor(words: str) -> str:
    found = _FLOOR.search(words)
    if found is None:
        return ""
    return str(_ORDINALS.index(found[3].lower()) + 1) if found[3] else (found[1] or found[2]).lower()


def reserves_of(session: Session, system: KeySystem) -> tuple[ReserveLeft, ...]:
    """What is left of a system's reserves, by name and master; those that are used up too."""
    keysets = [one for one in system.keysets if one.reserved_for and not one.is_out_of_use]
    ids = [one.id for one in keysets]
    taken = {*session.scalars(sa.select(Cylinder.keyset_id).where(Cylinder.keyset_id.in_(ids)))} if ids else set()
    found: dict[tuple[str, str], list[Keyset]] = {}
    for one in keysets:
        found.setdefault((one.reserved_for, one.parent.symbol if one.parent else ""), []).append(one)
    return tuple(
        ReserveLeft(name, master, tuple(one.symbol for one in them if one.id not in taken), len(them))
        for (name, master), them in found.items()
    )


def keep_reserves(work: Work, system: KeySystem, wanted: Sequence[Reserve]) -> str:
    """Add changes that clash with nothing and keep them back, inside the caller's transaction; words for the record.

    The doors that the system has tell under which master a reserve without one is. LedgerError on `reserve`.
    """
    if not wanted:
        return ""
    over = over_changes(system.keysets)
    if system.sealed_plan is None or not over:
        raise LedgerError("reserve", "These keys stand side by side, under no master that could keep changes free.")
    said, doors = [], _doors_of(work.session, system)
    for one in wanted:
        for name, master in _places(one, over, doors):
            keysets = _keep(work, system, master, one.count, is_each=name == ANY_DOOR and not one.master)
            for keyset in keysets:
                keyset.reserved_for = name
            said += [f"{len(keysets):,} under {master.symbol} for {name}"] if keysets else []
    return f", in reserve {'; '.join(said)}"


def _doors_of(session: Session, system: KeySystem) -> list[tuple[Door, str]]:
    """The doors of a system, each with the master over its change."""
    above = aliased(Keyset)
    rows = sa.select(Door, above.symbol).join(Cylinder, Cylinder.door_id == Door.id)
    rows = rows.join(Keyset, Keyset.id == Cylinder.keyset_id).join(above, above.id == Keyset.parent_id)
    rows = rows.where(Keyset.system_id == system.id).options(joinedload(Door.site)).order_by(Cylinder.id)
    return [(door, symbol) for door, symbol in session.execute(rows)]


def _places(wanted: Reserve, over: Sequence[Keyset], doors: Sequence[tuple[Door, str]]) -> list[tuple[str, Keyset]]:
    """For what and under which masters a reserve is kept."""
    by_symbol = {one.symbol: one for one in over}
    if wanted.master:
        if wanted.master not in by_symbol:
            raise LedgerError(
                "reserve", f"There is no master {wanted.master[:24]}; there are {', '.join(by_symbol)}."
            )
        return [(wanted.name, by_symbol[wanted.master])]
    if wanted.name == ANY_DOOR:
        return [(ANY_DOOR, one) for one in over]
    if wanted.name.casefold() == EACH_FLOOR:
        floors = dict.fromkeys(filter(None, (floor_of(door.opening_number) for door, _ in doors)))
        if not floors:
            told = "No door's number here tells its floor, as 214 does floor 2: name each floor, such as"
            raise LedgerError("reserve", f"{told} floor 1: {wanted.count} under {over[0].symbol}.")
        each = [replace(wanted, name=f"floor {floor}") for floor in floors]
        return [place for one in each for place in _places(one, over, doors)]
    holding = [one for one in over if f" {_plain(wanted.name)} " in f" {_plain(one.purpose)} "]
    masters = dict.fromkeys(master for door, master in doors if is_of(wanted.name, door))
    found = (
        holding or [by_symbol[one] for one in masters if one in by_symbol] or (list(over) if len(over) == 1 else [])
    )
    if len(found) != 1:
        are = f"its doors are under {', '.join(one.symbol for one in found)}" if found else "no door here tells it"
        raise LedgerError(
            "reserve",
            f"Under which master is the reserve for {wanted.name}? {are[:1].upper()}{are[1:]}: write {wanted.name}: "
            f"{wanted.count} under {over[0].symbol}.",
        )
    return [(wanted.name, found[0])]


def _keep(work: Work, system: KeySystem, master: Keyset, count: int, *, is_each: bool) -> list[Keyset]:
    """So many changes under a master; of those for each master a grand over several people gets as many as there are,
    and one over a single person none.
    """
    if is_each and master.level is not Level.MASTER:
        people = sum(one.parent_id == master.id and not one.reserved_for for one in system.keysets)
        if people < 2:
            return []
    try:
        return add_keysets(work, system, count, master.symbol)
    except NoBittingsLeft as error:
        if is_each and master.level is not Level.MASTER:
            return add_keysets(work, system, error.left, master.symbol) if error.left else []
        told = f"{master.symbol} has {counted(error.left, 'change')} left, not {count:,}: enter at most that."
        raise LedgerError("reserve", told) from error


def add_reserve(work: Work, system_id: int, text: str) -> Added:
    """Keep changes of a system in service back; bench or owner, an event."""
    work.require(Role.BENCH)
    with transaction(work.session):
        system = get_system(work.session, system_id)
        wanted = read_reserves(text)
        if not wanted:
            raise LedgerError("reserve", "Enter what it is for and how many, such as floor 2: 10.")
        if why := why_not_extend(work, system):
            raise LedgerError("reserve", why)
        require_none_lost_above(work, system, {one.symbol for one in over_changes(system.keysets)})
        there = {one.symbol for one in system.keysets}
        said = keep_reserves(work, system, wanted).removeprefix(", ")
        work.session.flush()
        work.session.expire(system, ["keysets"])
        prove_no_interchange(work, [system])
        record(work, "reserve kept", f"key system {system.id}", f"{system.name}: {said}"[:1000])
        return Added(system, tuple(one.symbol for one in system.keysets if one.symbol not in there))


def release_reserve(work: Work, system_id: int, name: str, master: str) -> int:
    """Let any door take what is left of a reserve; bench or owner, an event. How many changes that are."""
    work.require(Role.BENCH)
    with transaction(work.session):
        system = get_system(work.session, system_id)
        found = next(
            (one for one in reserves_of(work.session, system) if (one.name, one.master) == (name, master)), None
        )
        if found is None:
            raise LedgerError("reserve", f"{system.name} has nothing in reserve for {name[:_LONGEST]} any more.")
        for keyset in system.keysets:
            if keyset.reserved_for == name and keyset.parent is not None and keyset.parent.symbol == master:
                keyset.reserved_for = ""
        record(
            work,
            "reserve released",
            f"key system {system.id}",
            f"{system.name}: {counted(found.left, 'change')} under {master} no longer kept for {name}",
        )
        return found.left
