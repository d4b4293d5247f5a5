"""Shop or factory for each group of lines: ask the pricing room, apply the counter's override, keep the reasons.

What is kept for a customer to be told stands apart from what is the owner's alone.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from math import ceil

import sqlalchemy as sa

from app.errors import BitternError, Problem
from app.ledger.catalog.maker_queries import factory_terms_on
from app.ledger.catalog.price_queries import bench_terms_on
from app.ledger.keysystems.construction import ConstructionWay
from app.ledger.quoting.in_time import PartInTime, part_in_time
from app.ledger.quoting.line_supply import RequestSupply
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.resolving import Resolved
from app.ledger.quoting.snapshot import CostedWay, KeyingChoice
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, LineKind, Maker
from app.pricing import (
    SMALL_ORDER,
    BenchTerms,
    CylinderSource,
    CylinderType,
    Decision,
    FactoryTerms,
    KeyingKind,
    KeyingRequest,
    KeyingWay,
    ObstacleCode,
    Place,
    RecordsHolder,
    SplitChoice,
    SplitDecision,
    SplitOption,
    SystemAge,
    Urgency,
    cost_points,
    decide,
    decide_split,
    find_flips,
    lent_cores_cost,
    shop_way,
)

KEYED_AT = ("", "shop", "factory", "split")
"""Where the counter may insist on; "" leaves it to the figures."""

# What no override can wish away: nobody may or can do the work there.
_FIRM = {
    ObstacleCode.NO_TERMS,
    ObstacleCode.NOT_KEYED,
    ObstacleCode.OWN_CYLINDERS,
    ObstacleCode.KEYWAY,
    ObstacleCode.RECORDS,
}
_SPLIT_NAMES = {SplitChoice.ALL_SHOP: "shop", SplitChoice.ALL_FACTORY: "factory", SplitChoice.SPLIT: "split"}
_NO_PARTS = (
    "To key a job in two places, give some lines of a maker's cylinders a day of their own: "
    "the bench keys those, the factory the rest."
)
# The deepest keying of a group is what the bench and the factory must be able to do.
_RANK = (
    KeyingKind.NONE,
    KeyingKind.KD,
    KeyingKind.KA,
    KeyingKind.OWN,
    KeyingKind.SKD,
    KeyingKind.MK,
    KeyingKind.GMK,
    KeyingKind.GGMK,
)
_LEAST_DRAWN, _MOST_DRAWN = 12, 5_000  # cylinders along the chart's foot


@dataclass(frozen=True, slots=True)
class Decided:
    """Where each group is keyed. costs: a line's place → its share of what the keying costs the house, without the
    maker's charge for a small order.

    bench_minutes: the shop's own keying work. problems: groups keyed nowhere, or not as the counter insists.
    in_time: of groups that cannot be ready when they are needed, what part can. lent_cents: what construction cores
    cost the house at the bench; their minutes are among bench_minutes.
    """

    keying: tuple[KeyingChoice, ...]
    costs: Mapping[int, int]
    bench_minutes: int
    problems: tuple[Problem, ...]
    in_time: tuple[PartInTime, ...] = ()
    lent_cents: int = 0


@dataclass(frozen=True, slots=True)
class _Group:
    """Lines that are keyed together, by their places: one maker's cylinders, or the customer's own; those to a
    customer's key apart, since the bench decodes it.
    """

    lines: Mapping[int, Resolved]
    set_up: frozenset[int] = frozenset()  # numbers of the job's lines whose cylinders take a construction key's balls

    @property
    def first(self) -> Resolved:
        return next(iter(self.lines.values()))

    @property
    def is_own(self) -> bool:
        return self.first.line.kind is LineKind.REKEY

    @property
    def is_to_key(self) -> bool:
        return self.first.line.keying.kind is KeyingKind.OWN

    @property
    def quantity(self) -> int:
        return sum(one.line.quantity for one in self.lines.values())

    @property
    def name(self) -> str:
        who = "Customer's own" if self.is_own else self.first.maker_name
        to_key = " to the customer's key" if self.is_to_key else ""
        return f"{who}, {self.quantity:,} cylinder{'s' if self.quantity != 1 else ''}{to_key}"

    @property
    def numbers(self) -> tuple[int, ...]:
        return tuple(place + 1 for place in self.lines)

    @property
    def counts(self) -> dict[int, int]:
        return {place + 1: one.line.quantity for place, one in self.lines.items()}

    @property
    def field(self) -> str:
        """What a problem of the whole group is said beside."""
        return f"lines.{min(self.lines)}.keying"

    @property
    def joins_system(self) -> bool:
        return any(one.line.joins_system for one in self.lines.values())

    @property
    def kind(self) -> KeyingKind:
        return max((one.line.keying.kind for one in self.lines.values()), key=_RANK.index)

    @property
    def own_days(self) -> list[date]:
        return [one.line.need_by for one in self.lines.values() if one.line.need_by is not None]

    @property
    def parts(self) -> "tuple[_Group, _Group] | None":
        """The bulk, and the lines needed on days of their own; None where there are not both."""
        if self.is_own or self.is_to_key or not 0 < len(self.own_days) < len(self.lines):
            return None
        bulk = {place: one for place, one in self.lines.items() if one.line.need_by is None}
        rest = {place: one for place, one in self.lines.items() if place not in bulk}
        return _Group(bulk, self.set_up), _Group(rest, self.set_up)


@dataclass(frozen=True, slots=True)
class _Weighed:
    """A group's decision by these terms, with every way costed, by name: a split, too, where there is one."""

    group: _Group
    bench: BenchTerms
    factory: FactoryTerms | None
    decision: Decision
    split: SplitDecision | None

    @property
    def computed(self) -> str:
        if self.split is not None:
            return _SPLIT_NAMES[self.split.choice] if self.split.choice else ""
        return self.decision.choice.value if self.decision.choice else ""

    @property
    def ways(self) -> Mapping[str, SplitOption]:
        here, away = self.decision.shop, self.decision.factory
        ways = {
            "shop": SplitOption(SplitChoice.ALL_SHOP, (here,), here.why_not),
            "factory": SplitOption(SplitChoice.ALL_FACTORY, (away,), away.why_not),
        }
        if self.split is None:
            return ways
        in_one, in_both = map(self.split.option, (SplitChoice.ALL_SHOP, SplitChoice.SPLIT))
        return {**ways, "shop": in_one, "split": in_both}


