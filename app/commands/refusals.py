"""How a command that works on the ledger opens it and refuses: one sentence, exit 2, nothing changed."""

from __future__ import annotations

__all__ = ["open_house", "refusing"]

from collections.abc import Iterator
from contextlib import contextmanager

import click

from app.config import Config
from app.errors import BitternError
from app.ledger.opening import Ledger, open_ledger


@contextmanager
def refusing() -> Iterator[None]:
    """Turn a BitternError in the block into its sentence on standard error and exit 2."""
    try:
        yield
    except BitternError as error:
        click.echo(error.message, err=True)
        raise click.exceptions.Exit(2) from error


@contextmanager
def open_house(config: Config) -> Iterator[Ledger]:
    """The house's ledger for the block. Where there is no house none is made: the refusal names what makes one."""
    with refusing():
        ledger = open_ledger(config)
        try:
            yield ledger
        finally:
            ledger.close()
