"""Use cases: keys are ordered and cut, go out to a holder against a receipt, come back, or are retired.

A copy number is given to one piece of metal and never again: a piece that was cut wrong keeps its number as scrap,
and the one that is cut for it gets the next, so that whatever is found with the old stamp is known to be scrap.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa

from app.errors import Problem, Problems
from app.ledger.keys.key_queries import ISSUED, KEY_RECEIPTS, SCRAPPED, keys_held, say_blanks_cut, say_held
from app.ledger.keys.old_copies import require_not_old, say_retired, useless_copies
from app.ledger.keysystems.authority import authority_of, require_authority
from app.ledger.keysystems.copy_numbers import MOST_AT_ONCE, say_copies
from app.ledger.keysystems.keysets import require_decoded
from app.ledger.keysystems.lost_keysets import exposed_by, where_it_opens
from app.ledger.keysystems.out_of_use import require_not_retired
from app.ledger.keysystems.ticks import KEYS_CUT, say_blanks
from app.ledger.sites.customers import phone_digits
from app.ledger.store.engine import get_row, get_version, in_steps, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import next_number, record
from app.ledger.store.numbers import key_receipt_number
from app.ledger.store.records import text_problems
from app.ledger.store.work import Work
from app.ledger.tables import Job, Key, Keyset, KeyState, KeySystem, Role
from app.pricing import show_day
from app.validation import counted, fault_of_length


def order_keys(work: Work, counts: Mapping[Keyset, int], job_id: int | None) -> None:
    """Order so many keys of each keyset, inside the caller's transaction."""
    add_keys(work, counts, job_id)
    for keyset, count in counts.items():
        keyset.keys_ordered += count
    work.session.flush()


def add_keys(work: Work, counts: Mapping[Keyset, int], job_id: int | None) -> dict[Keyset, list[int]]:
    """Add so many keys to cut for each keyset, inside the caller's transaction; copy numbers go on from the last."""
    rows = sa.select(Key.keyset_id, sa.func.max(Key.copy_number)).group_by(Key.keyset_id)
    last: dict[int, int] = {}
    for some in in_steps([keyset.id for keyset in counts]):
        last.update(dict(work.session.execute(rows.where(Key.keyset_id.in_(some))).all()))
    made = {
        keyset: [last.get(keyset.id, 0) + number for number in range(1, count + 1)]
        for keyset, count in counts.items()
    }
    work.session.add_all(
        Key(keyset_id=keyset.id, job_id=job_id, copy_number=copy, changed_at=work.now)
        for keyset, copies in made.items()
        for copy in copies
    )
    work.session.flush()
    return made


_SAID = 6  # refusals by copy are told one by one up to here


@dataclass(frozen=True, slots=True)
class KeyTaker:
    """Who takes keys. due_back None: kept until asked for."""

    holder: str
    phone: str = ""
    due_back: date | None = None


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
        keyset = find_keyset(work, system_id, symbol)
        words = f"{counted(count, 'key')} of {keyset.symbol}"
        require_not_retired([keyset], "symbol")
        require_authority(work, keyset.system, f"ordered {words}", override_reason)
        order_keys(work, {keyset: count}, None)
        last = work.session.scalar(sa.select(sa.func.max(Key.copy_number)).where(Key.keyset_id == keyset.id)) or 0
        copies = tuple(range(last - count + 1, last + 1))
        record_keys(
            work, "keys ordered", keyset, f"{words} ordered, {say_copies(copies)}", find_copies(work, keyset, copies)
        )
        return copies


