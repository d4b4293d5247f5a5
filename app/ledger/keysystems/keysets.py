"""Add keysets to a key system: their symbols, and bittings that clash with nothing the customer has."""

import itertools
from collections.abc import Collection, Iterable, Sequence
from random import Random

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.keying import (
    MOST_LEVELS,
    NOT_EXTENDED,
    ROLE_BELOW,
    BittingPool,
    BittingSpec,
    KeyingError,
    LevelArray,
    NoBittingsLeft,
    PoolRun,
    StackIndex,
    change_symbol,
    draw_single,
    name_gains,
    next_bittings,
    read_symbol,
    single_symbol,
    spec_gains,
    usable,
    usable_bittings,
)
from app.keying import Bitting as Cuts
from app.ledger.keysystems.bittings import open_plan, seal_bittings, spec_of
from app.ledger.keysystems.out_of_use import (
    require_in_use,
    require_none_retired_above,
    retired_above,
)
from app.ledger.keysystems.rows_aside import stamped_by_list, why_rows_aside
from app.ledger.keysystems.system_queries import keyways_beside, operators_of, sections_of, systems_sharing_keyway
from app.ledger.keysystems.unsealed_system import MOST_DRAWS, SystemsInService
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Bitting, Cylinder, Keyset, KeySystem, Level, RecordsHolder, longest

MOST_LISTED = 100_000
MOST_DRAWN = 100_000  # of a system without an array, for whoever waits at the counter


def add_keysets(
    work: Work,
    system: KeySystem,
    count: int,
    master: str = "",
    *,
    under: Level = Level.MASTER,
    crossed: Sequence[Sequence[Keyset]] = (),
    symbols: Sequence[str] = (),
    chambers: int | None = None,
) -> list[Keyset]:
    """Add `count` keysets to a system inside the caller's transaction, each with a bitting nobody has yet.

    symbols: theirs, which are free; without them they get the next ones. chambers: of the cylinders that they go on,
    where these have fewer than the system's keys have cuts: then they differ in what such a cylinder sees.

    Under the master of that symbol ("" is the first); single keyed (`under` is Level.SINGLE) or in a system of
    one level, under none. Raises NoBittingsLeft (how many were asked, how many exist) or LedgerError; then
    nothing at all is saved.
    """
    require_in_use(system)
    single = system.levels == 1 or under is Level.SINGLE
    if not single and system.records is RecordsHolder.NOBODY:
        raise LedgerError(
            "system",
            f"Nobody holds the array and the list of bittings of {system.name}: it must not be extended. "
            "Key these cylinders single (SKD) or start a new system.",
        )
    is_ours = system.records is RecordsHolder.SHOP
    if is_ours and (missing := missing_bitting(work.session, system.customer_id, system.keyway)):
        raise LedgerError("system", missing)
    if not single and (aside := why_rows_aside(work.session, system)):
        raise LedgerError("system", aside)
    parent = None if single else find_master(work, system, master)
    keysets = []
    for symbol in symbols or next_symbols(work, system, parent, count):
        level = Level.SINGLE if parent is None else Level.CHANGE
        keyset = Keyset(system=system, symbol=symbol, level=level, parent=parent)
        keyset.keyway = parent.keyway if parent is not None else ""
        work.session.add(keyset)
        keysets.append(keyset)
    work.session.flush()
    if parent is not None and parent.level is not Level.MASTER and system.capacity is not None:
        system.capacity += len(keysets)  # they stand in masters' places, beside what the masters hold
    if is_ours:
        seal_bittings(
            work, system, zip(keysets, next_cuts(work, system, parent, count, crossed, chambers), strict=True)
        )
    work.session.flush()
    return keysets


def add_customers_key(work: Work, system: KeySystem, purpose: str) -> Keyset:
    """The next single keyset of a system, for a key that the customer brings, inside the caller's transaction.

    It has no bitting until the bench has decoded the key (app/ledger/bench/customers_keys.py).
    """
    require_in_use(system)
    [symbol] = next_symbols(work, system, None, 1)
    purpose = purpose[: longest(Keyset.purpose)]
    keyset = Keyset(system=system, symbol=symbol, level=Level.SINGLE, purpose=purpose, is_customers_key=True)
    work.session.add(keyset)
    work.session.flush()
    return keyset


def waiting_keys(session: Session, job_id: int) -> Sequence[Keyset]:
    """The keysets of a job's cylinders that wait until the bench has decoded the customer's key."""
    rows = sa.select(Keyset).outerjoin(Bitting, Bitting.keyset_id == Keyset.id)
    mine = sa.select(Cylinder.keyset_id).where(Cylinder.job_id == job_id)
    waiting = rows.where(Keyset.is_customers_key, Bitting.id.is_(None), Keyset.id.in_(mine))
    return session.scalars(waiting.order_by(Keyset.id)).all()