def choose(work: Work, ask: QuoteRequest, resolved: Sequence[Resolved | None], supply: RequestSupply) -> Decided:
    """Decide every group among the lines that are understood and keyed, in the order of their first lines.

    supply: what those before have left; what is keyed here is taken of it.
    """
    sites = ask.construction_keyed([one.line if one else None for one in resolved])
    is_lent = ask.system is not None and ask.system.construction is ConstructionWay.CORES
    groups = _groups_of(resolved, frozenset() if is_lent else frozenset(sites))
    if not groups:
        return Decided((), {}, 0, ())
    bench = bench_terms_on(work.session, work.today)
    makers = dict(work.session.execute(sa.select(Maker.code, Maker.id)).all())
    system = work.session.get(KeySystem, ask.system.existing_id) if ask.system and ask.system.existing_id else None
    keying: list[KeyingChoice] = []
    costs: dict[int, int] = {}
    problems: list[Problem] = []
    minutes = lent_cents = 0
    try:
        if is_lent and sites:
            minutes, lent_cents = _lent_cores(work.today, ask, resolved, sites, bench)
    except BitternError as error:
        problems.append(Problem("construction", error.message))
    bench = _promised(ask, bench, minutes)
    if ask.keyed_at == "split" and not any(group.parts for group in groups):
        problems.append(Problem("keyed_at", _NO_PARTS))
    weighed: list[_Weighed] = []
    in_time: list[PartInTime | None] = []
    for group in groups:
        code = group.first.line.maker_code
        terms = factory_terms_on(work.session, makers[code], work.today) if code and not group.is_own else None
        try:
            weighed.append(_weigh(work.today, ask, group, system, bench, terms, supply))
        except BitternError as error:
            problems.append(Problem(group.field, error.message))
            continue
        in_time.append(_in_time(work.today, ask, weighed[-1], system, supply))
        bench = _left_after(ask, weighed[-1])
        supply.take(_numbers_here(ask, weighed[-1]))
    together = _kept_together(ask, weighed)
    for one in weighed:
        insisted = _insisted(ask, one)
        if insisted and (why := _why_never(one.ways[insisted])) is not None:
            where = "in two places" if insisted == "split" else f"at the {insisted}"
            problems.append(Problem("keyed_at", f"This cannot be keyed {where}: {why}"))
            insisted = ""
        elif not insisted and not one.computed:
            problems.append(Problem(one.group.field, _neither(one.decision)))
        for part, choice, way in _kept(ask, one, insisted, together if one.group.joins_system else ""):
            keying.append(choice)
            quantities = {place: one.line.quantity for place, one in part.lines.items()}
            costs |= _shares(((way.total_cents or 0) if way else 0) - choice.small_order_cents, quantities)
            minutes += ceil(way.bench_minutes) if way and choice.choice == "shop" else 0
    parts = tuple(one for one in in_time if one)
    return Decided(tuple(keying), costs, minutes, tuple(problems), parts, lent_cents)


