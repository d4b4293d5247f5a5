"""Use cases: the ways in which a loss can be mended, with what each costs; the one chosen, and its keysets on record.

The new bittings are found, held against all that stands and seals that are in circulation, and sealed with the loss.
They come on record when the first job of the plan is accepted.
"""

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from random import Random

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.keying import Bitting as Cuts
from app.keying import (
    KeyingError,
    TimeLimit,
    change_symbol,
    faults_meanwhile,
    masters_below,
    operated_by,
    read_bitting,
    read_symbol,
    single_symbol,
    write_bitting,
)
from app.ledger.keys.losing import (
    SECONDS,
    ReadyLoss,
    find_new_bittings,
    ready_loss,
    through_the_bench,
)
from app.ledger.keys.old_copies import new_copies
from app.ledger.keysystems.bittings import (
    add_keyset,
    count_capacity,
    fingerprint_context,
    loss_plan_context,
    open_bittings,
    reseal_bittings,
    spec_of,
)
from app.ledger.keysystems.control import CONTROL_SYMBOL, find_control
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.keysystems.correcting import leave_array
from app.ledger.keysystems.keysets import symbols_in_words
from app.ledger.keysystems.lost_keysets import keep_lost_bitting
from app.ledger.keysystems.pinned import freeze_pins, pinned_as_on_record
from app.ledger.keysystems.planned_doors import replan, take_place
from app.ledger.keysystems.retiring import retire_keysets
from app.ledger.keysystems.rows_aside import why_rows_aside
from app.ledger.keysystems.system_queries import (
    cylinders_keyed,
    get_system,
    keyways_beside,
    operators_of,
    sections_of,
)
from app.ledger.keysystems.ticks import take_ticks_back
from app.ledger.sites.cylinders import making_way
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work, require_current_key
from app.ledger.tables import (
    Bitting,
    Cylinder,
    CylinderOperator,
    CylinderState,
    Job,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Level,
    Loss,
    RecordsHolder,
    Role,
    Stage,
)
from app.validation import WordedEnum, counted

LEFT_OUT, NO_MASTERS = "", "(NMK)"
"""In place of a successor's symbol: its key operates nothing any more, or no master does where it did."""
ANEW = "make the plan anew, on the loss's page"
_BRIEF = 1.0
"""Seconds for a way beside the least: most are found in a tenth of that, and nobody waits long where none is."""
_DOWNWARD = tuple(Level)  # from the top


class LossWayKind(WordedEnum):
    """How doors that a lost key opens are made safe."""

    NEW_BITTING = "new bitting", "A new bitting, for as few doors and keys as it takes"
    ANOTHER_MASTER = "another master", "Another master, with new keys for all that hangs under it"
    LEFT_OUT = "left out", "No new keys: the lost key's cuts are left out of the pins"
    CORES = "change of cores", "A new control key, and all cores pinned for it"
    FACTORY = "factory", "New keysets from the factory, by a letter"
    MADE_DEAD = "made dead", "No rekeying: the construction key is made dead"


_ENDED_BY_HAND = {
    Level.CONSTRUCTION: "Nothing has to be rekeyed: make the construction key dead in each door, or swap its "
    "construction core, and tick it on the job's construction page. From then on the lost key opens nothing.",
    Level.CONSTRUCTION_CONTROL: "Nothing has to be rekeyed: once the permanent cores are in, it takes nothing out. "
    "Until then whoever has it can carry construction cores away. Where no other copy is left, order one under Keys "
    "out: the construction cores are swapped with it.",
}


@dataclass(frozen=True, slots=True)
class LossWay:
    """One way: what it costs, what to know of it, and why it cannot be had ("" where it can).

    successors: as a loss keeps them; `cuts` the new bittings by successor's symbol. keys: to cut, those of every
    keyset that gets another bitting, as many as there are. keysets: that get one. is_cut_short: none was found in a
    brief search, and a longer one may find it.
    """

    kind: LossWayKind
    successors: Mapping[str, str]
    cuts: Mapping[str, Cuts] = field(repr=False, default_factory=dict)
    cylinders: int = 0
    keys: int = 0
    keysets: int = 0
    says: tuple[str, ...] = ()
    cannot: str = ""
    is_cut_short: bool = False


def ways_of_loss(work: Work, loss_id: int, *, is_thorough: bool = False) -> tuple[LossWay, ...]:
    """The ways to mend a loss, the least first, with what each costs; it saves nothing and shows no bitting.

    is_thorough: a further way is searched for as long as the least. Asked twice, with nothing changed in between, it
    finds the same.
    """
    work.require(Role.COUNTER, Role.BENCH)
    return tuple(_ways(work, get_row(work.session, Loss, loss_id, "loss"), SECONDS if is_thorough else _BRIEF))