def require_decoded(keysets: Iterable[Keyset], field: str) -> None:
    """Refuse, on `field`, what is to be pinned or cut to a customer's key that the bench has not decoded."""
    waiting = [one.symbol for one in keysets if one.is_customers_key and one.bitting is None]
    if waiting:
        raise LedgerError(
            field,
            f"{', '.join(waiting)} waits for the customer's key: decode it first (Decode the key, on the job's bench "
            "page).",
        )


def missing_bitting(session: Session, customer_id: int, keyway: str) -> str:
    """Why nothing can be drawn on a keyway; "" where every bitting that this house should hold is there."""
    rows = (
        sa.select(KeySystem.name, Keyset.symbol)
        .join(Keyset, Keyset.system_id == KeySystem.id)
        .outerjoin(Bitting, Bitting.keyset_id == Keyset.id)
        .where(
            KeySystem.customer_id == customer_id,
            sa.or_(
                KeySystem.keyway.in_(keyways_beside(session, [keyway])),
                Keyset.keyway.in_(keyways_beside(session, [keyway])),
            ),
            KeySystem.records == RecordsHolder.SHOP,
            Bitting.id.is_(None),
            ~Keyset.is_customers_key,  # one that waits to be decoded: that no other key is the same, that will show
        )
        .order_by(Keyset.id)
    )
    missing = session.execute(rows.limit(1)).first()
    if missing is None:
        return ""
    return (
        f"The bitting of {missing.symbol} in {missing.name} is not in this house, so a key that is new might be "
        "the same. Put the sealed backup back first, or import the bitting list."
    )


def find_master(work: Work, system: KeySystem, symbol: str) -> Keyset:
    """The master of that symbol in a system, "" the first; LedgerError on `master` names those that there are."""
    rows = sa.select(Keyset).where(Keyset.system_id == system.id).order_by(Keyset.id)
    keysets = work.session.scalars(rows).all()
    masters = over_changes(keysets)
    for keyset in masters:
        if keyset.symbol == symbol or not symbol:
            return keyset
    wanted = (one for one in keysets if one.symbol == symbol or (not symbol and one.level is Level.MASTER))
    for keyset in wanted:
        require_none_retired_above(keyset, {one.id: one for one in keysets}, "master")
    if not masters:
        raise LedgerError(
            "master",
            f"{system.name} has no masters on record, its keys stand side by side: key these single (SKD), or have "
            "the bench add to it what crosses (Extend, on the key system's page).",
        )
    raise LedgerError(
        "master",
        f"{system.name} has no master {symbol[:24]!r}; it has {', '.join(keyset.symbol for keyset in masters[:20])}.",
    )


def over_changes(keysets: Collection[Keyset]) -> list[Keyset]:
    """Those that changes are added under: every master, then what has changes right under it besides, as a grand
    master out of a matrix whose holder is the head of people and of a master; a selective master last. None that is
    retired, or stands under one that is: what is keyed there would be opened by keys that may be anywhere.
    """
    by_id = {one.id: one for one in keysets}
    keysets = [one for one in keysets if not one.is_out_of_use and not retired_above(one, by_id)]
    over = {one.parent_id for one in keysets if one.level is Level.CHANGE}
    masters = [one for one in keysets if one.level is Level.MASTER]
    masters += [one for one in keysets if one.id in over and one.level not in (Level.MASTER, Level.SELECTIVE)]
    return masters + [one for one in keysets if one.level is Level.SELECTIVE]


def next_symbols(work: Work, system: KeySystem, parent: Keyset | None, count: int) -> list[str]:
    """The next symbols of changes under a master, or of single keysets."""
    siblings = sa.select(Keyset.symbol).where(Keyset.system_id == system.id)
    if parent is None:
        siblings = siblings.where(Keyset.level == Level.SINGLE)
    else:
        siblings = siblings.where(Keyset.parent_id == parent.id)
    master = parent.symbol if parent else ""
    last = max((number_under(master, symbol) for symbol in work.session.scalars(siblings)), default=0)
    return symbols_after(system.levels, master, last, count, stamped_by_list(system))


def symbols_after(levels: int, master: str, last: int, count: int, stamped: Collection[str] = ()) -> list[str]:
    """The next symbols under a master, "" for singles, after the one numbered `last`, none that is `stamped` on
    another key.

    >>> symbols_after(3, "AB", 46, 2), symbols_after(3, "AB", 46, 2, {"AB47"}), symbols_after(3, "", 0, 1)
    (['AB47', 'AB48'], ['AB48', 'AB49'], ['SKD1'])
    """
    numbers = itertools.count(last + 1)
    symbols = (change_symbol(levels, master, one) if master else single_symbol(one) for one in numbers)
    return list(itertools.islice((one for one in symbols if one not in stamped), count))


