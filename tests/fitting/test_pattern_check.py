from collections import defaultdict
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.errors import BitternError, Problems
from app.fitting import (
    CylinderAttributes,
    Pattern,
    decode_any,
    pattern_check,
)
from app.fitting.composing import _fill, _Search, compose
from app.fitting.cylinder import from_texts
from app.fitting.pattern_check import check_pattern
from app.fitting.patterns import pattern_from_json


def test_the_demo_patterns_are_sound(patterns: tuple[Pattern, ...]) -> None:
    for pattern in patterns:
        assert check_pattern(pattern) == ()


def made(segments: list[dict[str, Any]], rules: list[dict[str, Any]] | None = None) -> Pattern:
    first = {"name": "type", "kind": "text", "text": "M", "sets": {"type": "mortise"}}
    return pattern_from_json({"name": "made", "segments": [first, *segments], "rules": rules or []})


def table(name: str, attribute: str, codes: dict[str, str], optional: bool, separator: str = "") -> dict[str, Any]:
    segment: dict[str, Any] = {
        "name": name,
        "kind": "codes",
        "separator": separator,
        "codes": [{"code": c, "sets": {attribute: v}, "words": v} for c, v in codes.items()],
    }
    if optional:
        segment["missing"] = [{"sets": {attribute: "plain"}, "words": "plain"}]
    return segment


def test_a_code_twice_is_named_by_row() -> None:
    segment = table("keyway", "keyway", {"A": "K1", "B": "K2", "a": "K3"}, False)
    (problem,) = check_pattern(made([segment]))
    assert problem.field == "segments[2].codes[3]"
    assert "twice in keyway, in rows 1 and 3" in problem.message


def test_two_segments_of_one_name() -> None:
    one, two = table("keyway", "keyway", {"A": "K1"}, False), table("Keyway", "cam", {"B": "c"}, False)
    assert "Two segments are named" in check_pattern(made([one, two]))[0].message


def test_pieces_that_run_together() -> None:
    length = table("keyway", "keyway", {"1": "K1", "11": "K11"}, False)
    cam = table("cam", "cam", {"1": "long"}, True)
    (problem,) = check_pattern(made([length, cam]))
    assert problem.message.startswith("M11 can be read in two ways")
    assert check_pattern(made([length, {**cam, "separator": "-"}])) == ()


def test_rules_can_tell_pieces_apart() -> None:
    keyway = table("keyway", "keyway", {"1": "K1", "11": "K11"}, False)
    cam = table("cam", "cam", {"1": "long"}, True)
    rule = {"kind": "forbid", "when": {"keyway": ["K1"], "cam": ["long"]}, "reason": "not made"}
    assert check_pattern(made([keyway, cam], [rule])) == ()


def test_a_rule_about_nothing_and_rules_that_forbid_all() -> None:
    keyway = table("keyway", "keyway", {"1": "K1"}, False)
    stray = {"kind": "forbid", "when": {"keyway": ["K7"]}, "reason": "not made"}
    assert "No code gives keyway 'K7'" in check_pattern(made([keyway], [stray]))[0].message
    everything = {"kind": "forbid", "when": {"keyway": ["K1"]}, "reason": "not made"}
    assert "forbid every combination" in check_pattern(made([keyway], [everything]))[0].message


def test_a_pattern_that_never_says_the_type() -> None:
    pattern = pattern_from_json({"name": "x", "segments": [table("keyway", "keyway", {"1": "K1"}, False)]})
    assert "cylinder's type" in check_pattern(pattern)[0].message


