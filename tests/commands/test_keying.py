import json
from itertools import pairwise

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from app.cli import main


def run(command, typed):
    text = typed if isinstance(typed, str) else json.dumps(typed)
    done = CliRunner().invoke(main, ["keying", command, "-"], input=text)
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return done.exit_code, json.loads(done.output)


SPEC = {"chambers": 6, "depths": 10, "macs": 7, "step": 2}
COMMANDS = ["count", "progress", "pin", "audit", "extend", "solve", "symbols", "plan", "lost"]


@pytest.mark.parametrize("command", COMMANDS)
def test_the_printed_example_works(command):
    example = CliRunner().invoke(main, ["keying", command, "--example"])
    assert example.exit_code == 0
    code, answer = run(command, example.output)
    assert code == 0
    assert "error" not in answer


def test_count():
    assert run("count", {"spec": {"chambers": 6, "depths": 10, "macs": 4}}) == (
        0,
        {"theoretical": 10**6, "usable": 198034},
    )


def test_progress_lists_in_sequence():
    code, answer = run("progress", {"spec": {**SPEC, "chambers": 3}, "tmk": "528", "order": [3, 1, 2], "limit": 5})
    assert code == 0
    assert answer == {
        "array": [["1", "3", "7", "9"], ["0", "4", "6", "8"], ["0", "2", "4", "6"]],
        "theoretical": 64,
        "usable": 56,
        "bittings": ["100", "102", "104", "106", "300"],
    }


def test_progress_takes_an_array_with_held_chambers():
    array = [["3", "1"], [], ["4"]]
    code, answer = run("progress", {"spec": {**SPEC, "chambers": 3}, "tmk": "528", "array": array, "order": None})
    assert code == 0
    assert answer == {"array": array, "theoretical": 2, "usable": 2, "bittings": ["324", "124"]}


def test_progress_counts_what_each_rule_refuses():
    """All 18 by hand: each under the first rule that it breaks."""
    array = [["1", "3", "7"], ["0", "1", "3"], ["1", "5"]]
    rules = {"least_depths": 3, "least_span": 4, "no_stairs": True}
    code, answer = run(
        "progress", {"spec": {**SPEC, "chambers": 3, "step": 1}, "tmk": "528", "array": array, "rules": rules}
    )
    assert code == 0
    assert (answer["theoretical"], answer["usable"]) == (18, 8)
    # Two depths or one: 101 111 131 115 311 331 335 711. Span under 4: 301. Stairs: 135.
    assert answer["refused"] == {"least_depths": 8, "least_span": 1, "no_stairs": 1}
    assert answer["bittings"] == ["701", "731", "105", "305", "705", "315", "715", "735"]


def test_progress_without_rules_names_none_refused():
    code, answer = run("progress", {"spec": SPEC, "tmk": "528614", "rules": None, "limit": 0})
    assert (code, list(answer)) == (0, ["array", "theoretical", "usable", "bittings"])


def test_pin_with_a_control_key():
    spec = {"chambers": 6, "depths": 10, "stack_total": 23, "control_offset": 10}
    code, answer = run("pin", {"spec": spec, "keys": {"TMK": "528614", "AA1": "306836"}, "control": "960478"})
    assert code == 0
    assert answer["chambers"][0] == {"bottom": 3, "masters": [2], "buildup": 14, "top": 4}
    assert (answer["combinations"], answer["intended"], answer["phantom"]) == (64, 2, 62)
    assert answer["warnings"] == []


def test_pin_warns_of_what_a_specialist_would_refuse():
    spec = {"chambers": 5, "depths": 7, "macs": 4, "most_master_pins": 2, "share_one_in": 200, "stop": "tip"}
    keys = {"A": "00000", "AA": "22200", "AA1": "42220", "AB1": "60244"}
    code, answer = run("pin", {"spec": spec, "keys": keys})
    assert code == 0
    # By hand, bow to tip: 0 2 4 6 · 0 2 · 0 2 · 0 2 4 · 0 4 shear: 96 of 7^5 = 16,807, one in 175; the tip is cut 1.
    assert answer["combinations"] == 96
    assert answer["warnings"] == [
        "Chamber 5: 3 master pins, over 2: it wears badly and picks easily.",
        "Of all bittings one in 175 turns this cylinder, over the spec's one in 200.",
        "AB1 breaks the MACS of 4: cuts 5 and 4.",
    ]
    bare = {name: value for name, value in spec.items() if name in ("chambers", "depths")}
    assert run("pin", {"spec": bare, "keys": keys})[1] == {**answer, "warnings": []}


