import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from app.cli import main
from app.commands.parts import DEMO_MAKERS, group


def run(*words: str, given: object = None) -> Result:
    return CliRunner().invoke(group, list(words), input=given if isinstance(given, str) else json.dumps(given))


@pytest.mark.parametrize(
    ("maker", "number", "words"),
    [
        ("ARD", "A18M-Q1-66.SC", "mortise cylinder 1-1/8 in, six pin, keyway AQ1, standard cam, 626 satin chromium"),
        ("Northlight", "NSC7:H1:626_U",
         "small-format interchangeable core, seven pin, keyway NH1, 626 satin chromium, uncombinated"),
        ("pell & rowe", "32.118.P26",
         "rim cylinder 1-1/8 in, five pin, keyway PR-P, flat tailpiece, 626 satin chromium"),
    ],
)  # fmt: skip
def test_decode_and_compose_of_every_maker(maker: str, number: str, words: str) -> None:
    decoded = json.loads(run("decode", maker, number).stdout)
    assert (decoded["part_number"], decoded["words"], decoded["warnings"]) == (number, words, [])
    assert [reading["part_number"] for reading in decoded["readings"]] == [number]
    assert "".join(piece["text"] for piece in decoded["pieces"]) == "".join(c for c in number if c.isalnum())
    composed = json.loads(run("compose", maker, "-", given=decoded).stdout)
    assert composed == {**{k: decoded[k] for k in ("part_number", "attributes", "words")}, "warnings": []}
    assert json.loads(run("compose", maker, "-", given=decoded["attributes"]).stdout) == composed


def test_compose_says_what_it_filled_in() -> None:
    example = json.loads(run("compose", "ARD", "--example").stdout)
    del example["attributes"]["drilled"]
    answer = json.loads(run("compose", "ARD", "-", given=example).stdout)
    assert answer["part_number"] == "A16M-Q1-66.SC"
    assert answer["warnings"] == ["Nothing was said of drilled: this number means 6."]


def test_decode_has_an_example() -> None:
    assert "bittern part decode" in run("decode", "--example").stdout


@pytest.mark.parametrize(
    ("words", "given", "field"),
    [
        (("decode", "ZZZ", "A18M"), None, "maker"),
        (("decode", "ARD", "A18M-Q9-66.SC"), None, "part_number"),
        (("decode", "ARD", "A" * 10_000), None, "part_number"),
        (("decode", "ARD", "A18M", "--makers", "/nowhere/at/all"), None, "makers"),
        (("compose", "ZZZ", "-"), {"type": "rim"}, "maker"),
        (("compose", "ARD", "-"), {"attributes": None}, "attributes"),
        (("compose", "ARD", "-"), {"type": "rim", "length": float("nan")}, "length"),
        (("compose", "ARD", "-"), {"type": "rim", "cam": "long"}, "cam"),
        (("compose", "ARD", "-"), [], "file"),
    ],
)
def test_bad_input_is_one_json_error_and_exit_2(words: tuple[str, ...], given: object, field: str) -> None:
    result = run(*words, given=given)
    assert result.exit_code == 2
    error = json.loads(result.stdout)["error"]
    assert error["field"] == field
    assert len(error["message"]) < 400


def test_a_house_has_makers_of_its_own(tmp_path: Path) -> None:
    table = json.loads((DEMO_MAKERS / "pell_and_rowe.json").read_text(encoding="utf-8"))
    (tmp_path / "own.json").write_text(json.dumps({**table, "name": "Own Make", "code": "OWN"}), encoding="utf-8")
    result = run("decode", "OWN", "35.P26", "--makers", str(tmp_path))
    assert json.loads(result.stdout)["attributes"]["maker"] == "Own Make"
    assert run("decode", "ARD", "35.P26", "--makers", str(tmp_path)).exit_code == 2


@pytest.mark.parametrize("maker", ["ARD", "NOR", "PAR", None])
def test_composes_example_works_with_the_maker_that_was_asked(maker: str | None) -> None:
    example = run("compose", *([maker] if maker else []), "--example").stdout
    answer = json.loads(run("compose", maker or "ARD", "-", given=example).stdout)
    assert answer["part_number"]


def test_compose_without_its_words_says_what_is_missing() -> None:
    assert run("compose").exit_code == 2
    assert run("compose", "ARD").exit_code == 2
    assert json.loads(run("compose", "nobody", "--example").stdout)["error"]["field"] == "maker"


def test_a_worn_number_gives_all_that_it_can_be_the_catalog_first() -> None:
    example = run("complete", "ARD", "18M", "--example").stdout.split()
    assert example[:3] == ["bittern", "part", "complete"]
    answer = json.loads(run(*example[2:4], example[4].strip('"')).stdout)["candidates"]
    assert {one["attributes"]["keyway"] for one in answer} == {f"AQ{n}" for n in range(1, 7)}
    listed = [one["in_catalog"] for one in answer]
    assert True in listed and listed == sorted(listed, reverse=True)
    refused = run("complete", "ARD", "?")
    assert refused.exit_code == 2 and json.loads(refused.stdout)["error"]["field"] == "part_number"
    assert json.loads(run("complete", "nobody", "A18").stdout)["error"]["field"] == "maker"


def test_a_makers_pattern_is_learned_from_its_price_list(tmp_path: Path) -> None:
    example = json.loads(CliRunner().invoke(main, ["part", "learn", "--example"]).stdout)
    answer = json.loads(run("learn", "-", given=example).stdout)
    assert [(one["name"], one["attribute"], one["optional"]) for one in answer["segments"]] == [
        ("type", "type", False),
        ("length", "length", False),
        ("finish", "finish", False),
        ("keying", "keying", True),
    ]
    assert answer["segments"][2]["codes"] == {"26": "satin chromium", "05": "bright brass", "13": "oil-rubbed bronze"}
    assert answer["unread"] == []
    assert answer["readings"] == {
        "TX-R1-13K": {"type": "R", "length": "1", "finish": "13", "keying": "K"},
        "TX-R9-13": None,
        "QQ-R1-13K": None,
    }
    maker = {"name": "Own Make", "code": "OWN", "patterns": [answer["pattern"]]}
    (tmp_path / "own.json").write_text(json.dumps(maker), encoding="utf-8")
    decoded = json.loads(run("decode", "OWN", "TX-R1-13K", "--makers", str(tmp_path)).stdout)
    assert decoded["words"] == "rim cylinder 1 in, 613 oil-rubbed bronze, keyed alike"
    composed = run("compose", "OWN", "-", "--makers", str(tmp_path), given=decoded["attributes"])
    assert json.loads(composed.stdout)["part_number"] == "TX-R1-13K"


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({}, "rows"),
        ({"rows": []}, "rows"),
        ({"rows": [{"number": "A1"}, {"number": "a1 "}]}, "rows"),
        ({"rows": [{"number": "A1"}, {"number": ""}]}, "rows[2].number"),
        ({"rows": [{"number": "A1"}, {"number": 1042.0}]}, "rows[2].number"),
        ({"rows": [{"number": "A1"}, {"number": "A2", "words": 3}]}, "rows[2].words"),
        ({"rows": [{"number": "A1"}, {"number": "A2", "note": "x"}]}, "rows[2].note"),
        ({"rows": [{"number": "A1"}, {"number": "A2"}], "read": [None]}, "read[1]"),
    ],
)
def test_a_price_list_that_cannot_be_learned_from_is_told(given: object, field: str) -> None:
    result = run("learn", "-", given=given)
    assert result.exit_code == 2
    assert json.loads(result.stdout)["error"]["field"] == field
