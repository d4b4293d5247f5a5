"""A construction keyed job, door by door, until the contractors' keys turn nothing there."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload, selectinload

from app.errors import BitternError
from app.keying import Bitting as Cuts
from app.ledger.catalog.maker_queries import get_item
from app.ledger.catalog.price_queries import CONSTRUCTION_CORE, CONSTRUCTION_KEPT, price_book
from app.ledger.jobs.queries import get_job
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.construction import control_of
from app.ledger.keysystems.crosskeying import CROSS_KEYED, CROSS_KEYED_ANEW
from app.ledger.keysystems.lost_keysets import BITTING_CORRECTED, open_lost_bittings
from app.ledger.keysystems.pinned import keeping_keys_aside_out, turn_ball, turning
from app.ledger.keysystems.system_queries import operators_of, sections_of, systems_sharing_keyway
from app.ledger.quoting.issuing import drop_draft
from app.ledger.stock.movements import move_stock
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderOperator,
    CylinderState,
    Event,
    Job,
    Key,
    Keyset,
    KeyState,
    MovementKind,
    Role,
)
from app.pricing import show_cents, show_day
from app.validation import counted

MADE_DEAD, NOT_DEAD = "construction key made dead", "construction key not dead"
CORES_BACK, CORES_NOT_BACK = "construction cores back", "construction cores not back"
CORES_KEPT = "construction cores kept"
IN_THE_SHOP, WORKS, MADE, SWAPPED, BACK = "in the shop", "works", "made dead", "swapped, not back", "back"
KEPT = "kept, charged"
_SAID = {
    MADE_DEAD: "{0} made dead",
    NOT_DEAD: "{0} not dead after all",
    CORES_BACK: "Construction cores {0} back",
    CORES_KEPT: "Construction cores {0} kept, charged",
    CORES_NOT_BACK: "Construction cores {0} not back after all",
}
_SAID_OF_CORES = {BACK: CORES_BACK, KEPT: CORES_KEPT, SWAPPED: CORES_NOT_BACK}


@dataclass(frozen=True, slots=True)
class ConstructionDoor:
    """A cylinder that is, or was, set up for a construction key, or a construction core, with how far it is.

    on and by: when it was made dead or brought back, and who said so. permanent: the keyset that stays there.
    """

    cylinder: Cylinder
    symbol: str
    permanent: str
    state: str
    on: date | None = None
    by: str = ""

    @property
    def place(self) -> str:
        """The door, or that there is none."""
        door = self.cylinder.door
        position = "" if self.cylinder.position in ("", "outside") else f" {self.cylinder.position}"
        return f"{door.opening_number}{position}" if door else "no door named"


@dataclass(frozen=True, slots=True)
class SiteKeys:
    """The copies of one construction keyset: how many are in whose hands, and how many are not out."""

    keyset: Keyset
    held: tuple[tuple[str, int], ...]
    lost: int
    here: int

    @property
    def words(self) -> str:
        """Who has them, in words.

        >>> SiteKeys(Keyset(symbol="CMK"), (("B. Reed", 3),), 1, 0).words
        'CMK: 3 with B. Reed, 1 lost'
        """
        said = [f"{count:,} with {holder or 'a holder not named'}" for holder, count in self.held]
        said += [f"{self.lost:,} lost"] if self.lost else []
        said += [f"{self.here:,} in the shop"] if self.here else []
        return f"{self.keyset.symbol}: {', '.join(said)}" if said else f"{self.keyset.symbol}: no key"


@dataclass(frozen=True, slots=True)
class Construction:
    """A job's construction keying. kept_cents: what a core costs that does not come back, None without a price."""

    job: Job
    doors: tuple[ConstructionDoor, ...]
    keys: tuple[SiteKeys, ...]
    is_of_cores: bool
    kept_cents: int | None

    @property
    def control(self) -> str:
        """The symbol of the key that takes its construction cores out."""
        return control_of(self.doors[0].symbol)

    def count(self, *states: str) -> int:
        """How many of its doors are so far."""
        return sum(one.state in states for one in self.doors)

    @property
    def is_over(self) -> bool:
        """Whether no door is opened by a construction key, every core is back or charged, and no key is out."""
        open_doors = self.count(IN_THE_SHOP, WORKS, SWAPPED)
        return not open_doors and not any(one.held or one.lost for one in self.keys)

    @property
    def sentences(self) -> tuple[str, ...]:
        """How it stands: the doors, then who has the keys."""
        return (*self.of_doors, *(f"{one.words}." for one in self.keys))

    @property
    def of_doors(self) -> tuple[str, ...]:
        """What the construction keys still turn, and what is not back."""
        still, done = self.count(WORKS), self.count(MADE, SWAPPED, BACK, KEPT)
        said = []
        if waiting := self.count(IN_THE_SHOP):
            said.append(
                f"{counted(waiting, 'construction core' if self.is_of_cores else 'cylinder')} in the shop yet."
            )
        if still:
            opens = "opens" if still == 1 else "open"
            said.append(f"{counted(still, 'door')} still {opens} to the construction key.")
        if done:
            said.append(f"{counted(done, 'door')} {'swapped' if self.is_of_cores else 'made dead'}.")
        if away := self.count(SWAPPED):
            price = f": {show_cents(away * self.kept_cents)} to charge" if self.kept_cents is not None else ""
            said.append(f"{counted(away, 'construction core')} not back{price}.")
        if kept := self.count(KEPT):
            said.append(f"{counted(kept, 'construction core')} kept and charged.")
        return tuple(said)