def test_pin_warns_of_a_control_line_that_a_plain_key_reaches():
    spec = {"chambers": 3, "depths": 6, "stack_total": 14, "control_offset": 6}  # A4: checked in tests/published
    code, answer = run("pin", {"spec": spec, "keys": {"AA": "135", "1AA": "240"}, "control": "240"})
    assert (code, answer["warnings"]) == (
        0,
        ["1AA reaches the control line in every chamber: it would take the core out."],
    )
    narrow = {**spec, "control_offset": 5}
    by_hand = {  # key, control → what joints of the third chamber do: cut + 5 is the control line
        ("134", "240"): ["Chamber 3: the control line's joint lets cut 5 turn the plug."],
        ("135", "240"): ["Chamber 3: no build-up pin parts the control line from the deepest cut's joint."],
        ("135", "241"): [
            "Chamber 3: cut 0 reaches the control line by a plain joint.",
            "Besides the control key 1 bitting reaches its line.",
        ],
    }
    for (key, control), warnings in by_hand.items():
        asked = {"spec": narrow, "keys": {"AA": key}, "control": control}
        assert run("pin", asked)[1]["warnings"] == warnings


def test_pin_without_a_stack():
    code, answer = run("pin", {"spec": {"chambers": 3, "depths": 10}, "keys": {"AA": "528"}})
    assert code == 0
    assert answer["chambers"][2] == {"bottom": 8, "masters": [], "buildup": None, "top": None}


def test_symbols_of_four_levels():
    code, answer = run("symbols", {"levels": 4, "grands": 2, "masters": 2, "changes_per_master": 1})
    assert code == 0
    assert answer == {"symbols": ["GGM", "A", "AA", "AA1", "AB", "AB1", "B", "BA", "BA1", "BB", "BB1"]}


PLAN = {"spec": SPEC, "levels": 4, "masters": [2, 3], "changes": 10, "seed": 3}


def test_the_example_of_a_plan_keeps_what_it_asks_to_keep_free():
    example = json.loads(CliRunner().invoke(main, ["keying", "plan", "--example"]).output)
    assert (example["masters"], example["changes"], example["room"]) == ([4], 20, [0.5, 0.25])
    code, answer = run("plan", example)
    assert (code, len(answer["cylinders"])) == (0, 4 * 20)
    assert all(left >= kept for left, kept in zip(answer["left"], [2, 5], strict=True))  # half of 4, a quarter of 20


def test_plan_gives_every_key_and_each_changes_cylinder():
    rules = {"least_depths": 3, "most_equal_neighbors": 2, "least_span": 3, "no_stairs": True, "no_uncut": True}
    code, answer = run("plan", {**PLAN, "room": [0.5, 0.34, 0.2], "rules": rules})
    assert code == 0
    assert list(answer) == ["keys", "cylinders", "left", "refused", "warnings"]
    masters = [f"{grand}{letter}" for grand in "AB" for letter in "ABC"]
    changes = {f"{master}{n}": [f"{master}{n}", master, master[0], "GGM"] for master in masters for n in range(1, 11)}
    assert answer["cylinders"] == changes
    assert set(answer["keys"]) == {"GGM", "A", "B", *masters, *changes}
    # Half of 2, .34 of 3 and a fifth of 10, each rounded up.
    assert all(left >= more for left, more in zip(answer["left"], [1, 2, 2], strict=True))
    assert list(answer["refused"]) == list(rules)
    code, audited = run("audit", {"spec": SPEC, "keys": answer["keys"], "cylinders": answer["cylinders"]})
    assert (code, audited["unintended"]) == (0, [])
    assert run("plan", {**PLAN, "room": [0.5, 0.34, 0.2], "rules": rules}) == (0, answer)