def _lent_cores(
    today: date, ask: QuoteRequest, resolved: Sequence[Resolved | None], sites: Mapping[int, int], bench: BenchTerms
) -> tuple[int, int]:
    """Minutes, rounded up, and cents of a job's construction cores: pinned alike, with their keys and the one that
    takes them out, fitted and changed.
    """
    cores: Counter[CylinderType] = Counter()
    for number, count in sites.items():
        found = resolved[number - 1]
        if found is not None and found.line.attributes is not None:
            cores[CylinderType(found.line.attributes.type)] += count
    keys = 1 + max(0, ask.system.construction_keys if ask.system else 0)
    lent = KeyingRequest(KeyingKind.KA, cores, keys, today)
    minutes, cents = lent_cores_cost(lent, bench)
    return ceil(minutes), cents


def _left_after(ask: QuoteRequest, weighed: _Weighed) -> BenchTerms:
    """What the next group finds at the bench, when this one is keyed where it is to be."""
    bench, name = weighed.bench, _insisted(ask, weighed) or weighed.computed
    here = [way for way in weighed.ways[name].ways if way.name is Place.SHOP] if name in weighed.ways else []
    if not here:
        return bench
    return _promised(ask, bench, sum(ceil(way.bench_minutes) for way in here))


def _promised(ask: QuoteRequest, bench: BenchTerms, minutes: int) -> BenchTerms:
    """The bench with so many minutes of its time promised to a job."""
    promised = "reserve_minutes_promised" if ask.urgency.uses_reserve else "minutes_promised"
    return replace(bench, **{promised: getattr(bench, promised) + minutes})


def _numbers_here(ask: QuoteRequest, weighed: _Weighed) -> tuple[int, ...]:
    """The lines of a group that are keyed here, those first that are needed on a day of their own."""
    name, parts = _insisted(ask, weighed) or weighed.computed, weighed.group.parts
    if name not in ("shop", "split"):
        return ()
    if parts is None:
        return weighed.group.numbers
    bulk, rest = parts
    return rest.numbers if name == "split" else (*rest.numbers, *bulk.numbers)


def _groups_of(resolved: Sequence[Resolved | None], set_up: frozenset[int]) -> list[_Group]:
    found: dict[str, dict[int, Resolved]] = {}
    for place, one in enumerate(resolved):
        if one is not None and one.line.is_keyed:
            whose = "customer's own" if one.line.kind is LineKind.REKEY else f"maker {one.line.maker_code}"
            whose += " to the customer's key" if one.line.keying.kind is KeyingKind.OWN else ""
            found.setdefault(whose, {})[place] = one
    return [_Group(lines, set_up) for lines in found.values()]


