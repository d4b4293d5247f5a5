"""The project keeps its own promises: the layout, the front door, the manuals, the bounds, the import rule."""

import ast
import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from app.cli import main
from tools import manual, sql_reached

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
MAKEFILE = (ROOT / "Makefile").read_text("utf-8")
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))

FILES = (
    "app/__init__.py",
    "app/__main__.py",
    "app/cli.py",
    "app/config.py",
    "app/py.typed",
    "app/keying/__init__.py",
    "app/fitting/__init__.py",
    "app/pricing/__init__.py",
    "app/ledger/__init__.py",
    "app/documents/__init__.py",
    "app/web/__init__.py",
    "migrations/env.py",
    "pyproject.toml",
    ".ci/run",
    "tools/setup.sh",
    "requirements/use.txt",
    "requirements/dev.txt",
    "LICENSE",
    "CHANGELOG.md",
)
FOLDERS = (
    "migrations/versions",
    "templates/documents",
    "static/css",
    "static/js",
    "static/fonts",
    "shared",
    "demo_data",
    "tests/published",
    "tests/browser",
    "tests/journeys",
    "tests/bench",
)
SKIPPING = {"skip", "skipif", "xfail", "importorskip", "skipIf", "skipUnless", "expectedFailure"}
PAGES = ("README.md", "DEVELOPERS.md", *sorted(f"docs/{path.name}" for path in ROOT.glob("docs/*.md")))
MANUALS = pytest.mark.parametrize("page", PAGES)


def targets() -> list[str]:
    return re.findall(r"^([a-z][\w-]*):(?!=)", MAKEFILE, re.MULTILINE)


def commands_in(manual: str) -> Iterator[list[str]]:
    """Every `bittern GROUP COMMAND …` that a manual shows, as words."""
    code = "\n".join(re.findall(r"^```\w*\n(.*?)^```", manual, re.MULTILINE | re.DOTALL))
    spans = re.findall(r"`([^`\n]+)`", re.sub(r"^```.*?^```", "", manual, flags=re.MULTILINE | re.DOTALL))
    for line in [*code.splitlines(), *spans]:
        for found in re.finditer(r"(?:^|[\s/=])bittern ([a-z][a-z -]*)", line):
            yield found.group(1).split()


@pytest.mark.parametrize("name", FILES)
def test_a_file_that_the_design_names_is_there(name: str) -> None:
    assert (ROOT / name).is_file()


@pytest.mark.parametrize("name", FOLDERS)
def test_a_folder_that_the_design_names_holds_something(name: str) -> None:
    assert any((ROOT / name).iterdir())


def test_readme_opens_with_the_job_in_one_paragraph() -> None:
    title, job, *_ = README.split("\n\n")
    assert title == "# Bittern"
    assert not job.startswith(("#", "!", "-", "`"))
    for word in ("quote", "bench", "factory", "key", "print"):
        assert word in job


def test_readme_shows_the_two_commands_and_the_pictures() -> None:
    assert {"make demo", "make test"} <= set(re.findall(r"^make \w+$", README, re.MULTILINE))
    for described, picture in re.findall(r"!\[(.*?)\]\((.*?)\)", README):
        assert len(described) > 20, f"{picture} needs words for those who do not see it"
        assert (ROOT / picture).is_file()


@MANUALS
def test_every_make_command_in_a_manual_is_a_target(page: str) -> None:
    named = set(re.findall(r"(?:^|`)make ([a-z-]+)", (ROOT / page).read_text("utf-8"), re.MULTILINE))
    assert named <= set(targets())
    assert named or page.startswith("docs/")


@MANUALS
def test_every_bittern_command_in_a_manual_exists(page: str) -> None:
    for words in commands_in((ROOT / page).read_text("utf-8")):
        command: click.Command | None = main
        context = click.Context(main)
        for word in words:
            if not isinstance(command, click.Group):
                break  # what follows are the command's own arguments
            command = command.get_command(context, word)
            assert command is not None, f"there is no bittern {' '.join(words)}"