def cut_copies(
    work: Work, system_id: int, symbol: str, copies: Sequence[int], override_reason: str = ""
) -> tuple[Key, ...]:
    """Say that ordered keys are cut and stamped; their blanks stay in the stock (see `cut_keys`). Needs written
    authority where there is an owner of record.

    Raises LedgerError on `symbol`, `copies` or `override_reason`; then nothing is changed.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        keyset = find_keyset(work, system_id, symbol)
        require_decoded([keyset], "symbol")
        keys = find_copies(work, keyset, copies)
        require_state(keys, (KeyState.ORDERED,), "cut")
        deed = f"cut {keyset.symbol} {say_copies(copies)}"
        require_authority(work, keyset.system, deed, override_reason)
        for key in keys:
            put_key(work, key, KeyState.CUT)
        blanks = say_blanks(work.session, keys)
        record_keys(work, KEYS_CUT, keyset, f"{keyset.symbol} {say_copies(copies)} cut", keys, blanks=blanks)
        return keys


def issue_keys(work: Work, form: KeyIssueForm) -> int:
    """Hand cut keys to a holder; the number of the receipt to sign, whose words are frozen with it.

    Raises Problems that name `holder`, `phone`, `due_back` and `copies` (each copy that is not in the shop, and
    where it is), LedgerError on `symbol`, NotFound; then no key changes hands.
    """
    work.require(Role.COUNTER, Role.BENCH)
    taker = KeyTaker(" ".join(form.holder.split()), " ".join(form.phone.split()), form.due_back)
    if problems := taker_problems(work, taker):
        raise Problems(problems)
    with transaction(work.session):
        keyset = find_keyset(work, form.system_id, form.symbol)
        keys = find_copies(work, keyset, form.copies)
        require_state(keys, (KeyState.CUT, KeyState.RETURNED), "issued")
        require_not_old(work, keys, "copies")
        return hand_keys(work, {keyset: keys}, taker)


def hand_keys(work: Work, keys: Mapping[Keyset, Sequence[Key]], taker: KeyTaker) -> int:
    """Put keys, all of one customer, in a holder's hands, inside the caller's transaction; the receipt's number."""
    for mine in keys.values():
        for key in mine:
            put_key(work, key, KeyState.OUT, holder=taker.holder, phone=taker.phone, due_back=taker.due_back)
    work.session.flush()
    number = next_number(work.session, KEY_RECEIPTS)
    due = f", due back {show_day(taker.due_back)}" if taker.due_back else ""
    told = f" to {taker.holder}{due}; receipt {key_receipt_number(number)}"
    for keyset, mine in keys.items():
        copies = [key.copy_number for key in mine]
        detail = receipt_words(work, keyset, mine, number, taker, is_first=keyset is next(iter(keys)))
        record_keys(
            work, ISSUED, keyset, f"{keyset.symbol} {say_copies(copies)}{told}", mine, copies=copies, **detail
        )
    return number


def receipt_words(
    work: Work, keyset: Keyset, keys: Sequence[Key], number: int, taker: KeyTaker, *, is_first: bool
) -> dict[str, Any]:
    """What a receipt says about keys of one keyset, frozen in its event; its first event says what the holder has."""
    system = keyset.system
    words = {
        "receipt": number,
        "symbol": keyset.symbol,
        "stamp": keyset.blind_code or keyset.symbol,
        "blanks": say_blanks_cut(work.session, keys),
        "opens": where_it_opens(keyset, exposed_by(work.session, keyset)),
        "holder": taker.holder,
        "phone": taker.phone,
        "due_back": taker.due_back.isoformat() if taker.due_back else "",
        "customer": system.customer.name,
        "site": system.site.name if system.site else "",
        "authority": authority_of(system),
    }
    if is_first:
        held = keys_held(work.session, system.customer_id, taker.holder)
        words |= {"holds": len(held), "held": say_held(held)}
    return words


def taker_problems(work: Work, taker: KeyTaker) -> list[Problem]:
    """What is wrong with who is to take keys, on `holder`, `phone` and `due_back`."""
    problems = text_problems(taker, Key, phone=Key.holder_phone)
    if not taker.holder:
        problems.append(Problem("holder", "Enter who takes the key: a person's name."))
    if taker.due_back is not None and taker.due_back < work.today:
        problems.append(Problem("due_back", f"{show_day(taker.due_back)} is past; enter today or a later day."))
    return problems