def construction_of(session: Session, job: Job, today: date) -> Construction | None:
    """A job's construction keying; None where it has none. Opens no bitting."""
    loaded = (
        joinedload(Cylinder.keyset),
        joinedload(Cylinder.door),
        selectinload(Cylinder.operators).joinedload(CylinderOperator.keyset),
    )
    rows = sa.select(Cylinder).where(Cylinder.job_id == job.id).options(*loaded).order_by(Cylinder.id)
    cylinders = session.scalars(rows).all()
    done = _said(session, job.id)
    lent = [one for one in cylinders if one.is_lent]
    permanent: dict[tuple[int | None, str], str] = {
        (one.door_id, one.position): one.keyset.symbol
        for one in cylinders
        if one.keyset and one.door_id is not None and not one.is_lent
    }
    doors = [
        _core(one, permanent.get((one.door_id, one.position), ""), done.get(one.id))
        if one.is_lent
        else _set_up(one, done.get(one.id))
        for one in cylinders
        if one.is_lent or (not lent and (one.id in done or (one.construction is not None and not _is_off(one))))
    ]
    if not doors:
        return None
    return Construction(
        job, tuple(doors), _keys(session, job), bool(lent), _kept_cents(session, job, today) if lent else None
    )


def _is_off(cylinder: Cylinder) -> bool:
    """Whether it came back from its door, so that there is nothing to be made dead."""
    return cylinder.state is CylinderState.REMOVED


def _set_up(cylinder: Cylinder, done: Event | None) -> ConstructionDoor:
    own = cylinder.keyset.symbol if cylinder.keyset else ""
    if cylinder.construction is not None:
        is_here = not cylinder.state.has_left
        return ConstructionDoor(cylinder, cylinder.construction.symbol, own, IN_THE_SHOP if is_here else WORKS)
    symbol = str(done.detail.get("symbol", "")) if done else ""
    return ConstructionDoor(cylinder, symbol, own, MADE, _day(done), done.actor_name if done else "")


def _core(cylinder: Cylinder, permanent: str, done: Event | None) -> ConstructionDoor:
    symbol = cylinder.keyset.symbol if cylinder.keyset else ""
    if done is not None:
        state = BACK if done.kind == CORES_BACK else KEPT
        return ConstructionDoor(cylinder, symbol, permanent, state, _day(done), done.actor_name)
    if cylinder.state is CylinderState.REMOVED:
        return ConstructionDoor(cylinder, symbol, permanent, SWAPPED, cylinder.removed_on)
    is_out = cylinder.state is CylinderState.FITTED
    return ConstructionDoor(cylinder, symbol, permanent, WORKS if is_out else IN_THE_SHOP, cylinder.fitted_on)


