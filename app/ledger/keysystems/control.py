"""The control key of a system of interchangeable cores: drawn for a new system, entered for one in service."""

from collections.abc import Mapping
from random import Random

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.keying import Bitting as Cuts
from app.keying import BittingSpec, KeyingError, NoBittingsLeft, check_offset, draw_control, pin, read_bitting
from app.ledger.keysystems.auditing import prove_no_interchange
from app.ledger.keysystems.bittings import add_keyset, spec_of
from app.ledger.keysystems.rows_aside import why_rows_aside
from app.ledger.keysystems.system_queries import get_system, sections_of, systems_sharing_keyway
from app.ledger.keysystems.unsealed_system import SystemsInService, ask_from_which_end, open_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Event, Keyset, KeySystem, Level, RecordsHolder, Role

CONTROL_SYMBOL = "CONTROL"
MOST_DRAWS = 60
TAKEN_OVER = "bitting list taken over"
_ADDED, _ENTERED = "control key added", "the control key in service was entered"


def lacks_control(system: KeySystem) -> bool:
    """Whether a system is of interchangeable cores and has no control key on record."""
    return spec_of(system).control_offset is not None and not any(
        keyset.level is Level.CONTROL for keyset in system.keysets
    )


def lacks_factory_control(system: KeySystem) -> bool:
    """Whether the factory holds a system's control key and no symbol stands for it yet, as in earlier releases."""
    return system.records is RecordsHolder.FACTORY and lacks_control(system)


def why_no_control(system: KeySystem) -> str:
    """Why a system of interchangeable cores has no control key and what to do; "" where it needs none."""
    if not lacks_control(system):
        return ""
    if system.records is not RecordsHolder.SHOP:
        return (
            "These are interchangeable cores, and their control key is with whoever holds the records: "
            f"{system.records.value}. Cores are pinned and taken out there."
        )
    return (
        "These are interchangeable cores, and no control key is on record: the system came from a list without one, "
        "or none was found free. No bench sheet is made until it is added."
    )


def insert_control(work: Work, system: KeySystem) -> Keyset:
    """Draw a control key for a system and seal it, inside the caller's transaction; see `find_control`.

    LedgerError on `control` while rows of its list stand aside.
    """
    if aside := why_rows_aside(work.session, system):
        raise LedgerError("control", aside)
    return _add(work, system, find_control(work, system))


def find_control(work: Work, system: KeySystem, rng: Random | None = None) -> Cuts:
    """Draw a control key for the cores of a system.

    It turns no cylinder of the customer on this keyway as a plain key, and no other key or control key on the
    keyway is cut like it. Raises NoBittingsLeft where there is none, KeyingError where the spec cannot have one.
    """
    spec = spec_of(system)
    sharing = systems_sharing_keyway(work.session, sections_of(system))
    own = [one for one in sharing if one.customer_id == system.customer_id]
    there = SystemsInService.of(work, own, spec, sections_of(system))
    avoid = set(SystemsInService.of(work, sharing, spec, sections_of(system)).keys)
    operating = [one for one in system.keysets if one.level is not Level.CONTROL and one.id in there.opened]
    keys = {str(keyset.id): there.opened[keyset.id] for keyset in operating}
    return draw_free_control(spec, rng or work.rng, keys, there, avoid)


def draw_free_control(
    spec: BittingSpec, rng: Random, keys: Mapping[str, Cuts], there: SystemsInService, avoid: set[Cuts]
) -> Cuts:
    """Draw a control key for cores with these keys that turns no cylinder there, and is none of `avoid`."""
    for _ in range(MOST_DRAWS):
        cuts = draw_control(spec, rng, keys, avoid)
        if not there.turns_any(cuts):
            return cuts
        avoid.add(cuts)
    words = "No control key was found that turns none of these cores."
    raise NoBittingsLeft("control", words)


def _add(work: Work, system: KeySystem, cuts: Cuts | None) -> Keyset:
    keyset = add_keyset(work, system, CONTROL_SYMBOL, Level.CONTROL, cuts=cuts, purpose="takes the cores out")
    work.session.flush()
    return keyset


def has_control_keys(session: Session, system: KeySystem) -> bool:
    """Whether the customer has control keys that this house did not draw: of a list taken over, or typed in since."""
    last = session.scalar(
        sa.select(Event)
        .where(Event.subject == f"key system {system.id}", Event.kind.in_((TAKEN_OVER, _ADDED)))
        .order_by(Event.id.desc())
        .limit(1)
    )
    return last is not None and (last.kind == TAKEN_OVER or _ENTERED in last.summary)


def add_factory_control(work: Work, system: KeySystem) -> None:
    """Give the control key of cores that the factory keys its symbol, inside the caller's transaction: its bitting is
    the factory's, but keys of it are sold, stamped and held like any other.
    """
    work.session.flush()
    work.session.refresh(system, ["keysets"])
    if lacks_factory_control(system):
        _add(work, system, None)


def add_control(work: Work, system_id: int, bitting: str = "", from_bow: str = "") -> Keyset:
    """Give a system that lacks one its control key: the one of its cores in service, or, without, a new one.

    Bench or owner; an event. Raises KeyingError or LedgerError for `control`, and `from_bow` where it might be read
    from the other end (`ask_from_which_end`); nothing is saved then.
    """
    work.require(Role.BENCH)
    with transaction(work.session):
        system = get_system(work.session, system_id)
        if not lacks_control(system) or system.records is not RecordsHolder.SHOP:
            raise LedgerError("control", f"{system.name} takes no control key here.")
        if bitting.strip():
            cuts = read_control(work, system, bitting)
            ask_from_which_end(work, system, cuts, from_bow)
            keyset = _add(work, system, cuts)
        else:
            keyset = insert_control(work, system)
        prove_no_interchange(work, [system])
        how = _ENTERED if bitting.strip() else "a control key was drawn"
        record(work, _ADDED, f"key system {system_id}", f"{system.name}: {how}")
        return keyset


def read_control(work: Work, system: KeySystem, bitting: str, field: str = "control") -> Cuts:
    """The control key as typed, if every core of the system can be pinned for it; `field` names it in a refusal."""
    opened = open_system(work, system.id)
    check_offset(opened.spec)
    cuts = read_bitting(opened.spec, bitting, field)
    if not opened.spec.within_macs(cuts):
        raise KeyingError(field, "These cuts differ by more than the MACS of the spec: read the key again.")
    if cuts in opened.keys.values():
        raise KeyingError(field, "A key of this system has these very cuts: it is no control key.")
    for symbols in opened.cylinders.values() or [(symbol,) for symbol in opened.keys]:
        pins = pin(opened.spec, {symbol: opened.keys[symbol] for symbol in symbols}, cuts).chambers
        if any((one.buildup or 0) < 1 or (one.top is not None and one.top < 1) for one in pins):
            raise KeyingError(field, "A core of this system cannot be pinned for this key: read it again.")
    return cuts