TWO_WAYS = {"AA": "Q1", "AB": "Q3", "AC": "Q1", "AD": "Q3", "AE": "Q1", "AF": "Q3"}
SHARED = {
    "spec": {"chambers": 3, "depths": 4, "macs": 3, "step": 1},
    "levels": 3,
    "masters": [6],
    "changes": 5,
    "tmk": "000",
    "keyways": {"A": "Q1", **TWO_WAYS},
    "enters": {"A": ["Q1", "Q3"]} | {one: [way] for one, way in TWO_WAYS.items()},
}
"""Three depths beside the top's: two chambers hold 5 changes (of 9), one holds 3 masters, on each of two keyways."""


def test_a_plan_on_several_keyways_has_a_bitting_on_each_where_it_needs_it():
    code, answer = run("plan", SHARED)
    assert code == 0 and len(answer["keys"]) == 1 + 6 * 6 and len(set(answer["keys"].values())) == 1 + 3 * 6
    assert any("3 × 5 bittings do" in one for one in answer["warnings"]) and answer["left"] == [0, 4]
    ways = {symbol: TWO_WAYS[symbol[:2]] for symbol in answer["keys"] if symbol != "A"}
    enters = {"A": ["Q1", "Q3"]} | {symbol: [way] for symbol, way in ways.items()}
    cylinders = answer["cylinders"]
    asked = {"spec": SHARED["spec"], "keys": answer["keys"], "cylinders": cylinders, "enters": enters}
    code, audited = run("audit", asked | {"keyways": {symbol: ways[symbol] for symbol in cylinders}})
    assert (code, audited["unintended"], audited["missing"]) == (0, [], [])
    code, audited = run("audit", asked)  # as if every key entered every door
    assert code == 0 and len(audited["unintended"]) == 30 * 2  # its twin's key, and the master of that
    unshared = {name: value for name, value in SHARED.items() if name not in ("keyways", "enters")}
    assert run("plan", unshared)[1]["error"]["field"] == "masters"
    assert run("plan", SHARED | {"enters": {}})[1]["error"]["field"] == "masters"  # not known: enters everything


def test_a_share_of_room_is_taken_as_it_is_written():
    """A tenth of 10 keeps 1 and no more: one of the two bittings of a chamber that stand beside 10 × 1.1 is one."""
    spec = {"chambers": 3, "depths": 12, "macs": 11, "step": 1}
    asked = {"spec": spec, "levels": 4, "masters": [1, 1], "changes": 10, "tmk": "555"}
    code, answer = run("plan", {**asked, "room": [0, 0, 0.1]})
    assert (code, answer["left"]) == (0, [10, 10, 1])  # of 11 depths beside the top's
    code, answer = run("plan", {**asked, "room": [0, 0, 0.11]})
    assert (code, answer["error"]["field"]) == (2, "room")


def test_a_given_top_stays_and_a_broken_rule_is_a_warning():
    code, answer = run(
        "plan", {"spec": SPEC, "levels": 2, "changes": 5, "tmk": "111111", "rules": {"least_depths": 2}}
    )
    assert (code, answer["keys"]["AA"]) == (0, "111111")
    assert answer["warnings"] == ["The top master breaks the rule least_depths; it stays as given."]


KEYS = {"AA": "345621", "1AA": "365621"}
AUDITED = {"spec": SPEC, "keys": KEYS, "cylinders": {"1AA": ["AA"]}}
LOSS = {"spec": SPEC, "keys": KEYS, "cylinders": {"1AA": ["AA", "1AA"]}, "lost": "1AA"}


def test_lost():
    """1AA differs from AA in chamber 2 alone, so its new bitting has another cut than 6 there."""
    code, answer = run("lost", LOSS | {"seed": 1, "seconds": 5})
    assert code == 0 and list(answer) == ["exposed", "replace", "new", "proven", "reasons"]
    new = answer.pop("new")["1AA"]
    assert answer == {"exposed": ["1AA"], "replace": ["1AA"], "proven": True, "reasons": []}
    assert new[1] != "6" and [int(cut) % 2 for cut in new] == [int(cut) % 2 for cut in KEYS["AA"]]
    assert new not in KEYS.values() and all(abs(int(a) - int(b)) <= 7 for a, b in pairwise(new))