def _day(done: Event | None) -> date | None:
    said = done.detail.get("on") if done else None
    return date.fromisoformat(said) if said else None


def _said(session: Session, job_id: int) -> dict[int, Event]:
    """Cylinder id → the event that says it is made dead, back or kept, as the newest ones tell."""
    kinds = (MADE_DEAD, NOT_DEAD, CORES_BACK, CORES_KEPT, CORES_NOT_BACK)
    found: dict[int, Event] = {}
    for event in session.scalars(
        sa.select(Event).where(Event.job_id == job_id, Event.kind.in_(kinds)).order_by(Event.id)
    ):
        for one in event.detail.get("cylinders", ()):
            if event.kind in (NOT_DEAD, CORES_NOT_BACK):
                found.pop(one, None)
            else:
                found[one] = event
    return found


def _keys(session: Session, job: Job) -> tuple[SiteKeys, ...]:
    rows = sa.select(Key).join(Keyset).where(Key.job_id == job.id).options(joinedload(Key.keyset))
    of_site: dict[Keyset, list[Key]] = {}
    for key in session.scalars(rows.order_by(Keyset.id, Key.copy_number)):
        if key.keyset.level.is_of_construction and key.state is not KeyState.RETIRED:
            of_site.setdefault(key.keyset, []).append(key)
    found = []
    for keyset, keys in of_site.items():
        held: dict[str, int] = {}
        for key in keys:
            if key.state is KeyState.OUT:
                held[key.holder] = held.get(key.holder, 0) + 1
        lost = sum(key.state is KeyState.LOST for key in keys)
        found.append(SiteKeys(keyset, tuple(held.items()), lost, len(keys) - lost - sum(held.values())))
    return tuple(found)


def _kept_cents(session: Session, job: Job, today: date) -> int | None:
    try:
        found = price_book(session, frozenset({CONSTRUCTION_KEPT}))
        return found.price(CONSTRUCTION_KEPT, today, job.customer.tier or None, 1).unit_cents
    except BitternError:
        return None


