"""Use case: the owner settles a row of an old list that stands aside: the key's bitting, or that there is none."""

from dataclasses import dataclass, field, replace

from app.keying import UPPER_LEVELS, BittingSpec, KeyingError, read_cuts, read_symbol
from app.keying import Bitting as Cuts
from app.ledger.keysystems.bitting_lists import seal_found_plan
from app.ledger.keysystems.bittings import (
    add_keyset,
    aside_context,
    count_capacity,
    note_reveal,
    open_bittings,
    spec_of,
)
from app.ledger.keysystems.correcting import leave_array
from app.ledger.keysystems.keysets import next_symbols
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.engine import get_version, transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import CUT_SO, Keyset, KeySystem, Level, ListRowAside, longest

MOST_WHY = longest(ListRowAside.settled) - longest(ListRowAside.symbol) - 40
MASTERS = tuple(Level(one.value) for one in UPPER_LEVELS)
"""The levels over changes, from the top down."""


@dataclass(frozen=True, slots=True)
class SettleForm:
    """What the owner says of a row: its bitting, at which level, under which master; else why its key is no more.

    cut_so: how somebody knows that a key is really cut so which breaks the MACS.
    """

    version: int
    bitting: str = field(default="", repr=False)
    cut_so: str = ""
    level: str = ""
    under: str = ""
    why: str = ""


def levels_to_settle(system: KeySystem) -> tuple[Level, ...]:
    """The levels that a key of a system's list can stand at, from the top down."""
    return (*MASTERS[-max(system.levels - 1, 1) :], Level.CHANGE, Level.SINGLE, Level.CONTROL)


def get_row_aside(work: Work, system_id: int, row_id: int) -> ListRowAside:
    """A row of a system's list that stands aside; NotFound where there is none."""
    work.require_owner()
    row = work.session.get(ListRowAside, row_id)
    if row is None or row.system_id != system_id:
        raise NotFound("row of this system's list")
    return row


def reveal_row(work: Work, system_id: int, row_id: int) -> str:
    """The bitting of a row as the list says it, "" where it says none; owner only, each showing is an event."""
    row = get_row_aside(work, system_id, row_id)
    with transaction(work.session):
        note_reveal(work, get_system(work.session, system_id), f"row {row.row} of its list, which stands aside")
        return _said(work, row)


def _said(work: Work, row: ListRowAside) -> str:
    return work.vault.open(row.sealed, aside_context(row.id)) if row.sealed else ""


def settle_row(work: Work, system_id: int, row_id: int, form: SettleForm) -> ListRowAside:
    """Take a row's key into its system with the bitting that is entered, or note why there is no such key any more.

    Owner only, an event without any cut. A master takes what hangs under it by its symbol. Raises KeyingError or
    LedgerError on `bitting`, `cut_so`, `level`, `under` or `why`; nothing is saved then.
    """
    work.require_owner()
    with transaction(work.session):
        get_row_aside(work, system_id, row_id)
        row = get_version(work.session, ListRowAside, row_id, "row of the list", form.version)
        system = get_system(work.session, system_id)
        if row.settled:
            raise LedgerError("", "Somebody settled this row already.")
        if bool(form.bitting.strip()) == bool(form.why.strip()):
            raise LedgerError("bitting", "Enter the bitting, or else say why there is no such key any more.")
        if form.bitting.strip():
            keyset = _take_in(work, system, row, form)
            row.settled = f"Entered as {keyset.symbol}"
            if form.cut_so.strip():
                row.settled += f", {CUT_SO}: {_told(work, row, 'cut_so', form)}"
        else:
            row.settled = f"No such key any more: {_told(work, row, 'why', form)}"
        row.settled_at, row.settled_by_id = work.now, work.actor.user_id
        named = f"row {row.row}" if row.row else row.symbol
        said = f"{system.name}: {named} of its list is settled. {row.settled}"
        record(work, "row of a list settled", f"key system {system_id}", said)
        return row