def test_a_lost_key_whose_other_masters_have_all_its_cuts_takes_their_changes_with_it():
    example = json.loads(CliRunner().invoke(main, ["keying", "lost", "--example"]).output)
    code, answer = run("lost", example)
    assert code == 0 and answer["exposed"] == ["AA1", "AA2"] and answer["proven"]
    assert answer["replace"] == list(answer["new"]) == ["AA", "AA1", "AA2"]
    after = example["keys"] | answer["new"]
    audited = {"spec": example["spec"], "keys": after | {"old AA": "411214"}, "cylinders": example["cylinders"]}
    assert run("audit", audited)[1]["unintended"] == []


def test_a_lost_key_over_keyways_lets_those_be_that_it_does_not_enter():
    """BA and what is under it are cut as AA and what is under that; on one keyway they would be lost with it."""
    example = json.loads(CliRunner().invoke(main, ["keying", "lost", "--example"]).output)
    keys, cylinders = example["keys"], example["cylinders"]
    twins = {f"B{one[1:]}": one for one in ("AA", "AA1", "AA2")}
    asked = example | {
        "keys": keys | {twin: keys[one] for twin, one in twins.items()},
        "cylinders": cylinders | {twin: [twin, "BA", "A"] for twin in ("BA1", "BA2")},
    }
    assert run("lost", asked)[1]["exposed"] == ["AA1", "AA2", "BA1", "BA2"]
    asked["keyways"] = {name: "Q3" if name in twins else "Q1" for name in asked["cylinders"]}
    asked["enters"] = {key: ["Q3" if key in twins else "Q1"] for key in asked["keys"]} | {"A": ["Q1", "Q3"]}
    code, answer = run("lost", asked)
    assert code == 0 and answer["exposed"] == ["AA1", "AA2"] and answer["proven"]
    assert answer["replace"] == ["AA", "AA1", "AA2"]
    after = {name: asked[name] for name in ("spec", "keyways", "enters", "cylinders")}
    after["keys"] = asked["keys"] | answer["new"] | {"old AA": keys["AA"]}
    after["enters"] = after["enters"] | {"old AA": ["Q1"]}
    assert run("audit", after)[1]["unintended"] == []
    code, answer = run("lost", asked | {"keyways": {"ZZ": "Q1"}})
    assert code == 2 and answer["error"]["field"] == "keyways.ZZ"


KEYWAYS = ("Q1", "Q2", "Q3")


@settings(deadline=None)
@given(st.randoms(use_true_random=False))
def test_an_audit_over_keyways_is_that_of_trying_each_key_in_each_cylinder(chance):
    keys = {f"K{n}": "".join(chance.choice("0123") for _ in range(3)) for n in range(chance.randint(1, 9))}
    cylinders = {f"C{n}": chance.sample([*keys], chance.randint(1, min(3, len(keys)))) for n in range(5)}
    keyways = {name: chance.choice(KEYWAYS) for name in cylinders if chance.random() < 0.8}
    enters = {name: chance.sample(KEYWAYS, chance.randint(1, 3)) for name in keys if chance.random() < 0.8}
    house = {"spec": {"chambers": 3, "depths": 4}, "keys": keys, "cylinders": cylinders}
    code, answer = run("audit", {**house, "keyways": keyways, "enters": enters})
    assert code == 0
    unintended, missing, phantoms = [], [], {}
    for name, meant in cylinders.items():
        shearing = [{keys[one][chamber] for one in meant} for chamber in range(3)]
        going_in = [key for key in keys if name not in keyways or key not in enters or keyways[name] in enters[key]]
        turning = [key for key in going_in if all(keys[key][at] in shearing[at] for at in range(3))]
        unintended += [[name, key] for key in turning if key not in meant]
        missing += [[name, key] for key in keys if key in meant and key not in going_in]
        count = len(shearing[0]) * len(shearing[1]) * len(shearing[2])
        phantoms[name] = count - len({keys[key] for key in turning})
    assert answer == {"unintended": unintended, "missing": missing, "phantoms": phantoms}


