"""The register of blind codes: what keys are stamped with in place of a symbol, and whose keyset each code is.

A code says nothing of a bitting, a door or a customer. It is given once: whoever finds a key with it is led to the
one keyset that it was ever stamped for.
"""

import re
from collections.abc import Mapping, Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session, contains_eager, selectinload

from app.errors import Problem, Problems
from app.ledger.keys.key_queries import STAMPED, keysets_stamped
from app.ledger.keys.keys import find_keyset, record_keys
from app.ledger.keysystems.system_queries import get_system
from app.ledger.search.words import holds
from app.ledger.store.engine import Page, in_steps, page_of, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import BlindCode, Customer, Keyset, KeySystem, Role
from app.validation import counted

FIRST_NUMBER = 1001
_BLIND = re.compile(r"(?=.*[A-Z])[A-Z0-9][A-Z0-9-]{2,22}[A-Z]")
_PREFIX = re.compile(r"[A-Z0-9]{0,7}")
_LAST_LETTERS = "ACDEFHJKLMNPRTUVWXY"  # none that is read as a digit; 19, a prime, so that each slip shows


def give_blind_code(work: Work, system_id: int, symbol: str, code: str) -> Keyset:
    """Have a keyset's keys stamped with a code that says nothing to others, in place of its symbol; "" for none.

    Raises LedgerError on `symbol` or `code`: a code has a letter, so that it is no bitting, and is one keyset's for
    good, even after it was taken from it.
    """
    work.require(Role.COUNTER, Role.BENCH)
    wanted = "".join(code.split()).upper()
    with transaction(work.session):
        keyset = find_keyset(work, system_id, symbol)
        if wanted:
            _require_blind(work.session, keyset, wanted)
        _stamp(work, keyset, wanted)
        return keyset


def give_codes(work: Work, system_id: int, prefix: str) -> tuple[BlindCode, ...]:
    """Give each keyset of a system that is in use and has no code the next free one of the house's, in one act.

    A code is the prefix, a number that goes on from the last one given, and a letter that shows a misread digit. The
    keysets are drawn, so that no code tells its finder a level.
    Raises LedgerError on `prefix`; nothing is given then.
    """
    work.require(Role.COUNTER, Role.BENCH)
    wanted = "".join(prefix.split()).upper()
    if not _PREFIX.fullmatch(wanted):
        raise LedgerError("prefix", "Write at most 7 letters and digits, such as FQ, or nothing.")
    with transaction(work.session):
        system = get_system(work.session, system_id)
        bare = [one for one in system.keysets if not one.blind_code and not one.is_out_of_use]
        if not bare:
            raise LedgerError("prefix", f"Every keyset of {system.name} that is in use has a code already.")
        work.rng.shuffle(bare)
        number = (work.session.scalar(sa.select(sa.func.max(BlindCode.number))) or FIRST_NUMBER - 1) + 1
        given = []
        for keyset in bare:
            while _is_taken(work.session, code := next_code(wanted, number)):
                number += 1
            given.append(BlindCode(code=code, keyset=keyset, prefix=wanted, number=number, given_at=work.now))
            keyset.blind_code = code
            number += 1
        work.session.add_all(given)
        work.session.flush()
        said = (
            f"{system.name}: {counted(len(given), 'keyset')} stamped with codes {given[0].code} to {given[-1].code}"
        )
        record(work, STAMPED, f"key system {system.id}", f"{said} from now on")
        return tuple(given)


def is_blind_code(code: str) -> bool:
    """Whether this can be stamped in place of a symbol: it ends in a letter, so that it is no bitting.

    >>> is_blind_code("4417K"), is_blind_code("4417")
    (True, False)
    """
    return _BLIND.fullmatch(code) is not None