def _ways(work: Work, loss: Loss, further: float) -> Iterator[LossWay]:
    """Each way as it is found: a search may take seconds, and whoever has what he asks for need not wait for more.

    further: seconds for a way beside the least.
    """
    ready = ready_loss(work, loss.system_id, loss.keyset.symbol)
    # The same chance whenever it is asked, and known to nobody without the key file.
    rng = Random(work.vault.fingerprint(f"loss {loss.id}", loss_plan_context(loss.id)))  # noqa: S311
    named, aside = _named_by_others(work.session, loss), why_rows_aside(work.session, ready.system)
    if ready.system.records is not RecordsHolder.SHOP:
        yield _of_factory(ready, named)
    elif loss.keyset.level.is_of_construction:
        yield LossWay(LossWayKind.MADE_DEAD, {}, cannot=_ENDED_BY_HAND[loss.keyset.level])
    elif loss.keyset.level is Level.CONTROL:
        yield _with_aside(_of_cores(work, ready, rng), aside)
    elif ready.symbol not in ready.opened.keys:
        told = f"The bitting of {ready.symbol} is not in this house: put the sealed backup back first."
        yield LossWay(LossWayKind.NEW_BITTING, {}, cannot=told)
    else:
        for way in _by_bittings(ready, loss.keyset, rng, named, further):
            yield _with_aside(way, aside)


def _with_aside(way: LossWay, aside: str) -> LossWay:
    """A way with what is not known of the system's list, where it draws new bittings."""
    return replace(way, says=(*way.says, aside)) if aside and way.cuts else way


def _by_bittings(
    ready: ReadyLoss, lost: Keyset, rng: Random, named: Collection[str], further: float
) -> Iterator[LossWay]:
    """The ways where the house has the bittings."""
    turned = operated_by(ready.opened.keys, ready.cylinders, lost.symbol, ready.sections)
    if lost.is_retired and not turned:
        told = f"{lost.symbol} is retired, and its key turns nothing that stays: there is nothing to rekey."
        yield LossWay(LossWayKind.NEW_BITTING, {}, cannot=told)
        return
    least = _searched(ready, rng, LossWayKind.NEW_BITTING, named, SECONDS)
    if not lost.level.is_upper:
        yield least
        return
    branch = {one.symbol for one in _under(ready.system, lost)}
    if branch <= least.successors.keys():
        yield replace(least, kind=LossWayKind.ANOTHER_MASTER)
    else:
        yield least
        if branch != {ready.symbol}:
            yield _searched(ready, rng, LossWayKind.ANOTHER_MASTER, named, further, branch)
    yield _left_out(ready)


def _under(system: KeySystem, top: Keyset) -> list[Keyset]:
    """A keyset and all that hangs under it, but what is retired."""
    by_id = {one.id: one for one in system.keysets}
    under = (one for one in system.keysets if top in operators_of(one, is_nmk=False, by_id=by_id))
    return [one for one in under if one is top or not one.is_retired]


def _named_by_others(session: Session, loss: Loss) -> set[str]:
    """The symbols that plans of other open losses of the system give out, on record or not yet."""
    rows = sa.select(Loss.successors).where(Loss.system_id == loss.system_id, Loss.closed_at.is_(None))
    return {new for given in session.scalars(rows.where(Loss.id != loss.id)) for new in given.values()}


def _searched(
    ready: ReadyLoss,
    rng: Random,
    kind: LossWayKind,
    named: Collection[str],
    seconds: float,
    branch: Collection[str] = (),
) -> LossWay:
    """A way by new bittings that were found and tried against every cylinder and key, old ones too."""
    by_symbol = {one.symbol: one for one in ready.system.keysets}

    def keeping(replaced: AbstractSet[str]) -> AbstractSet[str]:
        return {one for one in replaced if _keeps_symbol(by_symbol[one], replaced)}

    limit = TimeLimit(seconds)
    lost = find_new_bittings(ready, rng, seconds, branch, keeping)
    if not lost.proven:
        told = "No new bittings were found that shut the lost key out and let every other key be. "
        is_cut_short = seconds < SECONDS and limit.is_over
        return LossWay(kind, {}, says=lost.reasons, cannot=told + " ".join(lost.reasons), is_cut_short=is_cut_short)
    successors = name_successors(ready.system, lost.replace, named)
    return _way(ready, kind, successors, {successors[old]: cuts for old, cuts in lost.new.items()}, lost.reasons)


