"""A maker learned from its price list: what would be saved, what it changes, and saving it in one go."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any, NamedTuple

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem, Problems
from app.fitting import (
    CYLINDER_TYPES,
    KEYED_CATEGORIES,
    BulkDecoder,
    LearnedPattern,
    ListedNumber,
    Pattern,
    maker_problems,
    pattern_from_json,
)
from app.keying import BittingSpec
from app.ledger.catalog.maker_queries import IN_CATALOG, maker_tables, tables_on_record
from app.ledger.catalog.makers import import_maker
from app.ledger.catalog.price_list import PriceListRow, off_list
from app.ledger.catalog.specs import USUAL_RULES
from app.ledger.store.engine import get_row
from app.ledger.store.work import Work
from app.ledger.tables import Item, Maker, SpecRow
from app.validation import JsonDataclass, counted

_WHOLE_LOCKS = ("deadbolt", "lockset", "padlock", "cabinet")
_NOT_KEYED = ("blank", "hardware", "accessor", "cam", "ring", "tool", "spare")
_MOST_TRIED = 300  # numbers of a list are held against the patterns of the house's other makers
USUAL_CHAMBERS = 6
"""Of cylinders whose list says nothing of it: common practice, no source."""
_MOST = Decimal("0.8")
_SHOWN = 5


@dataclass(frozen=True, slots=True)
class LearnedMaker(JsonDataclass):
    """What the owner settled of a maker and its list.

    patterns: None where the patterns on record read the list, and stay. `kinds` has for each what its cylinders are
    where the words do not say it, `chambers` how many those have of which nothing says it, None: as the bitting spec.
    `spec` names a bitting spec on record for the keyways, "" for a usual one. With
    `stands_beside` the patterns on record stay beside the new ones. `off` is what the maker takes off list where the
    list has no cost; what neither says stays as it is on record. Without `sells_unread` numbers that are not read are
    left out.
    """

    name: str
    code: str
    rows: tuple[PriceListRow, ...]
    patterns: tuple[LearnedPattern, ...] | None
    maker_id: int | None = None
    kinds: tuple[str, ...] = ()
    chambers: int | None = None
    spec: str = ""
    stands_beside: bool = False
    off: Decimal | None = None
    sells_unread: bool = True


@dataclass(frozen=True, slots=True)
class LearnedPlan:
    """What saving would do. `unread`: numbers that the patterns do not read; `problems`: why it cannot be saved yet;
    `changes`: what of the maker on record changes; `read_by`: another maker whose patterns read most of the list;
    `held_for`: another maker → new keyways that it has by the same names, which the house takes for the same."""

    unread: tuple[str, ...]
    cylinders: int
    items: int
    new_keyways: tuple[str, ...]
    lengths: tuple[str, ...]
    lacks_kind: tuple[bool, ...] = ()
    lacks_chambers: bool = False
    problems: tuple[Problem, ...] = ()
    changes: tuple[str, ...] = ()
    read_by: str = ""
    held_for: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def numbers_to_learn(rows: Iterable[PriceListRow]) -> list[ListedNumber]:
    """The rows of a list from which its pattern is learned: what its category does not call a blank or the like."""
    return [ListedNumber(row.number, row.words) for row in rows if not _is_other(row.category)]


def _is_other(category: str) -> bool:
    return any(word in category.casefold() for word in _NOT_KEYED)


def known_maker(session: Session, name: str, code: str) -> Maker | None:
    """The maker on record with this name; BitternError on `code` where another one has the code."""
    known = session.scalar(sa.select(Maker).where(sa.func.lower(Maker.name) == name.lower()))
    other = session.scalar(sa.select(Maker).where(sa.func.lower(Maker.code) == code.lower()))
    if other is not None and other is not known:
        raise BitternError("code", f"{other.name} has the code {other.code}: choose another one.")
    return known


def propose_code(session: Session, name: str) -> str:
    """A short code for a maker out of its name, which none on record has."""
    words = ["".join(filter(str.isalnum, word)).upper() for word in name.split()]
    words = [word for word in words if word.isascii() and word]
    first = "".join(word[0] for word in words) if len(words) > 1 else "".join(words)[:4]
    taken = set(session.scalars(sa.select(Maker.code)))
    ways = (f"{first[:8] or 'MAKER'}{number or ''}" for number in (0, *range(2, len(taken) + 3)))
    return next(way for way in ways if way not in taken)


def patterns_of(session: Session, learned: LearnedMaker) -> tuple[Pattern, ...]:
    """The patterns that the maker would have, in the order in which a number is tried."""
    kept: tuple[Pattern, ...] = ()
    if learned.maker_id is not None and (learned.patterns is None or learned.stands_beside):
        kept = _patterns_on_record(session, learned.maker_id)
    names = [each.name for each in kept]
    return (*kept, *(pattern_from_json(each, learned.name) for each in _pattern_files(session, learned, names)))


def _patterns_on_record(session: Session, maker_id: int) -> tuple[Pattern, ...]:
    tables = next((one for one in maker_tables(session).values() if one.id == maker_id), None)
    return tables.patterns if tables else ()


def _pattern_files(session: Session, learned: LearnedMaker, taken: Iterable[str]) -> list[dict[str, Any]]:
    """The learned patterns as a maker's file holds them, each with the type and the chambers that were chosen for its
    numbers.
    """
    chambers = f"{learned.chambers or chambers_of_spec(session, learned)} chambers"
    files: list[dict[str, Any]] = []
    names = set(taken)
    for place, pattern in enumerate(learned.patterns or ()):
        kind = learned.kinds[place] if place < len(learned.kinds) else ""
        if not _says(pattern, "chambers"):
            pattern = replace(pattern, always=(*pattern.always, chambers))
        if kind in CYLINDER_TYPES and not _says(pattern, "type"):
            pattern = replace(pattern, always=(*pattern.always, CYLINDER_TYPES[kind]))
        name, number = "numbers", 1
        while name in names:
            number += 1
            name = f"numbers {number}"
        names.add(name)
        files.append(pattern.as_maker_file(name))
    return files


def _says(pattern: LearnedPattern, attribute: str) -> bool:
    """Whether a learned pattern tells this of its cylinders, of every number or by a piece."""
    read = pattern_from_json(pattern.as_maker_file())
    return any(name == attribute for name, _ in _sets([read]))


def chambers_of_spec(session: Session, learned: LearnedMaker) -> int:
    """The chambers of the bitting spec that was chosen; of a usual one where none was."""
    row = session.scalar(sa.select(SpecRow).where(SpecRow.name == learned.spec)) if learned.spec else None
    return int(row.spec["chambers"]) if row is not None else USUAL_CHAMBERS


def _sets(patterns: Iterable[Pattern]) -> dict[tuple[str, str], None]:
    """Every attribute with every value that some number of the patterns has, in their order."""
    choices = (choice for one in patterns for segment in one.segments for choice in segment.choices)
    return {pair: None for choice in choices for pair in choice.sets}


def usual_spec(patterns: Iterable[Pattern]) -> BittingSpec:
    """A spec to quote by until the maker's chart is entered: ten depths, as many chambers as most of its numbers
    say (common practice, no source)."""
    chambers = [int(value) for name, value in _sets(patterns) if name == "chambers"]
    count = max(chambers, default=USUAL_CHAMBERS)
    return BittingSpec(chambers=count, depths=10, macs=7, step=2, stack_total=18, rules=USUAL_RULES)


def usual_spec_name(session: Session, learned: LearnedMaker) -> str:
    """What the usual spec of a maker is called."""
    taken = set(session.scalars(sa.select(SpecRow.name)))
    ways = (f"{learned.name} usual{f' {number}' if number else ''}" for number in (0, *range(2, len(taken) + 3)))
    return next(way for way in ways if way not in taken)


def maker_file(session: Session, learned: LearnedMaker) -> dict[str, Any]:
    """The maker's whole file as it would be saved; what is on record of it and not of this list stays."""
    before: dict[str, Any] = {"patterns": [], "keyways": [], "bitting_specs": {}, "lengths": []}
    if learned.maker_id is not None:
        before |= tables_on_record(session, get_row(session, Maker, learned.maker_id, "maker"))
    patterns = patterns_of(session, learned)
    kept = before["patterns"] if learned.patterns is None or learned.stands_beside else []
    own = _pattern_files(session, learned, [each["name"] for each in kept])
    sets = _sets(patterns)
    held = _items_on_record(session, learned)
    given = {
        **before,
        "name": learned.name,
        "code": learned.code,
        "patterns": [*kept, *own],
        "items": [
            _item(row, category, learned, held.get(row.number))
            for row, category in _with_categories(learned, patterns)
        ],
    }
    known = {keyway["name"] for keyway in before["keyways"]}
    new = [value for name, value in sets if name == "keyway" and value not in known]
    if new:
        spec = learned.spec or usual_spec_name(session, learned)
        row = session.scalar(sa.select(SpecRow).where(SpecRow.name == learned.spec)) if learned.spec else None
        chart = row.spec if row is not None else usual_spec(patterns).to_json()
        given["bitting_specs"] = {**before["bitting_specs"], spec: chart}
        family = _family(new, learned.name)
        keyways = [{"name": name, "family": family, "bitting_spec": spec} for name in new]
        given["keyways"] = [*before["keyways"], *keyways]
    if any(pair in sets for pair in (("type", "mortise"), ("type", "rim"))):
        lengths = [value for name, value in sets if name == "length"]
        given["lengths"] = list(dict.fromkeys([*before["lengths"], *lengths]))
    return given