@pytest.mark.parametrize(
    ("command", "typed", "field"),
    [
        ("lost", LOSS | {"lost": "AB"}, "lost"),
        ("lost", {**LOSS, "lost": None}, "lost"),
        ("lost", LOSS | {"keys": {}}, "keys"),
        ("lost", LOSS | {"cylinders": {"1AA": ["AB"]}}, "cylinders.1AA"),
        ("lost", LOSS | {"rules": {"least_depth": 3}}, "rules.least_depth"),
        ("lost", LOSS | {"rules": {"least_depths": 7}}, "rules.least_depths"),
        ("lost", LOSS | {"rules": {"least_depths": 2, "most_equal_neighbors": 1, "no_uncut": 3}}, "rules.no_uncut"),
        ("lost", LOSS | {"spec": SPEC | {"macs": 1}, "rules": {"least_span": 5}}, "rules"),
        ("lost", LOSS | {"seconds": 0}, "seconds"),
        ("lost", LOSS | {"seconds": True}, "seconds"),
        ("lost", LOSS | {"seconds": float("nan")}, "seconds"),
        ("lost", LOSS | {"seed": 1.5}, "seed"),
        ("lost", LOSS | {"symbol": "AA"}, "symbol"),
        ("count", "not json", "file"),
        ("count", "[1]", "file"),
        ("count", "[" * 100_000, "file"),
        ("count", {}, "spec"),
        ("count", {"spec": []}, "spec"),
        ("count", {"spec": {"chambers": 6, "depths": 10}}, "spec.macs"),
        ("count", {"spec": {"chambers": 0, "depths": 10, "macs": 3}}, "spec.chambers"),
        ("count", {"spec": {"chambers": 10**30, "depths": 10, "macs": 3}}, "spec.chambers"),
        ("count", {"spec": {"chambers": True, "depths": 10, "macs": 3}}, "spec.chambers"),
        ("count", {"spec": SPEC, "sepc": 1}, "sepc"),
        ("progress", {"spec": SPEC}, "tmk"),
        ("progress", {"spec": SPEC, "tmk": "52861"}, "tmk"),
        ("progress", {"spec": SPEC, "tmk": 528614}, "tmk"),
        ("progress", {"spec": SPEC, "tmk": "0" * 10_000}, "tmk"),
        ("progress", {"spec": SPEC, "tmk": "908614"}, "tmk"),
        ("progress", {"spec": {"chambers": 6, "depths": 10, "macs": 7}, "tmk": "528614"}, "spec.step"),
        ("progress", {"spec": SPEC, "tmk": "528614", "array": {}}, "array"),
        ("progress", {"spec": SPEC, "tmk": "528614", "array": [[1]] * 6}, "array"),
        ("progress", {"spec": SPEC, "tmk": "528614", "array": ["1"] * 6}, "array"),
        ("progress", {"spec": SPEC, "tmk": "528614", "array": [["5"], [], [], [], [], []]}, "array"),
        ("progress", {"spec": SPEC, "tmk": "528614", "array": [["1"]] * 1000}, "array"),
        ("progress", {"spec": SPEC, "tmk": "528614", "order": "123456"}, "order"),
        ("progress", {"spec": SPEC, "tmk": "528614", "order": [1, 1, 2, 3, 4, 5]}, "order"),
        ("progress", {"spec": SPEC, "tmk": "528614", "order": [1.0, 2, 3, 4, 5, 6]}, "order"),
        ("progress", {"spec": SPEC, "tmk": "528614", "rules": []}, "rules"),
        ("progress", {"spec": SPEC, "tmk": "528614", "rules": {"least_depth": 3}}, "rules.least_depth"),
        ("progress", {"spec": SPEC, "tmk": "528614", "rules": {"no_stairs": 1}}, "rules.no_stairs"),
        ("progress", {"spec": SPEC, "tmk": "528614", "rules": {"least_depths": 7}}, "rules.least_depths"),
        ("progress", {"spec": SPEC, "tmk": "528614", "rules": {"least_span": 10}}, "rules.least_span"),
        ("progress", {"spec": SPEC, "tmk": "528614", "limit": -1}, "limit"),
        ("progress", {"spec": SPEC, "tmk": "528614", "limit": 10**30}, "limit"),
        ("progress", {"spec": SPEC, "tmk": "528614", "limit": True}, "limit"),
        ("progress", {"spec": {**SPEC, "chambers": 12}, "tmk": "528614528614"}, "limit"),
        ("count", {"spec": {"\ud800": 1}}, "spec.?"),
        ("audit", {"spec": SPEC, "keys": KEYS, "cylinders": {"\ud800": ["AA"]}}, "cylinders"),
        ("audit", {"spec": SPEC, "keys": KEYS, "cylinders": {"1AA": ["\ud800"]}}, "cylinders.1AA"),
        ("audit", {"spec": SPEC, "keys": {"\ud800": "345621"}, "cylinders": {}}, "keys"),
        ("pin", {"spec": SPEC, "keys": []}, "keys"),
        ("pin", {"spec": SPEC, "keys": {}}, "keys"),
        ("pin", {"spec": SPEC, "keys": {"AA": None}}, "keys.AA"),
        ("pin", {"spec": SPEC, "keys": {"A" * 10_000: "528614"}}, "keys"),
        ("pin", {"spec": SPEC, "keys": {"AA": "528614"}, "control": "960478"}, "spec.control_offset"),
        ("pin", {"spec": SPEC, "keys": {"AA": "528614"}, "control": 5}, "control"),
        ("audit", {"spec": SPEC, "keys": KEYS}, "cylinders"),
        ("audit", {"spec": SPEC, "keys": KEYS, "cylinders": []}, "cylinders"),
        ("audit", {"spec": SPEC, "keys": KEYS, "cylinders": {}}, "cylinders"),
        ("audit", {**AUDITED, "keyways": ["Q1"]}, "keyways"),
        ("audit", {**AUDITED, "keyways": {"1AA": ["Q1"]}}, "keyways.1AA"),
        ("audit", {**AUDITED, "keyways": {"2AA": "Q1"}}, "keyways.2AA"),
        ("audit", {**AUDITED, "keyways": {"1AA": "Q" * 25}}, "keyways.1AA"),
        ("audit", {**AUDITED, "enters": {"AA": "Q1"}}, "enters.AA"),
        ("audit", {**AUDITED, "enters": {"AA": ["Q1", ""]}}, "enters.AA[2]"),
        ("audit", {**AUDITED, "enters": {"AB": ["Q1"]}}, "enters.AB"),
        ("audit", {"spec": SPEC, "keys": KEYS, "cylinders": {"1AA": "AA"}}, "cylinders.1AA"),
        ("audit", {"spec": SPEC, "keys": KEYS, "cylinders": {"1AA": [1]}}, "cylinders.1AA"),
        ("audit", {"spec": SPEC, "keys": KEYS, "cylinders": {"1AA": ["AB"]}}, "cylinders.1AA"),
        ("audit", {"spec": SPEC, "keys": KEYS, "cylinders": {"1AA": []}}, "cylinders.1AA"),
        ("plan", {**PLAN, "levels": 8}, "levels"),
        ("plan", {**PLAN, "levels": 7, "masters": [1] * 5, "spec": {**SPEC, "chambers": 5}}, "levels"),
        ("plan", {**PLAN, "masters": None}, "masters"),
        ("plan", {**PLAN, "masters": [2]}, "masters"),
        ("plan", {**PLAN, "masters": [2, 0]}, "masters"),
        ("plan", {**PLAN, "masters": [2, "3"]}, "masters"),
        ("plan", {**PLAN, "masters": [30, 1]}, "masters"),
        ("plan", {**PLAN, "changes": 0}, "changes"),
        ("plan", {**PLAN, "changes": 5000}, "changes"),
        ("plan", {**PLAN, "room": [0.5]}, "room"),
        ("plan", {**PLAN, "room": [0.5, 0.5, -1]}, "room"),
        ("plan", {**PLAN, "room": [0, 0, 99]}, "room"),
        ("plan", {**PLAN, "tmk": "41725"}, "tmk"),
        ("plan", {**PLAN, "tmk": "908614"}, "tmk"),
        ("plan", {**PLAN, "seed": "1"}, "seed"),
        ("plan", {**SHARED, "keyways": {"AZ": "Q1"}}, "keyways.AZ"),
        ("plan", {**SHARED, "keyways": {"AA": 1}}, "keyways.AA"),
        ("plan", {**SHARED, "enters": {"AA1": ["Q1"]}}, "enters.AA1"),
        ("plan", {**SHARED, "enters": {**SHARED["enters"], "A": ["Q1"]}}, "enters.A"),
        ("plan", {**PLAN, "seconds": 0}, "seconds"),
        ("plan", {**PLAN, "rules": {"least_dephts": 3}}, "rules.least_dephts"),
        ("plan", {**PLAN, "levels": 2, "masters": [], "rules": {"least_depths": 6}, "changes": 2500}, "rules"),
        ("symbols", {"levels": 3, "masters": 2}, "changes_per_master"),
        ("symbols", {"levels": 4, "masters": 2, "changes_per_master": 1}, "grands"),
        ("symbols", {"levels": 3, "masters": 10**30, "changes_per_master": 1}, "masters"),
        ("symbols", {"levels": [3], "masters": 1, "changes_per_master": 1}, "levels"),
    ],
)
def test_bad_input_exits_2_and_names_the_field(command, typed, field):
    code, answer = run(command, typed)
    assert code == 2
    assert list(answer) == ["error"]
    assert answer["error"]["field"] == field
    assert answer["error"]["message"]


