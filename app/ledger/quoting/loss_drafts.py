"""From a loss's plan to the quotes that carry it out: what is left to do, in phases, and each phase as a request."""

import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from math import ceil
from typing import Any

from app.fitting import CylinderAttributes
from app.ledger.catalog.price_queries import (
    KEY_CONTROL,
    bench_terms_on,
    bench_terms_row_on,
    price_book,
    price_entries,
)
from app.ledger.keys.loss_plans import (
    jobs_of_loss,
    left_to_rekey,
    may_be_made_anew,
    say_successors,
)
from app.ledger.keysystems.out_of_use import require_in_use
from app.ledger.keysystems.system_queries import sections_of
from app.ledger.quoting.loss_lines import (
    AFTER_LOSS,
    AT_DOOR,
    AT_DOORS,
    STAYS_CROSSED,
    STAYS_NMK,
    UPPER,
    PlanOfQuote,
    are_masters_keys_quoted,
    in_open_quotes,
    name_new_keys,
)
from app.ledger.quoting.quick_words import CATEGORIES, minutes_sold_by
from app.ledger.quoting.rekeying import keyed_as, kind_of_levels, places_of
from app.ledger.quoting.request import LineRequest, QuoteRequest, SystemRequest
from app.ledger.store.engine import get_row
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Job, Level, LineKind, Loss, Maker, RecordsHolder, Role
from app.pricing import CylinderType
from app.validation import counted

_ALIKE = ("type", "maker_id", "part_number", "length", "chambers", "drilled", "keyway", "cam", "tailpiece", "finish")
MOST_PHASES = 60
MOST_DOORS = 40
_AT_A_DOOR = 5
"""Minutes to take a cylinder out of its door and to hang it again. (common practice, no source)"""
_FLOOR = re.compile(r"(.*?)(\d+)\d\d(?!\d).*")


class PhasesBy(StrEnum):
    """How the doors of a plan are parted into phases, a quote each."""

    ALL = "all"
    DAY = "day"
    FLOOR = "floor"
    DOORS = "doors"


@dataclass(frozen=True, slots=True)
class PhaseForm:
    """a_day: at most so many cylinders a phase, for DAY; doors: opening numbers, for DOORS."""

    by: str = PhasesBy.ALL
    a_day: int = 0
    doors: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Phase:
    """What is done together: doors keyed alike are never parted. is_first: the masters' keys come with it."""

    name: str
    cylinders: tuple[Cylinder, ...]
    is_first: bool = False


@dataclass(frozen=True, slots=True)
class PlanOfLoss:
    """A chosen plan as the loss's page shows it. left: doors that no quote or job of it has; a_day: what the bench
    can do in a day; floors: how many phases there would be; quoted: doors in open quotes, by job.
    """

    chosen_on: date | None
    says: tuple[str, ...]
    left: tuple[Cylinder, ...]
    quoted: tuple[tuple[int, int], ...]
    jobs: tuple[Job, ...]
    a_day: int
    floors: int
    may_be_made_anew: bool

    @property
    def places(self) -> str:
        """The doors that are left, in words."""
        return places_of(self.left)


def plan_of_loss(work: Work, loss: Loss) -> PlanOfLoss | None:
    """The plan that was chosen; None before one is."""
    work.require(Role.COUNTER, Role.BENCH)
    if not loss.successors:
        return None
    taken, there = in_open_quotes(work.session, loss.id), left_to_rekey(work, loss)
    left = tuple(one for one in there if one.id not in taken)
    quoted = Counter(taken[one.id] for one in there if one.id in taken)
    return PlanOfLoss(
        loss.plan_chosen_at.astimezone().date() if loss.plan_chosen_at else None,
        say_successors(loss.successors),
        left,
        tuple(sorted(quoted.items())),
        tuple(jobs_of_loss(work, loss)),
        _a_day(work, left),
        len({_floor(one) for one in left}),
        may_be_made_anew(work, loss),
    )


