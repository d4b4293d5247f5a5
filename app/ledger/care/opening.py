"""Open the ledger: the database at its newest migration, and the vault with the right key, or a clear refusal."""

import os
import random
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import sqlalchemy as sa
from alembic import command
from alembic.config import Config as AlembicConfig
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy.orm import Session, sessionmaker

import app.ledger.tables  # noqa: F401 - an open ledger knows every table, whoever opened it
from app.config import Config
from app.ledger.care.place import clear_scratch
from app.ledger.care.resealing import holds_sealed, opens_sealed
from app.ledger.privacy.deleting import delete_again
from app.ledger.privacy.scrubbing import is_scrubbed, scrub
from app.ledger.store.engine import engine_on, make_engine, make_sessions, transaction
from app.ledger.store.errors import LedgerError, VaultError
from app.ledger.store.private_files import sync_folder
from app.ledger.store.vault import Vault
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Role, VaultCheck

_ROOT = Path(__file__).resolve().parents[3]


@dataclass(frozen=True, slots=True)
class Ledger:
    """An open ledger. `work(actor)` gives what a use case needs."""

    engine: sa.Engine
    sessions: sessionmaker[Session]
    vault: Vault

    @contextmanager
    def work(self, actor: Actor, now: datetime | None = None, rng: random.Random | None = None) -> Iterator[Work]:
        """A session's worth of work for `actor`, closed at the end of the block."""
        with self.sessions() as session:
            yield Work(session, self.vault, actor, now or datetime.now(UTC), rng or secrets.SystemRandom())

    def close(self) -> None:
        """Let go of the database's connections."""
        self.engine.dispose()


def alembic_config(url: str) -> AlembicConfig:
    """Alembic's settings from pyproject.toml, for the database at `url`."""
    settings = AlembicConfig(toml_file=str(_ROOT / "pyproject.toml"))
    settings.attributes["url"] = url
    return settings


@cache
def migrations() -> tuple[str, ...]:
    """This release's migrations, the newest first; looked for once a process, since every one is read for it."""
    scripts = ScriptDirectory.from_config(alembic_config("sqlite://")).walk_revisions()
    return tuple(script.revision for script in scripts)


def migration_of(connection: sa.Connection) -> str:
    """The migration that a database is at; "" for none."""
    return MigrationContext.configure(connection).get_current_revision() or ""


def migrate(config: Config) -> None:
    """Bring the database to the newest migration, making it (and the instance folder) where there is none.

    A database with nothing sealed in it, and no key on record, gets a key file where there is none. LedgerError where
    a restore was cut off between taking the old records away and putting the new ones there.
    """
    _require_no_half_restore(config)
    config.instance.mkdir(parents=True, exist_ok=True, mode=0o700)
    try:
        command.upgrade(alembic_config(config.url), "head")
    except CommandError as error:
        raise LedgerError(
            "database",
            "The database is at a migration that this release does not know. Install the release that it was made "
            "with, or a newer one. Nothing was changed.",
        ) from error
    if config.key or config.vault_key_file.exists():
        return
    with engine_on(config.url) as engine, engine.connect() as connection:
        if not _needs_its_key(connection):
            Vault.make_file(config.vault_key_file)


def is_first_start(config: Config) -> bool:
    """Whether a house may be made unasked: on SQLite in the instance folder, where no trace of another one stands.

    Beside a key or another database, and where the database has an address, a house is missing rather than new.
    """
    key = config.vault_key_file
    traces = (*config.instance.glob("*.sqlite3"), *key.parent.glob(f"{key.name}*"))
    return not (config.database_url or config.key or traces)


def require_house(config: Config) -> None:
    """LedgerError where there is no house yet; it names the commands that make or restore one. Makes nothing."""
    if is_empty(config):
        raise _no_house(config)


def _no_house(config: Config) -> LedgerError:
    _require_no_half_restore(config)
    url = sa.make_url(config.url)
    if url.get_backend_name() != "sqlite":
        return LedgerError(
            "database",
            f"There is no house in {url.render_as_string(hide_password=True)}: the database has no tables. Put yours "
            "back with pg_restore, or make an empty house: bittern house migrate",
        )
    key = config.vault_key_file
    beside = f", though a sealing key lies at {key}" if key.exists() else ""
    return LedgerError(
        "database",
        f"There is no house here: no database at {url.database}{beside}. Is BITTERN_INSTANCE set as for serving? Put "
        "a backup back (bittern restore FILE), or make an empty house: bittern house migrate",
    )


def _require_no_half_restore(config: Config) -> None:
    """An empty house in the old one's place would look as if all were lost."""
    if _has_file(config):
        return
    kept = max(config.instance.glob("replaced-*"), default=None)
    if kept is not None:
        raise LedgerError(
            "database",
            f"There is no database, and {kept} keeps what stood here before a restore: it was cut off. Nothing is "
            "lost. Run bittern restore again, or move what that folder keeps back here. Nothing was made.",
        )


