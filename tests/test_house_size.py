"""What the measures of the house count, and the circle that the graph of its folders finds."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parent.parent
MODULE = '''"""What the module is.

More of it.
"""

# Why it is so.
TEXT = """two
lines"""  # a comment beside


def known(value):  # why
    """What you get."""
    return (
        value
    )


class Kept:
    def shown(self): ...

    def _hidden(self):
        "A docstring."
'''


def tool(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, ROOT / "tools" / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def house(folder: Path, files: dict[str, str]) -> Path:
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
        for above in (folder / name).parent.relative_to(folder).parents:
            if above.name:
                (folder / above / "__init__.py").touch()
    return folder


def test_neither_comments_nor_docstrings_nor_blanks_are_code() -> None:
    assert tool("house_size").python_code_lines(MODULE) == 9
    assert tool("house_size").template_code_lines("{# why\nso #}\n<p>{# beside #}\n\n</p>\n") == 2


@pytest.fixture
def another_app(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another package called `app` can be looked at, as if ours had not been imported."""
    for name in [name for name in sys.modules if name.partition(".")[0] == "app"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setattr(sys, "path", list(sys.path))


@pytest.mark.usefixtures("another_app")
def test_sizes_importers_and_docstrings_are_counted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = {
        "app/__init__.py": "",
        "app/room/__init__.py": "from app.room.kept import known\n",
        "app/room/kept.py": MODULE,
        "app/room/user.py": "def used():\n    from . import kept\n    from app.room import other\n",
        "app/room/other.py": "",
        "tools/x.py": "1\n",
        "templates/x.html": "<p>\n",
    }
    tool("house_size").print_size(house(tmp_path, files))
    told = capsys.readouterr().out
    assert "app/room                             4      26      13" in told
    assert "modules of app with one importer: 1" in told  # other, by user; kept has two, the room none
    assert "public names of app: 4, with a docstring: 1, 25.0%" in told


@pytest.mark.usefixtures("another_app")
@pytest.mark.parametrize(
    ("back", "is_circle"),
    [
        ("from app.pages import late\n", True),
        ("def late():\n    from app.pages import late\n", True),
        ("from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from app.pages import late\n", True),
        ("from app.store import inside\n", False),
    ],
)
def test_folders_that_import_each_other_are_a_circle_wherever_the_import_stands(
    back: str, is_circle: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    files = {
        "app/__init__.py": "from app.pages import views\n",
        "app/pages/__init__.py": "",
        "app/pages/views.py": "from app.store import rows\n",
        "app/pages/late.py": "",
        "app/store/__init__.py": "",
        "app/store/rows.py": back,
        "app/store/inside.py": "",
    }
    folder_graph = tool("folder_graph")
    monkeypatch.setattr(folder_graph, "ROOT", house(tmp_path, files))
    assert folder_graph.main() == int(is_circle)
    told = capsys.readouterr()
    assert ("app.store.rows imports app.pages.late" in told.err) is is_circle
    if not is_circle:
        assert [line.split() for line in told.out.splitlines()] == [
            ["1", "app.store"],
            ["2", "app.pages", "app.store"],
            ["3", "app.__init__", "app.pages"],
        ]