def phases_of(work: Work, loss: Loss, form: PhaseForm) -> tuple[Phase, ...]:
    """What is left of a loss's plan, parted as asked. LedgerError on `by`, `a_day` or `doors`."""
    if not loss.successors:
        raise LedgerError("by", "Choose the plan first.")
    if loss.closed_at is not None:
        raise LedgerError("by", "This loss is closed: nothing is rekeyed for it.")
    require_in_use(loss.system, "by")
    taken = in_open_quotes(work.session, loss.id)
    left = sorted((one for one in left_to_rekey(work, loss) if one.id not in taken), key=_place)
    is_begun = are_masters_keys_quoted(work.session, loss)
    if not left and not is_begun:  # what is on its way is pinned by the new bittings, and keys are wanted
        return (Phase("keys alone", (), is_first=True),)
    if not left:
        told = "Nothing is left to quote: every door of the plan stands in a quote or a job of this loss, or is done."
        raise LedgerError("by", told)
    together: dict[int | None, list[Cylinder]] = defaultdict(list)
    for one in left:
        together[one.keyset_id].append(one)
    named = _parted(form, [*together.values()])
    if len(named) > MOST_PHASES:
        raise LedgerError("a_day", f"That makes {len(named):,} phases; {MOST_PHASES} fit: do more a day.")
    return tuple(
        Phase(name, tuple(sorted(cylinders, key=_place)), not is_begun and number == 0)
        for number, (name, cylinders) in enumerate(named)
    )


def _parted(form: PhaseForm, sets: Sequence[list[Cylinder]]) -> list[tuple[str, list[Cylinder]]]:
    match form.by:
        case PhasesBy.ALL:
            return [("", [one for alike in sets for one in alike])]
        case PhasesBy.FLOOR:
            floors: dict[str, list[Cylinder]] = defaultdict(list)
            for alike in sets:
                floors[_floor(alike[0])] += alike
            return list(floors.items())
        case PhasesBy.DAY:
            if form.a_day < 1:
                raise LedgerError("a_day", "Enter how many cylinders are done a day, 1 or more.")
            days: list[list[Cylinder]] = []
            for alike in sets:
                if not days or len(days[-1]) + len(alike) > form.a_day:
                    days.append([])
                days[-1] += alike
            return [(f"day {number}", cylinders) for number, cylinders in enumerate(days, start=1)]
        case PhasesBy.DOORS:
            asked = {one.casefold(): one for one in form.doors if one}
            if not asked:
                raise LedgerError("doors", "Enter the doors to do now, by their opening numbers.")
            there = {_door(one).casefold() for alike in sets for one in alike}
            if stray := [one for key, one in asked.items() if key not in there]:
                told = "is not left to do" if len(stray) == 1 else "are not left to do"
                raise LedgerError("doors", f"{', '.join(stray[:8])} {told} in this plan: take it off the list.")
            chosen = [alike for alike in sets if any(_door(one).casefold() in asked for one in alike)]
            return [("chosen doors", [one for alike in chosen for one in alike])]
    raise LedgerError("by", "Choose how the doors are parted.")


def _door(cylinder: Cylinder) -> str:
    return cylinder.door.opening_number if cylinder.door else ""


def _place(cylinder: Cylinder) -> tuple[str, list[tuple[int, str]], int]:
    """For doors as people count them: D2 before D10."""
    parts = re.findall(r"\d+|\D+", _door(cylinder))
    site = cylinder.door.site.name if cylinder.door else ""
    return site, [(int(one), "") if one.isdigit() else (-1, one) for one in parts], cylinder.id


def _floor(cylinder: Cylinder) -> str:
    """The floor that an opening number tells, its last two figures left out. (common practice, no source)"""
    site = f"{cylinder.door.site.name}, " if cylinder.door else ""
    found = _FLOOR.fullmatch(_door(cylinder))
    return f"{site}doors {found[1]}{found[2]}…" if found else f"{site}other doors"


