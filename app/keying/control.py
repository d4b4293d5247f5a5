"""The control key of a system of interchangeable cores: drawn so that every core can be pinned for it."""

from __future__ import annotations

__all__ = ["draw_control"]

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from random import Random

from app.keying.audit import operated_by
from app.keying.errors import KeyingError, NoBittingsLeft
from app.keying.issuing import draw_from
from app.keying.spec import Bitting, BittingSpec

DRAWS = 500
_NAME = "\0control"  # no symbol is like it


def draw_control(
    spec: BittingSpec,
    rng: Random,
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    avoid: AbstractSet[Bitting] = frozenset(),
) -> Bitting:
    """Draw a control key within MACS for cores that `keys` operate; it operates none of them as a plain key.

    In every chamber the build-up pin is at least the spec's least master pin (at least 1), and the stack
    leaves room for a top pin. Raises NoBittingsLeft where that cannot be.
    """
    if spec.control_offset is None:
        raise KeyingError("spec.control_offset", "A control key needs the spec's control offset.")
    if not keys:
        raise KeyingError("keys", "Give the keys of the system first.")
    least = max(spec.min_master_pin or 0, 1)
    deepest = [max(cuts) for cuts in zip(*keys.values(), strict=True)]
    columns = tuple(
        tuple(
            depth
            for depth in spec.all_depths
            if depth + spec.control_offset - cut >= least
            and (spec.stack_total is None or spec.stack_total - depth - spec.control_offset >= 1)
        )
        for cut in deepest
    )
    for number, column in enumerate(columns, start=1):
        if not column:
            raise NoBittingsLeft(
                "control",
                f"Chamber {number} has no control cut that leaves room for its pins; look at the stack total and "
                "the control offset of the spec.",
                asked=1,
                exist=0,
                left=0,
            )
    for _ in range(DRAWS):
        control = draw_from(columns, spec.macs, rng)
        if control not in avoid and not operated_by({**keys, _NAME: control}, cylinders, _NAME):
            return control
    raise NoBittingsLeft(
        "control", "No control key was found that operates none of these cores.", asked=1, exist=0, left=0
    )