def _told(work: Work, row: ListRowAside, name: str, form: SettleForm) -> str:
    """What a box says that goes on record."""
    words = " ".join(str(getattr(form, name)).split())
    if len(words) > MOST_WHY:
        raise LedgerError(name, f"At most {MOST_WHY} characters.")
    for bitting in (_said(work, row), form.bitting):
        cuts = "".join(filter(str.isalnum, bitting)).lower()
        if len(cuts) > 2 and cuts in "".join(filter(str.isalnum, words)).lower():
            raise LedgerError(name, "This goes on record: leave the cuts out.")
    return words


def _read(spec: BittingSpec, form: SettleForm) -> Cuts:
    """The cuts that are entered, those of a key that breaks the MACS too where somebody knows that it is cut so."""
    try:
        cuts = read_cuts(spec, form.bitting)
    except KeyingError as refused:
        cuts = read_cuts(replace(spec, macs=spec.depths), form.bitting)
        if not form.cut_so.strip():
            told = f"{refused.message} Read the key again; if it is really cut so, say below how you know."
            raise KeyingError("bitting", told) from None
        return cuts
    if form.cut_so.strip():
        raise LedgerError("cut_so", "These cuts are within the MACS: leave this empty.")
    return cuts


def _take_in(work: Work, system: KeySystem, row: ListRowAside, form: SettleForm) -> Keyset:
    spec = spec_of(system)
    cuts = _read(spec, form)
    opened = open_bittings(work.session, work.vault, [system])
    if same := next((one.symbol for one in system.keysets if opened.get(one.id) == cuts), None):
        raise LedgerError("bitting", f"{same} has this bitting: read the key again.")
    keyset = _add(work, system, row, form, cuts)
    work.session.flush()
    work.session.refresh(system, ["keysets"])
    if system.sealed_plan is None:
        seal_found_plan(work, system, {**opened, keyset.id: cuts})
    elif not leave_array(work, system, keyset, cuts):
        system.capacity = count_capacity(work, system)
    return keyset


def _add(work: Work, system: KeySystem, row: ListRowAside, form: SettleForm, cuts: Cuts) -> Keyset:
    """The keyset of a row, under its master and over what hangs under it by its symbol."""
    by_symbol = {one.symbol: one for one in system.keysets}
    try:
        level = Level(row.level or form.level)
    except ValueError:
        raise LedgerError("level", "Say at which level this key stands.") from None
    above = by_symbol.get(form.under or row.parent_symbol)
    if level is Level.CHANGE and (above is None or above.level not in MASTERS):
        if any(one.level in MASTERS for one in system.keysets):
            raise LedgerError("under", "Choose the master that this change stands under.")
        if any(one.symbol == row.parent_symbol and not one.settled for one in system.rows_aside):
            raise LedgerError("under", f"Settle {row.parent_symbol} first, the master that this change stands under.")
        level = Level.SINGLE  # under a master that there never was
    symbol = row.symbol if row.symbol not in by_symbol else ""
    if level in MASTERS and not symbol:
        raise LedgerError("level", "This master has no symbol of its own: say that there is no such key.")
    if not symbol:
        [symbol] = next_symbols(work, system, above if level is Level.CHANGE else None, 1)
    purpose = "takes the cores out" if level is Level.CONTROL else ""
    parent = above if level in (*MASTERS, Level.CHANGE, Level.SELECTIVE) else None
    keyset = add_keyset(work, system, symbol, level, parent, cuts, purpose, row.own_symbol or symbol)
    keyset.is_really_cut_so = bool(form.cut_so.strip())
    for one in system.keysets:
        if one.parent_id is None and one.id != keyset.id and _hangs_under(system, one, keyset):
            one.parent = keyset
    return keyset


def _hangs_under(system: KeySystem, one: Keyset, master: Keyset) -> bool:
    """Whether a key without a master hangs under this one: by its symbol, a master besides where its symbol's own
    grand is none of the list's.
    """
    if one.level is not Level.CHANGE and one.level not in MASTERS[1:]:
        return False
    over = read_symbol(one.symbol, levels=system.levels).parent
    if over == master.symbol or one.level is Level.CHANGE:
        return over == master.symbol
    is_next = master.level is MASTERS[MASTERS.index(one.level) - 1]
    return is_next and over not in {row.symbol for row in system.rows_aside} | {
        each.symbol for each in system.keysets
    }