def return_key(work: Work, key_id: int, version: int) -> Key:
    """Take back a key that was read at `version`; one that was lost counts as found.

    Raises LedgerError on `copies` where the key was never out, Stale, NotFound.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        key = get_version(work.session, Key, key_id, "key", version)
        require_state((key,), (KeyState.OUT, KeyState.LOST), "returned")
        was_lost, holder = key.state is KeyState.LOST, key.holder
        told = take_in(work, (key,))
        words = "was lost, and is found and back" if was_lost else "is back"
        said = f"{name_of(key)} {words}" + (f", from {holder}" if holder else "") + told
        record_keys(work, "key returned", key.keyset, said, (key,))
        return key


def return_copies(work: Work, system_id: int, symbol: str, copies: Sequence[int]) -> tuple[Key, ...]:
    """Take back keys as they lie on the counter, by what is stamped on them; all of them, or none.

    Raises LedgerError on `symbol` or `copies`, Problems naming each copy that was never issued and where it is.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        keyset = find_keyset(work, system_id, symbol)
        keys = find_copies(work, keyset, copies)
        require_state(keys, (KeyState.OUT, KeyState.LOST), "returned")
        put_back(work, keyset, keys)
        return keys


def put_back(work: Work, keyset: Keyset, keys: Sequence[Key]) -> None:
    """Put keys of a keyset that came back into the shop, and say so in its story, inside the caller's transaction."""
    holders = ", ".join(dict.fromkeys(key.holder for key in keys if key.holder))
    copies, told = say_copies([key.copy_number for key in keys]), take_in(work, keys)
    said = f"{keyset.symbol} {copies} back" + (f", from {holders}" if holders else "") + told
    record_keys(work, "key returned", keyset, said, keys)


def take_in(work: Work, keys: Sequence[Key]) -> str:
    """Put keys that came back into the shop, inside the caller's transaction; old copies that open nothing any more
    are retired, and the words for the story say so.
    """
    useless = useless_copies(work, keys)
    for key in keys:
        put_key(work, key, KeyState.RETIRED if key in useless else KeyState.RETURNED)
    return f". {say_retired(useless)}" if useless else ""


def retire_key(work: Work, key_id: int, version: int, note: str = "") -> Key:
    """Take a key that is in the shop out of use for good, or withdraw one that is not cut yet.

    Raises LedgerError on `copies` where it is out or lost, Stale, NotFound.
    """
    work.require(Role.COUNTER, Role.BENCH)
    said = read_note(note)
    with transaction(work.session):
        key = get_version(work.session, Key, key_id, "key", version)
        require_state((key,), (KeyState.ORDERED, KeyState.CUT, KeyState.RETURNED), "retired")
        put_key(work, key, KeyState.RETIRED)
        record_keys(
            work, "key retired", key.keyset, f"{name_of(key)} is out of use" + (f": {said}" if said else ""), (key,)
        )
        return key


def scrap_copies(
    work: Work, system_id: int, symbol: str, copies: Sequence[int], note: str = "", job_number: int | None = None
) -> tuple[int, ...]:
    """Scrap keys that were cut wrong; the copy numbers that are to be cut for them, of the same job.

    job_number: of the one whose bench page asks; its keys alone. The scrapped numbers are used up. Raises LedgerError
    on `symbol`, `copies` or `note`, Problems naming each copy that is not in the shop; then nothing is scrapped.
    """
    work.require(Role.COUNTER, Role.BENCH)
    said = read_note(note)
    with transaction(work.session):
        keyset = find_keyset(work, system_id, symbol)
        keys = find_copies(work, keyset, copies)
        require_state(keys, (KeyState.ORDERED, KeyState.CUT, KeyState.RETURNED), "scrapped")
        if job_number is not None and (other := [key for key in keys if _job_number(work, key) != job_number]):
            raise LedgerError(
                "copies", f"{name_of(other[0])} is not of job {job_number}; scrap it on its keys' page."
            )
        made: list[int] = []
        for key in keys:
            put_key(work, key, KeyState.RETIRED)
            made += add_keys(work, {keyset: 1}, key.job_id)[keyset]
        words = f"{keyset.symbol} {say_copies([key.copy_number for key in keys])} scrapped"
        words += (f" ({said})" if said else "") + f"; {say_copies(made)} to cut instead"
        record_keys(work, SCRAPPED, keyset, words, keys)
        return tuple(made)