def _family(keyways: Sequence[str], maker: str) -> str:
    """What keyways have in front of their digits in common, else the maker's name."""
    fronts = {name.rstrip("0123456789").strip(" -") for name in keyways}
    return (fronts.pop() if len(fronts) == 1 else "") or maker


def _with_categories(learned: LearnedMaker, patterns: Sequence[Pattern]) -> Iterable[tuple[PriceListRow, str]]:
    """The rows that are sold, each with its number as its maker writes it, and its category."""
    decoder = BulkDecoder(patterns)
    for row in learned.rows:
        if _is_other(row.category):
            yield row, _category_of(row)
            continue
        try:
            number, made = decoder.read(row.number, explain=False)
        except BitternError:
            if learned.sells_unread:
                yield row, _category_of(row)
        else:
            yield replace(row, number=number), "lock" if made.type in _WHOLE_LOCKS else "cylinder"


def _category_of(row: PriceListRow) -> str:
    """The category of what is no cylinder that is read."""
    return "key_blank" if "blank" in f"{row.category} {row.words}".casefold() else "hardware"


class _Held(NamedTuple):
    words: str
    list_cents: int | None
    cost_cents: int
    is_stocked: bool


def _items_on_record(session: Session, learned: LearnedMaker) -> dict[str, _Held]:
    """What is on record of the maker's items, by number."""
    if learned.maker_id is None:
        return {}  # goods of no maker are the house's own
    columns = sa.select(Item.code, Item.words, Item.list_cents, Item.cost_cents, Item.is_stocked)
    rows = session.execute(columns.where(Item.maker_id == learned.maker_id))
    return {code: _Held(words, price, cost, is_stocked) for code, words, price, cost, is_stocked in rows}