def number_of(symbol: str) -> int:
    """The number in a change's or a single's symbol; 0 where there is none.

    >>> number_of("12AA"), number_of("SKD4"), number_of("AA")
    (12, 4, 0)
    """
    try:
        return read_symbol(symbol, levels=MOST_LEVELS).number or 0
    except KeyingError:
        return 0


def number_under(master: str, symbol: str) -> int:
    """The number of a change under a master, whatever the master's symbol is; of a single under "".

    >>> number_under("ENG", "ENG2"), number_under("AA", "12AA"), number_under("", "SKD4")
    (2, 12, 4)
    """
    number = symbol.removeprefix(master).removesuffix(master)
    return int(number) if master and number.isascii() and number.isdecimal() else number_of(symbol)


def symbols_in_words(symbols: Iterable[str]) -> str:
    """The symbols of keysets, runs drawn together.

    >>> symbols_in_words(["AB7", "AB8", "AB9", "AC1"])
    'AB7 to AB9, AC1'
    """
    runs: list[list[str]] = []
    for symbol in dict.fromkeys(symbols):
        last = runs[-1][-1] if runs else ""
        is_next = last.strip("0123456789") == symbol.strip("0123456789") and number_of(symbol) == number_of(last) + 1
        if is_next and number_of(last):
            runs[-1].append(symbol)
        else:
            runs.append([symbol])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(run) for run in runs)


def next_cuts(
    work: Work,
    system: KeySystem,
    parent: Keyset | None,
    count: int,
    crossed: Sequence[Sequence[Keyset]] = (),
    chambers: int | None = None,
) -> Sequence[Cuts]:
    """The next bittings under a master, or drawn for single keys: none clashes with what the customer has.

    `crossed`: the keysets that cylinders of theirs will be cross-keyed with, for each such way. `chambers`: as
    `add_keysets` takes it.
    """
    spec = spec_of(system)
    neighbors = systems_sharing_keyway(work.session, sections_of(system), system.customer_id)
    there = SystemsInService.of(work, neighbors, spec, parent.section if parent is not None else system.keyway)
    if parent is None:
        return draw_singles(spec, work.rng, there, count, chambers)
    if parent.id not in there.opened:
        raise LedgerError("system", f"The bitting of {parent.symbol} is not in this house: {NOT_EXTENDED}")
    by_id = {keyset.id: keyset for keyset in system.keysets}
    above = [there.opened[keyset.id] for keyset in operators_of(parent, is_nmk=False, by_id=by_id)]
    ways = [[there.opened[one.id] for one in further] for further in crossed]
    like = [there.opened[one.id] for one in system.keysets if one.parent_id == parent.id and one.id in there.opened]
    plan = open_plan(work.vault, system)
    return next_changes(spec, plan, there, above, count, ways, like, ROLE_BELOW[parent.level], chambers)


def next_changes(
    spec: BittingSpec,
    plan: LevelArray | None,
    there: SystemsInService,
    above: Sequence[Cuts],
    count: int,
    crossed: Sequence[Sequence[Cuts]] = (),
    like: Sequence[Cuts] = (),
    role: str = "C",
    chambers: int | None = None,
) -> Sequence[Cuts]:
    """The next bittings under a master, `above` them the masters' cuts, that clash with nothing there.

    From the system's array, whose chambers of this role they turn: a change right under a grand takes a master's
    place; of one without, from all that its spec allows, cut as far as can be as those `like`
    them. `crossed`: the cuts that cylinders of theirs are cross-keyed with, for each such way. NoBittingsLeft says
    how many there are that clash with nothing.
    """
    ways = [above, *([*above, *further] for further in crossed)]
    if plan is None:
        return _next_without_array(spec, there, ways, count, like, chambers or spec.chambers)
    array = plan.under(spec, role, above[0])
    # A bitting that is free may still turn a cross-keyed cylinder, or be pinned so that another key turns it:
    # such a one is passed over for good.
    used, short = there.keys, None
    while True:
        try:
            found = next_bittings(array, count, used, "quantity", beside=there.keys)
        except NoBittingsLeft as error:  # told only once it says how many there are that clash with nothing
            short, found = error, next_bittings(array, error.left, used, beside=there.keys)
        bad = [cuts for cuts in found if any(there.clashes(cuts, way, chambers) for way in ways)]
        if chambers is not None:
            bad += _alike_in(there, [cuts for cuts in found if cuts not in bad], ways, chambers)
        if not bad and short is not None:
            raise short
        if not bad:
            return found
        used |= frozenset(bad)