def _weigh(
    today: date,
    ask: QuoteRequest,
    group: _Group,
    system: KeySystem | None,
    bench: BenchTerms,
    factory: FactoryTerms | None,
    supply: RequestSupply,
) -> _Weighed:
    of_all, _ = supply.would_take(group.counts)
    whole = replace(_keying_request(today, ask, group, system, group.kind), supply=of_all)
    decision, split = decide(whole, bench, factory), None
    if group.parts is not None and factory is not None:
        bulk, rest = (_keying_request(today, ask, part, system, group.kind) for part in group.parts)
        of_rest, of_bulk = supply.would_take(group.parts[1].counts, group.parts[0].counts)
        bulk, rest = replace(bulk, supply=of_bulk), replace(rest, supply=of_rest)
        # A day of their own goes before the job's, be it sooner or later.
        days = [day for day in group.own_days if day >= today]
        with suppress(BitternError):  # of two keyways: never one system, so there is nothing to split
            split = decide_split(bulk, replace(rest, need_by=min(days, default=None)), bench, factory)
    return _Weighed(group, bench, factory, decision, split)


def _keying_request(
    today: date, ask: QuoteRequest, group: _Group, system: KeySystem | None, kind: KeyingKind
) -> KeyingRequest:
    """What is asked of bench or factory for a group; `kind`: the deepest keying of the job it is a part of.

    In one delivery the group is due by the earliest day that it or one of its lines is needed.
    """
    cylinders: Counter[CylinderType] = Counter()
    kinds: Counter[KeyingKind] = Counter()
    for one in group.lines.values():
        if one.line.attributes is None:
            raise BitternError("keying", "Only cylinders are keyed.")
        cylinders[CylinderType(one.line.attributes.type)] += one.line.quantity
        kinds[one.line.keying.kind] += one.line.quantity
    attributes = group.first.line.attributes
    records = system.records if system else RecordsHolder.NOBODY
    # Single-keyed cylinders may be in a system whose records nobody holds: they take nothing from it.
    joins = kind.is_master_keyed or (kind is KeyingKind.SKD and records is not RecordsHolder.NOBODY)
    days = [day for day in (ask.need_by, *group.own_days) if day is not None and day >= today]
    goods = sum(one.cost_cents * one.line.quantity for one in group.lines.values())
    keys = sum(one.line.keys for one in group.lines.values())
    if ask.system is not None and min(group.set_up, default=0) in group.numbers:
        keys += max(0, ask.system.construction_keys)  # they are cut with what the site's first line gets
    return KeyingRequest(
        kind=kind,
        cylinders=dict(cylinders),
        keys=keys,
        today=today,
        system=SystemAge.EXISTING if system and joins else SystemAge.NEW,
        records=records,
        need_by=min(days, default=None),
        goods_cents=None if group.is_own else goods,
        source=CylinderSource.CUSTOMER if group.is_own else CylinderSource.SOLD,
        keyway=attributes.keyway if attributes else None,
        urgency=ask.urgency,
        pays_small_order=ask.keyed_at == "factory",
        kinds=tuple(kinds.items()),
        set_up=sum(one.line.quantity for place, one in group.lines.items() if place + 1 in group.set_up),
    )


