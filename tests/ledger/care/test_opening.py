"""The ledger opens only with its newest migration and the right key."""

import stat
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.util import CommandError

from app.config import Config
from app.ledger.care.opening import alembic_config, migrate, open_ledger
from app.ledger.care.upgrading import upgrade_house
from app.ledger.search.words import is_modelled
from app.ledger.store.engine import make_engine, make_sessions, transaction
from app.ledger.store.errors import LedgerError, VaultError
from app.ledger.store.events import record
from app.ledger.store.vault import Vault
from app.ledger.store.work import Actor
from app.ledger.tables import Base, Customer, Event, Keyset, Level, Role
from tests import factories, quick_apps
from tests.conftest import NOW
from tests.houses import new_house, remove_database, remove_guards


@pytest.fixture
def config(tmp_path: Path) -> Iterator[Config]:
    config = new_house(tmp_path)
    yield config
    remove_database(config)


@pytest.fixture
def house(empty_house: Path, copied: Callable[[Path], Config]) -> Config:
    """A house that was migrated and opened, where that is not what the test is about."""
    return copied(empty_house)


# SQLAlchemy cannot read an index of an expression back from SQLite; the models do not speak of them.
@pytest.mark.filterwarnings("ignore:Skipped unsupported reflection of expression-based index search_")
def test_models_and_migrations_agree(config: Config) -> None:
    migrate(config)
    engine = make_engine(config.url)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"include_name": is_modelled})
        assert compare_metadata(context, Base.metadata) == []
        inspector = sa.inspect(connection)
        for table in Base.metadata.tables:  # PostgreSQL takes a check's name once in a table, SQLite twice
            checks = [one["name"] for one in inspector.get_check_constraints(table)]
            assert sorted(set(checks), key=str) == sorted(checks, key=str), table
    engine.dispose()


@pytest.mark.filterwarnings("ignore:Skipped unsupported reflection of expression-based index search_")
def test_a_new_migration_names_no_column_type_of_the_app(config: Config) -> None:
    migrate(config)
    own: dict[str, Any] = {}

    def render(context: Any, revision: Any, directives: list[Any]) -> None:
        directives.clear()  # writes no file
        for table in Base.metadata.tables.values():
            for column in table.columns:
                if type(column.type).__module__.startswith("app."):
                    own[str(column)] = context.opts["render_item"]("type", column.type, None)

    command.revision(alembic_config(config.url), autogenerate=True, process_revision_directives=render)
    assert own["key_systems.authority_note"] == "sa.Text()"
    assert all(str(text).startswith("sa.") for text in own.values())


def test_every_migration_goes_down_and_up_again(config: Config) -> None:
    migrate(config)
    command.downgrade(alembic_config(config.url), "base")
    engine = make_engine(config.url)
    assert sa.inspect(engine).get_table_names() == ["alembic_version"]
    engine.dispose()
    migrate(config)


def test_rows_survive_the_newest_migration_down_and_up(config: Config) -> None:
    migrate(config)
    engine = make_engine(config.url)
    with make_sessions(engine)() as session, transaction(session):
        session.add(Customer(name="Lantern Row Dental", created_at=datetime(2026, 1, 5, tzinfo=UTC)))
    command.downgrade(alembic_config(config.url), "-1")
    command.upgrade(alembic_config(config.url), "head")
    with make_sessions(engine)() as session:
        assert session.scalars(sa.select(Customer.name)).all() == ["Lantern Row Dental"]
    engine.dispose()


def test_no_way_back_puts_keys_on_another_keyway(config: Config) -> None:
    migrate(config)
    engine = make_engine(config.url)
    with make_sessions(engine)() as session, factories.saving_into(session):
        system = factories.KeySystemFactory(name="North Hall")
        factories.KeysetFactory(system=system, symbol="AB", keyway="AQ3")
        session.commit()
    with pytest.raises(CommandError, match=r"AB of North Hall \(AQ3\)\. Restore the backup"):
        command.downgrade(alembic_config(config.url), "0046")
    command.upgrade(alembic_config(config.url), "head")
    with make_sessions(engine)() as session:
        assert session.scalars(sa.select(Keyset.keyway)).all() == ["AQ3"]
    engine.dispose()


def test_what_a_keyset_is_outlives_a_release_that_kept_it_in_words(house: Config) -> None:
    """There and back: the release before reads its own words in the purpose, and none that somebody typed."""
    engine = make_engine(house.url)
    long = "x" * 200
    with make_sessions(engine)() as session, factories.saving_into(session):
        system = factories.KeySystemFactory(name="North Hall")
        for symbol, level, purpose, carriers, is_retired, is_cut_so in (
            ("AA", Level.MASTER, "warden, porter", 2, False, False),
            ("1AA", Level.CHANGE, "clerk", 1, True, True),
            ("2AA", Level.CHANGE, "", 0, True, False),
            ("3AA", Level.CHANGE, long, 1, False, True),
            ("4AA", Level.CHANGE, "gate, retired", 2, False, False),
            ("CTL", Level.CONTROL, "takes the cores out", 0, False, False),
        ):
            keyset = factories.KeysetFactory(system=system, symbol=symbol, level=level, purpose=purpose)
            keyset.carriers, keyset.is_retired, keyset.is_really_cut_so = carriers, is_retired, is_cut_so
        session.commit()
    command.downgrade(alembic_config(house.url), "0048")
    said = sa.select(*map(sa.column, ("symbol", "purpose"))).select_from(sa.table("keysets"))
    with engine.connect() as connection:
        assert {row.symbol: row.purpose for row in connection.execute(said)} == {
            "AA": "warden, porter",
            "1AA": "clerk, really cut so, retired",
            "2AA": "retired",
            "3AA": f"{long[:185]}, really cut so",
            "4AA": "gate, Retired",
            "CTL": "takes the cores out",
        }
    command.upgrade(alembic_config(house.url), "head")
    with make_sessions(engine)() as session:
        columns = (Keyset.purpose, Keyset.carriers, Keyset.is_retired, Keyset.is_really_cut_so)
        assert session.execute(sa.select(*columns).order_by(Keyset.id)).all() == [
            ("warden, porter", 2, False, False),
            ("clerk", 1, True, True),
            ("", 0, True, False),
            (long[:185], 1, False, True),
            ("gate, Retired", 2, False, False),
            ("takes the cores out", 0, False, False),
        ]
    engine.dispose()


