import json
from typing import Any

import pytest
from click.testing import CliRunner, Result

from app.commands.fitting import group


def run(name: str, given: object) -> Result:
    text = given if isinstance(given, str) else json.dumps(given)
    return CliRunner().invoke(group, [name, "-"], input=text)


LENGTH: dict[str, Any] = {
    "door": "1-3/4",
    "case": "1",
    "trim": "0",
    "cam_depth": "3/4",
    "lengths": ["1-1/8"],
    "rings": ["1/8"],
}
BORE: dict[str, Any] = {
    "stile": "4",
    "backsets": ["2", "2-3/8", "2-3/4"],
    "bore": "2-1/8",
    "bore_min": "1-7/8",
    "bore_max": "2-1/8",
}


def test_the_lengths_of_the_design_page() -> None:
    answer = json.loads(run("length", LENGTH).stdout)
    assert answer == {"required": "1-1/8", "chosen": "1-1/8", "ring": "0", "projection": "0", "warnings": []}


def test_the_bore_of_the_design_page() -> None:
    answer = json.loads(run("bore", BORE).stdout)
    assert (answer["centred_backset"], answer["chosen"], answer["offset_from_centre"]) == ("2", "2", "0")
    assert (answer["edge_left"], answer["warnings"]) == ("15/16", [])


def test_the_inside_cylinder_too_when_its_trim_is_given() -> None:
    answer = json.loads(run("length", {**LENGTH, "inside_trim": "1/4"}).stdout)
    assert (answer["required"], answer["inside"]["required"]) == ("1-1/8", "1-3/8")
    assert answer["inside"]["chosen"] is None


@pytest.mark.parametrize("name", ["length", "bore"])
def test_the_example_works(name: str) -> None:
    example = CliRunner().invoke(group, [name, "--example"])
    assert example.exit_code == 0
    assert run(name, example.stdout).exit_code == 0


@pytest.mark.parametrize(
    ("name", "change", "field"),
    [
        ("length", {"door": None}, "door"),
        ("length", {"door": True}, "door"),
        ("length", {"door": 10**30}, "door"),
        ("length", {"door": float("nan")}, "door"),
        ("length", {"door": "1" * 10_000}, "door"),
        ("length", {"door": ["1"]}, "door"),
        ("length", {"case": "2"}, "case"),
        ("length", {"lengths": "1-1/8"}, "lengths"),
        ("length", {"lengths": [None]}, "lengths[1]"),
        ("length", {"lengths": []}, "lengths"),
        ("length", {"lengths": ["1"] * 5000}, "lengths"),
        ("length", {"dor": "1"}, "dor"),
        ("bore", {"stile": "-4"}, "stile"),
        ("bore", {"backsets": [2, "x"]}, "backsets[2]"),
        ("bore", {"bore": "5"}, "bore"),
        ("bore", {"bore_min": {}}, "bore_min"),
    ],
)
def test_bad_input_is_one_json_error_and_exit_2(name: str, change: dict[str, Any], field: str) -> None:
    result = run(name, {**(LENGTH if name == "length" else BORE), **change})
    assert result.exit_code == 2
    error = json.loads(result.stdout)["error"]
    assert error["field"] == field
    assert len(error["message"]) < 300


@pytest.mark.parametrize("text", ["", "[]", "null", "{"])
def test_what_is_no_object_is_refused(text: str) -> None:
    result = run("length", text)
    assert result.exit_code == 2
    assert json.loads(result.stdout)["error"]["field"] == "file"