def test_commands_are_found_where_manuals_show_them() -> None:
    assert ["house", "migrate"] in list(commands_in((ROOT / "docs/adding.md").read_text("utf-8")))
    assert len(list(commands_in(README))) > 10


@MANUALS
def test_every_file_that_a_manual_links_to_is_there(page: str) -> None:
    text = (ROOT / page).read_text("utf-8")
    links = [link for link in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in link]
    assert [link for link in links if not ((ROOT / page).parent / link).exists()] == []


@pytest.mark.parametrize("page", PAGES[1:])
def test_a_manual_names_files_that_exist(page: str) -> None:
    folders = "app|templates|static|migrations|tests|tools|shared|demo_data|requirements|docs"
    named = re.findall(rf"`((?:{folders})/[\w./-]+)[`:]", (ROOT / page).read_text("utf-8"))
    assert named or page == "docs/commands.md"
    assert [name for name in named if not (ROOT / name).exists()] == []


@pytest.mark.parametrize("page", PAGES[1:])
def test_the_developers_manual_leads_to_every_page(page: str) -> None:
    assert page == "DEVELOPERS.md" or f"]({page})" in DEVELOPERS


def test_the_developers_manual_is_short() -> None:
    assert len(DEVELOPERS) < 9_000


def test_a_field_of_a_record_needs_six_places_at_most() -> None:
    (told,) = re.findall(r"^- \*\*A field of a record\*\*.*$", DEVELOPERS, re.MULTILINE)
    assert re.findall(r"\((\d)\)", told) == list("123456")


@pytest.mark.parametrize("page", sorted(manual.PAGES))
def test_a_page_made_from_the_code_is_what_make_manual_writes(page: str) -> None:
    assert (ROOT / page).read_text("utf-8") == manual.PAGES[page](), "run make manual"


def test_readme_names_every_setting_and_no_other() -> None:
    settings = set(re.findall(r"BITTERN_[A-Z_]+", (ROOT / "app/config.py").read_text("utf-8")))
    assert set(re.findall(r"BITTERN_[A-Z_]+", README)) == {name for name in settings if not name.endswith("_")}


def test_make_alone_lists_every_target_with_a_sentence() -> None:
    environment = {name: value for name, value in os.environ.items() if not name.startswith(("MAKE", "MFLAGS"))}
    listed = subprocess.run(["make"], cwd=ROOT, env=environment, capture_output=True, text=True, check=True).stdout
    said = dict(re.findall(r"^make ([\w-]+) +(\S.*)$", listed, re.MULTILINE))
    assert list(said) == targets()
    assert all(sentence.endswith(".") and len(sentence.split()) > 2 for sentence in said.values())


def test_ci_runs_the_readme_test_command_alone() -> None:
    path = ROOT / ".ci/run"
    assert os.access(path, os.X_OK)
    assert path.read_text("utf-8").splitlines()[-1] == "exec make test"


def test_the_ledgers_tests_and_every_page_run_on_postgresql() -> None:
    named = sql_reached.on_postgresql()
    assert {"tests/ledger", "tests/commands", "tests/web"} <= set(named)
    assert [name for name in named if not (ROOT / name).exists()] == []


def test_the_changelog_goes_by_version_and_tells_each_thing_once() -> None:
    changelog = (ROOT / "CHANGELOG.md").read_text("utf-8")
    versions = re.findall(r"^## (\d+\.\d+\.\d+) \(\d{4}-\d\d-\d\d\)$", changelog, re.MULTILINE)
    assert versions[0] == PYPROJECT["project"]["version"]
    assert versions == sorted(versions, reverse=True)
    assert len(versions) == len(re.findall(r"^## ", changelog, re.MULTILINE))
    entries = re.findall(r"^- (?:\*\*(.+?)\*\*|(.+))", changelog, re.MULTILINE)
    told = ["".join(entry) for entry in entries]
    assert len(told) == len(set(told)) > len(versions)


@pytest.mark.parametrize(
    "text",
    [
        *PYPROJECT["build-system"]["requires"],
        *PYPROJECT["project"]["dependencies"],
        *(text for extra in PYPROJECT["project"]["optional-dependencies"].values() for text in extra),
    ],
)
def test_a_dependency_has_a_lower_and_an_upper_bound(text: str) -> None:
    operators = {part.operator for part in Requirement(text).specifier}
    assert operators & {">=", ">"}
    assert operators & {"<", "<="}


