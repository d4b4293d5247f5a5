"""Use cases: keys are ordered and cut, go out to a holder against a receipt, come back, are lost, or are retired."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import sqlalchemy as sa

from app.errors import Problem, Problems
from app.ledger.keys.key_queries import KEY_RECEIPTS
from app.ledger.keysystems.authority import authority_of, require_authority
from app.ledger.keysystems.copy_numbers import MOST_AT_ONCE, say_copies
from app.ledger.keysystems.keysets import require_decoded
from app.ledger.keysystems.lost_keysets import Exposed, exposed_by, where_it_opens
from app.ledger.keysystems.out_of_use import require_not_retired
from app.ledger.keysystems.ticks import KEYS_CUT
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import next_number, record
from app.ledger.store.numbers import key_receipt_number
from app.ledger.store.records import text_problems
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Key, Keyset, KeyState, KeySystem, Role
from app.validation import counted, fault_of_length

_STEP = 500  # keysets asked about at once; a statement takes only so many values


def order_keys(work: Work, counts: Mapping[Keyset, int], job_id: int | None) -> None:
    """Add so many keys to cut for each keyset, inside the caller's transaction; copy numbers go on from the last."""
    rows = sa.select(Key.keyset_id, sa.func.max(Key.copy_number)).group_by(Key.keyset_id)
    ids = [keyset.id for keyset in counts]
    last: dict[int, int] = {}
    for start in range(0, len(ids), _STEP):
        found = work.session.execute(rows.where(Key.keyset_id.in_(ids[start : start + _STEP])))
        last.update(dict(found.all()))
    for keyset, count in counts.items():
        work.session.add_all(
            Key(
                keyset_id=keyset.id,
                job_id=job_id,
                copy_number=last.get(keyset.id, 0) + number,
                changed_at=work.now,
            )
            for number in range(1, count + 1)
        )
        keyset.keys_ordered += count
    work.session.flush()


_SAID = 6  # refusals by copy are told one by one up to here


@dataclass(frozen=True, slots=True)
class KeyIssueForm:
    """Keys of one keyset that one holder takes. due_back None: kept until asked for."""

    system_id: int
    symbol: str
    copies: tuple[int, ...]
    holder: str
    phone: str = ""
    due_back: date | None = None


def order_copies(work: Work, system_id: int, symbol: str, count: int, override_reason: str = "") -> tuple[int, ...]:
    """Order `count` further keys of a keyset; their copy numbers. Needs written authority where there is an owner.

    Raises NotFound (system), LedgerError on `symbol`, `count` or `override_reason`; then nothing is ordered.
    """
    work.require(Role.COUNTER, Role.BENCH)
    if not 1 <= count <= MOST_AT_ONCE:
        raise LedgerError("count", f"Order 1 to {MOST_AT_ONCE} keys at once.")
    with transaction(work.session):
        keyset = _keyset(work, system_id, symbol)
        words = f"{counted(count, 'key')} of {keyset.symbol}"
        require_not_retired([keyset], "symbol")
        require_authority(work, keyset.system, f"ordered {words}", override_reason)
        order_keys(work, {keyset: count}, None)
        last = work.session.scalar(sa.select(sa.func.max(Key.copy_number)).where(Key.keyset_id == keyset.id)) or 0
        copies = tuple(range(last - count + 1, last + 1))
        _record(work, "keys ordered", keyset, f"{words} ordered, {say_copies(copies)}", _found(work, keyset, copies))
        return copies


