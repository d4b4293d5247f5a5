import json
from fractions import Fraction

import pytest
from click.testing import CliRunner

from app.cli import main
from tests.keying.oracle import operates

SPEC = {"chambers": 6, "depths": 10, "macs": 7, "step": 2}
RULES = {"least_depths": 3, "most_equal_neighbors": 2, "least_span": 3, "no_stairs": True, "no_uncut": True}
FLOORS = {
    "owner": ["1.1", "1.2", "1.3", "2.1", "2.2", "2.3"],
    "head 1": ["1.1", "1.2", "1.3"],
    "head 2": ["2.1", "2.2", "2.3"],
    **{door: [door] for door in ("1.1", "1.2", "1.3", "2.1", "2.2", "2.3")},
}
SYMBOLS = {"owner": "A", "head 1": "AA", "head 2": "AB"} | {
    f"{floor}.{n}": f"A{letter}{n}" for floor, letter in ((1, "A"), (2, "B")) for n in (1, 2, 3)
}


def solve(typed):
    text = typed if isinstance(typed, str) else json.dumps(typed)
    done = CliRunner().invoke(main, ["keying", "solve", "-"], input=text)
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return done.exit_code, json.loads(done.output)


def solved(opens, **more):
    """The answer, each key tried in each door by plain comparison of cuts."""
    code, answer = solve({"spec": SPEC, "opens": opens, "seed": 1, **more})
    assert (code, answer["status"]) == (0, "solved")
    assert answer["conflict"] == answer["relax"] == []
    depths = more.get("spec", SPEC)["depths"]
    for door in {door for doors in opens.values() for door in doors}:
        lock = [answer["keys"][who] for who, doors in opens.items() if door in doors]
        assert {who for who, key in answer["keys"].items() if operates(key, lock)} == {
            who for who, doors in opens.items() if door in doors
        }
        share = Fraction(1)
        for cuts in zip(*lock, strict=True):
            share *= Fraction(len(set(cuts)), depths)
        assert answer["shares"][door] == float(share)
    return answer


def test_who_opens_one_door_more_stays_a_change_and_one_door_is_crossed():
    answer = solved({**FLOORS, "1.2": ["1.2", "1.1"]}, rules=RULES)
    assert answer["symbols"] == SYMBOLS
    assert answer["crossed"] == ["1.1"]
    # Two depths in each of six chambers for every other door; three in at least one for the crossed one.
    assert all(answer["shares"][door] == 2**6 / 10**6 for door in ("1.2", "1.3", "2.1", "2.2", "2.3"))
    assert answer["shares"]["1.1"] > 2**6 / 10**6


def test_one_who_opens_a_door_of_another_department_lets_no_head_in():
    answer = solved({**FLOORS, "2.2": ["2.2", "1.1"]})
    assert answer["symbols"] == SYMBOLS
    assert answer["crossed"] == ["1.1"]


def test_people_of_the_same_doors_carry_one_key_and_who_opens_none_gets_none():
    answer = solved({**FLOORS, "twin": ["1.1"], "guest": []})
    assert answer["keys"]["twin"] == answer["keys"]["1.1"]
    assert answer["symbols"]["twin"] == "AA1"
    assert "guest" not in answer["keys"] | answer["symbols"]
    assert answer["crossed"] == []


def test_nobody_opening_anything_is_solved_by_no_key():
    assert solved({"guest": []})["keys"] == {}


def test_the_same_seed_gives_the_same_bittings():
    asked = {**FLOORS, "2.2": ["2.2", "1.1"]}
    assert solved(asked) == solved(asked)
    assert solved(asked)["keys"] != solved(asked, seed=2)["keys"]


def test_what_is_impossible_is_proven_and_says_what_would_do():
    """Two bittings, three who differ: any two can be had. One entry less, or one more, makes two of them."""
    asked = {"spec": {"chambers": 3, "depths": 2, "macs": 0}, "seconds": 3, "seed": 1}
    opens = {"a": ["1"], "b": ["2"], "c": ["3"]}
    code, answer = solve({**asked, "opens": opens})
    assert (code, answer["status"]) == (0, "impossible")
    assert answer["keys"] == answer["symbols"] == {}
    assert {person for person, _ in answer["conflict"]} == {"a", "b", "c"}
    assert len(answer["relax"]) == 1
    for change in answer["relax"]:
        doors = opens[change["person"]]
        opens[change["person"]] = [*doors, change["door"]] if change["do"] == "allow" else []
    solved(opens, **{name: value for name, value in asked.items() if name != "seed"})


