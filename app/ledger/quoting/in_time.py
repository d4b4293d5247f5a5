"""What part of an order can be ready by the day on which it is needed, where all of it cannot: quoted as two
deliveries, the part on a day of its own and the rest when it can be had.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from app.ledger.quoting.key_lines import line_named
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import WHERE, QuoteOption
from app.ledger.tables import LineKind
from app.pricing import KeyingKind, Urgency, show_cents, show_day
from app.validation import counted

Counts = Mapping[int, int]  # a line's number → how many of its cylinders


@dataclass(frozen=True, slots=True)
class PartInTime:
    """How many of a group's cylinders our bench can have ready by `day`.

    lines: the group's own. first: how many of each the counter can quote as a delivery of their own; none where what
    is alike would be parted. rushed: how many it could as rush work. all_on: shop or factory, and when all of it is
    ready there.
    """

    day: date
    quantity: int
    of: int
    lines: tuple[int, ...]
    first: Counts
    rushed: int = 0
    all_on: tuple[tuple[str, date], ...] = ()


@dataclass(frozen=True, slots=True)
class OfferInTime:
    """What to tell the customer, and the request that quotes it so; None where it cannot be quoted as two."""

    sentences: tuple[str, ...]
    ask: QuoteRequest | None


def part_in_time(ask: QuoteRequest, numbers: Sequence[int], day: date, fits: Callable[[Counts], bool]) -> PartInTime:
    """The largest part of a group's lines, the first of them first, that `fits` says the bench has ready in time."""
    lines = {number: ask.lines[number - 1] for number in numbers}
    named = {line_named(line.symbol) for line in ask.lines if line.kind is LineKind.KEYS}
    steps = {number: line.quantity if number in named else _step(line) for number, line in lines.items()}
    at_most = _most(lines, dict.fromkeys(lines, 1), fits)
    first = _most(lines, steps, fits) if set(steps.values()) != {1} else at_most
    of = sum(line.quantity for line in lines.values())
    return PartInTime(day, sum(at_most.values()), of, tuple(lines), first)


def _step(line: LineRequest) -> int:
    """By how many cylinders a line may be cut, so that what is alike, or counted in all, stays together."""
    keying = line.keying
    alike = keying.kind is KeyingKind.KA and not keying.set_size
    if line.standing or line.keys_in_all is not None or alike:
        return line.quantity
    return 1 if keying.kind is KeyingKind.OWN else keying.set_size or 1


def _most(lines: Mapping[int, LineRequest], steps: Counts, fits: Callable[[Counts], bool]) -> Counts:
    pieces = {number: -(-line.quantity // steps[number]) for number, line in lines.items()}

    def counts(count: int) -> dict[int, int]:
        found = {}
        for number, line in lines.items():
            taken = min(count, pieces[number])
            count -= taken
            if taken:
                found[number] = min(line.quantity, taken * steps[number])
        return found

    low, high = 0, sum(pieces.values())  # all of it is not in time
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if fits(counts(middle)) else (low, middle)
    return counts(low)


def two_deliveries(ask: QuoteRequest, parts: Sequence[PartInTime]) -> tuple[QuoteRequest, set[int]] | None:
    """The request with each part on a day of its own, and the numbers of the lines that come later; None where no
    part can be quoted apart.
    """
    if not any(part.first for part in parts):
        return None
    part_of = {number: part for part in parts for number in part.lines}
    lines: list[LineRequest] = []
    later: set[int] = set()
    at: dict[int, int] = {}
    for number, line in enumerate(ask.lines, start=1):
        part = part_of.get(number)
        first = part.first.get(number, 0) if part else line.quantity
        day = part.day if part else ask.need_by
        off, off_later = line.discount.parted(first, line.quantity)
        if first:
            own_day = day if line.is_keyed else line.need_by
            lines.append(replace(line, quantity=first, need_by=own_day, discount=off))
            at[number] = len(lines)
        if first < line.quantity:
            lines.append(replace(line, quantity=line.quantity - first, discount=off_later))
            at.setdefault(number, len(lines))
            later.add(len(lines))
    for place, line in enumerate(lines):
        if (named := line_named(line.symbol)) in at:
            lines[place] = replace(line, symbol=f"line {at[named]}")
    return replace(ask, lines=tuple(lines), need_by=None), later


def tell(
    ask: QuoteRequest, parts: Sequence[PartInTime], later: set[int], then: QuoteOption | None
) -> tuple[str, ...]:
    """What part is ready in time and by whom, and what the rest costs and when. then: priced as two deliveries."""
    said = []
    for part in parts:
        some = f"{part.quantity:,} of {counted(part.of, 'cylinder')}"
        if then is not None and part.first:
            some = f"{sum(part.first.values()):,} of {counted(part.of, 'cylinder')}"
        if ask.urgency is Urgency.WAITS:
            said.append(f"While the customer waits our bench can key {some if part.quantity else 'none of it'}.")
        elif not part.quantity:
            said.append(f"Nothing of it can be ready by {show_day(part.day)}.")
        else:
            said.append(f"By {show_day(part.day)} our bench can have {some} ready.")
        if part.rushed > part.quantity:
            said.append(f"As rush work it could have {part.rushed:,} ready.")
        if then is None and part.all_on:
            days = "; ".join(f"keyed {WHERE[where]}, ready on {show_day(day)}" for where, day in part.all_on)
            said.append(f"All of it as one delivery: {days}.")
    if then is None:
        return tuple(said)
    amount = sum(line.amount_cents for line in then.lines if int(line.label.rstrip("abcdefgh")) in later)
    of = show_cents(then.totals.subtotal_cents)
    for choice in then.keying:
        if later.intersection(choice.lines):
            ready = f"ready on {show_day(choice.ready_on)}" if choice.ready_on else "the day to be confirmed"
            said.append(f"The other {choice.quantity:,}: keyed {WHERE[choice.choice]}, {ready}.")
    return (*said, f"What comes later costs {show_cents(amount)} of the {of} before tax.")