def _a_day(work: Work, cylinders: Sequence[Cylinder]) -> int:
    """How many of these the bench does in a day, beside what is kept for those who wait; 1 where it has no terms."""
    keyset = cylinders[0].keyset if cylinders else None
    if keyset is None or bench_terms_row_on(work.session, work.today) is None:
        return 1
    terms = bench_terms_on(work.session, work.today)
    kind = kind_of_levels(keyset.system.levels)
    sort = cylinders[0].type
    of_type = terms.minutes_of(CylinderType(sort)) if sort in {*CylinderType} else None
    each = terms.kind_minutes.get(kind, 0) + (of_type or 0) + terms.checking_minutes
    free = terms.minutes_per_day - terms.reserve_minutes_per_day
    return max(1, int(free / each)) if each else len(cylinders)


def drafts_of_loss(work: Work, loss_id: int, form: PhaseForm) -> tuple[QuoteRequest, ...]:
    """A request a phase that, issued and accepted as it is, does what the plan says. LedgerError as `phases_of`."""
    work.require(Role.COUNTER, Role.BENCH)
    loss = get_row(work.session, Loss, loss_id, "loss")
    phases = phases_of(work, loss, form)
    return tuple(_request(work, loss, phase, number, len(phases)) for number, phase in enumerate(phases, start=1))


def _request(work: Work, loss: Loss, phase: Phase, number: int, count: int) -> QuoteRequest:
    system = loss.system
    sites = {one.door.site_id for one in phase.cylinders if one.door}
    title = f"Rekey after a lost key of {loss.keyset.symbol}"
    if count > 1 or phase.name:
        title += f", phase {number} of {count}" * (count > 1) + (f": {phase.name}" if phase.name else "")
    return QuoteRequest(
        customer_id=system.customer_id,
        lines=(*_rekey_lines(work, loss, phase), *_key_lines(work, loss, phase), *_site_lines(work, phase)),
        site_id=sites.pop() if len(sites) == 1 else system.site_id,
        title=title[:200],
        system=SystemRequest(existing_id=system.id) if system.levels > 1 else None,
        replaced=tuple(loss.successors),
        loss_id=loss.id,
    )


def _rekey_lines(work: Work, loss: Loss, phase: Phase) -> list[LineRequest]:
    """One line for cylinders alike, however many keysets they are on; those crossed alike, or NMK, stand apart."""
    sets = Counter(one.keyset_id for one in phase.cylinders)
    alike: dict[tuple[object, ...], list[Cylinder]] = defaultdict(list)
    for one in phase.cylinders:
        what = tuple(str(getattr(one, name)) for name in _ALIKE)
        keyset = one.keyset
        crossed = tuple(sorted(operator.keyset.symbol for operator in one.operators))
        level = keyset.level if keyset else None
        alike[what, level, keyset and keyset.parent_id, sets[one.keyset_id], crossed, one.is_nmk].append(one)
    plan, lines = PlanOfQuote(work.session, loss, ()), []
    for cylinders in alike.values():
        lines.append(_line(work, loss, plan, cylinders))
    return lines


def _line(work: Work, loss: Loss, plan: PlanOfQuote, cylinders: Sequence[Cylinder]) -> LineRequest:
    """Cylinders alike, rekeyed where they hang; of a factory's system new ones of the same part, keyed there."""
    one, system = cylinders[0], loss.system
    maker = work.session.get(Maker, one.maker_id) if one.maker_id else None
    keyway = one.keyway or (one.keyset.section if one.keyset else system.keyway)
    body = CylinderAttributes(one.type, length=one.length, chambers=one.chambers or system.chambers, keyway=keyway)
    line = LineRequest(
        kind=LineKind.REKEY,
        quantity=len(cylinders),
        attributes=body,
        keying=keyed_as(cylinders, plan.now),
        keys_each=0,
        remark=_remark(loss, plan, cylinders),
        standing=tuple(each.id for each in cylinders),
    )
    if system.records is RecordsHolder.SHOP:
        return line
    line = replace(line, maker_code=maker.code if maker else "")
    if one.part_number:
        return replace(line, kind=LineKind.PART, part_number=one.part_number, attributes=None)
    known: dict[str, Any] = {name: getattr(one, name) or None for name in ("drilled", "cam", "tailpiece", "finish")}
    return replace(line, kind=LineKind.CYLINDER, attributes=replace(body, **known))