def _item(row: PriceListRow, category: str, learned: LearnedMaker, held: _Held | None) -> dict[str, Any]:
    cost, is_stocked = row.cost_cents, row.is_stocked
    if cost is None and learned.off is not None:
        cost = off_list(row.list_cents, learned.off)
    return {
        "part_number": row.number,
        "category": category,
        "description": row.words or (held.words if held else row.number),
        "cost_cents": cost if cost is not None else held.cost_cents if held else 0,
        "list_cents": row.list_cents,
        "stocked": is_stocked if is_stocked is not None else bool(held and held.is_stocked),
    }


def plan_learned(session: Session, learned: LearnedMaker) -> LearnedPlan:
    """What saving the maker would do; nothing is saved."""
    lacks_kind = tuple(not _says(pattern, "type") for pattern in learned.patterns or ())
    try:
        given = maker_file(session, learned)
        patterns = patterns_of(session, learned)
    except BitternError as error:
        return LearnedPlan((), 0, 0, (), (), lacks_kind, problems=tuple(error.problems))
    problems = () if _first_without_kind(learned, lacks_kind) else maker_problems({**given, "items": []})
    keyed = [one.number for one in numbers_to_learn(learned.rows)]
    decoder = BulkDecoder(patterns)
    unread = tuple(number for number in keyed if not _reads(decoder, number))
    sets = _sets(patterns)
    known = _keyways_on_record(session, learned.maker_id) if learned.maker_id is not None else ()
    new_keyways = tuple(each["name"] for each in given["keyways"] if each["name"] not in known)
    return LearnedPlan(
        unread=unread,
        cylinders=len(keyed),
        items=len(given["items"]),
        new_keyways=new_keyways,
        lengths=tuple(value for name, value in sets if name == "length"),
        lacks_kind=lacks_kind,
        lacks_chambers=any(not _says(pattern, "chambers") for pattern in learned.patterns or ()),
        problems=tuple(problems),
        changes=tuple(_changes(session, learned, given, patterns)),
        read_by=_read_by(session, learned, keyed),
        held_for=_held_for(session, learned, new_keyways),
    )


def _held_for(session: Session, learned: LearnedMaker, new: Sequence[str]) -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for tables in maker_tables(session).values():
        names = tuple(one.name for one in tables.keyways if one.name in new)
        if names and tables.id != learned.maker_id:
            found[tables.name] = names
    return found


