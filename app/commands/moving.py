"""`bittern house export` and `bittern house import`: the whole house as tables, out and in again."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from app.commands.refusals import open_house, refusing
from app.config import Config
from app.errors import BitternError, Problems
from app.ledger.moving.loading import import_house
from app.ledger.moving.planning import HousePlan, plan_house
from app.ledger.moving.writing import export_house
from app.ledger.store.work import Actor
from app.ledger.tables import Role

_HOUSE = Actor(None, "the command line", Role.OWNER)


@click.command("export")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
def export_file(file: Path) -> None:
    """Take the house's records out into FILE: .zip (CSV files) or .xlsx. Never a bitting, a plan or a password."""
    with refusing(), open_house(Config.from_environment()) as ledger:
        if file.exists():
            raise BitternError("file", f"{file} is there already; it was left alone. Name another file.")
        with ledger.work(_HOUSE, datetime.now(UTC)) as work:
            content = export_house(work, file.suffix.lower().removeprefix("."))
        try:
            file.write_bytes(content)
        except OSError as error:
            raise BitternError("file", f"{file} cannot be written: {error.strerror}.") from error
        click.echo(f"{file}: {len(content):,} bytes")


@click.command("import")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--dry-run", is_flag=True, help="Say what it would do; save nothing.")
def import_file(file: Path, dry_run: bool) -> None:
    """Take an export in, into an empty house or one that holds the same rows: all of it, or nothing.

    What is wrong is told on standard error by table, row and column; then the exit is 2.
    """
    with refusing(), open_house(Config.from_environment()) as ledger:
        try:
            content = file.read_bytes()
        except OSError as error:
            raise BitternError("file", f"{file} cannot be read: {error.strerror}.") from error
        with ledger.work(_HOUSE, datetime.now(UTC)) as work:
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
                raise BitternError("file", "Nothing was taken in.") from error
    _say(plan, "would be taken in" if dry_run else "were taken in")


def _say(plan: HousePlan, words: str) -> None:
    for one in plan.tables:
        if one.inserts or one.updates:
            click.echo(f"{one.moved.name}: {len(one.inserts):,} new, {len(one.updates):,} brought in line")
    if plan.people:
        click.echo(f"Without a login: {', '.join(plan.people)}")
    click.echo(f"{plan.rows:,} rows {words}.")