def _way(
    ready: ReadyLoss,
    kind: LossWayKind,
    successors: Mapping[str, str],
    cuts: Mapping[str, Cuts],
    reasons: Iterable[str] = (),
) -> LossWay:
    there = [one for one in ready.hung if _is_to_rekey(one, successors, ready.through)]
    coming = sum(not one.is_planned and is_touched(one, successors) for one in ready.hung) - len(there)
    waits = (f"{counted(coming, 'cylinder')} on the way: pinned by the new bitting before they hang.",) * bool(coming)
    new = [old for old, symbol in successors.items() if symbol not in (LEFT_OUT, NO_MASTERS)]
    return LossWay(
        kind,
        successors,
        cuts,
        len(there),
        sum(ready.copies[old] for old in new),
        len(new),
        (*say_successors(successors), *waits, *reasons),
    )


def say_successors(successors: Mapping[str, str]) -> tuple[str, ...]:
    """Which keyset takes which one's place, and which keys change doors when."""
    said = []
    kept = [old for old, new in successors.items() if old == new]
    moved = {old: new for old, new in successors.items() if new not in (old, LEFT_OUT, NO_MASTERS)}
    if left := [old for old, new in successors.items() if new in (LEFT_OUT, NO_MASTERS)]:
        by = "alone: no master opens them any more" if successors[left[0]] else "and the other masters over them"
        said.append(
            f"Every change keeps its key; {symbols_in_words(left)} opens nothing any more. Its doors are opened by "
            f"their own keys {by}. Nothing more can be keyed under it once the loss is closed."
        )
    if len(kept) == 1:
        said.append(
            f"{kept[0]} keeps its symbol and gets another bitting. Until the last phase its holders carry the old "
            "key, for doors still to be done, and the new one."
        )
    elif kept:
        said.append(
            f"{symbols_in_words(kept)} keep their symbols and get other bittings. Until the last phase their holders "
            "carry the old keys, for doors still to be done, and the new ones."
        )
    if moved:
        takes = "takes the place" if len(moved) == 1 else "take the places"
        said.append(
            f"{symbols_in_words(moved.values())} {takes} of {symbols_in_words(moved)}. A door's old key works until "
            "its phase, its new key from then on."
        )
    return tuple(said)


def _of_cores(work: Work, ready: ReadyLoss, rng: Random) -> LossWay:
    if ready.opened.control is None:
        told = f"The bitting of {CONTROL_SYMBOL} is not in this house: put the sealed backup back first."
        return LossWay(LossWayKind.CORES, {}, cannot=told)
    try:
        cuts = find_control(work, ready.system, rng)
    except BitternError as error:
        return LossWay(LossWayKind.CORES, {}, cannot=error.message)
    says = (
        "Each core comes out with the control key as it was, and is seated with the new one: keep an old one until "
        "the last core is done.",
    )
    return _way(ready, LossWayKind.CORES, {CONTROL_SYMBOL: CONTROL_SYMBOL}, {CONTROL_SYMBOL: cuts}, says)


def _left_out(ready: ReadyLoss) -> LossWay:
    """The lost master left out of its cylinders' pins: alone, or with all masters where its cuts would come in again
    from those above.
    """
    symbol, keys, lost = ready.symbol, ready.opened.keys, ready.opened.keys[ready.symbol]
    for place in (LEFT_OUT, NO_MASTERS):
        successors = {symbol: place}
        after = operators_after(ready, successors)
        if not all(after.values()):
            continue
        entered = (operators for name, operators in after.items() if ready.sections.enters(symbol, name))
        if not any(_shears(lost, [keys[key] for key in operators]) for operators in entered):
            return _way(ready, LossWayKind.LEFT_OUT, successors, {})
    told = (
        f"Keys that stay have all of the cuts of {symbol} between them, or a door is keyed to {symbol} itself: "
        "leaving it out does not shut the lost key out."
    )
    return LossWay(LossWayKind.LEFT_OUT, {}, cannot=told)