def pinned(name: str) -> dict[str, list[tuple[Requirement, int]]]:
    """What a file of requirements pins: by name, each line of it, and how many hashes it has."""
    lines = (ROOT / f"requirements/{name}.txt").read_text("utf-8").replace("\\\n", "").splitlines()
    pins: dict[str, list[tuple[Requirement, int]]] = {}
    for line in lines:
        requirement, *hashes = line.split("--hash=")
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}\s*", one) for one in hashes), line
        pin = Requirement(requirement)
        pins.setdefault(canonicalize_name(pin.name), []).append((pin, len(hashes)))
    return pins


@pytest.mark.parametrize(("name", "extras"), [("use", []), ("dev", ["dev"])])
def test_what_the_set_up_installs_is_pinned_by_hash_within_the_bounds(name: str, extras: list[str]) -> None:
    pins = pinned(name)
    assert all(hashes for lines in pins.values() for _, hashes in lines)
    project = PYPROJECT["project"]
    wanted = [*PYPROJECT["build-system"]["requires"], *project["dependencies"]]
    for extra in extras:
        wanted += project["optional-dependencies"][extra]
    for requirement in map(Requirement, wanted):
        for pin, _ in pins.get(canonicalize_name(requirement.name), []) or pytest.fail(
            f"requirements/{name}.txt has no {requirement.name}: run make requirements"
        ):
            (version,) = [one.version for one in pin.specifier if one.operator == "=="]
            assert requirement.specifier.contains(version), f"{pin} is outside {requirement}: run make requirements"


def test_what_is_used_is_what_is_tested() -> None:
    used, tested = pinned("use"), pinned("dev")
    assert {name: [str(pin) for pin, _ in lines] for name, lines in used.items()} == {
        name: [str(pin) for pin, _ in tested.get(name, [])] for name in used
    }


@pytest.mark.parametrize("name", ["use", "dev"])
def test_no_address_stands_in_what_the_set_up_installs(name: str) -> None:
    assert not re.search(
        r"https?:|file:|--(?:extra-)?index|--find-links|@ ", (ROOT / f"requirements/{name}.txt").read_text("utf-8")
    )


def test_no_test_steps_aside() -> None:
    stepping_aside = []
    for path in (*ROOT.glob("tests/**/*.py"), *ROOT.glob("app/**/*.py")):
        source = path.read_text("utf-8")
        if "doctest: " + "+SKIP" in source:
            stepping_aside.append(f"{path.relative_to(ROOT)}: a skipped example")
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.Attribute) and node.attr in SKIPPING:
                owner = ast.unparse(node.value)
                if owner in ("pytest", "pytest.mark", "unittest"):
                    stepping_aside.append(f"{path.relative_to(ROOT)}:{node.lineno}: {owner}.{node.attr}")
    assert stepping_aside == []


def test_no_class_name_stands_twice_in_the_app() -> None:
    places: dict[str, list[str]] = {}
    for path in sorted(ROOT.glob("app/**/*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ClassDef):
                places.setdefault(node.name, []).append(f"{path.relative_to(ROOT)}:{node.lineno}")
    assert {name: found for name, found in places.items() if len(found) > 1} == {}


def test_imports_go_down_only() -> None:
    # In a process of its own: the checker sets up logging anew, which silences every log that stands already.
    linter = Path(sys.executable).with_name("lint-imports")
    checked = subprocess.run([linter, "--no-cache"], cwd=ROOT, capture_output=True, text=True)
    assert checked.returncode == 0, checked.stdout + checked.stderr


def test_every_style_sheet_names_files_that_exist() -> None:
    for sheet in sorted((ROOT / "static/css").glob("*.css")):
        for place in re.findall(r"url\(\"?([^\")]+)\"?\)", sheet.read_text("utf-8")):
            assert (sheet.parent / place).is_file(), f"{sheet.name} names {place}"
