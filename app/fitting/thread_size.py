"""Thread and body: does this mortise cylinder go into that lock's hole."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from app.errors import BitternError
from app.fitting.inches import show_inches
from app.fitting.reference import trade_fact


@dataclass(frozen=True, slots=True)
class MortiseBody:
    """A threaded body, or the hole for one: diameter in inches and threads per inch."""

    diameter: Fraction
    threads_per_inch: int


@dataclass(frozen=True, slots=True)
class ThreadFit:
    """Whether it goes in, and why not."""

    fits: bool
    reasons: tuple[str, ...]


def common_body() -> MortiseBody:
    """The usual body, 1-5/32 in with 32 threads per inch: common practice, no source.

    >>> common_body()
    MortiseBody(diameter=Fraction(37, 32), threads_per_inch=32)
    """
    diameter, threads = trade_fact("mortise_diameter"), trade_fact("mortise_threads_per_inch")
    return MortiseBody(diameter.value, int(threads.value))


def fit_thread(cylinder: MortiseBody, lock: MortiseBody) -> ThreadFit:
    """A cylinder goes in when both diameter and thread agree; some odd sizes exist, larger and smaller.

    >>> fit_thread(MortiseBody(Fraction(1), 32), common_body()).reasons
    ('The body is 5/32 in too small for the hole (1 in for 1-5/32 in): it needs a lock of its own size.',)
    """
    for field, body in (("cylinder", cylinder), ("lock", lock)):
        if body.diameter <= 0 or body.threads_per_inch <= 0:
            raise BitternError(field, "Enter a diameter and threads per inch, both more than 0.")
    reasons = []
    if cylinder.diameter != lock.diameter:
        size = "large" if cylinder.diameter > lock.diameter else "small"
        apart = show_inches(abs(cylinder.diameter - lock.diameter))
        sizes = f"{show_inches(cylinder.diameter)} in for {show_inches(lock.diameter)} in"
        reasons.append(f"The body is {apart} in too {size} for the hole ({sizes}): it needs a lock of its own size.")
    if cylinder.threads_per_inch != lock.threads_per_inch:
        reasons.append(
            f"The threads differ: {cylinder.threads_per_inch} to the inch on the cylinder, "
            f"{lock.threads_per_inch} in the lock. Do not force it."
        )
    return ThreadFit(not reasons, tuple(reasons))
