"""`bittern house`: migrate the database, serve the pages, verify the chain of events."""

from __future__ import annotations

__all__ = ["group", "serve_app"]

import ipaddress

import click
import sqlalchemy as sa
from flask import Flask

from app.commands.refusals import open_house, refusing
from app.config import Config
from app.errors import BitternError
from app.ledger.events.actions import first_broken_link
from app.ledger.events.models import Event
from app.ledger.opening import migrate as migrate_database

THREADS = 8
# Larger uploads are refused by the pages, which say so; this only keeps a flood from filling the disk.
_FLOOD = 8

group = click.Group("house", help="The house: serve its pages, migrate and verify its database.")


def serve_app(app: Flask, config: Config) -> None:
    """Serve `app` by waitress on the configured host and port until Ctrl-C."""
    import waitress  # loaded only when something is served

    click.echo(f"Serving on http://{config.host}:{config.port}/ (Ctrl-C stops)")
    waitress.serve(
        app,
        host=config.host,
        port=config.port,
        threads=THREADS,
        ident=None,
        max_request_body_size=config.upload_bytes * _FLOOD,
    )


def _require_private(config: Config) -> None:
    """Passwords and bittings must not cross a network in clear."""
    try:
        is_private = config.host == "localhost" or ipaddress.ip_address(config.host).is_loopback
    except ValueError:
        is_private = False
    if not is_private:
        raise BitternError(
            "BITTERN_HOST",
            f"{config.host} can be reached from the network, and this server speaks without TLS: passwords and "
            "bittings would cross it in clear. Serve on 127.0.0.1, behind a server that speaks TLS.",
        )


@group.command("serve")
def serve() -> None:
    """Serve the pages until Ctrl-C. A new database is made; an old one is refused until it is migrated."""
    from app import create_app  # the web is loaded only when it is served

    with refusing():
        config = Config.from_environment()
        _require_private(config)
        with open_house(config) as ledger:
            serve_app(create_app(config, ledger), config)


@group.command("migrate")
def migrate() -> None:
    """Bring the database to this release's tables. Make a copy of it first."""
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
            count = session.scalar(sa.select(sa.func.count()).select_from(Event)) or 0
    if broken is not None:
        click.echo(
            f"Event {broken} does not follow from the one before it: it was changed, or one is missing.", err=True
        )
        raise click.exceptions.Exit(1)
    click.echo(f"All {count:,} events follow from one another.")
