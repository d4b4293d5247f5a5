"""Fixtures that every test may ask for: a migrated ledger of its own, somebody to act, a client in a role."""

import gc
import os
import sqlite3
import sys
from collections.abc import Callable, Generator, Iterator
from datetime import UTC, datetime
from pathlib import Path
from time import thread_time
from typing import Any

import pytest
import sqlalchemy as sa
from argon2 import PasswordHasher
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import HealthCheck, settings
from sqlalchemy.orm import Session

# `tests.factories` is imported by path: pytest's importlib mode puts nothing on sys.path.
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from app import create_app
from app.config import Config
from app.documents import render
from app.ledger.care.opening import Ledger, migrate, open_ledger
from app.ledger.people import passwords
from app.ledger.store import engine
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Role, User
from tests import factories, houses
from tests.chance import draw_again, drawn_for
from tests.quick_apps import (
    PRINT_ANEW,
    keep_compiled_rules,
    keep_compiled_sql,
    keep_compiled_templates,
    keep_printed_papers,
    wait_for_no_disk,
)

pytest_plugins = ["tests.chromium"]

NOW = datetime(2026, 11, 25, 15, 30, tzinfo=UTC)
"""What the clock says in every test unless it is moved; a Wednesday."""


# How fast a machine makes examples says nothing about the code that they test.
settings.register_profile(
    "any machine", settings.default, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("any machine")


@sa.event.listens_for(sa.Engine, "connect")
def _reverse_what_has_no_order(connection: Any, record: Any) -> None:
    """Have SQLite give backwards what a query puts in no order: who counts on an order without asking is found out.

    PostgreSQL gives such rows as they happen to lie, another way on another day.
    """
    if isinstance(connection, sqlite3.Connection):
        connection.execute("PRAGMA reverse_unordered_selects = ON")


keep_compiled_templates()
keep_compiled_rules()
keep_compiled_sql()
keep_printed_papers()
wait_for_no_disk()


@pytest.fixture(scope="session", autouse=True)
def quick_passwords() -> Iterator[PasswordHasher]:
    """Hash passwords quickly where nobody asks for `own_passwords`; gives the hasher of a house that is served."""
    own = passwords._HASHER
    quick = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1, hash_len=32, salt_len=16)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "_HASHER", quick)
        yield own


WITHOUT_HASTE = 600
"""Seconds that a test gives to what the program waits for so long and no longer: what is not there then hangs."""


@pytest.fixture(scope="session", autouse=True)
def own_patience() -> Iterator[int]:
    """What else a machine has to do changes no answer: a search has its seconds of a core, not of the clock, and what
    is waited for comes. Gives the seconds that a save waits for its turn in a house that is served.
    """
    own = engine._PATIENCE_SECONDS
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("app.keying.time_limit.monotonic", thread_time)
        patch.setattr(engine, "_PATIENCE_SECONDS", WITHOUT_HASTE)
        for waits in (
            "app.documents.render._PRINT_PATIENCE",
            "app.ledger.quoting.mailing._SECONDS",
            "app.spreadsheets.child_process.PATIENCE",
            "app.web.background.AT_ONCE",
        ):
            patch.setattr(waits, WITHOUT_HASTE)
        yield own


@pytest.fixture(scope="session", autouse=True)
def same_chance() -> Iterator[None]:
    """A test draws the same bittings in every run."""
    with pytest.MonkeyPatch.context() as patch:
        draw_again(patch)
        yield


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """What a test draws is its own."""
    with drawn_for(item.nodeid):
        return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_fixture_setup(fixturedef: pytest.FixtureDef[Any]) -> Generator[None, object, object]:
    """What is made for several tests draws the same whichever of them comes first."""
    if fixturedef.scope == "function":
        return (yield)
    with drawn_for(f"{fixturedef.baseid} {fixturedef.argname}"):
        return (yield)


@pytest.fixture
def own_passwords(quick_passwords: PasswordHasher, monkeypatch: pytest.MonkeyPatch) -> None:
    """Passwords are hashed as in a house that is served."""
    monkeypatch.setattr(passwords, "_HASHER", quick_passwords)