def _alike_in(
    there: SystemsInService, new: Sequence[Cuts], ways: Sequence[Sequence[Cuts]], chambers: int
) -> list[Cuts]:
    """Those of new keys that turn a shorter cylinder of one before them, or whose own one before them turns."""
    bad, keys, stacks = list[Cuts](), StackIndex(), StackIndex()
    for cuts in new:
        entered = [(cut,) for cut in there.seen(cuts, chambers)]
        own = [there.stack((cuts, *way), chambers) for way in ways]
        if stacks.meeting(entered) or any(keys.meeting(stack) for stack in own):
            bad.append(cuts)
            continue
        keys.add(entered)
        for stack in own:
            stacks.add(stack)
    return bad


def _next_without_array(
    spec: BittingSpec,
    there: SystemsInService,
    ways: Sequence[Sequence[Cuts]],
    count: int,
    like: Sequence[Cuts],
    chambers: int,
) -> Sequence[Cuts]:
    """The same of a system that has no array: no array keeps the new ones from one another, so each is tried."""
    # Planning and accepting have to come to the same bittings, so chance begins with the system's own.
    rng = Random(repr(sorted([*ways[0], *like])))  # noqa: S311
    pool = BittingPool.of(spec, ways[0][0], rng, most=MOST_DRAWN).beside(ways[0], like)
    run = PoolRun(iter(pool), [*like])
    found: list[Cuts] = []
    new_keys, new_cylinders = StackIndex(), StackIndex()

    def stacks(cuts: Cuts) -> list[list[set[int]]]:
        return [there.stack((cuts, *way), chambers) for way in ways]

    def is_free(cuts: Cuts) -> bool:
        if cuts in there.keys or any(there.clashes(cuts, way, chambers) for way in ways):
            return False
        turned = new_cylinders.meeting([(cut,) for cut in there.seen(cuts, chambers)])
        return not turned and not any(new_keys.meeting(stack) for stack in stacks(cuts))

    while len(found) < count:
        cuts = run.take(is_free)
        if cuts is None:
            raise NoBittingsLeft(
                "quantity",
                f"{count:,} bittings were asked for, but only {len(found):,} were found that clash with nothing in "
                "service.",
                asked=count,
                left=len(found),
            )
        found.append(cuts)
        new_keys.add([(cut,) for cut in there.seen(cuts, chambers)])
        for stack in stacks(cuts):
            new_cylinders.add(stack)
    return found


def draw_singles(
    spec: BittingSpec, rng: Random, there: SystemsInService, count: int, chambers: int | None = None
) -> list[Cuts]:
    """Draw keys that stand alone: new, and turning no cylinder that the customer has on this keyway.

    chambers: as `add_keysets` takes it. NoBittingsLeft says how many there are where they are fewer.
    """
    drawn: list[Cuts] = []
    avoid = set(there.keys)
    for _ in range(count):
        cuts = _draw_free(spec, rng, there, avoid, drawn, chambers or spec.chambers)
        if cuts is None:
            raise NoBittingsLeft(
                "quantity",
                f"{count:,} single keys were asked for, but only {len(drawn):,} are left that open none of the "
                f"customer's cylinders.{name_gains(spec_gains(spec))}",
                asked=count,
                left=len(drawn),
            )
        avoid.add(cuts)
        drawn.append(cuts)
    return drawn


def _draw_free(
    spec: BittingSpec,
    rng: Random,
    there: SystemsInService,
    avoid: set[Cuts],
    drawn: Sequence[Cuts],
    chambers: int,
) -> Cuts | None:
    """A bitting that is not in `avoid`, which those join that turn a cylinder, or that a shorter one cannot tell from
    one there or `drawn`; None where there is none.
    """
    alike = {there.seen(cuts, chambers) for cuts in drawn}
    try:
        for _ in range(MOST_DRAWS):
            cuts = draw_single(spec, rng, avoid)
            is_seen = there.seen(cuts, chambers) in alike
            if (
                not is_seen
                and not there.turns_any(cuts)
                and not (chambers < spec.chambers and there.turns(cuts, (), chambers))
            ):
                return cuts
            avoid.add(cuts)
    except NoBittingsLeft:
        return None
    if usable(spec) > MOST_LISTED:
        return None
    # Where most turn something, chance misses the few that do not.
    free = [cuts for cuts in usable_bittings(spec) if cuts not in avoid and not there.turns_any(cuts)]
    return free[rng.randrange(len(free))] if free else None