def take_codes(work: Work, system: KeySystem, codes: Mapping[int, tuple[Keyset, str]]) -> None:
    """Put the codes that keys of a list bear in the register, inside the caller's transaction; by the list's rows.

    Problems by row for codes that are or were another keyset's, and for those of two rows.
    """
    work.require_owner()
    wanted = {code for _, code in codes.values()}
    theirs: dict[str, Keyset] = {}
    for some in in_steps(sorted(wanted)):
        known = sa.select(BlindCode).where(BlindCode.code.in_(some)).options(selectinload(BlindCode.keyset))
        theirs |= {one.symbol: one for one in work.session.scalars(sa.select(Keyset).where(Keyset.symbol.in_(some)))}
        theirs |= {one.code: one.keyset for one in work.session.scalars(known)}
    problems, seen = [], dict[str, int]()
    for row, (keyset, code) in codes.items():
        other = theirs.get(code, keyset)
        if other is not keyset:
            told = f"{code} is or was stamped on keys of {other.symbol} of {other.system.name}"
        elif code in seen:
            told = f"{code} stands in row {seen[code]} too"
        else:
            seen[code] = row
            continue
        mend = "a code is one keyset's. Correct or empty the cell."
        problems.append(Problem(f"row {row}, Blind code", f"{told}: {mend}"))
    if problems:
        raise Problems(problems)
    for keyset, code in codes.values():
        keyset.blind_code = code
        work.session.add(BlindCode(code=code, keyset=keyset, given_at=work.now))
    work.session.flush()
    if codes:
        said = f"{system.name}: {counted(len(codes), 'keyset')} stamped with codes of the list that they came from"
        record(work, STAMPED, f"key system {system.id}", said)


def next_code(prefix: str, number: int) -> str:
    """A code of the house: prefix, number, and a letter by which one misread or two exchanged digits are noticed.

    >>> next_code("FQ", 1001), next_code("FQ", 1010), next_code("", 1001)
    ('FQ1001H', 'FQ1010J', '1001H')
    """
    weighed = sum(place * int(digit) for place, digit in enumerate(reversed(str(number)), 1))
    return f"{prefix}{number}{_LAST_LETTERS[weighed % len(_LAST_LETTERS)]}"


def last_prefix(session: Session) -> str:
    """The prefix of the last codes that the house gave; "" where it gave none."""
    rows = sa.select(BlindCode.prefix).where(BlindCode.number.is_not(None)).order_by(BlindCode.number.desc())
    return session.scalar(rows.limit(1)) or ""


def find_codes(session: Session, text: str = "", page: int = 1, size: int = 60) -> Page[BlindCode]:
    """Codes that were given, by customer, system and code, with their keysets and keys: those that keys bear now and
    those that they bore once. text: a code, a symbol, or a name of a system or customer.
    """
    rows = _register()
    if wanted := text.strip():
        code = "".join(wanted.split()).upper()
        found = [BlindCode.code == code, Keyset.symbol == code]
        found += [holds(column, wanted) for column in (KeySystem.name, Customer.name)]
        rows = rows.where(sa.or_(*found))
    return page_of(session, rows, page, size)


def print_register(work: Work) -> Sequence[BlindCode]:
    """The whole register for its paper, without a bitting; the owner's alone, and an event."""
    work.require_owner()
    with transaction(work.session):
        codes = work.session.scalars(_register()).all()
        record(work, "register of blind codes printed", "house", f"{counted(len(codes), 'code')} on paper")
        return codes


def _register() -> sa.Select[BlindCode]:
    return (
        sa.select(BlindCode)
        .join(BlindCode.keyset)
        .join(Keyset.system)
        .join(KeySystem.customer)
        .options(
            contains_eager(BlindCode.keyset).contains_eager(Keyset.system).contains_eager(KeySystem.customer),
            contains_eager(BlindCode.keyset).selectinload(Keyset.keys),
        )
        .order_by(Customer.name, KeySystem.name, KeySystem.id, BlindCode.code)
    )


def _stamp(work: Work, keyset: Keyset, code: str) -> None:
    keyset.blind_code = code
    known = sa.select(BlindCode.id).where(BlindCode.code == code)
    if code and work.session.scalar(known) is None:
        work.session.add(BlindCode(code=code, keyset=keyset, given_at=work.now))
    work.session.flush()
    stamped = f"stamped {code} from now on" if code else "stamped with the symbol from now on"
    record_keys(work, STAMPED, keyset, f"{keyset.symbol} is {stamped}", ())


def _require_blind(session: Session, keyset: Keyset, code: str) -> None:
    if not _BLIND.fullmatch(code):
        raise LedgerError(
            "code",
            "Write 4 to 24 letters, digits or hyphens that end in a letter, such as 4417K: so it is no bitting, "
            "and the copy number behind it stays apart.",
        )
    taken = sa.select(Keyset).where(Keyset.id.in_(keysets_stamped(code)), Keyset.id != keyset.id)
    if (other := session.scalar(taken.order_by(Keyset.id).limit(1))) is not None:
        raise LedgerError(
            "code",
            f"{code} is or was stamped on keys of {other.symbol} of {other.system.name}: choose another code.",
        )


def _is_taken(session: Session, code: str) -> bool:
    return session.scalar(keysets_stamped(code).limit(1)) is not None
