"""A key system's array and list of bittings, sent to its factory by the owner, in two papers that travel apart.

The sealed list has every bitting under a number, and names no customer, system or symbol; the letter says which
number is which symbol, and has no bitting. Either alone opens no door that anybody could find.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from random import Random

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.keying import progress, write_bitting
from app.ledger.keysystems.bittings import note_reveal, open_bittings, open_plan, plan_context, spec_of
from app.ledger.keysystems.system_queries import get_system, keyways_in_words, sections_of
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import next_number, record
from app.ledger.store.work import Work
from app.ledger.tables import Event, KeySystem, Level, Maker, RecordsHolder
from app.validation import fault_of_length

ARRAY_SENT, ARRAY_NOTED = "array sent to a maker", "array at a maker"
ARRAY_NUMBERS = "array sent"
_SERVES = {"C": "changes", "M": "masters", "G": "grand masters"}
_BESIDE = (Level.CHANGE, Level.SINGLE, Level.CONTROL, Level.CONSTRUCTION, Level.CONSTRUCTION_CONTROL)
MOST_PERSON, MOST_PURPOSE, MOST_NOTE = 120, 300, 300


class ArrayState(StrEnum):
    """Where a copy of a system's array is."""

    ON_ITS_WAY = "on its way"
    RECEIVED = "received"
    RETURNED = "sent back or destroyed"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class SendForm:
    """To which maker, for whom there by name, what for, and how the sealed list travels."""

    maker_id: int
    person: str
    purpose: str
    way: str


@dataclass(frozen=True, slots=True)
class SentArray:
    """A copy that left the house. keysets: ids of those on it; on and by: of its sending; content: keyed hash of what
    it says, "" where another house sent it.
    """

    number: int
    on: date
    by: str
    maker: str
    person: str
    purpose: str
    way: str
    keysets: tuple[int, ...]
    state: ArrayState
    state_on: date | None = None
    note: str = ""
    content: str = field(default="", repr=False)

    @property
    def reference(self) -> str:
        """What both papers bear.

        >>> SentArray(17, date(2026, 3, 2), "Wren", "", "", "", "", (), ArrayState.LOST).reference
        'A-17'
        """
        return f"A-{self.number}"

    @property
    def is_at_large(self) -> bool:
        """Whether nobody knows who reads it."""
        return self.state is ArrayState.LOST


@dataclass(frozen=True, slots=True)
class SealedRow:
    """A bitting under its number; the top master's is marked."""

    number: int
    bitting: str = field(repr=False)
    is_top: bool = False


@dataclass(frozen=True, slots=True)
class SealedChamber:
    """What a chamber serves, and its depths: the top master's, then the others that the keys below may have.
    withheld: the depth there that only the selective master and its keys have, "" where there is none.
    """

    number: int
    serves: str
    depths: tuple[str, ...] = field(repr=False)
    withheld: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class SealedList:
    """The sealed paper: bittings by number and the array. It names nobody, and no door."""

    sent: SentArray
    keyway: str
    spec_name: str
    chambers: tuple[SealedChamber, ...]
    rows: tuple[SealedRow, ...]


@dataclass(frozen=True, slots=True)
class SealedLetter:
    """The letter that goes another way: (number, symbol, level, its master) of each row, and no bitting; the level
    with the keyways that its keys enter, where the system is on several: two of one bitting are told apart by it.
    """

    sent: SentArray
    system: KeySystem
    keyways: str
    rows: tuple[tuple[int, str, str, str], ...]


