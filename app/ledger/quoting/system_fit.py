"""Whether the cylinders of a request can be in the key system it names, told before the quote is issued."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from app.errors import Problem
from app.ledger.keysystems.keysets import find_master
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import KeyingChoice
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, LineKind, RecordsHolder
from app.pricing import KeyingKind

_COUNTS = ["three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"]


_LEVELS = {
    2: ("two levels, masters over changes", KeyingKind.MK),
    3: ("three levels, a grand master over masters and changes", KeyingKind.GMK),
}


@dataclass(frozen=True, slots=True)
class _Made:
    """What a system's cylinders are made for."""

    name: str
    keyway: str
    chambers: int


def _count(number: int) -> str:
    return _COUNTS[number - 3] if 3 <= number <= 12 else str(number)


def require_fit(field: str, name: str, made: tuple[str, int], cylinder: tuple[str, int]) -> None:
    """Raise LedgerError for `field` where a cylinder (keyway, chambers) cannot be in a system made for others."""
    if made[1] != cylinder[1]:
        own, theirs = _count(cylinder[1]), _count(made[1])
        raise LedgerError(
            field,
            f"{own.capitalize()}-pin cylinders cannot join {name}, a {theirs}-chamber system. "
            f"Choose {theirs}-pin cylinders, or key these different (KD).",
        )
    if made[0] != cylinder[0]:
        raise LedgerError(
            field,
            f"Cylinders on keyway {cylinder[0]} cannot join {name}, which is on keyway {made[0]}: its keys do not "
            "enter them.",
        )


def require_levels(field: str, system: KeySystem, keying: KeyingInstruction) -> None:
    """Raise LedgerError for `field` where a line is to be keyed on a higher level than its system has."""
    if system.levels in _LEVELS and keying.least_levels > system.levels:
        has, kind = _LEVELS[system.levels]
        raise LedgerError(
            field,
            f"{system.name} has {has}: nothing in it can be keyed {keying.kind.value}. Key this line {kind.value}, "
            f"or start a system of {_count(keying.least_levels)} levels.",
        )


def records_for(number: int, line: LineRequest, choices: Sequence[KeyingChoice]) -> RecordsHolder:
    """Who keys line `number`, as decided, and so has to hold the records of the system that it goes into."""
    # A customer's own cylinders never leave for the factory.
    if line.kind is LineKind.REKEY:
        return RecordsHolder.SHOP
    for choice in choices:
        if number in choice.lines and choice.in_two_places and line.keying.kind is not KeyingKind.KD:
            return RecordsHolder.SHOP  # one system keyed in two places has its records in one
        if number in choice.lines:
            return RecordsHolder.FACTORY if choice.choice == "factory" else RecordsHolder.SHOP
    return RecordsHolder.SHOP


def require_records(field: str, name: str, held: RecordsHolder, wanted: RecordsHolder, *, is_on_record: bool) -> None:
    """Raise LedgerError for `field` where a line is keyed elsewhere than the records of its system are held.

    A factory extends a system on record from the bittings that the shop draws and sends, and the records stay here;
    whether its maker does that, the pricing room has judged.
    """
    if is_on_record and held is RecordsHolder.SHOP:
        return
    if held is not wanted and held is not RecordsHolder.NOBODY:
        raise LedgerError(
            field,
            f"The records of {name} are with the {held.value}; key this line there, so that one system is never "
            "extended in two places.",
        )


def records_problems(
    work: Work, ask: QuoteRequest, lines: Sequence[LineRequest | None], choices: Sequence[KeyingChoice]
) -> list[Problem]:
    """Every line that would be keyed where its system's records may not be: a new system's are with its first."""
    if ask.system is None:
        return []
    system = work.session.get(KeySystem, ask.system.existing_id) if ask.system.existing_id is not None else None
    name = system.name if system else ask.system.name.strip() or "the new system"
    held = system.records if system else None
    problems = []
    for number, line in enumerate(lines, start=1):
        if line is None or not _joins(line):
            continue
        wanted = records_for(number, line, choices)
        held = held or wanted
        try:
            require_records(f"lines.{number - 1}.keying", name, held, wanted, is_on_record=system is not None)
        except LedgerError as error:
            problems.append(Problem(error.field, error.message))
    return problems


def system_problems(work: Work, ask: QuoteRequest, lines: Sequence[LineRequest | None]) -> list[Problem]:
    """Every line (None: not understood) that cannot be in the request's system; a new one is made for its first.

    A system on record has its masters already: a line under one that it has not is told which there are.
    """
    if ask.system is None:
        if any(line is not None and line.kind.is_keyed and line.keying.kind.is_master_keyed for line in lines):
            return [Problem("system", "Master-keyed cylinders need a key system: choose one, or name a new one.")]
        return []
    system = None
    if ask.system.existing_id is not None:
        system = work.session.get(KeySystem, ask.system.existing_id)
    made = _Made(system.name, system.keyway, system.chambers) if system is not None else None
    problems = []
    for place, line in enumerate(lines):
        if line is None or not _joins(line) or line.attributes is None:
            continue
        keyway, chambers = line.attributes.keyway, line.attributes.chambers
        if system is not None and system.records is RecordsHolder.NOBODY and line.keying.kind.is_master_keyed:
            words = f"Nobody holds the array and the list of bittings of {system.name}: key these single (SKD)."
            problems.append(Problem(f"lines.{place}.keying", words))
        elif system is not None and line.keying.kind.is_master_keyed:
            try:
                find_master(work, system, line.keying.master)
                require_levels("keying", system, line.keying)
            except LedgerError as error:
                problems.append(Problem(f"lines.{place}.{error.field}", error.message))
        if not keyway or chambers is None:
            continue
        made = made or _Made(ask.system.name.strip() or "the new system", keyway, chambers)
        try:
            require_fit(f"lines.{place}.keyway", made.name, (made.keyway, made.chambers), (keyway, chambers))
        except LedgerError as error:
            problems.append(Problem(error.field, error.message))
    return problems


def _joins(line: LineRequest) -> bool:
    return line.kind.is_keyed and (line.keying.kind.is_master_keyed or line.keying.kind is KeyingKind.SKD)
