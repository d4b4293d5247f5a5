"""Examples that a reader might copy onto keys have digits of our own, not those of a published chart."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from app.cli import main

ROOT = Path(__file__).resolve().parents[1]

SHOWN = ("app", "templates", "static/js", "shared", "demo_data", "docs", "README.md", "DEVELOPERS.md")
TEXTS = {".py", ".html", ".txt", ".js", ".json", ".csv", ".md"}
FEWEST_CUTS = 5


def published_bittings() -> set[str]:
    """Bittings in the tests of published values, written as text or as cuts; one of like cuts is nobody's."""
    found = set()
    for path in (ROOT / "tests/published").glob("test_keying_*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found |= set(re.findall(rf"^\d{{{FEWEST_CUTS},}}$", node.value))
            if isinstance(node, ast.Tuple):
                cuts = re.fullmatch(r"\((\d(?:, \d)+)\)", ast.unparse(node))
                found |= {cuts[1].replace(", ", "")} if cuts else set()
    return {digits for digits in found if len(digits) >= FEWEST_CUTS and len(set(digits)) > 2}


def commands(group: click.Group, *before: str) -> Iterator[tuple[str, ...]]:
    """The words of every command that prints an example."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from commands(command, *before, name)
        elif any("--example" in option.opts for option in command.params):
            yield (*before, name)


def published_in(text: str) -> set[str]:
    """The published bittings that a text holds, with their cuts together or one by one."""
    together = re.sub(r"(?<=\b\d)[\"']?\s*,\s*[\"']?(?=\d\b)", "", text)
    return {digits for digits in PUBLISHED if re.search(rf"(?<!\d){digits}(?!\d)", f"{text}\n{together}")}


PUBLISHED = published_bittings()


def test_published_bittings_are_known() -> None:
    assert {"345621", "405904", "528614", "960478", "269766", "304052"} <= PUBLISHED


def test_a_published_bitting_is_found_however_it_is_written() -> None:
    for text in ("tmk 528614.", "(5, 2, 8, 6, 1, 4)", '["5", "2", "8", "6", "1", "4"]', '"5",\n  "2",8,6,1,4'):
        assert published_in(text) == {"528614"}
    assert published_in("15286143") == set()


@pytest.mark.parametrize("place", SHOWN)
def test_no_published_bitting_is_an_example_of_ours(place: str) -> None:
    files = [path for path in [ROOT / place, *(ROOT / place).rglob("*")] if path.suffix in TEXTS]
    assert files
    found = {str(path.relative_to(ROOT)): published_in(path.read_text("utf-8")) for path in files}
    assert {name: digits for name, digits in found.items() if digits} == {}


@pytest.mark.parametrize("words", list(commands(main)), ids=" ".join)
def test_no_printed_example_holds_a_published_bitting(words: tuple[str, ...]) -> None:
    printed = CliRunner().invoke(main, [*words, "--example"])
    assert printed.exit_code == 0 and printed.output
    assert published_in(printed.output) == set()
