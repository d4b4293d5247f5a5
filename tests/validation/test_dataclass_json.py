import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Annotated, Any

import pytest

from app.errors import BitternError, Problems
from app.validation import Form, JsonDataclass, whole, words_of


class Shade(StrEnum):
    LIGHT = "light"
    DARK = "dark"


@dataclass(frozen=True)
class Step:
    start: Annotated[int, whole(1, 99)]
    cents: int = 0

    def __post_init__(self) -> None:
        if self.cents == 13:
            raise BitternError("cents", "Not thirteen.")


@dataclass(frozen=True, kw_only=True)
class Everything(JsonDataclass):
    name: Annotated[str, words_of(5)]
    free: str = ""
    steps: tuple[Step, ...] = ()
    first: Step | None
    pair: tuple[str, int | None] = ("", None)
    days: frozenset[date] = frozenset()
    each: Mapping[Shade, int] = field(default_factory=dict)
    shade: Shade | None = Shade.DARK
    length: Fraction = Fraction(0)
    percent: Decimal = Decimal(0)
    at: datetime | None = None
    sure: bool = False
    doubled: Annotated[int, Form(lambda value: value * 2, lambda value: value // 2)] = 0
    plain: dict[str, Any] = field(default_factory=dict)


FULL = Everything(
    name="AA",
    free="two\nlines",
    steps=(Step(1), Step(2, 5)),
    first=Step(3),
    pair=("a", 1),
    days=frozenset({date(2026, 3, 2), date(2026, 3, 1)}),
    each={Shade.LIGHT: 3},
    shade=None,
    length=Fraction(9, 8),
    percent=Decimal("8.25"),
    at=datetime(2026, 3, 2, 9, 30, tzinfo=UTC),
    sure=True,
    doubled=8,
    plain={"a": [1, None]},
)


def test_every_kind_of_field_goes_to_json_and_back() -> None:
    written = json.loads(json.dumps(FULL.to_json()))
    assert written["days"] == ["2026-03-01", "2026-03-02"]
    assert written["doubled"] == 4
    assert written["shade"] is None
    assert Everything.from_json(written) == FULL


def test_what_is_absent_takes_its_default_or_none() -> None:
    assert Everything.from_json({"name": "AA", "sure": None}) == Everything(name="AA", first=None)


def test_what_was_read_cannot_be_changed_behind_its_back() -> None:
    with pytest.raises(TypeError):
        Everything.from_json({"name": "A", "each": {"dark": 1}}).each[Shade.DARK] = 2  # type: ignore[index]


def test_all_that_is_wrong_is_told_by_its_path() -> None:
    wrong = {
        "free": 3,
        "steps": [{"start": 0, "cents": True}, {"start": 1, "cents": 13}, {"color": 1}, []],
        "first": "no",
        "pair": ["a"],
        "days": ["2026-02-30"],
        "each": {"light": "x", "dim": 1},
        "shade": "dim",
        "length": "1/0",
        "percent": "much",
        "at": "noon",
        "sure": 1,
        "plain": [],
    }
    with pytest.raises(Problems) as refused:
        Everything.from_json(wrong, "all")
    assert {problem.field for problem in refused.value.problems} == {
        "all.name",
        "all.free",
        "all.steps[1].start",
        "all.steps[1].cents",
        "all.steps[2].cents",
        "all.steps[3].color",
        "all.steps[3].start",
        "all.steps[4]",
        "all.first",
        "all.pair",
        "all.days[1]",
        "all.each.light",
        "all.each.dim",
        "all.shade",
        "all.length",
        "all.percent",
        "all.at",
        "all.sure",
        "all.plain",
    }
