"""Which key enters which keyway, by all makers' tables together, and where those tables contradict themselves."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias, TypeVar

from app.fitting.keyways import KeyBlank, MakerKeyway, squeezed

_Number: TypeAlias = tuple[str, str]  # maker and number, as compared
_OfMaker = TypeVar("_OfMaker", MakerKeyway, KeyBlank)
MOST_CHAMBERS = 12


def families_in(tables: Iterable[Mapping[str, Any]]) -> tuple[list[MakerKeyway], list[KeyBlank]]:
    """The keyways and key blanks of makers' tables that were read before; rows that are None are left out."""
    keyways, blanks = [], []
    for maker in tables:
        name = maker.get("name", "")
        for row in filter(None, maker.get("keyways", ())):
            keyways.append(MakerKeyway(name, row["name"], row["family"], row["bitting_spec"]))
        for row in filter(None, maker.get("key_blanks", ())):
            crossed = tuple((other["maker"], other["number"]) for other in row.get("cross_references", ()))
            blanks.append(KeyBlank(name, row["number"], tuple(row["keyways"]), int(row["chambers"]), crossed))
    return keyways, blanks


def _number(maker: str, number: str) -> _Number:
    return maker.strip().casefold(), squeezed(number)


class Entering:
    """What the makers' tables say of keys and keyways, by the names of the keyways.

    Blanks that the tables give as one another's number are the same metal: it enters whatever one of them says. A key
    is cut of the narrowest blank that does for it, and enters what that enters: of a keyway that no table has a blank
    for, that keyway alone.

    >>> blanks = [
    ...     KeyBlank("One", "K12", ("Q1", "Q2"), 6),
    ...     KeyBlank("One", "K3", ("Q3",), 6, (("Two", "T9"),)),
    ...     KeyBlank("Two", "T9", ("R1",), 6),
    ...     KeyBlank("One", "ALL", ("Q1", "Q2", "Q3"), 6),
    ... ]
    >>> known = Entering([MakerKeyway("One", name, "Q", "six") for name in ("Q1", "Q2", "Q3")], blanks)
    >>> [sorted(known.entered(wanted, 6)) for wanted in (["Q1"], ["Q3"], ["Q1", "Q3"], ["Z"])]
    [['Q1', 'Q2'], ['Q3', 'R1'], ['Q1', 'Q2', 'Q3'], ['Z']]
    >>> sorted(known.beside("Q2")), sorted(known.beside("R1")), known.family("Q1")
    (['Q1', 'Q2'], ['Q3', 'R1'], ('Q1', 'Q2', 'Q3'))
    """

    def __init__(self, keyways: Sequence[MakerKeyway], blanks: Sequence[KeyBlank]) -> None:
        self._keyways, self._blanks = tuple(keyways), tuple(blanks)
        self._makers: dict[str, set[str]] = defaultdict(set)
        for keyway in keyways:
            self._makers[keyway.name].add(keyway.maker)
        self._of_blank = _same_metal(blanks)
        self._beside: dict[str, frozenset[str]] = {}
        self._together: dict[str, set[str]] = defaultdict(set)
        for blank in blanks:
            for name in self.of_blank(blank):
                self._together[name] |= self.of_blank(blank)

    def of_blank(self, blank: KeyBlank) -> frozenset[str]:
        """The keyways that a blank enters."""
        return self._of_blank[_number(blank.maker, blank.number)]

    def of_number(self, number: str) -> frozenset[str]:
        """The keyways that a blank of this number enters, whoever's it is; none of an unknown one."""
        wanted = squeezed(number)
        found = (names for (_, known), names in self._of_blank.items() if known == wanted)
        return frozenset().union(*found) if wanted else frozenset()

    def blank_for(self, keyways: Collection[str], chambers: int) -> KeyBlank | None:
        """The blank of keys that have to enter all these keyways: of their own maker before others', the shortest
        that is long enough, and of those the one that enters fewest. None where the tables have none.
        """
        wanted = frozenset(keyways)
        own = set[str]().union(*(self._makers.get(name, ()) for name in wanted))
        fitting = [
            (blank.maker not in own, blank.chambers, len(self.of_blank(blank)), place)
            for place, blank in enumerate(self._blanks)
            if blank.chambers >= chambers and wanted <= self.of_blank(blank)
        ]
        return self._blanks[min(fitting)[-1]] if wanted and fitting else None

    def entered(self, keyways: Collection[str], chambers: int) -> frozenset[str]:
        """The keyways that a key enters which has to enter these: those that its blank enters, and these."""
        blank = self.blank_for(keyways, chambers)
        return frozenset(keyways) | (self.of_blank(blank) if blank is not None else frozenset())

    def beside(self, keyway: str) -> frozenset[str]:
        """The keyway, those that its keys enter whatever their length, and those whose keys enter it."""
        if keyway not in self._beside:
            lengths = range(1, MOST_CHAMBERS + 1)
            enters = (self.entered([keyway], chambers) for chambers in lengths)
            entering = (
                name
                for name in self._together.get(keyway, ())
                if any(keyway in self.entered([name], chambers) for chambers in lengths)
            )
            self._beside[keyway] = frozenset({keyway, *entering}).union(*enters)
        return self._beside[keyway]

    def together(self, keyway: str) -> frozenset[str]:
        """The keyway and all that some blank enters besides it."""
        return frozenset({keyway, *self._together.get(keyway, ())})

    def family(self, keyway: str) -> tuple[str, ...]:
        """The keyways of the families that have one of this name, as the tables order them; itself where none has."""
        families = {(each.maker, each.family) for each in self._keyways if each.name == keyway}
        return tuple(dict.fromkeys(each.name for each in self._keyways if (each.maker, each.family) in families)) or (
            keyway,
        )