def cut_copies(
    work: Work, system_id: int, symbol: str, copies: Sequence[int], override_reason: str = ""
) -> tuple[Key, ...]:
    """Say that ordered keys are cut and stamped. Needs written authority where there is an owner of record.

    Raises LedgerError on `symbol`, `copies` or `override_reason`; then nothing is changed.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        keyset = _keyset(work, system_id, symbol)
        require_decoded([keyset], "symbol")
        keys = _found(work, keyset, copies)
        _require_state(keys, (KeyState.ORDERED,), "cut")
        deed = f"cut {keyset.symbol} {say_copies(copies)}"
        require_authority(work, keyset.system, deed, override_reason)
        for key in keys:
            _put(work, key, KeyState.CUT)
        _record(work, KEYS_CUT, keyset, f"{keyset.symbol} {say_copies(copies)} cut", keys)
        return keys


def issue_keys(work: Work, form: KeyIssueForm) -> int:
    """Hand cut keys to a holder; the number of the receipt to sign, whose words are frozen with it.

    Raises Problems that name `holder`, `phone`, `due_back` and `copies` (each copy that is not in the shop, and
    where it is), LedgerError on `symbol`, NotFound; then no key changes hands.
    """
    work.require(Role.COUNTER, Role.BENCH)
    form = replace(form, holder=" ".join(form.holder.split()), phone=" ".join(form.phone.split()))
    if problems := _holder_problems(work, form):
        raise Problems(problems)
    holder = form.holder
    with transaction(work.session):
        keyset = _keyset(work, form.system_id, form.symbol)
        keys = _found(work, keyset, form.copies)
        _require_state(keys, (KeyState.CUT, KeyState.RETURNED), "issued")
        for key in keys:
            _put(work, key, KeyState.OUT, holder=holder, due_back=form.due_back)
        system = keyset.system
        number = next_number(work.session, KEY_RECEIPTS)
        due = f", due back {form.due_back.isoformat()}" if form.due_back else ""
        _record(
            work,
            "keys issued",
            keyset,
            f"{keyset.symbol} {say_copies(form.copies)} to {holder}{due}; receipt {key_receipt_number(number)}",
            keys,
            receipt=number,
            symbol=keyset.symbol,
            copies=[key.copy_number for key in keys],
            opens=where_it_opens(keyset, exposed_by(work.session, keyset)),
            holder=holder,
            phone=form.phone,
            due_back=form.due_back.isoformat() if form.due_back else "",
            customer=system.customer.name,
            site=system.site.name if system.site else "",
            authority=authority_of(system),
        )
        return number


def _holder_problems(work: Work, form: KeyIssueForm) -> list[Problem]:
    problems = text_problems(form, Key, phone=Customer.phone)
    if not form.holder:
        problems.append(Problem("holder", "Enter who takes the key: a person's name."))
    if form.due_back is not None and form.due_back < work.today:
        problems.append(Problem("due_back", f"{form.due_back.isoformat()} is past; enter today or a later day."))
    return problems


def return_key(work: Work, key_id: int, version: int) -> Key:
    """Take back a key that was read at `version`; one that was lost counts as found.

    Raises LedgerError on `copies` where the key was never out, Stale, NotFound.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        key = get_version(work.session, Key, key_id, "key", version)
        _require_state((key,), (KeyState.OUT, KeyState.LOST), "returned")
        was_lost, holder = key.state is KeyState.LOST, key.holder
        _put(work, key, KeyState.RETURNED)
        words = "was lost, and is found and back" if was_lost else "is back"
        said = f"{_name(key)} {words}" + (f", from {holder}" if holder else "")
        _record(work, "key returned", key.keyset, said, (key,))
        return key