@pytest.mark.parametrize(
    ("changed", "field", "words"),
    [
        ({"opens": {}}, "opens", "at least one person"),
        ({"opens": {"a": "1"}}, "opens.a", "list"),
        ({"opens": {"a": ["1", "2", "1"]}}, "opens.a[3]", "stands twice"),
        ({"opens": {"a": ["1", 7]}}, "opens.a[2]", "Enter text"),
        ({"opens": {"a": [""]}}, "opens.a[1]", "Enter text"),
        ({"opens": {" ": ["1"]}}, "opens. ", "Enter text"),
        ({"opens": {"a": ["1" * 61]}}, "opens.a[1]", "60"),
        ({"opens": {f"p{n}": [f"d{n}"] for n in range(5000)}}, "opens", "25,000,000 cells"),
        ({"opens": None}, "opens", "missing"),
        ({"seconds": 0}, "seconds", "above 0"),
        ({"rules": {"most_depths": 3}}, "rules.most_depths", "not known"),
        ({"rules": {"least_depths": 7}}, "rules.least_depths", "at most"),
        ({"doors": ["1"]}, "doors", "not known"),
        ({"spec": {"chambers": 3, "depths": 3}, "rules": {"least_depths": 3}}, "rules", "leave 6 bittings of 27"),
    ],
)
def test_a_matrix_that_makes_no_sense_is_refused_by_field(changed, field, words):
    code, answer = solve({"spec": SPEC, "opens": FLOORS, **changed})
    assert code == 2
    assert answer["error"]["field"] == field
    assert words in answer["error"]["message"]


def test_more_grand_masters_than_letters_are_refused_with_what_to_do():
    opens = {f"{one} {n}": [f"{one} {n}"] for one in range(23) for n in (1, 2)}
    opens |= {f"grand {one}": [f"{one} 1", f"{one} 2", f"{one} 3"] for one in range(23)}
    opens |= {f"head {one}": [f"{one} 1", f"{one} 2"] for one in range(23)}
    opens["owner"] = [door for one in range(23) for door in opens[f"grand {one}"]]
    code, answer = solve({"spec": {**SPEC, "chambers": 7, "macs": 9}, "opens": opens})
    assert (code, answer["error"]["field"]) == (2, "opens")
    assert "more than 22 grand masters" in answer["error"]["message"]


def test_a_person_who_stands_twice_is_refused_and_not_overwritten():
    code, answer = solve('{"spec": {"chambers": 3, "depths": 4}, "opens": {"a": ["1"], "a": ["2"]}}')
    assert (code, answer["error"]["field"]) == (2, "a")


def test_ten_thousand_entries_a_side_are_refused_before_they_are_read():
    people = {f"p{n}": ["x"] * 1001 for n in range(5000)}
    code, answer = solve({"spec": SPEC, "opens": people})
    assert (code, answer["error"]["field"]) == (2, "opens")
    assert answer["error"]["message"].startswith("5,005,000 entries are more than 5,000,000")


def read_list(**given):
    done = CliRunner().invoke(main, ["keying", "read", "-"], input=json.dumps({"spec": SPEC, **given}))
    return done.exit_code, json.loads(done.output)


def test_a_list_of_another_shop_is_read_row_by_row():
    """By hand: own names get the next free symbols of their level; each row stands in just one of the answers."""
    columns = {"symbol": 1, "bitting": 0, "level": 2}
    code, answer = read_list(
        columns=columns,
        rows=[
            ["4 1 7 2 5 0", "TMK", "top master"],
            ["8-3-6-2-5-0", "MK1", "MK"],
            [838472, 101, "change"],
            ["83647", 102, "change"],
            ["838472", 103, "change"],
            ["836490", 104, "change"],
            ["836294", 105],
            ["860529", "CTR", None],
        ],
    )
    assert code == 0
    assert answer["taken"] == {"A": "417250", "AA": "836250", "AA1": "838472", "CTR": "860529"}
    assert answer["own"] == {"A": "TMK", "AA": "MK1", "AA1": "101", "CTR": "CTR"}
    assert [one["row"] for one in answer["aside"]] == [5, 6]
    assert [one["row"] for one in answer["asked"]] == [4, 7]  # a cut too few, and a key whose level nothing tells


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"rows": []}, "columns"),
        ({"columns": {"symbol": 0, "bitting": 0}, "rows": []}, "columns"),
        ({"columns": {"symbol": 0, "bitting": 1, "door": 2}, "rows": []}, "columns.door"),
        ({"columns": {"symbol": 0, "bitting": 1}, "rows": [["AA", "417250"], "1AA"]}, "rows[2]"),
    ],
)
def test_a_list_that_cannot_be_read_names_its_field(given, field):
    code, answer = read_list(**given)
    assert (code, answer["error"]["field"]) == (2, field)