def operators_after(ready: ReadyLoss, successors: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
    """The keysets, by their old symbols, that operate each cylinder once a plan is carried out: () for none."""
    gone = {old: new for old, new in successors.items() if new in (LEFT_OUT, NO_MASTERS)}
    if not gone:
        return ready.cylinders
    by_symbol = {one.symbol: one for one in ready.system.keysets}
    by_id = {one.id: one for one in ready.system.keysets}
    found = {}
    for name, cylinder in ready.named.items():
        keyed = rekeyed_by(cylinder, gone)
        chain = operators_of(by_symbol[keyed.symbol], is_nmk=keyed.is_nmk, by_id=by_id) if keyed else []
        further = keyed.further if keyed else ()
        found[name] = tuple(dict.fromkeys([*(one.symbol for one in chain), *further]))
    return found


def _shears(cuts: Cuts, pinned: Sequence[Cuts]) -> bool:
    return all(cut in depths for cut, depths in zip(cuts, zip(*pinned, strict=True), strict=True))


def _of_factory(ready: ReadyLoss, named: Collection[str]) -> LossWay:
    if ready.system.records is RecordsHolder.NOBODY:
        told = (
            f"Nobody holds the array and the list of bittings of {ready.system.name}, so nothing new can be drawn in "
            "it: quote these doors single (SKD), or into a new key system."
        )
        return LossWay(LossWayKind.FACTORY, {}, cannot=told)
    lost = next(one for one in ready.system.keysets if one.symbol == ready.symbol)
    replaced = [one.symbol for one in _under(ready.system, lost)] if lost.level.is_upper else [lost.symbol]
    successors = name_successors(ready.system, replaced, named, tops_too=True)
    says = (
        "The factory keeps the records: the letter asks it for the new keysets and for whatever else the lost key "
        "turns. The symbols are ours until the factory says others.",
    )
    return _way(ready, LossWayKind.FACTORY, successors, {}, says)


def _keeps_symbol(keyset: Keyset, replaced: AbstractSet[str]) -> bool:
    """Whether a keyset that gets another bitting keeps its symbol: a top, a control key, a selective master, or one
    of which a child stays, which would hang under nothing.
    """
    if keyset.level in (Level.CONTROL, Level.SELECTIVE) or (keyset.parent_id is None and keyset.level.is_upper):
        return True
    return any(child.symbol not in replaced and not child.is_retired for child in keyset.children)


def name_successors(
    system: KeySystem, replaced: Collection[str], named: Collection[str] = (), *, tops_too: bool = False
) -> dict[str, str]:
    """The symbol of what takes each replaced keyset's place, upper levels first: its own where it keeps that, else
    the next one free under the master that its successor hangs under, and not `named` by another plan. tops_too: a
    top gets another symbol, where all under it does and no bitting tells the old from the new.
    """
    names = {*(one.symbol for one in system.keysets), *named}
    going = [one for level in _DOWNWARD for one in system.keysets if one.level is level and one.symbol in replaced]
    found: dict[str, str] = {}
    for keyset in going:
        symbol = keyset.symbol
        is_top = keyset.parent_id is None and keyset.level.is_upper
        if not _keeps_symbol(keyset, {*replaced}) or (tops_too and is_top):
            above = keyset.parent.symbol if keyset.parent else ""
            free = _symbols_like(keyset, found.get(above, above), system.levels)
            symbol = next(one for one in free if one not in names)
            names.add(symbol)
        found[keyset.symbol] = symbol
    return found


def _symbols_like(keyset: Keyset, above: str, levels: int) -> Iterable[str]:
    """Symbols that a keyset could have under a master, "" for none, in their order."""
    numbers = range(1, 1_000_000)
    if keyset.level is Level.SINGLE:
        return map(single_symbol, numbers)
    try:
        known = read_symbol(keyset.symbol, levels=levels)
    except KeyingError:  # of a list that has symbols of its own
        return (f"{keyset.symbol}-{number}" for number in numbers[1:])
    under = above or known.parent or ""
    if keyset.level is Level.CHANGE:
        return (change_symbol(levels, under, number) for number in numbers)
    return masters_below(under)


def is_touched(cylinder: Cylinder, successors: Mapping[str, str]) -> bool:
    """Whether a plan changes a cylinder's pins: a keyset that operates it is replaced, or its core's control key."""
    return not successors.keys().isdisjoint(_operating(cylinder)) or CONTROL_SYMBOL in successors


def _is_to_rekey(cylinder: Cylinder, successors: Mapping[str, str], through: Collection[int]) -> bool:
    """Whether it takes other pins. What the bench still has is pinned by the new bitting of a symbol that stays, but
    not what is `through` it: cylinders of these jobs.
    """
    if cylinder.is_planned or not is_touched(cylinder, successors):
        return False
    renamed = {old: new for old, new in successors.items() if old != new}
    is_done = cylinder.state is CylinderState.FITTED or cylinder.job_id in through
    return is_done or is_touched(cylinder, renamed)


def _operating(cylinder: Cylinder) -> list[str]:
    """The symbols of all that operates a cylinder, its own first."""
    symbols = []
    keyset = cylinder.keyset
    while keyset is not None:
        symbols.append(keyset.symbol)
        keyset = None if cylinder.is_nmk else keyset.parent
    return [*symbols, *(one.keyset.symbol for one in cylinder.operators)]


@dataclass(frozen=True, slots=True)
class Rekeyed:
    """What a plan keys a cylinder to: its keyset, whether masters are kept out of it, and who else operates it."""

    symbol: str
    is_nmk: bool
    further: tuple[str, ...]


def rekeyed_by(cylinder: Cylinder, successors: Mapping[str, str]) -> Rekeyed | None:
    """The same of a cylinder of the loss's system; None where nothing would be left that operates it."""
    crossed = [one.keyset.symbol for one in cylinder.operators]
    chain = [one for one in _operating(cylinder) if one not in crossed]
    own, *above = chain or [""]
    is_nmk = cylinder.is_nmk
    gone = {old for old, new in successors.items() if new in (LEFT_OUT, NO_MASTERS)}
    if not gone.isdisjoint((own, *above)):
        if own in gone:
            own, above = (above[0], above[1:]) if above and successors[own] == LEFT_OUT else ("", [])
            if not own:
                return None
        else:
            no_masters = any(successors.get(one) == NO_MASTERS for one in above)
            crossed = ([] if no_masters else [one for one in above if one not in gone]) + crossed
            is_nmk = True
    further = [successors.get(one, one) for one in crossed if one not in gone]
    return Rekeyed(successors.get(own, own), is_nmk, tuple(dict.fromkeys(further)))


def choose_plan(work: Work, loss_id: int, kind: str, version: int) -> Loss:
    """Choose the way of a loss read at `version`: its new bittings are found, audited and sealed with the loss.

    Where nothing hangs yet that would be rekeyed, the new keysets are on record at once. Those of a plan of which
    nothing came (`may_be_made_anew`) are retired. LedgerError on `way` where it cannot be had, or the plan is being
    carried out; Stale.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        loss = get_version(work.session, Loss, loss_id, "loss", version)
        _require_open(work, loss)
        _give_up(work, loss)
        way = next((one for one in _ways(work, loss, SECONDS) if one.kind == kind), None)
        if way is None:
            raise LedgerError("way", "Choose one of the ways.")
        if way.cannot:
            raise LedgerError("way", way.cannot)
        spec = spec_of(loss.system)
        require_current_key(work)
        loss.successors = dict(way.successors)
        text = json.dumps({symbol: write_bitting(spec, cuts) for symbol, cuts in way.cuts.items()})
        loss.sealed_plan = work.vault.seal(text, loss_plan_context(loss.id))
        loss.plan_chosen_at = work.now
        record(
            work,
            "plan for a loss chosen",
            f"key system {loss.system_id}",
            f"{loss.system.name}, plan for the lost {loss.keyset.symbol}: {way.kind.words}. "
            f"{counted(way.cylinders, 'cylinder')}, {counted(way.keys, 'key')} of {counted(way.keysets, 'keyset')}",
            loss=loss.id,
        )
        work.session.flush()
        if not way.cylinders:
            put_plan_on_record(work, loss)
        return loss


def _require_open(work: Work, loss: Loss) -> None:
    if loss.closed_at is not None:
        raise LedgerError("way", "This loss is closed: it needs no plan any more.")
    if not may_be_made_anew(work, loss):
        told = "The plan's new keysets are on record already: quote what is left of it, or correct a bitting."
        raise LedgerError("way", told)
    rows = sa.select(Loss).join(KeySystem, KeySystem.id == Loss.system_id)
    others = rows.where(
        KeySystem.customer_id == loss.system.customer_id,
        KeySystem.keyway.in_(keyways_beside(work.session, sections_of(loss.system))),
        Loss.closed_at.is_(None),
        Loss.id != loss.id,
    )
    for other in work.session.scalars(others.order_by(Loss.id)).all():
        keeps = any(old == new != CONTROL_SYMBOL for old, new in other.successors.items())
        # What stands there has other pins than the record says, until all of that plan is done.
        if keeps and is_on_record(work, other) and left_to_rekey(work, other):
            raise LedgerError(
                "way",
                f"{other.system.name} is being rekeyed after the loss of {other.keyset.symbol}: hand all of that "
                "over first. This loss stays on record.",
            )


def open_loss_plan(work: Work, loss: Loss) -> dict[str, Cuts]:
    """The plan's new bittings by successor's symbol, for the house's own reckoning."""
    if loss.sealed_plan is None:
        return {}
    spec = spec_of(loss.system)
    given = json.loads(work.vault.open(loss.sealed_plan, loss_plan_context(loss.id)))
    return {symbol: read_bitting(spec, text, "bitting") for symbol, text in given.items()}


def is_on_record(work: Work, loss: Loss) -> bool:
    """Whether a plan's new keysets are on record: a job of it was accepted."""
    if not loss.successors:
        return False
    has_bittings = loss.sealed_plan is not None or loss.sealed_lost is not None  # none came with an import
    if _leaves_out(loss) or loss.system.records is not RecordsHolder.SHOP or not has_bittings:
        return any(job.stage.was_accepted and job.stage is not Stage.CANCELED for job in jobs_of_loss(work, loss))
    return not _still_to_come(work, loss)


def may_be_made_anew(work: Work, loss: Loss) -> bool:
    """Whether another plan may be chosen: this one is not on record, or nothing came of it, its jobs being canceled.

    A bitting that was replaced under its symbol stays so: what stands is reckoned by its pins from then on.
    """
    if not is_on_record(work, loss):
        return True
    accepted = [job.stage for job in jobs_of_loss(work, loss) if job.stage.was_accepted]
    if not accepted or {*accepted} != {Stage.CANCELED} or any(old == new for old, new in loss.successors.items()):
        return False
    ids = [one.id for one in _given(loss).values()]
    keyed = sa.select(Cylinder.id).where(Cylinder.keyset_id.in_(ids), ~_planned_or_removed())
    crossed = sa.select(Cylinder.id).join(CylinderOperator, CylinderOperator.cylinder_id == Cylinder.id)
    crossed = crossed.where(CylinderOperator.keyset_id.in_(ids), ~_planned_or_removed())
    keys = sa.select(Key.id).where(Key.keyset_id.in_(ids), Key.state != KeyState.RETIRED)
    return not any(work.session.scalar(rows.limit(1)) for rows in (keyed, crossed, keys))


def _planned_or_removed() -> sa.ColumnElement[bool]:
    planned = sa.and_(Cylinder.job_id.is_(None), Cylinder.state == CylinderState.ORDERED)
    return sa.or_(planned, Cylinder.state == CylinderState.REMOVED)


def _given(loss: Loss) -> dict[str, Keyset]:
    """The keysets on record that a plan put in the places of others, by these others' symbols."""
    by_symbol = {one.symbol: one for one in loss.system.keysets}
    return {old: by_symbol[new] for old, new in loss.successors.items() if old != new and new in by_symbol}


def _give_up(work: Work, loss: Loss) -> None:
    """Retire the keysets of a plan of which nothing came; what is planned on them goes back where it was."""
    by_symbol = {one.symbol: one for one in loss.system.keysets}
    given = _given(loss)
    for old, new in given.items():
        replan(work.session, new, by_symbol[old])
    work.session.flush()
    retire_keysets(work, [*given.values()], f"the plan for a lost key of {loss.keyset.symbol} is made anew")
    loss.successors, loss.sealed_plan = {}, None


def _leaves_out(loss: Loss) -> bool:
    """Whether a plan gives no new keyset, but leaves a master out of the pins."""
    return set(loss.successors.values()) <= {LEFT_OUT, NO_MASTERS}


def _still_to_come(work: Work, loss: Loss) -> dict[str, str]:
    """Those of a plan's keysets, by predecessor, that have not got the plan's bitting on record."""
    new = {old: symbol for old, symbol in loss.successors.items() if symbol not in (LEFT_OUT, NO_MASTERS)}
    columns = sa.select(Keyset.symbol, Bitting.fingerprint, Keyset.keyway)
    rows = columns.outerjoin(Bitting, Bitting.keyset_id == Keyset.id).where(Keyset.system_id == loss.system_id)
    there = {symbol: (fingerprint, keyway) for symbol, fingerprint, keyway in work.session.execute(rows)}
    planned: dict[str, Cuts] = {}
    if loss.system.records is RecordsHolder.SHOP:
        planned = open_loss_plan(work, loss)

    def is_there(symbol: str) -> bool:
        if symbol not in there or symbol not in planned:
            return symbol in there
        text = write_bitting(spec_of(loss.system), planned[symbol])
        fingerprint, keyway = there[symbol]
        return fingerprint == work.vault.fingerprint(text, fingerprint_context(loss.system_id, keyway))

    return {old: symbol for old, symbol in new.items() if not is_there(symbol)}


def jobs_of_loss(work: Work, loss: Loss) -> Sequence[Job]:
    """The jobs that were quoted for a loss, oldest first."""
    return work.session.scalars(sa.select(Job).where(Job.loss_id == loss.id).order_by(Job.id)).all()


def say_control_keys(session: Session, job: Job) -> str:
    """Which control key takes a job's cores out and which seats them, where a loss changes it; "" where none does."""
    loss = session.get(Loss, job.loss_id) if job.loss_id is not None else None
    if loss is None or loss.keyset.level is not Level.CONTROL:
        return ""
    rows = sa.select(Key).where(Key.keyset_id == loss.keyset_id, Key.state.not_in((KeyState.LOST, KeyState.RETIRED)))
    keys = session.scalars(rows.order_by(Key.copy_number)).all()
    first = next((one.first for one in new_copies(session, [loss.keyset_id]) if one.loss is loss), None)
    # Of unknown copies any that somebody holds may be the lost one.
    at_hand = [key for key in keys if loss.copies or key.state in (KeyState.CUT, KeyState.RETURNED)]
    symbol = loss.keyset.symbol
    if before := [key.copy_number for key in at_hand if first is None or key.copy_number < first]:
        old = f"{symbol} {say_copies(before)}"
    else:
        old = f"a {symbol} cut to the old bitting" + ("" if loss.copies else ", of those at hand")
    since = [key.copy_number for key in keys if first is not None and key.copy_number >= first]
    new = f"{symbol} {say_copies(since)}" if since else f"{symbol} by the new bitting"
    return f"Take the cores out with {old}, as they were; seat the new ones with {new}."


def put_plan_on_record(work: Work, loss: Loss) -> None:
    """Put a plan's new keysets on record with the plan's own bittings, inside the caller's transaction, once.

    What is pinned by a bitting that is replaced under its symbol keeps its pins on record. LedgerError where what
    changed since the plan was made clashes with it.
    """
    to_come = _still_to_come(work, loss)
    if not loss.successors:
        raise LedgerError(
            "", f"No plan is chosen for the loss of {loss.keyset.symbol}: choose one on the loss's page."
        )
    if not to_come and not _leaves_out(loss):
        return  # an earlier phase has put it there
    system = get_system(work.session, loss.system_id)
    if system.records is RecordsHolder.SHOP and loss.sealed_plan is None and not _leaves_out(loss):
        told = f"The new bittings of the plan for the lost {loss.keyset.symbol} are not in this house"
        raise LedgerError("", f"{told}: put the sealed backup back, or {ANEW}.")
    _require_still_clear(work, loss, to_come)
    if not to_come:
        return
    by_symbol = {one.symbol: one for one in system.keysets}
    is_ours, planned = system.records is RecordsHolder.SHOP, open_loss_plan(work, loss)
    kept = [by_symbol[old] for old, new in to_come.items() if old == new and is_ours]
    if kept:
        _replace_bittings(work, loss, kept, planned)
    for old, new in to_come.items():  # upper levels first
        if old != new:
            was = by_symbol[old]
            above = loss.successors.get(was.parent.symbol, was.parent.symbol) if was.parent else ""
            cuts = planned[new] if is_ours else None
            over = by_symbol.get(above)
            by_symbol[new] = add_keyset(work, system, new, was.level, over, cuts, keyway=was.keyway)
    work.session.flush()
    for old, new in to_come.items():
        if old != new:
            take_place(work.session, by_symbol[old], by_symbol[new])
    work.session.expire(system, ["keysets"])
    if is_ours and any(one.level.is_upper for one in kept):
        for one in kept:
            leave_array(work, system, one, planned[one.symbol])
    if is_ours and system.sealed_plan is not None:
        system.capacity = count_capacity(work, system)
    record(
        work,
        "new keysets after a loss",
        f"key system {system.id}",
        f"{system.name}: {symbols_in_words(to_come.values())} on record in place of {symbols_in_words(to_come)}",
    )
    work.session.flush()


def _replace_bittings(work: Work, loss: Loss, kept: Sequence[Keyset], planned: Mapping[str, Cuts]) -> None:
    """Give keysets that keep their symbol their new bitting; what stands keeps the pins that it has."""
    system = loss.system
    successors = {one.symbol: one.symbol for one in kept}
    there = [one for one in cylinders_keyed(work.session, system) if is_touched(one, successors)]
    freeze_pins(work, there)
    symbols = symbols_in_words(successors)
    through = through_the_bench(work.session, system.customer_id)
    on_bench = [one.id for one in there if one.state is not CylinderState.FITTED and one.job_id not in through]
    take_ticks_back(work, on_bench, f"{symbols} got another bitting after a loss")
    was = open_bittings(work.session, work.vault, [system], [one.id for one in kept])
    for one in kept:  # another of them may be lost as well
        keep_lost_bitting(work, one, was[one.id])
    reseal_bittings(work, system, [(one, planned[one.symbol]) for one in kept])


def _require_still_clear(work: Work, loss: Loss, to_come: Mapping[str, str]) -> None:
    """Refuse where what changed since the plan was made clashes with it."""
    told = f"Something in {loss.system.name} has changed since the plan for the lost {loss.keyset.symbol} was made"
    there = {*work.session.scalars(sa.select(Keyset.symbol).where(Keyset.system_id == loss.system_id))}
    if not to_come.keys() <= there or any(new in there for old, new in to_come.items() if old != new):
        raise LedgerError("", f"{told}, and a keyset stands in the place of a new one: {ANEW}.")
    if loss.system.records is not RecordsHolder.SHOP or (loss.sealed_lost is not None and not to_come):
        return
    ready = ready_loss(work, loss.system_id, loss.keyset.symbol)
    planned = open_loss_plan(work, loss)
    if loss.keyset.level is Level.CONTROL:
        cuts = planned[CONTROL_SYMBOL]
        if cuts in {*ready.opened.keys.values(), ready.opened.control} or ready.beside.turns(CONTROL_SYMBOL, cuts):
            raise LedgerError("", f"{told}, and the new control key would clash with it: {ANEW}.")
        return
    if set(to_come) != {old for old, new in loss.successors.items() if new not in (LEFT_OUT, NO_MASTERS)}:
        raise LedgerError("", f"{told}, and a part of it is on record with other bittings: {ANEW}.")
    new = {old: planned[symbol] for old, symbol in to_come.items()}
    missed = [one for one in _missed(loss) if one not in loss.successors]
    after = operators_after(ready, loss.successors)
    foreign = {f"\0{number}": cuts for number, cuts in enumerate(ready.beside.keys)}
    keys = {**ready.opened.keys, **foreign}
    entered = dict(zip(foreign, ready.beside.keys.values(), strict=True))
    sections = replace(ready.sections, entered={**ready.sections.entered, **entered})
    faults = faults_meanwhile(
        keys,
        ready.cylinders,
        after,
        new,
        {old for old, symbol in to_come.items() if old == symbol},
        {loss.keyset.symbol},
        sections,
    )
    is_taken = any(cuts == keys[key] and sections.meet(old, key) for old, cuts in new.items() for key in keys)
    if missed or faults or is_taken or any(ready.beside.turns(old, cuts) for old, cuts in new.items()):
        raise LedgerError("", f"{told}, and its new bittings would clash with that: {ANEW}.")


def _missed(loss: Loss) -> list[str]:
    """Keysets added since under a master whose whole branch gets other keysets: they would stay under the old one."""
    by_id = {one.id: one for one in loss.system.keysets}
    renamed = {old for old, new in loss.successors.items() if new not in (old, LEFT_OUT, NO_MASTERS)}
    return [
        one.symbol
        for one in loss.system.keysets
        if one.parent_id is not None and by_id[one.parent_id].symbol in renamed and not one.is_retired
    ]


def left_to_rekey(work: Work, loss: Loss) -> tuple[Cylinder, ...]:
    """The cylinders of a loss's plan that no job of it has brought or is to bring: they hang with the old pins, or
    are on their way to them. One of its jobs too that was cross-keyed since with a keyset that is replaced. Not those
    of keysets that came under a lost master after the plan was on record: it has no keyset for them.
    """
    making = making_way(work.session, loss.system.customer_id)
    ours = {job.id for job in jobs_of_loss(work, loss)}
    through = through_the_bench(work.session, loss.system.customer_id)
    renamed = {old: new for old, new in loss.successors.items() if old != new}
    there = [
        one
        for one in cylinders_keyed(work.session, loss.system)
        if one.id not in making
        and (one.job_id not in ours or is_touched(one, renamed))
        and _is_to_rekey(one, loss.successors, through)
    ]
    if not is_on_record(work, loss):
        return tuple(there)
    missed = {*_missed(loss)} - loss.successors.keys()
    there = [one for one in there if one.keyset is None or one.keyset.symbol not in missed]
    kept = [one for one in there if not is_touched(one, renamed)]
    # What stood when the new bitting came has its pins sealed; what came without since is pinned by the record.
    done = {one.id for one in (*pinned_as_on_record(work, kept), *(one for one in kept if one.sealed_pins is None))}
    return tuple(one for one in there if one.id not in done)