def is_empty(config: Config) -> bool:
    """Whether there is no database yet, so that making one loses nothing."""
    if not _has_file(config):
        return True
    with engine_on(config.url) as engine:
        return not sa.inspect(engine).get_table_names()


def _has_file(config: Config) -> bool:
    """Whether the database's file is there; a database on a server has none to miss."""
    url = sa.make_url(config.url)
    return url.get_backend_name() != "sqlite" or Path(url.database or "").exists()


def open_ledger(config: Config) -> Ledger:
    """The ledger of this house. Never makes a house: neither a database nor a key.

    Raises LedgerError when there is no house or its database is not at the newest migration, VaultError when the
    sealing key is missing or is not the one that this database was sealed with. What a killed backup or restore
    left beside the database is cleared away; a deletion of personal data that this database does not know, since a
    backup from before was put back, is done again.
    """
    if not _has_file(config):
        raise _no_house(config)
    clear_scratch(config)
    engine = make_engine(config.url)
    try:
        _require_newest(config, engine)
        sessions = make_sessions(engine)
        ledger = Ledger(engine, sessions, _open_vault(config, sessions))
        _delete_again(config, ledger)
        return ledger
    except BaseException:
        engine.dispose()
        raise


def _delete_again(config: Config, ledger: Ledger) -> None:
    """A backup from before a deletion of personal data may have been put back: the deletion is done again."""
    with ledger.work(Actor(None, "the house", Role.OWNER)) as work:
        delete_again(work, config.deletions_folder)
        if not is_scrubbed(work.session):
            scrub(work.session, work.now)


def _require_newest(config: Config, engine: sa.Engine) -> None:
    newest = migrations()[0]
    with engine.connect() as connection:
        current = migration_of(connection)
        if not current and not sa.inspect(connection).get_table_names():
            raise _no_house(config)
    if current != newest:
        raise LedgerError(
            "database",
            f"The database is at migration {current or 'none'}, this release needs {newest}. "
            "Stop the house and run: bittern upgrade (it keeps a copy, and changes nothing where it fails)",
        )


def _open_vault(config: Config, sessions: sessionmaker[Session]) -> Vault:
    path = config.vault_key_file
    with sessions() as session, transaction(session):
        check = session.scalar(sa.select(VaultCheck))
        if config.key:
            vault = Vault(config.key)
        elif not path.exists() and not _needs_its_key(session.connection()):
            raise VaultError(
                f"This database has no sealing key yet, and there is none at {path}. Put it there if you have it, or "
                "make one: bittern house migrate"
            )
        else:
            vault = Vault.from_file(path)
        if check is None:
            require_sealed_by(session.connection(), vault, config)
            session.add(VaultCheck(check_value=vault.check_value, made_at=datetime.now(UTC)))
        elif check.check_value != vault.check_value and not config.key and _is_waiting(path, check.check_value):
            finish_rotation(path, datetime.now(UTC))
            vault = Vault.from_file(path)
        elif check.check_value != vault.check_value:
            raise VaultError(
                f"The key in {config.vault_key_place} is not the one that this database was sealed with. Put the "
                "right key back from the copy that the owner keeps; nothing was opened or changed."
            )
    return vault


def _needs_its_key(connection: sa.Connection) -> bool:
    """Whether a certain key belongs to this database, so that a new one would be a wrong one."""
    on_record = connection.execute(sa.select(VaultCheck.id).limit(1)).first() is not None
    return on_record or holds_sealed(connection)


def require_sealed_by(connection: sa.Connection, vault: Vault, config: Config) -> None:
    """Where the key's check is gone: VaultError unless the key opens whatever this database holds sealed."""
    if not opens_sealed(connection, vault):
        raise VaultError(
            f"The check of the sealing key is missing in this database, and the key in {config.vault_key_place} does "
            "not open what is sealed there. Put the right key back from the copy that the owner keeps, or put back a "
            "backup: bittern restore. Nothing was changed."
        )


def next_key_file(path: Path) -> Path:
    """Where a new sealing key waits while the house is sealed anew."""
    return path.with_name(f"{path.name}.next")


def finish_rotation(path: Path, now: datetime) -> Path:
    """Put the waiting key in its place; the former one is kept beside it, and its new name returned."""
    former = path.with_name(f"{path.name}.former-{now:%Y-%m-%dT%H%M%S.%fZ}")
    os.link(path, former)
    os.replace(next_key_file(path), path)  # one step: there is never no key
    sync_folder(path.parent)
    return former


def _is_waiting(path: Path, check_value: str) -> bool:
    """Whether the key that the database was sealed with anew was written, but not put in its place yet."""
    waiting = next_key_file(path)
    return waiting.exists() and Vault.from_file(waiting).check_value == check_value