def _remark(loss: Loss, plan: PlanOfQuote, cylinders: Sequence[Cylinder]) -> str:
    """Why and where, and what is special about these cylinders."""
    openings = [_door(one) for one in cylinders if one.door]
    doors = ", ".join(openings[:MOST_DOORS]) + (" and more" if len(openings) > MOST_DOORS else "")
    keyed, one = plan.rekeyed(cylinders[0]), cylinders[0]
    is_left_out = keyed.is_nmk and not one.is_nmk
    parts = (
        f"{AFTER_LOSS}{loss.keyset.symbol}",
        f"{AT_DOOR if len(openings) == 1 else AT_DOORS}{doors}" if doors else "",
        f"{STAYS_CROSSED}{', '.join(keyed.further)}" if one.operators and keyed.further else "",
        STAYS_NMK if one.is_nmk else "",
        f"{loss.keyset.symbol} is left out of the pins" if is_left_out else "",
    )
    return "; ".join(filter(None, parts))[:500]


def _key_lines(work: Work, loss: Loss, phase: Phase) -> list[LineRequest]:
    """The keys of each level in one line, as many as there were: of changes with their doors, all others once."""
    there = LineRequest(LineKind.REKEY, 1, standing=tuple(one.id for one in phase.cylinders))
    plan = PlanOfQuote(work.session, loss, [there])
    book, lines = {row.code for row in price_book(work.session).rows}, list[LineRequest]()
    keyways = sections_of(loss.system)
    for level in (*UPPER, Level.CHANGE, Level.SINGLE):
        if level in UPPER and not phase.is_first:
            continue
        if not (quantity := plan.as_many_as_before(level, with_bare=phase.is_first)):
            continue
        is_control = level is Level.CONTROL and KEY_CONTROL in book
        lines.append(
            LineRequest(
                kind=LineKind.KEYS,
                quantity=quantity,
                attributes=CylinderAttributes("", keyway=keyways[0] if len(keyways) == 1 else ""),
                keys_each=0,
                price_code=KEY_CONTROL if is_control else "",
                symbol=name_new_keys(level),
            )
        )
    return lines


def _site_lines(work: Work, phase: Phase) -> list[LineRequest]:
    """The trip to doors where cylinders hang, and the labor there, by the price book's own entries: as many of what
    it sells labor at the site by as the cylinders take; none where it has none, or does not say how long one is.
    """
    hung = sum(one.state is CylinderState.FITTED and one.door_id is not None for one in phase.cylinders)
    entries, lines = price_entries(work.session, work.today), list[LineRequest]()
    if not hung:
        return lines
    trip = next((one for one in entries if CATEGORIES.get(one.category) is LineKind.TRIP), None)
    if trip is not None:
        lines.append(LineRequest(LineKind.TRIP, 1, price_code=trip.code))
    for entry in entries:
        each = minutes_sold_by(entry.description)
        if CATEGORIES.get(entry.category) is LineKind.LABOR and "site" in entry.description.casefold() and each:
            quantity = ceil(hung * _AT_A_DOOR / each)
            remark = f"{counted(hung, 'cylinder')} taken out and hung, {_AT_A_DOOR} minutes each"
            lines.append(LineRequest(LineKind.LABOR, quantity, price_code=entry.code, remark=remark))
            break
    return lines