def send_array(work: Work, system_id: int, form: SendForm) -> SentArray:
    """Put on record that a system's array and bittings go to a maker; the owner alone. Its papers are made after.

    Problems on `maker_id`, `person`, `purpose` and `way`; LedgerError where the house has no bittings of it.
    """
    work.require_owner()
    person, purpose, way = (" ".join(text.split()) for text in (form.person, form.purpose, form.way))
    needed = (
        ("person", person, MOST_PERSON, "Enter for whom it is there: a person's name, not a department."),
        ("purpose", purpose, MOST_PURPOSE, "Say what the factory needs it for."),
        ("way", way, MOST_PERSON, "Say how the sealed list travels: by hand, registered post."),
    )
    problems = [
        Problem(name, fault_of_length(text, most) or told)
        for name, text, most, told in needed
        if not text or fault_of_length(text, most)
    ]
    maker = work.session.get(Maker, form.maker_id)
    if maker is None:
        problems.append(Problem("maker_id", "Choose the maker that it goes to."))
    with transaction(work.session):
        system = get_system(work.session, system_id)
        if system.records is not RecordsHolder.SHOP or not any(one.bitting for one in system.keysets):
            raise LedgerError("", f"The house has no array or bittings of {system.name}: there is nothing to send.")
        if problems or maker is None:
            raise Problems(problems)
        keysets = [one.id for one in system.keysets if one.bitting is not None]
        event = record(
            work,
            ARRAY_SENT,
            f"key system {system_id}",
            f"Array and bitting list of {system.name} sent to {maker.name}, {person}, by {way}: {purpose}",
            maker=maker.name,
            person=person,
            purpose=purpose,
            way=way,
            keysets=keysets,
            number=next_number(work.session, ARRAY_NUMBERS),
            content=_content(work, system, keysets).mark,
        )
        work.session.flush()
        return _told(event, None)


def note_array(work: Work, system_id: int, number: int, state: ArrayState, note: str = "") -> SentArray:
    """Put on record what became of a copy at its maker; the owner alone. Problems on `note`, NotFound."""
    work.require_owner()
    note = " ".join(note.split())
    if fault := fault_of_length(note, MOST_NOTE):
        raise LedgerError("note", fault)
    with transaction(work.session):
        sent = find_sent(work.session, system_id, number)
        said = f"Copy {sent.reference} at {sent.maker}: {state.value}" + (f". {note}" if note else "")
        record(work, ARRAY_NOTED, f"key system {system_id}", said, sent=number, state=state.value, note=note)
    return find_sent(work.session, system_id, number)


def sent_arrays(session: Session, system_id: int) -> tuple[SentArray, ...]:
    """The copies of a system's array that left the house, newest first: one query."""
    rows = sa.select(Event).where(
        Event.subject == f"key system {system_id}", Event.kind.in_((ARRAY_SENT, ARRAY_NOTED))
    )
    events = session.scalars(rows.order_by(Event.id)).all()
    noted = {event.detail["sent"]: event for event in events if event.kind == ARRAY_NOTED}
    return tuple(
        _told(event, noted.get(event.detail["number"])) for event in reversed(events) if event.kind == ARRAY_SENT
    )


def find_sent(session: Session, system_id: int, number: int) -> SentArray:
    """One of them; NotFound when there is none."""
    found = next((one for one in sent_arrays(session, system_id) if one.number == number), None)
    if found is None:
        raise NotFound("sending of this key system's array")
    return found


def _told(event: Event, noted: Event | None) -> SentArray:
    detail = event.detail
    return SentArray(
        number=detail["number"],
        on=event.at.astimezone().date(),
        by=event.actor_name,
        maker=detail["maker"],
        person=detail["person"],
        purpose=detail["purpose"],
        way=detail["way"],
        keysets=tuple(detail["keysets"]),
        state=ArrayState(noted.detail["state"]) if noted else ArrayState.ON_ITS_WAY,
        state_on=noted.at.astimezone().date() if noted else None,
        note=noted.detail["note"] if noted else "",
        content=detail.get("content", ""),
    )


