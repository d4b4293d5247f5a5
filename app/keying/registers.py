"""The register of top masters: a new one is held against those of the same key section.

(lockreference.com, using TMK registers, paraphrased)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from app.keying.spec import Bitting, parity_pattern


@dataclass(frozen=True, slots=True)
class RegisterFinding:
    """An old system that a new master may clash with, and how: the same bitting, or the same parity pattern."""

    system: str
    same_bitting: bool
    sentence: str


def check_register(tmk: Bitting, register: Mapping[str, Bitting]) -> tuple[RegisterFinding, ...]:
    """Give the old systems (name → top master) whose bitting or parity pattern the new master repeats.

    Two-step systems of one parity pattern can come to the same bittings; of unlike patterns they never do.

    >>> check_register((6, 1, 4), {"College": (2, 5, 8), "Flats": (1, 3, 6)})[0].system
    'College'
    """
    findings = []
    for system, old in register.items():
        if old == tmk:
            findings.append(RegisterFinding(system, True, f"{system} has this very master: draw another."))
        elif len(old) == len(tmk) and parity_pattern(old) == parity_pattern(tmk):
            findings.append(
                RegisterFinding(
                    system,
                    False,
                    f"{system} has the same parity pattern: two-step changes of both can be alike; "
                    "draw another, or hold both lists against each other.",
                )
            )
    return tuple(findings)