def mark_dead(work: Work, job_number: int, cylinder_ids: Collection[int], on: date, *, is_dead: bool = True) -> int:
    """Put on record that a permanent key was turned in these cylinders on their doors, so that the construction key
    is dead there, or that it was not after all; how many changed. LedgerError on `cylinders` and `on`, NotFound.

    Not after all is refused where the balls would let another key in by now, or the cylinder was pinned anew since.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        job = get_job(work.session, job_number)
        done = _said(work.session, job.id)
        mine = _named(job, cylinder_ids)
        if is_dead:
            if any(one.state is not CylinderState.FITTED and one.construction is not None for one in mine):
                told = "A cylinder is made dead on its door: hand it over first, and leave out those that came back."
                raise LedgerError("cylinders", f"{told} One that lost its ball is pinned anew.")
            _check_day(work, on, [one.fitted_on for one in mine])
            changed = [one for one in mine if one.construction is not None and not one.is_lent]
        else:
            changed = [one for one in mine if one.id in done and not one.is_lent]
            _require_as_then(work, changed, done)
        by_key: dict[Keyset, list[Cylinder]] = {}
        for one in changed:
            keyset = one.construction or work.session.get_one(Keyset, done[one.id].detail["keyset"])
            by_key.setdefault(keyset, []).append(one)
        for keyset, cylinders in by_key.items():
            before = () if is_dead else _strangers(work, keyset, cylinders)
            with keeping_keys_aside_out(work, keyset.system, cylinders, "cylinders"):
                for one in cylinders:
                    if is_dead:
                        one.operators = [each for each in one.operators if each.keyset_id != keyset.id]
                    else:
                        one.operators.append(CylinderOperator(keyset_id=keyset.id))
                turn_ball(work, cylinders, keyset, is_lost=is_dead)
            if not is_dead:
                _require_no_more(work, keyset, cylinders, before)
            _tell(work, job, keyset, cylinders, on, MADE_DEAD if is_dead else NOT_DEAD)
        return len(changed)


def _require_as_then(work: Work, cylinders: Sequence[Cylinder], done: Mapping[int, Event]) -> None:
    """LedgerError where a cylinder that was made dead is off its door by now, or was pinned anew: cross-keyed, or by
    a bitting that was corrected.
    """
    kinds = (CROSS_KEYED, CROSS_KEYED_ANEW, BITTING_CORRECTED)
    first = min((done[one.id].id for one in cylinders), default=0)
    events = work.session.scalars(sa.select(Event).where(Event.kind.in_(kinds), Event.id > first)).all()
    for one in cylinders:
        since = [event for event in events if event.id > done[one.id].id]
        turns = {done[one.id].detail["keyset"], *(keyset.id for keyset in _turning(one))}
        if one.state is not CylinderState.FITTED:
            why = "was taken off it"
        elif any(event.detail.get("cylinder") == one.id for event in since):
            why = "was cross-keyed, and so pinned anew without balls,"
        elif any(event.kind == BITTING_CORRECTED and event.detail["keyset"] in turns for event in since):
            why = "goes by a bitting that was corrected, and so was pinned anew,"
        else:
            continue
        told = f"The cylinder of {_place(one)} {why} since it was made dead: it stays made dead."
        raise LedgerError("cylinders", told)


def _turning(cylinder: Cylinder) -> list[Keyset]:
    """The keysets that turn it, as it is keyed now."""
    if cylinder.keyset is None:
        return []
    by_id = {one.id: one for one in cylinder.keyset.system.keysets}
    chain = operators_of(cylinder.keyset, is_nmk=cylinder.is_nmk, by_id=by_id)
    return [*chain, *(one.keyset for one in cylinder.operators)]


def keys_never_out(session: Session, cylinders: Collection[Cylinder]) -> int:
    """How many permanent keys of these cylinders lie in the shop, or are not cut yet, counting just those cylinders
    of which no such key ever left it: nobody can have turned one there.
    """
    turn = [{one.id for one in _turning(each) if not one.level.is_of_construction} for each in cylinders]
    here, left = Counter[int](), set[int]()
    for keyset_id, state in session.execute(
        sa.select(Key.keyset_id, Key.state).where(Key.keyset_id.in_(set().union(*turn)))
    ):
        if state in (KeyState.ORDERED, KeyState.CUT):
            here[keyset_id] += 1
        elif state is not KeyState.RETIRED:
            left.add(keyset_id)
    return sum(here[one] for one in set().union(*(keysets for keysets in turn if not keysets & left)))


def _strangers(
    work: Work, construction: Keyset, cylinders: Sequence[Cylinder]
) -> tuple[tuple[Keyset, Cuts, Cylinder], ...]:
    """The keys, on record or lost, that turn these cylinders as they are pinned, but for the construction key."""
    sections = sections_of(construction.system)
    near = systems_sharing_keyway(work.session, sections, construction.system.customer_id)
    opened = open_bittings(work.session, work.vault, near)
    keys = [(one, opened[one.id]) for system in near for one in system.keysets if one.id in opened]
    others = [(one, cuts) for one, cuts in keys if one is not construction]
    return turning(work, [*others, *open_lost_bittings(work, near)], cylinders)


def _require_no_more(
    work: Work, construction: Keyset, cylinders: Sequence[Cylinder], before: Collection[tuple[Keyset, Cuts, Cylinder]]
) -> None:
    """LedgerError where the balls of a construction key let in a key that did not turn a cylinder without them."""
    for turned in _strangers(work, construction, cylinders):
        if turned not in before:
            key, _, cylinder = turned
            raise LedgerError(
                "cylinders",
                f"With the balls of {construction.symbol} in it key {key.symbol} of {key.system.name} would operate "
                f"the cylinder of {_place(cylinder)} too, and must not. Nothing was saved: turn the door's own key "
                "in it, and leave it made dead.",
            )


def _place(cylinder: Cylinder) -> str:
    return f"door {cylinder.door.opening_number}" if cylinder.door else "no door"


def mark_cores(work: Work, job_number: int, cylinder_ids: Collection[int], on: date, to: str, draft: str = "") -> int:
    """Put on record that construction cores that were swapped are BACK in the shop, that they are KEPT and charged
    for, or neither after all (SWAPPED); how many changed. draft: the token of the draft that is to charge for them.
    LedgerError on `cylinders` and `on`, NotFound.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        job = get_job(work.session, job_number)
        done = _said(work.session, job.id)
        mine = [one for one in _named(job, cylinder_ids) if one.is_lent]
        if any(one.state is not CylinderState.REMOVED for one in mine):
            told = "This core is on its door, or here: it comes back once the permanent core is handed over."
            raise LedgerError("cylinders", told)
        if to != SWAPPED:
            _check_day(work, on, [one.removed_on for one in mine])
        were = {one: _core(one, "", done.get(one.id)).state for one in mine}
        changed = [one for one in mine if were[one] != to and (to != KEPT or were[one] == SWAPPED)]
        if changed and changed[0].keyset is not None:
            move_cores(work, job, len(changed) if to == BACK else -sum(were[one] == BACK for one in changed))
            detail = {"draft": draft} if draft else {}
            _tell(work, job, changed[0].keyset, changed, on, _SAID_OF_CORES[to], **detail)
        return len(changed)