def _same_metal(blanks: Iterable[KeyBlank]) -> dict[_Number, frozenset[str]]:
    """Number of a blank → the keyways that it and all that are the same metal enter."""
    blanks = tuple(blanks)
    linked: dict[_Number, set[_Number]] = defaultdict(set)
    entered: dict[_Number, set[str]] = defaultdict(set)
    for blank in blanks:
        own = _number(blank.maker, blank.number)
        entered[own] |= set(blank.keyways)
        for other in blank.cross_references:
            linked[own].add(_number(*other))
            linked[_number(*other)].add(own)
    found: dict[_Number, frozenset[str]] = {}
    for start in [*entered, *linked]:
        group, ahead = set[_Number](), {start} - found.keys()
        while ahead:
            group |= ahead
            ahead = set[_Number]().union(*(linked[number] for number in ahead)) - group
        found |= dict.fromkeys(group, frozenset[str]().union(*(entered[number] for number in group)))
    return found


@dataclass(frozen=True, slots=True)
class FamilyFault:
    """What is wrong with a row of a maker's keyways or key blanks, and its mend. `row` counts from 1.

    is_contradiction: two rows say what cannot both be; else something is missing, and is held for the safer of both.
    """

    maker: str
    table: str
    row: int
    column: str
    message: str
    is_contradiction: bool = False


