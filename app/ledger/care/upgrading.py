"""Bring a house to this release's tables: in a copy that is proven before it takes the house's place."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import sqlalchemy as sa
from alembic import command
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.care.opening import alembic_config, migration_of, migrations, require_house, require_sealed_by
from app.ledger.care.place import as_one_file, database_file, scratch, shut
from app.ledger.care.resealing import holds_sealed
from app.ledger.care.restoring import house_vault, is_whole
from app.ledger.store.engine import engine_on, transaction
from app.ledger.store.errors import LedgerError, reason_of
from app.ledger.store.events import first_broken_link, record
from app.ledger.store.private_files import sync_folder
from app.ledger.store.vault import Vault
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Event, VaultCheck

UPGRADED = "house upgraded"
_UNCHANGED = "Nothing was changed: the house stands as it was."


@dataclass(frozen=True, slots=True)
class Upgraded:
    """What was done. `kept`: the house's database as it was before; None in PostgreSQL."""

    before: str
    after: str
    kept: Path | None


def upgrade_house(config: Config, actor: Actor) -> Upgraded | None:
    """Migrate the house's database to this release; None when it is there already.

    SQLite: a copy is migrated and proven (pages, links, every event, the sealing key) and takes the house's place
    in one step; the old file is kept. PostgreSQL: all migrations in one transaction. Raises LedgerError: then
    nothing was changed, however it ended.
    """
    is_file = sa.make_url(config.url).get_backend_name() == "sqlite"
    require_house(config)
    with _looking_at(config.url) as connection:
        before, after = migration_of(connection), migrations()[0]
    if before == after:
        return None
    if before not in migrations():
        raise LedgerError(
            "database",
            f"The database is at migration {before or 'none'}, which this release does not know. {_UNCHANGED}",
        )
    vault = _vault_of(config)
    if is_file:
        return Upgraded(before, after, _exchange_for_migrated(config, vault, actor, before, after))
    _prove(config.url, vault)  # first: what is migrated here has no copy to go back to
    _migrate(config.url, before, after)
    _put_on_record(config.url, vault, actor, before, after)
    return Upgraded(before, after, None)


def _exchange_for_migrated(config: Config, vault: Vault, actor: Actor, before: str, after: str) -> Path:
    database = database_file(config)
    kept = database.with_name(f"before-upgrade-{before}-{datetime.now(UTC):%Y-%m-%dT%H%M%SZ}.sqlite3")
    with scratch(config) as folder, shut(database):
        copy = folder / database.name
        try:
            shutil.copyfile(database, copy)
            copy.chmod(0o600)
            if not is_whole(copy):
                raise LedgerError("database", f"The database is damaged; put back a backup first. {_UNCHANGED}")
            _migrate(f"sqlite:///{copy}", before, after)
            if not is_whole(copy):
                raise LedgerError("database", f"The migrated copy does not hold together. {_UNCHANGED}")
            _prove(f"sqlite:///{copy}", vault)
            _put_on_record(f"sqlite:///{copy}", vault, actor, before, after)
            with copy.open("rb") as file:
                os.fsync(file.fileno())
            os.link(database, kept)
            os.replace(copy, database)  # one step: a power cut leaves the old house or the new one
            sync_folder(database.parent)
        except OSError as error:
            raise LedgerError(
                "folder", f"The upgrade could not be written: {reason_of(error)}. {_UNCHANGED}"
            ) from error
    return kept


def _migrate(url: str, before: str, after: str) -> None:
    settings = alembic_config(url)
    settings.attributes["all_or_nothing"] = not url.startswith("sqlite")
    try:
        command.upgrade(settings, "head")
    except Exception as error:  # whatever a migration meets, the house is to stand as it was
        raise LedgerError(
            "database", f"Migrating from {before} to {after} failed ({type(error).__name__}). {_UNCHANGED}"
        ) from error


def _prove(url: str, vault: Vault) -> None:
    """Every event follows, and the key is the house's. Asks for columns that every release had."""
    with engine_on(url) as engine, Session(engine) as session:
        broken = first_broken_link(session)
        if broken is not None:
            raise LedgerError("database", f"Event {broken} does not follow from the one before it. {_UNCHANGED}")
        checks = session.scalars(sa.select(VaultCheck.check_value)).all()
        if checks and checks != [vault.check_value]:
            raise LedgerError("key file", f"The sealing key is not this database's. {_UNCHANGED}")


def _put_on_record(url: str, vault: Vault, actor: Actor, before: str, after: str) -> None:
    with engine_on(url) as engine:
        with Session(engine) as session:
            last = session.scalar(sa.select(sa.func.max(Event.at)))
            work = Work(session, vault, actor, max(datetime.now(UTC), last) if last else datetime.now(UTC))
            with transaction(session):
                record(
                    work, UPGRADED, "house", f"Database brought from {before} to {after}", before=before, after=after
                )
        if engine.dialect.name == "sqlite":
            as_one_file(engine)


def _vault_of(config: Config) -> Vault:
    """The house's own vault; one for this upgrade alone where no key is on record and nothing is sealed.

    By text: the model may have columns that this database has not yet.
    """
    with _looking_at(config.url) as connection:
        is_on_record = connection.execute(sa.text("SELECT check_value FROM vault_checks")).first() is not None
        if not is_on_record and not holds_sealed(connection):
            return Vault(Vault.new_key())
        vault = house_vault(config)
        if not is_on_record:
            require_sealed_by(connection, vault, config)
        return vault


@contextmanager
def _looking_at(url: str) -> Iterator[sa.Connection]:
    try:
        with engine_on(url) as engine, engine.connect() as connection:
            yield connection
    except sa.exc.DatabaseError as error:
        raise LedgerError("database", f"The database cannot be read. {_UNCHANGED}") from error