def test_not_a_number_is_refused():
    code, answer = run("count", '{"spec": {"chambers": NaN, "depths": 10, "macs": 3}}')
    assert (code, answer["error"]["field"]) == (2, "spec.chambers")


anything = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**30), 10**30) | st.floats() | st.text(max_size=8),
    lambda below: st.lists(below, max_size=3) | st.dictionaries(st.text(max_size=4), below, max_size=3),
    max_leaves=6,
)


@st.composite
def spoiled(draw):
    """A command's own example with one value, at any depth, put for another."""
    command = draw(st.sampled_from(COMMANDS))
    typed = json.loads(CliRunner().invoke(main, ["keying", command, "--example"]).output)
    place = typed
    while True:
        name = draw(st.sampled_from(sorted(place)))
        if not isinstance(place[name], dict) or draw(st.booleans()):
            place[name] = draw(anything)
            return command, typed
        place = place[name]


@settings(deadline=None, max_examples=150)
@given(spoiled())
def test_whatever_is_typed_is_answered_or_refused_by_field(command_and_input):
    command, typed = command_and_input
    code, answer = run(command, typed)
    if code == 0:
        assert "error" not in answer
    else:
        assert code == 2
        assert isinstance(answer["error"]["field"], str)
        assert answer["error"]["message"]