def family_faults(keyways: Sequence[MakerKeyway], blanks: Sequence[KeyBlank]) -> tuple[FamilyFault, ...]:
    """Everything in the makers' keyways and key blanks that contradicts itself or hangs in the air, by row.

    Each maker's rows in the order of its tables; a keyway or maker that is on no table is unknown.

    >>> wrong = [KeyBlank("One", "K1", ("Q1",), 6, (("Two", "T9"),)), KeyBlank("Two", "T9", ("R1", "Q2"), 5)]
    >>> names = [("One", "Q1"), ("One", "Q2"), ("Two", "R1")]
    >>> [(one.maker, one.table, one.row, one.column)
    ...  for one in family_faults([MakerKeyway(maker, name, name[0], "six") for maker, name in names], wrong)
    ...  if one.is_contradiction]
    [('One', 'key_blanks', 1, 'chambers'), ('Two', 'key_blanks', 1, 'keyways')]
    """
    makers: dict[str, list[str]] = defaultdict(list)
    for keyway in keyways:
        makers[keyway.name].append(keyway.maker)
    by_number = {_number(blank.maker, blank.number): blank for blank in blanks}
    tables = _Tables(by_number, makers, frozenset(maker for maker, _ in by_number))
    entering, has_blanks = Entering(keyways, blanks), {blank.maker for blank in blanks}
    found = [
        FamilyFault(blank.maker, "key_blanks", place, column, message, is_contradiction)
        for place, blank in _rows(blanks)
        for column, message, is_contradiction in tables.faults(blank)
    ]
    for place, keyway in _rows(keyways):
        if keyway.maker in has_blanks and entering.blank_for([keyway.name], 1) is None:
            text = (
                f"No key blank enters {keyway.name}: add it to the blank that does. Until then its keys are held for "
                f"keys that enter {keyway.name} alone."
            )
            found.append(FamilyFault(keyway.maker, "keyways", place, "name", text))
        if others := [maker for maker in makers[keyway.name] if maker != keyway.maker]:
            text = (
                f"{others[0]} has a keyway {keyway.name} too, and the house tells keyways by their names: each is "
                "held for the other. Rename one, such as by its maker's code before it."
            )
            found.append(FamilyFault(keyway.maker, "keyways", place, "name", text))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Tables:
    """All blanks by number, the makers of each keyway, and the makers that have blanks, as compared."""

    by_number: Mapping[_Number, KeyBlank]
    makers: Mapping[str, Sequence[str]]
    with_blanks: frozenset[str]

    def faults(self, blank: KeyBlank) -> Iterator[tuple[str, str, bool]]:
        """Column, sentence and whether it is a contradiction, of one row."""
        named = [self.by_number[one] for one in _numbers(blank) if one in self.by_number]
        for maker, number in blank.cross_references:
            if _number(maker, number) not in self.by_number and maker.strip().casefold() in self.with_blanks:
                yield "cross references", f"{maker} has no key blank {number}: correct it, or add it there.", False
        for other in named:
            for column, message in _contradictions(blank, other):
                yield column, f"{other.maker}'s {other.number}{message}", True
        own = _number(blank.maker, blank.number)
        same = [*named, *(other for other in self.by_number.values() if own in _numbers(other))]
        for name in blank.keyways:
            makers = self.makers.get(name, ())
            theirs = [other for other in same if other.maker in makers]
            if not makers:
                yield "keyways", f"No maker's table has a keyway {name}: correct it, or add the keyway first.", False
            elif blank.maker in makers or any(name in other.keyways for other in theirs):
                continue
            elif theirs:
                row = f"{makers[0]}'s own row of this blank, {theirs[0].number},"
                yield "keyways", f"{row} does not enter {name}: add it there, or take it out here.", True
            else:
                text = (
                    f"{name} is {makers[0]}'s, and no cross reference says which of its blanks {blank.number} is: "
                    f"add its number there, or take {name} out. Until then it is held to enter it."
                )
                yield "keyways", text, False


def _numbers(blank: KeyBlank) -> frozenset[_Number]:
    """What a blank is called by other makers, as compared."""
    return frozenset(_number(*other) for other in blank.cross_references)


def _contradictions(blank: KeyBlank, other: KeyBlank) -> Iterator[tuple[str, str]]:
    """Column and sentence of what a blank and the one that it is said to be cannot both be."""
    back = [each for each in other.cross_references if _number(*each)[0] == _number(blank.maker, "")[0]]
    if back and _number(blank.maker, blank.number) not in _numbers(other):
        yield "cross references", f" is {back[0][1]} by its own row, not {blank.number}: correct one of both."
    if other.chambers != blank.chambers:
        yield (
            "chambers",
            f", the same blank, has room for {other.chambers} cuts, not {blank.chambers}: correct one of both, or "
            "take the cross reference out.",
        )


def _rows(ones: Iterable[_OfMaker]) -> Iterator[tuple[int, _OfMaker]]:
    """Each with its row among its maker's, from 1."""
    last: dict[str, int] = defaultdict(int)
    for one in ones:
        last[one.maker] += 1
        yield last[one.maker], one
