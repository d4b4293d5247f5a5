"""The rule that a skipped test fails a run in CI."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.mark.parametrize(("ci", "code"), [("true", 2), ("", 0)])
def test_a_skipped_test_fails_the_run_in_ci(tmp_path: Path, ci: str, code: int) -> None:
    (tmp_path / "conftest.py").write_text(
        (ROOT / "tests" / "conftest.py").read_text().replace("parents[1]", "parent")
    )
    (tmp_path / "test_one.py").write_text("import pytest\n\n\ndef test_one():\n    pytest.skip('no reason')\n")
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-c", os.devnull, str(tmp_path)],
        cwd=ROOT,
        env={**os.environ, "CI": ci, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
    )
    assert run.returncode == code, run.stdout + run.stderr
    assert ("a skipped test fails the run" in run.stdout) is (ci == "true")
