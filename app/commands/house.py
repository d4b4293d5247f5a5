"""`bittern house`: serve the pages, make a certificate, migrate, verify, export and import."""

from __future__ import annotations

from datetime import UTC, datetime

import click
import sqlalchemy as sa

from app.commands.certificate import write_certificate
from app.commands.moving import export_file, import_file
from app.commands.refusals import open_house, refusing
from app.commands.serving import serve_app, settled
from app.config import Config
from app.ledger.care.opening import is_first_start
from app.ledger.care.opening import migrate as migrate_database
from app.ledger.store.engine import transaction
from app.ledger.store.event_queries import CLOCK_ACCEPTED, clock_is_back
from app.ledger.store.events import first_broken_link, missing_at_the_end, record
from app.ledger.store.work import Actor
from app.ledger.tables import Event, Role

_HOUSE = Actor(None, "the command line", Role.OWNER)

group = click.Group("house", help="The house: serve its pages, migrate, verify, export and import its records.")
group.add_command(export_file)
group.add_command(import_file)


@group.command("serve")
def serve() -> None:
    """Serve the pages until Ctrl-C. The first start makes an empty house, where neither database nor key is there.

    A database of an older release is refused until it is upgraded.
    """
    from app import create_app  # the web is loaded only when it is served

    with refusing():
        config = settled(Config.from_environment())
        if is_first_start(config):
            migrate_database(config)
        with open_house(config) as ledger:
            with ledger.sessions() as session:
                trouble = clock_is_back(session, datetime.now(UTC))
            if trouble is not None:
                click.echo(f"Caution: {trouble.message} {trouble.mend}", err=True)
            serve_app(create_app(config, ledger), config)


@group.command("certificate")
@click.option("--name", "names", multiple=True, required=True, help="A name or address of this machine; repeatable.")
def certificate(names: tuple[str, ...]) -> None:
    """Make the house's own certificate, so that it can be served on the shop's network."""
    with refusing():
        config = Config.from_environment()
        every = tuple(dict.fromkeys((*names, "localhost", "127.0.0.1")))
        made = write_certificate(config.own_certificate, config.own_certificate_key, every, datetime.now(UTC))
    click.echo(f"{made.certificate} and {made.key} are for this machine; good until {made.until:%Y-%m-%d}.")
    click.echo(f"Let each device that uses the house trust {made.authority}: it can vouch for nothing else.")
    click.echo("Then serve with BITTERN_HOST=0.0.0.0 (or this machine's own address on the shop's network).")


@group.command("clock")
@click.option("--accept", is_flag=True, required=True, help="The clock is right now; it was wrong before.")
def clock(accept: bool) -> None:
    """Say that this machine's clock is right, though what is on record bears later dates. It is put on record."""
    with refusing(), open_house(Config.from_environment()) as ledger, ledger.work(_HOUSE) as work:
        with transaction(work.session):
            record(work, CLOCK_ACCEPTED, "house", f"The clock is right: {work.now.astimezone():%Y-%m-%d %H:%M}")
        click.echo(f"On record: it is {work.now.astimezone():%Y-%m-%d %H:%M}.")


@group.command("migrate")
def migrate() -> None:
    """Make an empty house, or bring a draft database to this release's tables.

    For a house in use: bittern upgrade.
    """
    with refusing():
        config = Config.from_environment()
        migrate_database(config)
        with open_house(config):
            click.echo("The database is at the newest migration.")


@group.command("verify")
def verify() -> None:
    """Follow the chain of events from the first to the last. Exit 1 names the first that does not follow."""
    with refusing():
        config = Config.from_environment()
        with open_house(config) as ledger, ledger.sessions() as session:
            broken = first_broken_link(session)
            missing = missing_at_the_end(session)
            count = session.scalar(sa.select(sa.func.count()).select_from(Event)) or 0
    if broken is not None:
        click.echo(
            f"Event {broken} does not follow from the one before it: it was changed, or one is missing.", err=True
        )
        raise click.exceptions.Exit(1)
    if missing:
        click.echo(f"The chain holds, but {missing:,} of its newest events are missing.", err=True)
        raise click.exceptions.Exit(1)
    click.echo(f"All {count:,} events follow from one another.")
