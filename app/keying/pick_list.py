"""Pins to pick for a job: how many of each kind and size, and what the stock lacks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from app.keying.errors import KeyingError
from app.keying.pinning import Pinning


class PinSize(NamedTuple):
    """A kind of pin (bottom, master, build-up, top) and its size in increments; a top may have none."""

    kind: str
    size: int | None


KINDS = ("bottom", "master", "build-up", "top")


@dataclass(frozen=True, slots=True)
class PickList:
    """Pins by kind and size, bottoms first, each kind by size."""

    pins: tuple[tuple[PinSize, int], ...]

    @property
    def total(self) -> int:
        """All pins together."""
        return sum(count for _, count in self.pins)

    def short(self, stock: Mapping[PinSize, int]) -> tuple[tuple[PinSize, int], ...]:
        """Give what the stock lacks."""
        return tuple((size, n - stock.get(size, 0)) for size, n in self.pins if n > stock.get(size, 0))

    def drawn_down(self, stock: Mapping[PinSize, int]) -> dict[PinSize, int]:
        """Give the stock after picking; refuses when a size is short, naming each."""
        if lacking := self.short(stock):
            words = ", ".join(
                f"{count} × {size.kind}{'' if size.size is None else f' {size.size}'}" for size, count in lacking
            )
            raise KeyingError("stock", f"The stock lacks {words}. Order these or correct the count.")
        taken = dict(self.pins)
        return {size: count - taken.get(size, 0) for size, count in stock.items()}


def pick_list(pinnings: Iterable[tuple[Pinning, int]]) -> PickList:
    """Give the pins for some cylinders, each pinning with the number of cylinders that have it.

    A build-up or top pin of 0 or below is no pin; a top pin of unknown size counts without a size.
    """
    counts: Counter[PinSize] = Counter()
    for pinning, cylinders in pinnings:
        for pins in pinning.chambers:
            counts[PinSize("bottom", pins.bottom)] += cylinders
            for size in pins.masters:
                counts[PinSize("master", size)] += cylinders
            if pins.buildup is not None and pins.buildup > 0:
                counts[PinSize("build-up", pins.buildup)] += cylinders
            if pins.top is None or pins.top > 0:
                counts[PinSize("top", pins.top)] += cylinders
    ranked = sorted(counts, key=lambda pin: (KINDS.index(pin.kind), pin.size if pin.size is not None else -1))
    return PickList(tuple((pin, counts[pin]) for pin in ranked))