def sealed_list(work: Work, system_id: int, number: int) -> SealedList:
    """The paper with the bittings, for the owner's eyes; the reveal is an event.

    LedgerError where they are not those that were sent: the paper is printed again as it was, or not at all.
    """
    work.require_owner()
    with transaction(work.session):
        system, sent = get_system(work.session, system_id), find_sent(work.session, system_id, number)
        content = _as_sent(work, system, sent)
        note_reveal(work, system, f"list {sent.reference} for {sent.maker}")
    numbers = _numbers(work, system, sent)
    tops = {one.id for one in system.keysets if one.parent_id is None and one.level not in _BESIDE}
    rows = [SealedRow(numbers[one], bitting, one in tops) for one, bitting in content.bittings]
    rows.sort(key=lambda row: row.number)
    return SealedList(sent, ", ".join(sections_of(system)), system.spec.name, content.chambers, tuple(rows))


def sealed_letter(work: Work, system_id: int, number: int) -> SealedLetter:
    """The letter with the key to the numbers, which shows no bitting; owner only. LedgerError as for the list."""
    work.require_owner()
    system, sent = get_system(work.session, system_id), find_sent(work.session, system_id, number)
    _as_sent(work, system, sent)
    numbers = _numbers(work, system, sent)
    by_id, keyways = {one.id: one for one in system.keysets}, sections_of(system)
    on = keyways_in_words(work.session, system)
    rows = []
    for one, number in numbers.items():
        keyset = by_id[one]
        where = f", on {on[one]}" if len(keyways) > 1 else ""
        rows.append(
            (number, keyset.symbol, keyset.level.value + where, keyset.parent.symbol if keyset.parent else "")
        )
    return SealedLetter(sent, system, ", ".join(keyways), tuple(sorted(rows)))


@dataclass(frozen=True, slots=True)
class _Content:
    """What a sealed list is made of: the array, and each keyset's id with its bitting. mark: a keyed hash of both."""

    chambers: tuple[SealedChamber, ...]
    bittings: tuple[tuple[int, str], ...] = field(repr=False)
    mark: str


def _content(work: Work, system: KeySystem, keyset_ids: Sequence[int]) -> _Content:
    spec, plan = spec_of(system), open_plan(work.vault, system)
    opened = open_bittings(work.session, work.vault, [system], keyset_ids)
    bittings = tuple((one, write_bitting(spec, opened[one])) for one in sorted(opened))
    chambers = []
    if plan is not None:
        columns = progress(plan.drawn_by(spec), plan.tmk).columns
        for place, (number, role) in enumerate(zip(spec.chamber_numbers, plan.roles, strict=True)):
            depths = (plan.tmk[place], *(columns[place] if role in _SERVES else ()))
            only = f"{plan.withheld[1]:X}" if plan.withheld and plan.withheld[0] == place + 1 else ""
            shown = tuple(f"{depth:X}" for depth in depths)
            chambers.append(SealedChamber(number, _SERVES.get(role, "held"), shown, only))
    text = json.dumps([bittings, [(one.number, one.serves, one.depths) for one in chambers]])
    return _Content(tuple(chambers), bittings, work.vault.fingerprint(text, f"sent {plan_context(system.id)}").hex())


def _as_sent(work: Work, system: KeySystem, sent: SentArray) -> _Content:
    content = _content(work, system, sent.keysets)
    if content.mark != sent.content:
        raise LedgerError(
            "",
            f"Since {sent.reference} was sent, bittings or the array of {system.name} have changed, or the house's "
            "sealing key, by which a list is numbered: this paper cannot be printed again as it was. Send the array "
            "anew, and ask for the former copy back.",
        )
    return content


def _numbers(work: Work, system: KeySystem, sent: SentArray) -> dict[int, int]:
    """Keyset id → its number on the sealed list, in an order that nobody can tell without the house's key."""
    there = {one.id for one in system.keysets}
    ids = [one for one in sent.keysets if one in there]
    seed = work.vault.fingerprint(f"list {sent.number}", plan_context(system.id))
    numbers = Random(seed).sample(range(1, len(ids) + 1), len(ids))  # noqa: S311
    return dict(zip(ids, numbers, strict=True))
