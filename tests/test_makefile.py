"""`make test` on a machine of stand-ins: what failed is asked once more, and nothing else is."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
# Ends with the codes in the file `codes`, one a run, and writes down what it was asked.
PYTHON = """#!/bin/sh
case "$*" in *--collect-only*|*folder_graph*) exit 0 ;; esac
echo "$*" >>asked
code=$(head -n 1 codes); sed -i 1d codes; exit "$code"
"""


@pytest.mark.parametrize(
    ("codes", "asked", "passes"),
    [
        ("0 0", ["first", "first"], True),
        ("1 0 0", ["first", "again", "first"], True),
        ("0 1 0", ["first", "first", "again"], True),
        ("1 1", ["first", "again"], False),
        ("0 1 1", ["first", "first", "again"], False),
        ("1 5", ["first", "again"], False),  # 5: nothing was found that had failed
        ("2", ["first"], False),  # a skipped test in CI, an interruption
        ("0 3", ["first", "first"], False),  # pytest's own fault
    ],
)
def test_what_failed_is_asked_once_more(tmp_path: Path, codes: str, asked: list[str], passes: bool) -> None:
    shutil.copy(ROOT / "Makefile", tmp_path)
    for folder, names in (
        (".venv/bin", ("ruff", "mypy", "lint-imports")),
        ("tools", ("setup.sh", "on_postgresql.sh")),
    ):
        (tmp_path / folder).mkdir(parents=True)
        for name in names:
            _script(tmp_path / folder / name, '#!/bin/sh\n[ "$1" != env ] || exec "$@"\n')
    _script(tmp_path / ".venv/bin/python", PYTHON)
    (tmp_path / "codes").write_text(codes.replace(" ", "\n") + "\n")
    own = {name: value for name, value in os.environ.items() if not name.startswith(("MAKE", "MFLAGS"))}
    run = subprocess.run(["make", "test"], cwd=tmp_path, env=own, capture_output=True, text=True)
    lines = (tmp_path / "asked").read_text().splitlines()
    assert ["again" if "--last-failed" in line else "first" for line in lines] == asked, run.stderr
    assert (run.returncode == 0) is passes
    told = [line for line in run.stdout.splitlines() if line.startswith("Passed the second time: mend these tests")]
    assert len(told) == (1 if passes and "again" in asked else 0)


def _script(path: Path, text: str) -> None:
    path.write_text(text)
    path.chmod(0o755)