def _in_time(
    today: date, ask: QuoteRequest, weighed: _Weighed, system: KeySystem | None, supply: RequestSupply
) -> PartInTime | None:
    """What part of a group the bench can have ready in time, where nobody can have all of it; None where one can, or
    where somebody gave lines days of their own or insists on a place.
    """
    group, shop = weighed.group, weighed.decision.shop
    day = weighed.decision.request.need_by
    if ask.urgency is Urgency.WAITS and day is None:
        day = today
    is_late = shop.ready is None or (day is not None and shop.ready > day)
    in_vain = weighed.computed == "" or ask.urgency is Urgency.WAITS
    if day is None or group.own_days or ask.keyed_at or not (is_late and in_vain):
        return None
    if not shop.possible and not shop.blocked_only_by(ObstacleCode.HOURS, ObstacleCode.DATE, ObstacleCode.STOCK):
        return None

    def most(urgency: Urgency) -> PartInTime:
        def fits(counts: Mapping[int, int]) -> bool:
            part = {
                number - 1: replace(found, line=replace(found.line, quantity=count))
                for number, count in counts.items()
                for found in [group.lines[number - 1]]
            }
            request = _keying_request(today, ask, _Group(part, group.set_up), system, group.kind)
            request = replace(request, need_by=day, urgency=urgency, supply=supply.would_take(counts)[0])
            return shop_way(request, weighed.bench, weighed.factory).possible

        return part_in_time(ask, group.numbers, day, fits)

    found = most(ask.urgency)
    is_parted = weighed.factory is not None and not (group.is_own or group.is_to_key)
    late = (ObstacleCode.HOURS, ObstacleCode.DATE)
    ways = (way for way in (shop, weighed.decision.factory) if way.possible or way.blocked_only_by(*late))
    return replace(
        found,
        first=found.first if is_parted else {},
        rushed=0 if ask.urgency.uses_reserve else most(Urgency.RUSH).quantity,
        all_on=tuple((way.name.value, way.ready) for way in ways if way.ready is not None),
    )


def _insisted(ask: QuoteRequest, weighed: _Weighed) -> str:
    """The way that the counter insists on for this group against the figures; "" where it does not.

    Own cylinders, and those to a customer's key, are keyed here whatever was chosen for the rest of the job, and what
    has no parts is not split.
    """
    is_other = ask.keyed_at != weighed.computed and ask.keyed_at in weighed.ways
    is_bench_work = weighed.group.is_own or weighed.group.is_to_key
    return ask.keyed_at if is_other and not is_bench_work else ""


def _kept_together(ask: QuoteRequest, weighed: Sequence[_Weighed]) -> str:
    """Where all groups that begin one key system are keyed whose own figures would part them; "" where they do not.

    One that is on record is keyed where its records are, which each group's figures know.
    """
    if ask.system is None or ask.system.existing_id is not None or ask.keyed_at:
        return ""
    begun = [one for one in weighed if one.group.joins_system]
    places = {"factory" if one.computed == "factory" else "shop" for one in begun if one.computed}
    if len(places) < 2:
        return ""
    return next((name for name in ("shop", "factory") if all(one.ways[name].possible for one in begun)), "")


def _why_never(option: SplitOption) -> str | None:
    """What no override can wish away: a way's own, and that a system's records cannot be kept in one place."""
    of_ways = {sentence for way in option.ways for sentence in way.why_not}
    firm = [sentence for sentence in option.why_not if sentence not in of_ways]
    firm += [obstacle.sentence for way in option.ways for obstacle in way.obstacles if obstacle.code in _FIRM]
    return " ".join(firm) if firm or option.total_cents is None else None


def _neither(decision: Decision) -> str:
    why = " ".join(dict.fromkeys((*decision.shop.why_not, *decision.factory.why_not)))
    return f"Neither the bench nor the factory can do this. {why} {decision.remedy or ''}".strip()


