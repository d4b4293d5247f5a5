"""`bittern upgrade`: bring the house's database to this release, or leave it as it was."""

from __future__ import annotations

import click

from app.commands.refusals import refusing
from app.config import Config
from app.ledger.care.upgrading import upgrade_house
from app.ledger.store.work import Actor
from app.ledger.tables import Role

_HOUSE = Actor(None, "the command line", Role.OWNER)


@click.command("upgrade")
def group() -> None:
    """Bring the database to this release's tables: first in a copy, which is proven; the old file is kept.

    Stop the house before. Where anything fails, nothing was changed.
    """
    with refusing():
        done = upgrade_house(Config.from_environment(), _HOUSE)
    if done is None:
        click.echo("The database is at this release's tables already.")
        return
    click.echo(f"The database went from migration {done.before} to {done.after}; every event follows.")
    if done.kept is not None:
        click.echo(f"As it was before, it is kept at {done.kept}; remove that when you are content.")