GROWN = {
    "spec": {**SPEC, "chambers": 4},
    "keys": {"AA": "1111", "1AA": "3313", "2AA": "1353"},
    "cylinders": {"1AA": ["1AA", "AA"], "2AA": ["2AA", "AA"]},
    "seed": 3,
}


def test_extend_adds_keys_that_leave_those_in_service_alone():
    asked = {**GROWN, "add": [{"symbol": f"{n}AA", "operators": [f"{n}AA", "AA"]} for n in (3, 4, 5)]}
    code, answer = run("extend", asked)
    assert (code, list(answer), list(answer["new"])) == (0, ["new"], ["3AA", "4AA", "5AA"])
    keys = {**GROWN["keys"], **answer["new"]}
    assert len(set(keys.values())) == 6 and {cut in "13579" for key in keys.values() for cut in key} == {True}
    opens = {**GROWN["cylinders"], **{one["symbol"]: one["operators"] for one in asked["add"]}}
    code, checked = run("audit", {"spec": GROWN["spec"], "keys": keys, "cylinders": opens})
    assert checked["unintended"] == []
    assert run("extend", asked) == (0, answer)


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"add": [{"symbol": "3AA", "operators": ["3AA", "AB"]}]}, "add[1].operators"),
        ({"add": [{"symbol": "X1X", "operators": ["1AA", "2AA"]}]}, "add[1].operators"),
        ({"add": [{"operators": ["AA"]}]}, "add[1].symbol"),
        ({"add": []}, "add"),
        ({"add": "3AA"}, "add"),
        ({"seconds": 0}, "seconds"),
        ({"seed": "x"}, "seed"),
        ({"rules": {"least": 3}}, "rules.least"),
        ({"keys": {}}, "keys"),
        ({"cylinders": {"9AA": ["9AA"]}}, "cylinders.9AA"),
    ],
)
def test_extend_names_what_is_wrong(changed, field):
    plain = {"add": [{"symbol": "3AA", "operators": ["3AA", "AA"]}]}
    code, answer = run("extend", {**GROWN, **plain, **changed})
    assert (code, answer["error"]["field"]) == (2, field)