def _first_without_kind(learned: LearnedMaker, lacks_kind: Sequence[bool]) -> int:
    """The first pattern, from 1, of which nobody has said what its cylinders are; 0 where there is none."""
    kinds = (*learned.kinds, *[""] * len(lacks_kind))
    open_ones = (
        place for place, lacks in enumerate(lacks_kind, 1) if lacks and kinds[place - 1] not in CYLINDER_TYPES
    )
    return next(open_ones, 0)


def _reads(decoder: BulkDecoder, number: str) -> bool:
    try:
        decoder.read(number, explain=False)
    except BitternError:
        return False
    return bool(decoder.patterns)


def how_many_read(session: Session, maker_id: int, numbers: Sequence[str]) -> int:
    """How many numbers the maker's patterns on record read."""
    decoder = BulkDecoder(_patterns_on_record(session, maker_id))
    return sum(_reads(decoder, number) for number in numbers)


def _read_by(session: Session, learned: LearnedMaker, numbers: Sequence[str]) -> str:
    """Another maker whose patterns on record read most of the numbers; "" where none does."""
    tried = numbers[:: max(1, len(numbers) // _MOST_TRIED)]
    for tables in maker_tables(session).values():
        if tables.id != learned.maker_id and tables.patterns and tried:
            decoder = BulkDecoder(tables.patterns)
            if sum(_reads(decoder, number) for number in tried) >= _MOST * len(tried):
                return tables.name
    return ""


def _changes(
    session: Session, learned: LearnedMaker, given: Mapping[str, Any], patterns: Sequence[Pattern]
) -> Iterable[str]:
    """In words, what of a maker on record would be another than it is."""
    if learned.maker_id is None:
        return
    before = _patterns_on_record(session, learned.maker_id)
    if before and learned.patterns is not None:
        new, old = counted(len(learned.patterns), "new pattern"), counted(len(before), "pattern")
        if learned.stands_beside:
            yield f"{new} beside {old} on record."
        else:
            yield f"{new} in place of {old} on record."
        yield from _read_otherwise(session, learned.maker_id, before, patterns)
    known = set(_keyways_on_record(session, learned.maker_id))
    if added := [each["name"] for each in given["keyways"] if each["name"] not in known]:
        yield f"New keyways: {', '.join(added)}."
    held = _items_on_record(session, learned)
    priced = sum(
        one["part_number"] in held and held[one["part_number"]].list_cents != one["list_cents"]
        for one in given["items"]
    )
    if priced:
        yield f"{counted(priced, 'list price')} of items on record, from today on."


def _keyways_on_record(session: Session, maker_id: int) -> tuple[str, ...]:
    """The keyways that the maker's tables have."""
    tables = next((one for one in maker_tables(session).values() if one.id == maker_id), None)
    return tuple(keyway.name for keyway in tables.keyways) if tables else ()


def _read_otherwise(
    session: Session, maker_id: int, before: Sequence[Pattern], after: Sequence[Pattern]
) -> Iterable[str]:
    """What of the maker's cylinders in the catalog is not read any more, or as something else."""
    own = sa.select(Item.code).where(Item.maker_id == maker_id, Item.category.in_(KEYED_CATEGORIES), IN_CATALOG)
    was, will = BulkDecoder(before), BulkDecoder(after)
    lost, other = [], []
    for number in session.scalars(own.order_by(Item.code)):
        if not _reads(was, number):
            continue
        if not _reads(will, number):
            lost.append(number)
        elif was.read(number)[1] != will.read(number)[1]:
            other.append(number)
    for numbers, words in ((lost, "not be read any more"), (other, "be read as something else")):
        if numbers:
            shown = ", ".join(numbers[:_SHOWN]) + (", …" if len(numbers) > _SHOWN else "")
            yield f"{counted(len(numbers), 'cylinder')} of its catalog will {words}: {shown}."


def save_learned(work: Work, learned: LearnedMaker, version: int) -> Maker:
    """Save the maker, its pattern, keyways, lengths and items in one transaction; owner only.

    version: the maker's when the page was shown, 0 for a new one; Stale when somebody saved since. BitternError on
    `kind` where nothing says what cylinders they are; Problems of the pattern.
    """
    work.require_owner()
    plan = plan_learned(work.session, learned)
    if place := _first_without_kind(learned, plan.lacks_kind):
        raise BitternError(f"kind-{place - 1}", "Say what these numbers are: the words of the list do not.")
    if plan.problems:
        raise Problems(plan.problems)
    return import_maker(work, maker_file(work.session, learned), version)