@pytest.fixture
def prints_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each paper is printed, also one that was printed before: for tests of the printing itself."""
    monkeypatch.setattr(render, "_printed", PRINT_ANEW)


@pytest.fixture(scope="session", autouse=True)
def shared_houses(tmp_path_factory: pytest.TempPathFactory) -> None:
    """What one process of this run makes for all tests serves the others too."""
    own = tmp_path_factory.getbasetemp()
    houses.share_houses(own.parent if "PYTEST_XDIST_WORKER" in os.environ else own)


def _make_empty_house(folder: Path) -> None:
    config = houses.new_house(folder)
    migrate(config)
    open_ledger(config).close()


@pytest.fixture(scope="session")
def empty_house(shared_houses: None) -> Path:
    """An instance folder at the newest migration with its key files; migrated once, copied for each test."""
    return houses.made_once("empty", _make_empty_house)


@pytest.fixture
def copied(tmp_path: Path) -> Iterator[Callable[[Path], Config]]:
    """`copied(folder)`: the settings of this test's own copy of a house that was made once."""
    made: list[Config] = []

    def copy(house: Path) -> Config:
        made.append(houses.copy_house(house, tmp_path / "instance"))
        return made[-1]

    yield copy
    for config in made:
        houses.remove_database(config)


@pytest.fixture
def config(empty_house: Path, copied: Callable[[Path], Config]) -> Config:
    """The settings of a house of this test's own: migrated, and nobody on record."""
    return copied(empty_house)


@pytest.fixture
def ledger(config: Config) -> Iterator[Ledger]:
    """That house's open ledger."""
    opened = open_ledger(config)
    yield opened
    opened.close()


@pytest.fixture
def session(ledger: Ledger) -> Iterator[Session]:
    """A database session; the factories save into it, and commit."""
    with ledger.sessions() as session, factories.saving_into(session):
        yield session


@pytest.fixture
def owner(session: Session) -> User:
    """An owner on record."""
    user: User = factories.UserFactory(name="Owner", role=Role.OWNER)
    return user


@pytest.fixture
def work(session: Session, ledger: Ledger, owner: User) -> Work:
    """Work in the owner's name, on the test's day."""
    return Work(session, ledger.vault, Actor.of(owner), NOW)


@pytest.fixture
def work_as(session: Session, ledger: Ledger) -> Callable[[Role], Work]:
    """`work_as(Role.COUNTER)`: work in the name of somebody with that role."""

    def work_in_role(role: Role) -> Work:
        return Work(session, ledger.vault, Actor.of(factories.UserFactory(role=role)), NOW)

    return work_in_role


@pytest.fixture
def web(config: Config, ledger: Ledger) -> Flask:
    """The web application of that house, its clock at NOW. CSRF is on, as it is for people."""
    app = create_app(config, ledger)
    app.testing = False  # errors make pages, as they do for people
    app.extensions["clock"] = lambda: NOW
    return app


@pytest.fixture
def client_as(web: Flask, session: Session, owner: User) -> Callable[[Role | None], FlaskClient]:
    """`client_as(Role.BENCH)`: a client logged in with that role (None: nobody); an owner is on record.

    It posts forms with their CSRF token, like a browser that has loaded the page.
    """

    def client_in_role(role: Role | None) -> FlaskClient:
        client = factories.FormClient(web)
        if role is not None:
            client.log_in(owner if role is Role.OWNER else factories.UserFactory(role=role))
        return client

    return client_in_role


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A test that has a house's settings, or a copy of one, keeps records: it carries the marker `database`.

    It carries `once` where another one asks PostgreSQL the same.
    """
    asked = houses.asked_of_postgresql(items)
    for item in items:
        if {"config", "copied"}.intersection(getattr(item, "fixturenames", ())):
            item.add_marker("database")
        if item not in asked:
            item.add_marker("once")


def pytest_collection_finish() -> None:
    """Look for garbage more seldom, and not among modules and tests, which stay: it took a fifth of a run."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """In CI a skipped test is a failed run: a check that did not run has shown nothing."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get("CI") == "true" and reporter is not None and reporter.stats.get("skipped"):
        reporter.write_line("CI=true: a skipped test fails the run", red=True)
        session.exitstatus = pytest.ExitCode.INTERRUPTED  # 1 would have it asked once more
