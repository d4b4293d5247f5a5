"""Whether the cylinders of a request can be in the key system it names, told before the quote is issued."""

from __future__ import annotations

__all__ = ["require_fit", "system_problems"]

from collections.abc import Sequence
from dataclasses import dataclass

from app.errors import Problem
from app.ledger.errors import LedgerError
from app.ledger.jobs.ask import LineAsk, QuoteAsk
from app.ledger.keysystems.actions import find_master
from app.ledger.keysystems.models import KeySystem, RecordsHolder
from app.ledger.work import Work
from app.pricing import KeyingKind

_COUNTS = ["three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"]


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


def system_problems(work: Work, ask: QuoteAsk, lines: Sequence[LineAsk | None]) -> list[Problem]:
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
            except LedgerError as error:
                problems.append(Problem(f"lines.{place}.master", error.message))
        if not keyway or chambers is None:
            continue
        made = made or _Made(ask.system.name.strip() or "the new system", keyway, chambers)
        try:
            require_fit(f"lines.{place}.keyway", made.name, (made.keyway, made.chambers), (keyway, chambers))
        except LedgerError as error:
            problems.append(Problem(error.field, error.message))
    return problems


def _joins(line: LineAsk) -> bool:
    return line.kind.is_keyed and (line.keying.kind.is_master_keyed or line.keying.kind is KeyingKind.SKD)