def return_copies(work: Work, system_id: int, symbol: str, copies: Sequence[int]) -> tuple[Key, ...]:
    """Take back keys as they lie on the counter, by what is stamped on them; all of them, or none.

    Raises LedgerError on `symbol` or `copies`, Problems naming each copy that was never issued and where it is.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        keyset = _keyset(work, system_id, symbol)
        keys = _found(work, keyset, copies)
        _require_state(keys, (KeyState.OUT, KeyState.LOST), "returned")
        holders = ", ".join(dict.fromkeys(key.holder for key in keys if key.holder))
        for key in keys:
            _put(work, key, KeyState.RETURNED)
        said = f"{keyset.symbol} {say_copies(copies)} back" + (f", from {holders}" if holders else "")
        _record(work, "key returned", keyset, said, keys)
        return keys


def lose_key(work: Work, key_id: int, version: int, note: str = "") -> tuple[Key, tuple[Exposed, ...]]:
    """Put on record that a key read at `version` is lost; the key and the cylinders that its loss exposes.

    Raises LedgerError on `copies` or `note`, Stale, NotFound.
    """
    work.require(Role.COUNTER, Role.BENCH)
    said = _note(note)
    with transaction(work.session):
        key = get_version(work.session, Key, key_id, "key", version)
        _require_state((key,), (KeyState.OUT, KeyState.CUT, KeyState.RETURNED), "lost")
        exposed = exposed_by(work.session, key.keyset)
        _put(work, key, KeyState.LOST, holder=key.holder)
        summary = f"{_name(key)} is lost" + (f", last with {key.holder}" if key.holder else "")
        summary += f": it exposes {counted(len(exposed), 'cylinder')}" + (f". {said}" if said else "")
        _record(work, "key lost", key.keyset, summary, (key,), cylinders=[one.cylinder_id for one in exposed])
        return key, exposed


def retire_key(work: Work, key_id: int, version: int, note: str = "") -> Key:
    """Take a key that is in the shop out of use for good, or withdraw one that is not cut yet.

    Raises LedgerError on `copies` where it is out or lost, Stale, NotFound.
    """
    work.require(Role.COUNTER, Role.BENCH)
    said = _note(note)
    with transaction(work.session):
        key = get_version(work.session, Key, key_id, "key", version)
        _require_state((key,), (KeyState.ORDERED, KeyState.CUT, KeyState.RETURNED), "retired")
        _put(work, key, KeyState.RETIRED)
        _record(
            work, "key retired", key.keyset, f"{_name(key)} is out of use" + (f": {said}" if said else ""), (key,)
        )
        return key


def _note(note: str) -> str:
    said = " ".join(note.split())
    if fault := fault_of_length(said, 500):
        raise LedgerError("note", fault)
    return said


def _keyset(work: Work, system_id: int, symbol: str) -> Keyset:
    system = get_row(work.session, KeySystem, system_id, "key system")
    wanted = "".join(symbol.split())
    rows = sa.select(Keyset).where(Keyset.system_id == system.id)
    keyset = work.session.scalar(rows.where(Keyset.symbol == wanted)) or work.session.scalar(
        rows.where(sa.func.upper(Keyset.symbol) == wanted.upper())
    )
    if keyset is None:
        raise LedgerError("symbol", f"No keyset {wanted[:24]!r} is in {system.name}; see the symbols listed.")
    return keyset


def _found(work: Work, keyset: Keyset, copies: Sequence[int]) -> tuple[Key, ...]:
    """The keys with these copy numbers, or what is on record instead."""
    wanted = sorted(set(copies))
    if not wanted:
        raise LedgerError("copies", "Enter the copy numbers, such as 3 or 1-4.")
    rows = work.session.scalars(
        sa.select(Key).where(Key.keyset_id == keyset.id, Key.copy_number.in_(wanted)).order_by(Key.copy_number)
    ).all()
    missing = sorted(set(wanted) - {key.copy_number for key in rows})
    if not missing:
        return tuple(rows)
    last = work.session.scalar(sa.select(sa.func.max(Key.copy_number)).where(Key.keyset_id == keyset.id))
    several = f"copies 1 to {last} are on record" if last and last > 1 else "copy 1 alone is on record"
    known = several if last else "no key of it is on record yet: order copies first"
    named = ", ".join(str(copy) for copy in missing[:_SAID])
    raise LedgerError("copies", f"There is no copy {named} of {keyset.symbol}; {known}.")


def _require_state(keys: Sequence[Key], allowed: tuple[KeyState, ...], deed: str) -> None:
    wrong = [key for key in keys if key.state not in allowed]
    if not wrong:
        return
    problems = [Problem("copies", _why_not(key, deed)) for key in wrong[:_SAID]]
    if len(wrong) > _SAID:
        problems.append(Problem("copies", f"And {len(wrong) - _SAID} more cannot be {deed}."))
    raise Problems(problems)


def _why_not(key: Key, deed: str) -> str:
    since = key.changed_at.astimezone().date().isoformat()
    never = "was never issued: it is" if deed == "returned" else "is"
    match key.state:
        case KeyState.ORDERED:
            where = f"{never} ordered, and not cut yet"
        case KeyState.CUT:
            where = f"{never} cut and in the shop"
        case KeyState.OUT:
            where = f"is out already: {key.holder or 'a holder not named'} has it since {since}"
            if deed == "retired":
                where += "; mark it as returned first"
        case KeyState.RETURNED:
            where = f"is back in the shop since {since}"
        case KeyState.LOST:
            where = f"is on record as lost since {since}"
        case KeyState.RETIRED:
            where = f"is out of use since {since}"
    return f"{_name(key)} {where}. It cannot be {deed}; check the copy number."


def _put(work: Work, key: Key, state: KeyState, *, holder: str = "", due_back: date | None = None) -> None:
    key.state, key.holder, key.due_back, key.changed_at = state, holder, due_back, work.now


def _name(key: Key) -> str:
    return f"{key.keyset.symbol} copy {key.copy_number}"


def _record(work: Work, kind: str, keyset: Keyset, summary: str, keys: Sequence[Key], **detail: Any) -> None:
    subject = f"key system {keyset.system_id}"
    record(work, kind, subject, f"{keyset.system.name}: {summary}", keys=[key.id for key in keys], **detail)
