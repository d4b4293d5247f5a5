"""How a command that works on the ledger opens it and refuses: a plain sentence, exit 2, nothing changed."""

from collections.abc import Iterator
from contextlib import contextmanager

import click

from app.config import Config
from app.errors import BitternError
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.store import ArgumentError, DBAPIError, SQLiteError
from app.ledger.store.errors import LedgerStopped, reason_of, trouble_of
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Role

COMMAND_LINE = Actor(None, "the command line", Role.OWNER)
_UNLIKE = (
    "The ledger's database answers as no sound one would: it is damaged, or another program changed it. Put back the "
    "last backup: bittern restore"
)


@contextmanager
def refusing() -> Iterator[None]:
    """Turn a BitternError in the block, or trouble with the disk or the database, into its sentence and exit 2."""
    try:
        yield
    except BrokenPipeError:
        raise  # whoever read what was printed has read enough
    except (BitternError, DBAPIError, ArgumentError, SQLiteError, OSError, ModuleNotFoundError) as error:
        click.echo(_sentence(error), err=True)
        raise click.exceptions.Exit(2) from error


def _sentence(error: Exception) -> str:
    if isinstance(error, SQLiteError):
        error = DBAPIError(None, None, error)
    if isinstance(error, DBAPIError):
        error = trouble_of(error) or BitternError("database", _UNLIKE)
    if isinstance(error, LedgerStopped):
        return f"{error.message} {error.mend}"
    if isinstance(error, BitternError):
        return error.message
    if isinstance(error, ArgumentError):
        return "BITTERN_DATABASE_URL is no address of a database, such as postgresql+psycopg:///bittern"
    if isinstance(error, ModuleNotFoundError):
        return f"The Python package {error.name} is missing; for PostgreSQL: .venv/bin/pip install -e '.[postgresql]'"
    if isinstance(error, OSError):
        return f"{error.filename or 'A file'} cannot be read or written: {reason_of(error)}."
    raise error


@contextmanager
def open_house(config: Config | None = None) -> Iterator[Ledger]:
    """The house's ledger for the block, of the environment's settings unless others are given.

    Where there is no house none is made: the refusal names what makes one.
    """
    with refusing():
        ledger = open_ledger(config or Config.from_environment())
        try:
            yield ledger
        finally:
            ledger.close()


@contextmanager
def house_work() -> Iterator[Work]:
    """The command line's work on the environment's house for the block, refused as by `open_house`."""
    with open_house() as ledger, ledger.work(COMMAND_LINE) as work:
        yield work
