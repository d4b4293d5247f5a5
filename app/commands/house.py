"""`bittern house`: serve the pages, make a certificate, migrate, verify, export and import; `bittern upgrade`."""

from datetime import UTC, datetime
from pathlib import Path

import click

from app.commands.certificate import write_certificate
from app.commands.refusals import COMMAND_LINE, house_work, open_house, refusing
from app.commands.serving import serve_app, settled
from app.config import Config
from app.errors import BitternError, Problems
from app.ledger.care.opening import is_first_start
from app.ledger.care.opening import migrate as migrate_database
from app.ledger.care.upgrading import upgrade_house
from app.ledger.moving.export_file import export_house
from app.ledger.moving.importing import HousePlan, import_house, plan_house
from app.ledger.privacy.originals import DeletionFiles, check_originals
from app.ledger.store.engine import transaction
from app.ledger.store.events import (
    CLOCK_ACCEPTED,
    clock_is_back,
    count_events,
    first_broken_link,
    house_id,
    missing_at_the_end,
    record,
)

group = click.Group("house", help="The house: serve its pages, migrate, verify, export and import its records.")


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
    """Say that this machine's clock is right, though what is on record bears later dates. That is recorded."""
    with house_work() as work:
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
            count = count_events(session)
            originals = check_originals(session, DeletionFiles(config.deletions_folder, house_id(session)))
    if broken is not None:
        click.echo(
            f"Event {broken} does not follow from the one before it: it was changed, or one is missing.", err=True
        )
        raise click.exceptions.Exit(1)
    if missing:
        click.echo(f"The chain holds, but {missing:,} of its newest events are missing.", err=True)
        raise click.exceptions.Exit(1)
    if originals.broken is not None:
        click.echo(
            f"The sealed original of event {originals.broken} is not the one that the chain tells of.", err=True
        )
        raise click.exceptions.Exit(1)
    click.echo(f"All {count:,} events follow from one another.")
    for sentence in originals.sentences:
        click.echo(sentence)


@group.command("export")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
def export_file(file: Path) -> None:
    """Export the house's records to FILE: .zip (CSV files) or .xlsx. Never a bitting, a plan or a password."""
    with open_house() as ledger:
        if file.exists():
            raise BitternError("file", f"{file} is there already; it was left alone. Name another file.")
        with ledger.work(COMMAND_LINE) as work:
            content = export_house(work, file.suffix.lower().removeprefix("."))
        try:
            file.write_bytes(content)
        except OSError as error:
            raise BitternError("file", f"{file} cannot be written: {error.strerror}.") from error
        click.echo(f"{file}: {len(content):,} bytes")


@group.command("import")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--dry-run", is_flag=True, help="Say what it would do; save nothing.")
def import_file(file: Path, dry_run: bool) -> None:
    """Import an export into an empty house or one that holds the same rows: all of it, or nothing.

    What is wrong is told on standard error by table, row and column; then the exit is 2.
    """
    with open_house() as ledger:
        try:
            content = file.read_bytes()
        except OSError as error:
            raise BitternError("file", f"{file} cannot be read: {error.strerror}.") from error
        with ledger.work(COMMAND_LINE) as work:
            try:
                if dry_run:
                    plan = plan_house(work, file.name, content)
                    if plan.problems:
                        raise Problems(plan.problems)
                else:
                    plan = import_house(work, file.name, content)
            except Problems as error:
                for problem in error.problems:
                    click.echo(f"{problem.field}: {problem.message}", err=True)
                raise BitternError("file", "Nothing was imported.") from error
    _say(plan, "would be imported" if dry_run else "were imported")


def _say(plan: HousePlan, words: str) -> None:
    for one in plan.tables:
        if one.inserts or one.updates:
            click.echo(f"{one.moved.name}: {len(one.inserts):,} new, {len(one.updates):,} brought in line")
    if plan.people:
        click.echo(f"Without a login: {', '.join(plan.people)}")
    click.echo(f"{plan.rows:,} rows {words}.")


@click.command("upgrade")
def upgrade() -> None:
    """Bring the database to this release's tables: first in a copy, which is proven; the old file is kept.

    Stop the house before. Where anything fails, nothing was changed.
    """
    with refusing():
        done = upgrade_house(Config.from_environment(), COMMAND_LINE)
    if done is None:
        click.echo("The database is at this release's tables already.")
        return
    click.echo(f"The database went from migration {done.before} to {done.after}; every event follows.")
    if done.kept is not None:
        click.echo(f"As it was before, it is kept at {done.kept}; remove that when you are content.")
