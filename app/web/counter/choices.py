"""What can be chosen on the counter page, out of the makers' tables and the price book."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from app.fitting import Pattern
from app.ledger.catalog.maker_queries import MakerTables, maker_tables
from app.ledger.catalog.price_queries import PriceEntry, price_entries, tax_places, tier_names
from app.ledger.quoting.quick_words import CATEGORIES
from app.ledger.store.work import Work
from app.ledger.tables import LineKind
from app.pricing import CylinderType, KeyingKind

# Kind, what its button says, its access key, what its block is headed.
ADDABLE: tuple[tuple[LineKind, str, str, str], ...] = (
    (LineKind.PART, "Part number", "p", "By part number"),
    (LineKind.CYLINDER, "Cylinder", "c", "New cylinder"),
    (LineKind.REKEY, "Rekey", "r", "Rekey customer's own"),
    (LineKind.KEYS, "Keys", "k", "Extra keys"),
    (LineKind.HARDWARE, "Hardware", "h", "Hardware"),
    (LineKind.LABOR, "Labor", "l", "Labor"),
    (LineKind.TRIP, "Trip", "t", "Trip"),
)
TYPES: Mapping[str, str] = {one.value: one.words.capitalize() for one in CylinderType}
KEYINGS: tuple[tuple[str, str], ...] = (
    (KeyingKind.KD.value, "KD different"),
    (KeyingKind.KA.value, "KA alike"),
    (KeyingKind.MK.value, "MK master"),
    (KeyingKind.GMK.value, "GMK grand master"),
    (KeyingKind.GGMK.value, "GGMK great grand"),
    (KeyingKind.SKD.value, "SKD single"),
    (KeyingKind.OWN.value, "To customer's key"),
    (KeyingKind.NONE.value, "No pins"),
)
_TAILS = ("cam", "tailpiece")


@dataclass(frozen=True, slots=True)
class Choices:
    """What the whole page offers. `makers`: (code, name) of those that make cylinders."""

    makers: tuple[tuple[str, str], ...]
    tiers: Sequence[str]
    places: Sequence[str]
    tables: Mapping[str, MakerTables]
    _entries: Sequence[PriceEntry]
    _offered: dict[tuple[str, str], dict[str, tuple[str, ...]]] = field(default_factory=dict)

    def entries(self, sort: LineKind) -> tuple[PriceEntry, ...]:
        """The price book's entries for a line of this kind: of its own category, else all of its sort."""
        kind = "goods" if sort in (LineKind.HARDWARE, LineKind.KEYS) else "labour"
        mine = [entry for entry in self._entries if entry.kind == kind]
        return tuple([entry for entry in mine if CATEGORIES.get(entry.category) is sort] or mine)

    def of(self, maker: str, kind: str) -> dict[str, tuple[str, ...]]:
        """What a line's boxes offer for a maker's code and a type of cylinder, "" while they are not chosen."""
        if (maker, kind) not in self._offered:
            tables = [self.tables[maker]] if maker in self.tables else list(self.tables.values())
            patterns = [pattern for one in tables for pattern in one.patterns]
            tails = ("cam",) if kind == "mortise" else ("tailpiece",) if kind else _TAILS
            names = {**{name: (name,) for name in ("length", "chambers", "keyway", "finish")}, "tail": tails}
            offered = {box: _values(patterns, attributes, kind) for box, attributes in names.items()}
            self._offered[maker, kind] = offered
        return self._offered[maker, kind]

    def locks(self, sort: LineKind) -> tuple[tuple[str, str], ...]:
        """(name, name with its maker) of the locks that a line of this kind can be for; hardware: bored deadbolts."""
        return tuple(
            (lock.name, f"{lock.name} ({maker.name})")
            for maker in self.tables.values()
            for lock in maker.locks
            if sort is not LineKind.HARDWARE or lock.backsets
        )

    def maker_code(self, name: str) -> str:
        """The code of the maker with this name; "" where there is none."""
        return next((code for code, maker in self.tables.items() if maker.name == name), "")

    def keyway_makers(self) -> dict[str, str]:
        """Keyway → the maker's code, of the keyways that one maker alone has."""
        found: dict[str, list[str]] = {}
        for code, maker in self.tables.items():
            for keyway in maker.keyways:
                found.setdefault(keyway.name, []).append(code)
        return {keyway: codes[0] for keyway, codes in found.items() if len(codes) == 1}

    def spellings(self) -> dict[str, str]:
        """Keyways, cams and tailpieces as the makers write them, by their casefolded names."""
        patterns = [pattern for maker in self.tables.values() for pattern in maker.patterns]
        names = [*_values(patterns, _TAILS, ""), *(k.name for maker in self.tables.values() for k in maker.keyways)]
        return {name.casefold(): name for name in names}

    def finishes(self) -> tuple[str, ...]:
        """The finish numbers of all makers."""
        return _values((p for maker in self.tables.values() for p in maker.patterns), ("finish",), "")


def load_choices(work: Work) -> Choices:
    """Everything that can be chosen today: four queries."""
    tables = maker_tables(work.session)
    return Choices(
        makers=tuple((code, maker.name) for code, maker in tables.items() if maker.patterns),
        tiers=tier_names(work.session),
        places=tax_places(work.session),
        tables=tables,
        _entries=price_entries(work.session, work.today),
    )


def _values(patterns: Iterable[Pattern], names: Sequence[str], kind: str) -> tuple[str, ...]:
    """The values of an attribute that the patterns leave to a type of cylinder ("" any), in their order."""
    found: dict[str, None] = {}
    for pattern in patterns:
        choices = [choice for segment in pattern.segments for choice in segment.choices]
        types = {value for choice in choices for name, value in choice.sets if name == "type"}
        if kind and kind not in types:
            continue
        for choice in choices:
            for name, value in choice.sets:
                if name in names and not (kind and _is_ruled_out(pattern, kind, name, value)):
                    found[value] = None
    return tuple(found)


def _is_ruled_out(pattern: Pattern, kind: str, name: str, value: str) -> bool:
    """Whether a rule about the type alone says that such a cylinder has no such value."""
    for rule in pattern.rules:
        if dict(rule.when).keys() == {"type"} and kind in dict(rule.when)["type"]:
            allowed = dict(rule.then).get(name)
            if rule.kind == "allow" and allowed is not None and value not in allowed:
                return True
        if rule.kind == "forbid" and dict(rule.when) == {"type": (kind,), name: (value,)}:
            return True
    return False
