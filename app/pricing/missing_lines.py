"""The guard against forgotten lines: rules held as data ask a question when a quote's facts match them."""

import operator
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Annotated

from app.errors import BitternError
from app.validation import Form, JsonDataclass, Reader, quoted, read_text, whole, words_of

_MOST = 1_000_000_000


@dataclass(frozen=True, slots=True)
class QuoteFacts:
    """What a quote counts; each fact is a whole number, 0 when there is none of it. Rules name these fields."""

    cylinders: int = 0
    keyed_cylinders: int = 0
    master_keyed_cylinders: int = 0
    mortise_cylinders_swapped: int = 0
    rim_cylinders: int = 0
    interchangeable_cores: int = 0
    keys: int = 0
    master_keys: int = 0
    control_keys: int = 0
    cams: int = 0
    back_plates: int = 0
    new_systems: int = 0
    existing_systems: int = 0
    bitting_lists_on_file: int = 0
    keyed_at_the_factory: int = 0
    trips: int = 0
    labor_lines: int = 0
    site_labor_lines: int = 0
    hardware_lines: int = 0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if type(value) is not int or not 0 <= value <= _MOST:
                raise BitternError(field.name, "A fact is a whole number, 0 or more.")


_FACTS = tuple(field.name for field in fields(QuoteFacts))


def _fact(given: object) -> str:
    fact = read_text(given, 60)
    if fact not in _FACTS:
        raise BitternError("", f"{quoted(fact)} is not one of {', '.join(_FACTS)}.")
    return fact


_Fact = Annotated[str, Form(_fact)]


def _spelled(fact: str) -> str:
    """A fact's name as people read it; the names themselves are those of released tables of rules."""
    return fact.replace("_", " ").replace("labour", "labor")


class Comparator(StrEnum):
    """How a condition compares its fact."""

    ABOVE = "above"
    BELOW = "below"
    EQUAL = "equal"
    NOT_EQUAL = "not equal"


@dataclass(frozen=True, slots=True)
class Condition:
    """A fact, by its name in `QuoteFacts`, compared with a number or with another fact."""

    fact: str
    comparison: Comparator
    value: int
    fact_beside: str | None = None

    @property
    def words(self) -> str:
        """The condition as a person reads it."""
        beside = _spelled(self.fact_beside) if self.fact_beside else f"{self.value:,}"
        return f"{_spelled(self.fact)} {_COMPARISONS[self.comparison][0]} {beside}"

    def holds(self, facts: QuoteFacts) -> bool:
        """Whether it is so."""
        other = getattr(facts, self.fact_beside) if self.fact_beside else self.value
        return _COMPARISONS[self.comparison][1](getattr(facts, self.fact), other)


_COMPARISONS: dict[Comparator, tuple[str, Callable[[int, int], bool]]] = {
    Comparator.ABOVE: ("are more than", operator.gt),
    Comparator.BELOW: ("are fewer than", operator.lt),
    Comparator.EQUAL: ("are", operator.eq),
    Comparator.NOT_EQUAL: ("are not", operator.ne),
}


class MendLine(StrEnum):
    """What one press adds to the quote: a line of that kind, or keys with each cylinder."""

    KEYS_EACH = "keys each"
    MASTER_KEYS = "master keys"
    KEYS = "keys"
    HARDWARE = "hardware"
    LABOR = "labour"
    TRIP = "trip"


@dataclass(frozen=True, slots=True)
class Mend(JsonDataclass):
    """How a missing line is added. `words`: what the price book's entry has in its description, "" for the
    first of its kind. `quantity`: how many; with `of` and `less` that fact less the other one.
    """

    line: MendLine
    words: Annotated[str, words_of(60)] = ""
    quantity: Annotated[int, whole(1, 10_000)] = 1
    of: _Fact | None = None
    less: _Fact | None = None

    def count(self, facts: QuoteFacts) -> int:
        """How many are missing, 1 at the least.

        >>> Mend(MendLine.HARDWARE, "cam", of="mortise_cylinders_swapped", less="cams").count(
        ...     QuoteFacts(mortise_cylinders_swapped=3, cams=1))
        2
        """
        if self.of is None:
            return self.quantity
        wanted: int = getattr(facts, self.of)
        there: int = getattr(facts, self.less) if self.less else 0
        return max(1, wanted - there)


@dataclass(frozen=True, slots=True)
class MissingLineRule:
    """Asks `question` when every condition holds; `code` names it for a house that switches one off."""

    code: str
    when: tuple[Condition, ...]
    question: str
    mend: Mend | None = None

    @property
    def words(self) -> str:
        """When it asks, in words.

        >>> MissingLineRule("no-keys", (Condition("keys", Comparator.EQUAL, 0),), "None?").words
        'keys are 0'
        """
        return ", and ".join(condition.words for condition in self.when)


def find_missing_lines(
    facts: QuoteFacts, rules: Iterable[MissingLineRule], switched_off: Iterable[str] = ()
) -> tuple[MissingLineRule, ...]:
    """The rules that ask something, in their order; nothing is refused."""
    off = frozenset(switched_off)
    return tuple(
        rule for rule in rules if rule.code not in off and all(condition.holds(facts) for condition in rule.when)
    )


def read_missing_line_rules(given: object) -> tuple[MissingLineRule, ...]:
    """Rules from parsed JSON, `{"source": text, "rules": [{"code", "when": […], "question"}]}`.

    A rule may have a `mend`, `{"line", "words", "quantity"}` or with `of` and `less` for the quantity.
    A condition is `{"fact", "is": "above" | "below" | "equal" | "not equal"}` with `value`, a whole number,
    or `fact_beside`, another fact. `Problems` lists every bad field.
    """
    read = Reader(given)
    read.text("source", 300)
    rules = read.many("rules", _rule)
    codes = [rule.code for rule in rules if rule is not None]
    for code in sorted({code for code in codes if codes.count(code) > 1}):
        read.refuse("rules", f"Two rules are called {code}; give each its own code.")
    read.done()
    return rules


def _rule(given: object) -> MissingLineRule:
    read = Reader(given)
    conditions = read.many("when", _condition)
    if not conditions:
        read.refuse("when", "A rule needs at least one condition, or it would always ask.")
    rule = MissingLineRule(
        read.text("code", 60), conditions, read.text("question", 300), read.optional("mend", Mend.from_json)
    )
    read.done()
    return rule


def _condition(given: object) -> Condition:
    read = Reader(given)
    fact = read.value("fact", _fact)
    comparison = read.word("is", Comparator)
    beside = read.optional("fact_beside", _fact)
    value = 0
    if not read.has("fact_beside"):
        value = read.whole("value", 0, _MOST)
    elif read.has("value"):
        read.refuse("value", "Give value or fact_beside, not both.")
    read.done()
    return Condition(fact, comparison, value, beside)