def test_a_long_run_of_numbers_is_checked_without_trying_each() -> None:
    number = {"kind": "number", "attribute": "length", "digits": 4, "unit": "1/64", "least": 1, "most": 9999}
    segments = [table(f"part {n}", a, {f"{c}{n}": f"{a} {c}" for c in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"}, True)
                for n, a in enumerate(("keyway", "cam", "tailpiece", "finish", "keying"))]  # fmt: skip
    assert check_pattern(made([{"name": "length", **number}, *segments])) == ()


def running_together(count: int) -> Pattern:
    """Twenty optional pieces of one digit: more ways to read a number than anyone can wait for."""
    return made(
        [
            {
                "name": f"piece {n}",
                "kind": "codes",
                "codes": [{"code": c, "sets": {}, "words": c} for c in ("1", "11", "111")],
                "missing": [{"sets": {}, "words": "none"}],
            }
            for n in range(count)
        ]
    )


def test_pieces_that_run_together_without_end_still_answer() -> None:
    pattern = running_together(19)
    assert len(decode_any((pattern,), "M" + "1" * 30)) == 1
    with pytest.raises(BitternError, match=r"left over|not understood"):
        decode_any((pattern,), "M" + "1" * 40 + "X")


def test_rules_that_turn_all_down_after_a_long_way_still_answer() -> None:
    letters = {c: f"K{c}" for c in "ABCDEFGHIJKLMNOPQRST"}
    segments = [table(name, name, letters, False, "-") for name in ("keyway", "cam", "tailpiece", "finish", "keying")]
    rule = {"kind": "forbid", "when": {"keying": list(letters.values())}, "reason": "not made"}
    pattern = made(segments, [rule])
    assert "loosen one" in check_pattern(pattern)[0].message
    with pytest.raises(BitternError, match="say more of the cylinder"):
        compose(pattern, CylinderAttributes("mortise"))
    with pytest.raises(BitternError):
        decode_any((pattern,), "M-A-A-A-A-A")


CODES = st.dictionaries(
    st.text("01A", min_size=1, max_size=2), st.sampled_from(["x", "y", "z"]), min_size=1, max_size=3
)
SEGMENTS = st.tuples(CODES, CODES, CODES, st.lists(st.booleans(), min_size=3, max_size=3))


@settings(max_examples=200, deadline=None)
@given(SEGMENTS, st.booleans())
def test_the_check_agrees_with_trying_every_combination(parts: Any, with_rule: bool) -> None:
    one, two, three, optional = parts
    segments = [
        table("a", "keyway", one, optional[0]),
        table("b", "cam", two, optional[1]),
        table("c", "finish", three, optional[2]),
    ]
    value = next(iter(one.values()))
    rule = {"kind": "forbid", "when": {"keyway": [value], "cam": list(set(two.values()))}, "reason": "not made"}
    pattern = made(segments, [rule] if with_rule else [])
    meanings = defaultdict(set)
    for choices, values in _fill(pattern, {}, _Search(), 0, {}):
        meanings["".join(choice.text for choice in choices)].add(from_texts(values))
    problems = check_pattern(pattern)
    if not meanings:
        assert "forbid every combination" in problems[0].message
        return
    assert bool(problems) == any(len(each) > 1 for each in meanings.values())
    for number, meant in meanings.items():
        assert {reading.attributes for reading in decode_any((pattern,), number)} == meant


@pytest.mark.parametrize(
    ("given_", "field"),
    [
        (None, ""),
        ({"name": "x"}, "segments"),
        ({"name": "x", "segments": []}, "segments"),
        ({"name": "x", "segments": [5]}, "segments[1]"),
        ({"name": "x", "segments": [{"name": "a", "kind": "magic"}]}, "segments[1].kind"),
        ({"name": "x", "segments": [{"name": "a", "kind": "text", "text": "É"}]}, "segments[1].text"),
        ({"name": "x", "segments": [{"name": "a", "kind": "codes", "codes": []}]}, "segments[1].codes"),
        (
            {"name": "x", "segments": [{"name": "a", "kind": "codes", "codes": [{"code": "A"}]}]},
            "segments[1].codes[1].words",
        ),
        (
            {"name": "x", "segments": [{"name": "a", "kind": "text", "text": "M", "sets": {"type": "gate"}}]},
            "segments[1].sets.type",
        ),
        (
            {"name": "x", "segments": [{"name": "a", "kind": "number", "attribute": "length", "digits": 9}]},
            "segments[1].digits",
        ),
        (
            {
                "name": "x",
                "segments": [{"name": "a", "kind": "text", "text": "M"}],
                "rules": [{"kind": "forbid", "reason": "r"}],
            },
            "rules[1].when",
        ),
    ],
)
def test_a_wrong_shape_is_named_by_place(given_: object, field: str) -> None:
    with pytest.raises(BitternError) as refusal:
        pattern_from_json(given_)
    assert refusal.value.field == field


def test_the_search_for_two_readings_ends_however_large_the_tables(monkeypatch: pytest.MonkeyPatch) -> None:
    number = {"kind": "number", "attribute": "length", "digits": 3, "least": 0, "most": 999, "unit": "1/16"}
    numbers = [{"name": f"n{n}", **number, "missing": [{"sets": {}, "words": "none"}]} for n in range(6)]
    kind = {"name": "kind", "kind": "text", "text": "T", "sets": {"type": "rim"}}
    pattern = pattern_from_json({"name": "x", "segments": [kind, *numbers]})
    taken = []
    step = pattern_check._step
    monkeypatch.setattr(pattern_check, "MOST_STEPS", 5_000)
    monkeypatch.setattr(pattern_check, "_step", lambda *given: taken.append(1) or step(*given))
    (problem,) = pattern_check.check_pattern(pattern)
    assert problem.field == "segments" and "Add separators" in problem.message
    assert len(taken) <= 10_000


def test_a_pattern_is_refused_by_each_field_that_cannot_be() -> None:
    body = {"name": "Body", "kind": "text", "text": "A", "sets": {"type": "rim"}}
    pins = {"name": "Pins", "kind": "number", "attribute": "chambers", "digits": 1, "least": 5, "most": 6}
    rule = {"kind": "forbid", "when": {"chambers": ["6"]}, "reason": "It is not made."}
    whole = {"name": "P", "segments": [{**body, "separator": "---"}, pins], "rules": [rule]}
    assert pattern_from_json(whole).segments[0].separator == "---"
    wrong = {
        "name": "P",
        "segments": [{**body, "separator": "----"}, {**pins, "most": 4}],
        "rules": [{**rule, "then": {"type": ["rim"]}}],
    }
    with pytest.raises(Problems) as refused:
        pattern_from_json(wrong)
    fields = [problem.field for problem in refused.value.problems]
    assert fields == ["segments[1].separator", "segments[2].most", "rules[1].when"]
