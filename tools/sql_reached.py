"""Which of the ledger's statements only tests reach that do not run on PostgreSQL: a plugin for pytest.

    .venv/bin/python -m pytest -q -p tools.sql_reached -m "database and not browser"

`make test` runs on PostgreSQL what the Makefile's ON_POSTGRESQL names and `asked_of_postgresql` of
tests/houses.py picks. A place is a function of the ledger that sends a statement, with the statement's verb; for each
that no such test reaches, those that do are listed.
"""

import re
import sys
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from sqlalchemy.engine import Engine

from tests.houses import asked_of_postgresql

ROOT = Path(__file__).resolve().parents[1]
LEDGER = str(ROOT / "app" / "ledger")
_reached: dict[str, set[str]] = {}
_now = ""
_on_postgresql: set[str] = set()


def on_postgresql() -> tuple[str, ...]:
    """The folders and files of tests that run on PostgreSQL too."""
    makefile = (ROOT / "Makefile").read_text("utf-8").replace("\\\n", " ")
    (named,) = re.findall(r"^ON_POSTGRESQL := (.*)$", makefile, re.MULTILINE)
    return tuple(named.split())


def pytest_configure() -> None:
    """Look at every statement from now on."""
    sa.event.listen(Engine, "before_cursor_execute", _sent)


def _sent(connection: sa.Connection, cursor: Any, statement: str, *_: Any) -> None:
    frame = sys._getframe(1)
    while frame.f_back is not None and not frame.f_code.co_filename.startswith(LEDGER):
        frame = frame.f_back
    code = frame.f_code
    if code.co_filename.startswith(LEDGER):
        place = f"{Path(code.co_filename).relative_to(ROOT)}: {code.co_qualname}, {statement.split(maxsplit=1)[0]}"
        _reached.setdefault(place, set()).add(_now)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Find those that run on PostgreSQL too."""
    asked = asked_of_postgresql(items)
    _on_postgresql.update(one.nodeid for one in asked if one.nodeid.startswith(on_postgresql()))


def pytest_runtest_logstart(nodeid: str) -> None:
    """Remember which test runs."""
    global _now
    _now = nodeid


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """List the places that no test reaches which runs on PostgreSQL."""
    left = {place: tests for place, tests in _reached.items() if not tests & _on_postgresql}
    terminalreporter.section(f"{len(_reached)} places send statements, {len(left)} of them not on PostgreSQL")
    for place, tests in sorted(left.items()):
        terminalreporter.line(f"{place}: {', '.join(sorted(tests))}")