def test_an_old_database_is_refused_with_what_to_run(house: Config) -> None:
    command.downgrade(alembic_config(house.url), "0001")
    with pytest.raises(LedgerError, match="bittern upgrade"):
        open_ledger(house)


@pytest.mark.sqlite
def test_sqlite_is_set_for_safety(house: Config, own_patience: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("app.ledger.store.engine._PATIENCE_SECONDS", own_patience)
    monkeypatch.setattr(quick_apps, "waits_for_disk", True)
    ledger = open_ledger(house)
    with ledger.engine.connect() as connection:
        found = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "foreign_keys", "synchronous", "busy_timeout")
        }
    ledger.close()
    assert found == {"journal_mode": "wal", "foreign_keys": 1, "synchronous": 2, "busy_timeout": 10000}


def test_a_new_house_gets_a_key_file_that_only_its_owner_reads(config: Config) -> None:
    migrate(config)
    assert stat.S_IMODE(config.vault_key_file.stat().st_mode) == 0o600
    key = config.vault_key_file.read_text()
    open_ledger(config).close()
    migrate(config)
    assert config.vault_key_file.read_text() == key


def test_opening_makes_no_key_for_a_database_that_never_had_one(config: Config) -> None:
    migrate(config)
    config.vault_key_file.unlink()
    with pytest.raises(VaultError, match=r"has no sealing key yet.*bittern house migrate"):
        open_ledger(config)
    assert not config.vault_key_file.exists()
    migrate(config)
    open_ledger(config).close()
    config.vault_key_file.unlink()
    migrate(config)  # a key is on record now: another one would be a wrong one
    assert not config.vault_key_file.exists()


def test_a_missing_key_is_refused_and_none_is_made(house: Config) -> None:
    house.vault_key_file.unlink()
    with pytest.raises(VaultError, match=r"missing.*Put the key file back"):
        open_ledger(house)
    assert not house.vault_key_file.exists()


def test_a_key_that_others_may_read_is_refused(house: Config) -> None:
    house.vault_key_file.chmod(0o644)
    with pytest.raises(VaultError, match="chmod 600"):
        open_ledger(house)


@pytest.mark.parametrize("key", ["A" * 43 + "=", "short", "ünreadable"])
def test_another_key_is_refused(house: Config, key: str) -> None:
    with pytest.raises(VaultError):
        open_ledger(replace(house, key=key))


def test_the_key_may_come_from_the_environment(config: Config) -> None:
    key = Vault.new_key()
    given = Config.from_environment({"BITTERN_INSTANCE": str(config.instance), "BITTERN_KEY": key})
    migrate(given)
    open_ledger(given).close()
    assert not given.vault_key_file.exists()
    open_ledger(given).close()
    assert key not in repr(given)


@pytest.mark.postgresql
@pytest.mark.parametrize("deed", ["UPDATE events SET summary = 'x'", "DELETE FROM events"])
def test_the_database_itself_refuses_to_change_an_event(house: Config, deed: str) -> None:
    engine = make_engine(house.url)
    with engine.begin() as connection:
        connection.execute(
            sa.insert(Event).values(
                at=NOW, actor_name="a", kind="b", subject="c", summary="d", detail={}, previous_hash=b"", hash=b"1"
            )
        )
    with pytest.raises(sa.exc.DBAPIError, match="never changed"), engine.begin() as connection:
        connection.exec_driver_sql(deed)
    engine.dispose()


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        ("UPDATE events SET summary = 'x'", "does not follow"),
        ("UPDATE vault_checks SET check_value = 'x'", "sealing key is not this database's"),
    ],
)
def test_a_house_that_does_not_hold_is_not_migrated_anywhere(house: Config, spoil: str, says: str) -> None:
    ledger = open_ledger(house)
    with ledger.work(Actor(None, "the house", Role.OWNER), NOW) as work, transaction(work.session):
        record(work, "opened", "house", "The house opened")
    ledger.close()
    settings = alembic_config(house.url)
    command.downgrade(settings, "-1")
    engine = make_engine(house.url)
    with engine.connect() as connection:
        before = MigrationContext.configure(connection).get_current_revision()
        if "events" in spoil:
            remove_guards(connection)
        connection.exec_driver_sql(spoil)
        connection.exec_driver_sql("COMMIT")
    engine.dispose()  # an open house is not upgraded
    with pytest.raises(LedgerError, match=rf"{says}.*Nothing was changed"):
        upgrade_house(house, Actor(None, "the command line", Role.OWNER))
    with engine.connect() as connection:
        assert MigrationContext.configure(connection).get_current_revision() == before
    engine.dispose()
