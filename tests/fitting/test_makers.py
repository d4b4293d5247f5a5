import copy
import json
from pathlib import Path
from typing import Any

import pytest

from app.commands.parts import DEMO_MAKERS
from app.errors import BitternError
from app.fitting import MakerFile, find_blanks, find_maker, load_makers, maker_problems, read_maker


@pytest.fixture
def table() -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((DEMO_MAKERS / "pell_and_rowe.json").read_text(encoding="utf-8"))
    return copy.deepcopy(loaded)


def test_three_makers_with_every_table_filled(makers: tuple[MakerFile, ...]) -> None:
    assert [maker.code for maker in makers] == ["ARD", "NOR", "PAR"]
    for maker in makers:
        assert 15 <= len(maker.items) <= 50
        assert maker.patterns and maker.keyways and maker.blanks and maker.cams and maker.locks
        assert any(cam.exceptions for cam in maker.cams)


def test_every_keyway_of_a_pattern_has_a_blank_and_a_spec(makers: tuple[MakerFile, ...]) -> None:
    for maker in makers:
        named = {keyway.name for keyway in maker.keyways}
        for pattern in maker.patterns:
            used = {
                value
                for segment in pattern.segments
                for choice in segment.choices
                for name, value in choice.sets
                if name == "keyway"
            }
            assert used <= named
        for keyway in maker.keyways:
            assert keyway.bitting_spec in maker.bitting_specs
            assert any(keyway.name in blank.keyways for blank in maker.blanks)


def test_every_cross_reference_names_a_blank_of_the_other_maker(makers: tuple[MakerFile, ...]) -> None:
    for maker in makers:
        for blank in maker.blanks:
            for other, number in blank.cross_references:
                assert find_blanks(find_maker(makers, other).blanks, number)


def test_every_cylinder_item_decodes_without_a_warning_and_says_what_it_is(makers: tuple[MakerFile, ...]) -> None:
    for maker in makers:
        for item in maker.items:
            assert (item.attributes is not None) == (item.category in ("cylinder", "lock"))
            assert item.cost_cents < item.list_cents
            if item.attributes is not None and item.attributes.keyway:
                assert item.attributes.keyway in item.description


def test_a_row_twice_in_other_letters_is_told(table: dict[str, Any]) -> None:
    table["cams"].append({**table["cams"][0], "name": table["cams"][0]["name"].upper()})
    (problem,) = maker_problems(table)
    assert (problem.field, problem.message) == ("cams[3].name", "STANDARD stands there twice.")


def test_a_keyway_without_a_spec_is_told_once(table: dict[str, Any]) -> None:
    table["keyways"][0]["bitting_spec"] = ""
    assert [problem.field for problem in maker_problems(table)] == ["keyways[1].bitting_spec"]


def test_what_a_broken_pattern_would_read_is_not_blamed(table: dict[str, Any]) -> None:
    broken = {**copy.deepcopy(table["patterns"][0]), "name": "others", "segments": []}
    table["patterns"].append(broken)
    table["items"].append({**table["items"][0], "part_number": "XX-1"})  # of the broken pattern, for all we know
    assert {problem.field.split(".")[0] for problem in maker_problems(table)} == {"patterns[2]"}


def test_a_maker_is_found_by_code_or_name(makers: tuple[MakerFile, ...]) -> None:
    assert find_maker(makers, " nor ").name == find_maker(makers, "NORTHLIGHT").name == "Northlight"
    with pytest.raises(BitternError, match=r"Known: ARD \(Ardent Brass\)"):
        find_maker(makers, "x" * 10_000)


@pytest.mark.parametrize(
    ("table_name", "row", "key", "bad", "field"),
    [
        ("items", 0, "part_number", "31.118.Z26", "items[1].part_number"),
        ("items", 2, "cost_cents", 7.5, "items[3].cost_cents"),
        ("items", 2, "stocked", "yes", "items[3].stocked"),
        ("items", 2, "category", "door", "items[3].category"),
        ("items", 2, "weight", "1", "items[3].weight"),
        ("keyways", 1, "bitting_spec", "none such", "keyways[2].bitting_spec"),
        ("key_blanks", 0, "chambers", True, "key_blanks[1].chambers"),
        ("key_blanks", 0, "cross_references", [5], "key_blanks[1].cross_references[1]"),
        ("cams", 0, "locks", "Market", "cams[1].locks"),
        ("locks", 2, "bore_min", "wide", "locks[3].bore_min"),
    ],
)
def test_a_bad_row_is_named_by_table_and_row(
    table: dict[str, Any], table_name: str, row: int, key: str, bad: object, field: str
) -> None:
    table[table_name][row][key] = bad
    with pytest.raises(BitternError) as refusal:
        read_maker(table)
    assert refusal.value.field == field


@pytest.mark.parametrize("bad", [None, [], "x", {"name": "x"}, {"name": 5, "code": "X"}, {"nmae": "x"}])
def test_a_wrong_shape_is_refused(bad: object) -> None:
    with pytest.raises(BitternError):
        read_maker(bad)


@pytest.mark.parametrize("content", [b"", b"{", b"[1]", b'{"name": "\xff"}', b"\xff\xfe{\x00}\x00", b'{"a":' * 5000])
def test_a_bad_file_is_named(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "bad.json").write_bytes(content)
    with pytest.raises(BitternError) as refusal:
        load_makers(tmp_path)
    assert "bad.json" in refusal.value.field


def test_an_empty_folder_says_so(tmp_path: Path) -> None:
    with pytest.raises(BitternError, match="no maker's table"):
        load_makers(tmp_path)
