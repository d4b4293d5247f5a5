"""What the bench's own recorded times say, beside the book's figure; the owner adopts it or not."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from fractions import Fraction
from statistics import median
from types import MappingProxyType

from app.errors import BitternError
from app.pricing.money import half_up
from app.pricing.terms import BenchTerms, CylinderType, KeyingKind


class BenchTask(StrEnum):
    """What a recorded time was spent on."""

    SET_UP = "set-up"
    PINNING = "pinning"
    CUTTING = "cutting"


@dataclass(frozen=True, slots=True)
class RecordedTime:
    """Minutes the bench took for `pieces` of one task: systems set up, cylinders pinned and checked, keys cut.

    `kind` goes with set-up and pinning, `cylinder` with pinning.
    """

    task: BenchTask
    pieces: int
    minutes: Fraction
    finished: date
    kind: KeyingKind | None = None
    cylinder: CylinderType | None = None

    def __post_init__(self) -> None:
        if type(self.pieces) is not int or not 1 <= self.pieces <= 1_000_000:
            raise BitternError("pieces", "Enter a whole number of pieces, 1 or more.")
        if not 0 <= self.minutes <= 1_000_000:
            raise BitternError("minutes", "Enter minutes from 0 to 1,000,000.")
        if (self.kind is None) != (self.task is BenchTask.CUTTING):
            raise BitternError("kind", "Set-up and pinning are of a keying kind; cutting is not.")
        if (self.cylinder is None) == (self.task is BenchTask.PINNING):
            raise BitternError("cylinder", "Pinning is of a cylinder type; the other tasks are not.")


@dataclass(frozen=True, slots=True)
class LearnedTime:
    """The median minutes a piece over the last jobs, rounded to a hundredth, beside the book's figure.

    `book_minutes` is None where the book has none. For pinning both include checking.
    """

    task: BenchTask
    kind: KeyingKind | None
    cylinder: CylinderType | None
    jobs: int
    median_minutes: Fraction
    book_minutes: Fraction | None

    @property
    def difference(self) -> Fraction | None:
        """Minutes a piece that the bench takes beyond the book; negative when it is faster."""
        return None if self.book_minutes is None else self.median_minutes - self.book_minutes


def learn(
    bench: BenchTerms, recorded: Iterable[RecordedTime], last: int = 9, least: int = 3
) -> tuple[LearnedTime, ...]:
    """The median of each task's `last` latest records, for tasks with at least `least` of them.

    A median, so that one day of interruptions moves nothing.
    """
    groups: defaultdict[tuple[BenchTask, KeyingKind | None, CylinderType | None], list[RecordedTime]]
    groups = defaultdict(list)
    for one in recorded:
        groups[one.task, one.kind, one.cylinder].append(one)
    learned = []
    for (task, kind, cylinder), times in sorted(groups.items(), key=lambda item: [str(part) for part in item[0]]):
        latest = sorted(times, key=lambda one: one.finished)[-last:]
        if len(latest) < max(1, least):
            continue
        middle = median(one.minutes / one.pieces for one in latest)
        rounded = Fraction(half_up(Fraction(middle) * 100), 100)
        learned.append(LearnedTime(task, kind, cylinder, len(latest), rounded, _book(bench, task, kind, cylinder)))
    return tuple(learned)


def _book(
    bench: BenchTerms, task: BenchTask, kind: KeyingKind | None, cylinder: CylinderType | None
) -> Fraction | None:
    if task is BenchTask.CUTTING:
        return bench.key_minutes
    if task is BenchTask.SET_UP:
        return bench.setup_minutes.get(kind) if kind else None
    of_type = bench.minutes_of(cylinder) if cylinder else None
    if kind is None or of_type is None or kind not in bench.kind_minutes:
        return None
    return of_type + bench.kind_minutes[kind] + bench.checking_minutes


class Adopt(StrEnum):
    """Which of the book's figures a pinning time is to move: the type's (for every kind) or the kind's."""

    TYPE = "type"
    KIND = "kind"


def adopt(bench: BenchTerms, learned: LearnedTime, moving: Adopt = Adopt.KIND) -> BenchTerms:
    """The book with one learned time adopted, so that its figure is the median; `bench` itself is unchanged.

    `moving` counts for pinning alone. `BitternError` when the figure would fall below 0 minutes, or the book
    has none for this kind and type.
    """
    if learned.task is BenchTask.CUTTING:
        return replace(bench, key_minutes=learned.median_minutes)
    if learned.task is BenchTask.SET_UP and learned.kind is not None:
        moved = {**bench.setup_minutes, learned.kind: learned.median_minutes}
        return replace(bench, setup_minutes=MappingProxyType(moved))
    difference = learned.difference
    if difference is None or learned.kind is None or learned.cylinder is None:
        raise BitternError("learned", "The book has no figure for this kind and type; enter one first.")
    kinds, types = dict(bench.kind_minutes), dict(bench.type_minutes)
    if moving is Adopt.TYPE:
        least = types[learned.cylinder] = (bench.minutes_of(learned.cylinder) or Fraction(0)) + difference
    else:
        least = kinds[learned.kind] = kinds[learned.kind] + difference
    if least < 0:
        raise BitternError("moving", "This figure would fall below 0 minutes; move the other one.")
    return replace(bench, kind_minutes=MappingProxyType(kinds), type_minutes=MappingProxyType(types))