def _job_number(work: Work, key: Key) -> int | None:
    return work.session.scalar(sa.select(Job.number).where(Job.id == key.job_id))


def read_note(note: str) -> str:
    """What somebody wrote about a key, on one line; LedgerError on `note`."""
    said = " ".join(note.split())
    if fault := fault_of_length(said, 500):
        raise LedgerError("note", fault)
    return said


def find_keyset(work: Work, system_id: int, symbol: str) -> Keyset:
    """A keyset of a system by its symbol, as typed; LedgerError on `symbol`."""
    system = get_row(work.session, KeySystem, system_id, "key system")
    wanted = "".join(symbol.split())
    rows = sa.select(Keyset).where(Keyset.system_id == system.id)
    keyset = work.session.scalar(rows.where(Keyset.symbol == wanted)) or work.session.scalar(
        rows.where(sa.func.upper(Keyset.symbol) == wanted.upper())
    )
    if keyset is None:
        raise LedgerError("symbol", f"No keyset {wanted[:24]!r} is in {system.name}; see the symbols listed.")
    return keyset


def find_copies(work: Work, keyset: Keyset, copies: Sequence[int]) -> tuple[Key, ...]:
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


def require_state(keys: Sequence[Key], allowed: tuple[KeyState, ...], deed: str) -> None:
    """Problems on `copies`, naming each key that is in another state, and where it is."""
    wrong = [key for key in keys if key.state not in allowed]
    if not wrong:
        return
    problems = [Problem("copies", _why_not(key, deed)) for key in wrong[:_SAID]]
    if len(wrong) > _SAID:
        problems.append(Problem("copies", f"And {len(wrong) - _SAID} more cannot be {deed}."))
    raise Problems(problems)


def _why_not(key: Key, deed: str) -> str:
    where = where_it_is(key)
    if deed == "returned" and key.state in (KeyState.ORDERED, KeyState.CUT):
        where = f"was never issued: it {where}"
    if deed == "returned" and key.state in (KeyState.RETURNED, KeyState.RETIRED):
        return (
            f"{name_of(key)} {where}. It cannot be returned again; check the copy number. If a key with this stamp "
            "lies before you all the same, it is a second piece: put it aside, and tell the owner."
        )
    if deed in ("retired", "scrapped") and key.state is KeyState.OUT:
        where += "; mark it as returned first"
    return f"{name_of(key)} {where}. It cannot be {deed}; check the copy number."


def where_it_is(key: Key) -> str:
    """Where a key is by the record, in words: "is back in the shop since Monday 2 November 2026"."""
    since = show_day(key.changed_at.astimezone().date())
    match key.state:
        case KeyState.ORDERED:
            return "is ordered, and not cut yet"
        case KeyState.CUT:
            return "is cut and in the shop"
        case KeyState.OUT:
            return f"is out already: {key.holder or 'a holder not named'} has it since {since}"
        case KeyState.RETURNED:
            return f"is back in the shop since {since}"
        case KeyState.LOST:
            return f"is on record as lost since {since}"
        case KeyState.RETIRED:
            return f"is out of use since {since}"


def put_key(
    work: Work, key: Key, state: KeyState, *, holder: str = "", phone: str = "", due_back: date | None = None
) -> None:
    """Say where a key is from now on, inside the caller's transaction."""
    key.state, key.holder, key.due_back, key.changed_at = state, holder, due_back, work.now
    key.holder_phone, key.phone_digits = phone, phone_digits(phone)


def name_of(key: Key) -> str:
    """A key by symbol and copy number, in words."""
    return f"{key.keyset.symbol} copy {key.copy_number}"


def record_keys(work: Work, kind: str, keyset: Keyset, summary: str, keys: Sequence[Key], **detail: Any) -> None:
    """One event about keys of a keyset."""
    subject = f"key system {keyset.system_id}"
    record(work, kind, subject, f"{keyset.system.name}: {summary}", keys=[key.id for key in keys], **detail)