def delete_draft_of_cores(work: Work, token: str) -> int:
    """Throw a draft of one's own away, and have the construction cores that it was to charge for be neither kept nor
    back; how many.
    """
    with transaction(work.session):
        if not drop_draft(work, token):
            return 0
        charged = work.session.scalars(sa.select(Event).where(Event.kind == CORES_KEPT).order_by(Event.id)).all()
        event = next((one for one in charged if one.detail.get("draft") == token), None)
        if event is None or event.job_id is None:
            return 0
        job = work.session.get_one(Job, event.job_id)
        done = _said(work.session, job.id)
        still = [one for one in event.detail["cylinders"] if done.get(one) is event]
        return mark_cores(work, job.number, still, work.today, SWAPPED) if still else 0


def move_cores(work: Work, job: Job, count: int) -> None:
    """Have construction cores leave the shelf for a site (below 0), or lie there again, where somebody counts them,
    inside the caller's transaction. LedgerError on `quantity` where there are not so many.
    """
    item = get_item(work.session, None, CONSTRUCTION_CORE)
    if item is None or not item.is_counted or not count:
        return
    said = "back from" if count > 0 else "lent to"
    why = f"construction cores {said} the site of job {job.number}"
    move_stock(work, item, MovementKind.USED, on_hand=count, why=why, job_id=job.id)


def _named(job: Job, cylinder_ids: Collection[int]) -> list[Cylinder]:
    if not cylinder_ids:
        raise LedgerError("cylinders", "Tick the doors that this is about.")
    mine = [one for one in job.cylinders if one.id in cylinder_ids]
    if len(mine) != len(set(cylinder_ids)):
        raise NotFound("cylinder in this job")
    return mine


def _check_day(work: Work, on: date, since: Sequence[date | None]) -> None:
    first = max((day for day in since if day is not None), default=None)
    if on > work.today:
        raise LedgerError("on", "This day lies ahead; enter today or an earlier day.")
    if first is not None and on < first:
        raise LedgerError(
            "on", f"One of these doors got its cylinder on {show_day(first)}: enter that day or a later one."
        )


def _tell(
    work: Work, job: Job, keyset: Keyset, cylinders: Sequence[Cylinder], on: date, kind: str, **more: str
) -> None:
    places = ", ".join(dict.fromkeys(one.door.opening_number if one.door else "no door" for one in cylinders))
    said = f"{_SAID[kind].format(keyset.symbol)}, {show_day(on)}: {counted(len(cylinders), 'door')} ({places})"
    detail = {"cylinders": [one.id for one in cylinders], "keyset": keyset.id, "symbol": keyset.symbol, **more}
    record(work, kind, f"job {job.number}", said, job_id=job.id, on=on.isoformat(), **detail)
