"""The whole-system check: every issued key against every cylinder, and the combinations nobody ordered."""

from __future__ import annotations

__all__ = ["Audit", "audit"]

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import prod

from app.keying.errors import KeyingError
from app.keying.given import short
from app.keying.pinning import shearing_depths
from app.keying.spec import Bitting

Shear = tuple[tuple[int, ...], ...]
"""Per chamber, bow to tip, the depths that shear."""


@dataclass(frozen=True, slots=True)
class Audit:
    """What the check found, as symbols only.

    `unintended`: (cylinder, key) where the key operates and must not. `missing`: the key must and does not.
    `phantoms`: per cylinder, the combinations that shear and that no issued key is cut to.
    """

    unintended: tuple[tuple[str, str], ...]
    missing: tuple[tuple[str, str], ...]
    phantoms: dict[str, int]

    @property
    def clean(self) -> bool:
        """Whether the bench may start: phantoms are a number to keep small, not a finding."""
        return not self.unintended and not self.missing


def audit(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    pinned: Mapping[str, Shear] | None = None,
) -> Audit:
    """Check each key of the system against each cylinder.

    `keys` is symbol → bitting; `cylinders` is symbol → the symbols of the keys meant to operate it, from which
    it is pinned, unless `pinned` says what depths really shear in it. Findings come in the order given.

    >>> found = audit({"AA": (1, 1), "1AA": (3, 3), "2AA": (3, 1)}, {"1AA": ["AA", "1AA"], "2AA": ["AA", "2AA"]})
    >>> found.unintended, found.missing, found.phantoms
    ((('1AA', '2AA'),), (), {'1AA': 1, '2AA': 0})
    """
    check_system(keys, cylinders)
    unintended: list[tuple[str, str]] = []
    missing: list[tuple[str, str]] = []
    phantoms: dict[str, int] = {}
    for cylinder, meant in cylinders.items():
        shear = (pinned or {}).get(cylinder) or shearing_depths([keys[symbol] for symbol in meant])
        open_to = [set(depths) for depths in shear]
        operating = {
            symbol
            for symbol, bitting in keys.items()
            if all(cut in depths for cut, depths in zip(bitting, open_to, strict=True))
        }
        wanted = set(meant)
        unintended += [(cylinder, symbol) for symbol in keys if symbol in operating and symbol not in wanted]
        missing += [(cylinder, symbol) for symbol in dict.fromkeys(meant) if symbol not in operating]
        phantoms[cylinder] = prod(map(len, open_to)) - len({keys[symbol] for symbol in operating})
    return Audit(tuple(unintended), tuple(missing), phantoms)


def check_system(keys: Mapping[str, Bitting], cylinders: Mapping[str, Sequence[str]]) -> None:
    """Refuse keys of unlike lengths, a cylinder without keys, and a cylinder that names an unknown key."""
    if len({len(bitting) for bitting in keys.values()}) > 1:
        raise KeyingError("keys", "All keys of a system need the same number of cuts.")
    for cylinder, meant in cylinders.items():
        if not meant:
            raise KeyingError(f"cylinders.{short(cylinder)}", "Name at least one key that operates this cylinder.")
        for symbol in meant:
            if symbol not in keys:
                raise KeyingError(
                    f"cylinders.{short(cylinder)}",
                    f"There is no key {short(symbol)} in this system: correct the list.",
                )
