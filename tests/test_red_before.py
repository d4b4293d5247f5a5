"""tools/red_before.py in a small project of its own: what it takes for shown, and what it does not."""

import os
import runpy
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
HOUSE = ("app", "migrations", "templates", "static", "shared")
MENDED = "from app.sums import add\n\n\ndef test_add():\n    assert add(2, 3) == 5\n"


class Project:
    """A git repository with the folders of a house, the tool, and this project's .venv."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in HOUSE:
            self.write(f"{name}/__init__.py", "")
        self.write("app/sums.py", "def add(left, right):\n    return left - right\n")
        (folder / "tools").mkdir()
        shutil.copy(ROOT / "tools/red_before.py", folder / "tools")
        (folder / ".venv").symlink_to(sys.prefix)
        self.git("init", "--quiet")
        self.commit("Begin")

    def write(self, name: str, text: str) -> None:
        (self.folder / name).parent.mkdir(exist_ok=True)
        (self.folder / name).write_text(text, "utf-8")

    def git(self, *words: str) -> str:
        who = {f"GIT_{role}_{what}": "nobody" for role in ("AUTHOR", "COMMITTER") for what in ("NAME", "EMAIL")}
        environment = {**os.environ, **who, "GIT_CONFIG_GLOBAL": os.devnull}
        return subprocess.run(
            ["git", *words], cwd=self.folder, env=environment, check=True, capture_output=True, text=True
        ).stdout

    def commit(self, message: str) -> None:
        self.git("add", "app", "tools", *(["tests"] if (self.folder / "tests").exists() else []))
        for name in HOUSE:
            self.git("add", name)
        self.git("commit", "--quiet", "--message", message)

    def look(self, *words: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "tools/red_before.py", *words]
        return subprocess.run(command, cwd=self.folder, capture_output=True, text=True)


@pytest.fixture
def project(tmp_path: Path) -> Project:
    return Project(tmp_path)


def mend(project: Project) -> None:
    project.write("app/sums.py", "def add(left, right):\n    return left + right\n")
    project.write("tests/test_sums.py", MENDED)


def build_anew(project: Project) -> None:
    project.write("app/products.py", "def double(number):\n    return number * 2\n")
    project.write(
        "tests/test_sums.py", "from app.products import double\n\n\ndef test_add():\n    assert double(2) == 4\n"
    )


@pytest.mark.parametrize("change", [mend, build_anew])
def test_a_test_that_the_commit_before_fails_is_shown(project: Project, change: Callable[[Project], None]) -> None:
    change(project)
    project.commit("Mend\n\nAt last.\n\nShown-by: tests/test_sums.py::test_add")
    answer = project.look()
    assert answer.returncode == 0, answer.stdout + answer.stderr
    assert answer.stdout.startswith("red, then green  ")
    assert len(project.git("worktree", "list").splitlines()) == 1


@pytest.mark.parametrize(
    ("test", "text", "told"),
    [
        ("test_add", "def test_add():\n    assert True\n", "before: green"),
        ("test_add", MENDED.replace("5", "6"), "after: red"),
        ("test_none", MENDED, "after: not run"),
    ],
)
def test_what_shows_nothing_is_said_and_fails(project: Project, test: str, text: str, told: str) -> None:
    mend(project)
    project.write("tests/test_sums.py", text)
    project.commit(f"Mend\n\nShown-by: tests/test_sums.py::{test}")
    answer = project.look("HEAD~1..")
    assert answer.returncode == 1
    assert told in answer.stdout
    assert "1 of 1 not shown" in answer.stderr
    assert len(project.git("worktree", "list").splitlines()) == 1


def test_a_name_that_a_later_commit_withdraws_is_not_asked_for(project: Project) -> None:
    mend(project)
    project.write("tests/test_sums.py", f"{MENDED}\n\ndef test_nothing():\n    assert True\n")
    project.commit("Mend\n\nShown-by: tests/test_sums.py::test_add\nShown-by: tests/test_sums.py::test_nothing")
    project.write("shared/note.txt", "")
    project.commit("Withdraw\n\nIt shows nothing.\n\nNot-shown-by: tests/test_sums.py::test_nothing")
    answer = project.look()
    assert answer.returncode == 0, answer.stdout + answer.stderr
    assert answer.stdout.count("\n") == 1


def test_told_to_stop_it_takes_its_copies_away(project: Project) -> None:
    mend(project)
    stopping = "import os\nimport signal\n\n\ndef test_stops():\n    os.kill(os.getppid(), signal.SIGTERM)\n"
    project.write("tests/test_sums.py", stopping)  # the test's parent is the tool
    project.commit("Mend\n\nShown-by: tests/test_sums.py::test_stops")
    assert project.look().returncode != 0
    assert len(project.git("worktree", "list").splitlines()) == 1


def test_commits_that_name_no_test_show_nothing(project: Project) -> None:
    answer = project.look()
    assert answer.returncode == 1
    assert "no commit there names a test" in answer.stderr


def test_what_a_mutant_changes_stands_once_in_todays_code() -> None:
    mutants = runpy.run_path(str(ROOT / "tools/red_before.py"))["MUTANTS"]
    stands = {mutant.name: (ROOT / mutant.file).read_text("utf-8").count(mutant.old) for mutant in mutants}
    assert stands == dict.fromkeys(stands, 1)