def _kept(
    ask: QuoteRequest, weighed: _Weighed, insisted: str, together: str
) -> list[tuple[_Group, KeyingChoice, KeyingWay | None]]:
    """What the quote keeps of a group keyed in one place, or of the two parts of one keyed in two.

    together: where it is keyed whatever its figures say, since others of its new system are keyed there; "" for none.
    """
    group, decision, split = weighed.group, weighed.decision, weighed.split
    computed = together or weighed.computed
    name = insisted or computed
    chosen = weighed.ways.get(name)
    flips = find_flips(decision, weighed.bench, weighed.factory)
    beside = [obstacle.detail for way in (decision.shop, decision.factory) for obstacle in way.obstacles]
    whole = KeyingChoice(
        group=group.name,
        lines=group.numbers,
        choice=name,
        computed=computed,
        overridden=bool(insisted),
        override_reason=ask.override_reason.strip() if insisted else "",
        ready_on=chosen.ready if chosen else None,
        break_even=decision.break_even.quantity if decision.break_even else None,
        reasons=split.reasons if split else decision.reasons,  # a split's speak of all three ways
        small_order_cents=_small_order(chosen.ways) if chosen else 0,
        ways=tuple(_costed(each, option) for each, option in weighed.ways.items()),
        owner_notes=tuple(note for note in decision.owner_notes if note not in beside),
        risks=(*decision.risks, *(split.risks if split else ())),
        quantity=group.quantity,
        flips=(*(flip.sentence for flip in flips), *decision.openings),
        told_flips=tuple(flip.told for flip in flips if flip.told),
        curve=_curve(weighed),
    )
    if together and together != weighed.computed:
        where = {"shop": "here", "factory": "at the factory"}[together]
        told = f"One key system is keyed in one place, so all of this new one is keyed {where}."
        whole = replace(whole, reasons=(told,), flips=(), told_flips=(), break_even=None)
    is_apart = chosen is not None and (name == "split" or chosen.first is not None)
    if chosen is None or group.parts is None or not is_apart:
        return [(group, whole, chosen.ways[0] if chosen else None)]
    # What would turn it turns a choice of one place and one delivery.
    whole = replace(whole, in_two_places=name == "split", in_two_deliveries=name != "split", flips=(), told_flips=())
    alone = replace(whole, reasons=(), ways=(), owner_notes=(), risks=(), curve=(), break_even=None)
    bulk, rest = group.parts
    if chosen.first is not None:
        [all_of_it], first = chosen.ways, chosen.first
        cents, minutes = (all_of_it.total_cents or 0) - (first.total_cents or 0), first.bench_minutes
        later = replace(all_of_it, total_cents=cents, bench_minutes=all_of_it.bench_minutes - minutes)
        return [
            (bulk, _part(whole, bulk, "what comes later", "shop", later), later),
            (rest, _part(alone, rest, "needed on a day of their own", "shop", first), first),
        ]
    away, here = chosen.ways
    return [
        (bulk, _part(whole, bulk, "the bulk", "factory", away), away),
        (rest, _part(alone, rest, "needed on a day of their own", "shop", here), here),
    ]


def _part(base: KeyingChoice, part: _Group, said: str, choice: str, way: KeyingWay) -> KeyingChoice:
    name = f"{part.name}, {said}"
    return replace(
        base,
        group=name,
        lines=part.numbers,
        choice=choice,
        ready_on=way.ready,
        quantity=part.quantity,
        small_order_cents=_small_order([way]),
    )


def _small_order(ways: Iterable[KeyingWay]) -> int:
    return sum(line.cents for way in ways for line in way.lines if line.label == SMALL_ORDER)


def _costed(name: str, option: SplitOption) -> CostedWay:
    return CostedWay(
        name=name,
        possible=option.possible,
        total_cents=option.total_cents or 0,
        ready_on=option.ready,
        cost_lines=tuple((line.label, line.cents) for way in option.ways for line in way.lines),
        why_not=option.why_not,
        detail=tuple(obstacle.detail for way in option.ways for obstacle in way.obstacles if obstacle.detail),
    )


def _curve(weighed: _Weighed) -> tuple[tuple[int, int, int | None], ...]:
    """Corners of both costs' curves, far enough to show the job itself and the crossing; () without a factory."""
    decision, factory = weighed.decision, weighed.factory
    if factory is None:
        return ()
    asked = decision.request.quantity
    crossing = decision.break_even.quantity if decision.break_even else None
    last = max(_LEAST_DRAWN, asked, min(_MOST_DRAWN, max(2 * asked, (crossing or 0) * 3 // 2)))
    return cost_points(decision.request, weighed.bench, factory, last, most=1)


def _shares(cents: int, quantities: Mapping[int, int]) -> dict[int, int]:
    """`cents` shared out by quantity in whole cents that add up: running totals are rounded, not shares.

    >>> _shares(100, {0: 1, 2: 1, 3: 1})
    {0: 33, 2: 33, 3: 34}
    """
    whole = sum(quantities.values())
    shares, shared_out, done = {}, 0, 0
    for place, quantity in quantities.items():
        done += quantity
        up_to = cents * done // whole
        shares[place], shared_out = up_to - shared_out, up_to
    return shares
