"""The control key of a system of interchangeable cores: drawn so that every core can be pinned for it."""

from __future__ import annotations

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
    leaves room for a top pin: beside the deepest cut of the spec where that can be, so that keys issued later
    find room too, else beside the deepest of `keys`. Raises NoBittingsLeft where neither can be.
    """
    check_offset(spec)
    for deepest in ([spec.last_depth] * spec.chambers, [max(cuts) for cuts in zip(*keys.values(), strict=True)]):
        columns = tuple(_room(spec, cut) for cut in deepest)
        if columns and all(columns):
            break
    for number, column in enumerate(columns or ((),), start=1):
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


def _room(spec: BittingSpec, deepest: int) -> tuple[int, ...]:
    """Give the control cuts that leave a chamber's build-up and top pins room above its deepest plain cut."""
    offset, least = spec.control_offset or 0, max(spec.min_master_pin or 0, 1)
    return tuple(
        depth
        for depth in spec.all_depths
        if depth + offset - deepest >= least and (spec.stack_total is None or spec.stack_total - depth - offset >= 1)
    )


def check_offset(spec: BittingSpec) -> None:
    """Refuse a spec without two shear lines that stand clear of each other.

    A stack parts at the control line where a cut and the offset together come to one of its joints. With an
    offset under the number of depths a plain key's cut can do that, and pull the core; or the control line's
    joint can stand at the plain shear line, and a stranger's key turn the plug.
    """
    if spec.control_offset is None:
        raise KeyingError("spec.control_offset", "A control key needs the spec's control offset.")
    if spec.control_offset < spec.depths:
        raise KeyingError(
            "spec.control_offset",
            f"With {spec.depths} depths the control offset must be at least {spec.depths}: under that a plain key "
            "can reach the control shear line. Compare it with the chart.",
        )
