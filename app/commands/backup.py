"""`bittern backup`: make a sealed copy while the house is open, check one, keep daily ones; `bittern restore`."""

import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from app.commands.refusals import COMMAND_LINE, open_house, refusing
from app.config import Config
from app.ledger.care.backups import Made, daily_backup, last_backup, make_backup
from app.ledger.care.place import database_file
from app.ledger.care.restoring import Report, house_vault, read_backup, restore_backup
from app.ledger.care.sealing import Secret, house_secret, is_passphrase_sealed, passphrase_secret
from app.ledger.store.errors import BackupError
from app.ledger.store.private_files import fault_of_mode

group = click.Group("backup", help="Backups: make one, check one, keep daily ones.")


def _sealing(function: Callable[..., Any]) -> Callable[..., Any]:
    for option in (
        click.option("--passphrase-stdin", is_flag=True, help="Read the passphrase from standard input."),
        click.option(
            "--passphrase-file",
            type=click.Path(path_type=Path),
            help="Read the passphrase from a file that nobody else may read (mode 0600).",
        ),
    ):
        function = option(function)
    return function


_with_house_key = click.option(
    "--house-key",
    is_flag=True,
    help="Seal with the house's own key instead: opens only where the key file is, with nothing to remember.",
)
_to = click.option("--to", "folder", type=click.Path(path_type=Path), required=True, help="The folder for it.")


def _passphrase(from_stdin: bool, file: Path | None, *, new: bool) -> Secret:
    if from_stdin:
        return passphrase_secret(sys.stdin.readline().rstrip("\r\n"))
    if file is not None:
        try:
            text, fault = file.read_text("utf-8"), fault_of_mode(file)
        except (OSError, UnicodeDecodeError) as error:
            raise BackupError("passphrase", f"The passphrase file {file} cannot be read.") from error
        if fault:
            raise BackupError("passphrase", fault)
        return passphrase_secret(text.rstrip("\r\n"))
    if not sys.stdin.isatty():
        raise BackupError(
            "passphrase",
            "There is nobody to ask for the passphrase: use --passphrase-file or --passphrase-stdin"
            + (", or --house-key." if new else "."),
        )
    return passphrase_secret(click.prompt("Passphrase", hide_input=True, confirmation_prompt=new))


def _new_secret(config: Config, house_key: bool, from_stdin: bool, file: Path | None) -> Secret:
    if house_key and (from_stdin or file):
        raise BackupError("passphrase", "Choose one: the house's key or a passphrase.")
    return house_secret(house_vault(config)) if house_key else _passphrase(from_stdin, file, new=True)


def _secret_of(config: Config, path: Path, from_stdin: bool, file: Path | None) -> Secret:
    """The secret that the backup itself asks for."""
    try:
        with path.open("rb") as source:
            asks = is_passphrase_sealed(source)
    except OSError as error:
        raise BackupError("file", f"{path} cannot be read: {error.strerror}.") from error
    return _passphrase(from_stdin, file, new=False) if asks else house_secret(house_vault(config))


def _say_made(made: Made) -> None:
    click.echo(f"{made.path}: {made.size:,} bytes, read back whole. {_holds(made.report)}")


def _holds(report: Report) -> str:
    files = f"{report.files:,} {'file' if report.files == 1 else 'files'}"
    return f"Made {report.made_at.astimezone():%Y-%m-%d %H:%M}; {report.events:,} events that follow, {files}."


@group.command("make")
@_to
@_with_house_key
@_sealing
def make(folder: Path, house_key: bool, passphrase_stdin: bool, passphrase_file: Path | None) -> None:
    """Make one sealed backup in a folder, while others work. The sealing key is not in it: keep its copy apart."""
    with refusing():
        config = Config.from_environment()
        database_file(config)  # a house in PostgreSQL is told so before anything is asked
        with open_house(config) as ledger:
            secret = _new_secret(config, house_key, passphrase_stdin, passphrase_file)
            _say_made(make_backup(config, ledger, COMMAND_LINE, folder, secret))


@group.command("daily")
@_to
@click.option("--keep", type=int, default=14, show_default=True, help="How many daily copies to keep.")
@_with_house_key
@_sealing
def daily(folder: Path, keep: int, house_key: bool, passphrase_stdin: bool, passphrase_file: Path | None) -> None:
    """Make today's copy and remove this house's daily copies beyond the newest KEEP. For cron or a systemd timer."""
    with refusing():
        config = Config.from_environment()
        database_file(config)  # a house in PostgreSQL is told so before anything is asked
        with open_house(config) as ledger:
            secret = _new_secret(config, house_key, passphrase_stdin, passphrase_file)
            today = datetime.now().astimezone().date()
            done = daily_backup(config, ledger, COMMAND_LINE, folder, secret, today, keep)
            _say_made(done.made)
            for name in done.removed:
                click.echo(f"Removed {name}")
            if done.left_alone:
                click.echo(
                    f"Left alone, as nothing shows them to be this house's: {', '.join(done.left_alone)}", err=True
                )


@group.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@_sealing
def check(file: Path, passphrase_stdin: bool, passphrase_file: Path | None) -> None:
    """Open a backup in a folder of its own and prove it whole. Nothing is replaced."""
    with refusing():
        config = Config.from_environment()
        report = read_backup(config, file, _secret_of(config, file, passphrase_stdin, passphrase_file))
        click.echo(f"{file} is whole. {_holds(report)}")
        if not (config.key or config.vault_key_file.exists()):
            click.echo("The sealing key is not here; it must be in its place before this is restored.", err=True)
        elif house_vault(config).check_value != report.key_check:
            click.echo("Caution: the sealing key here is not the one that this backup needs.", err=True)
        if report.brought_up:
            click.echo("Its tables are an earlier release's; restoring brings them up to this one's.")


@group.command("last")
def last() -> None:
    """When the last good backup was made. Exit 1 when there is none."""
    with open_house() as ledger, ledger.sessions() as session:
        found = last_backup(session)
    if found is None:
        click.echo("No backup is on record yet.", err=True)
        raise click.exceptions.Exit(1)
    click.echo(f"{found.at.astimezone():%Y-%m-%d %H:%M} {found.name}: {found.size:,} bytes, by {found.by}")


@click.command("restore")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--yes", is_flag=True, help="Do not ask before what stands there is exchanged.")
@_sealing
def restore(file: Path, yes: bool, passphrase_stdin: bool, passphrase_file: Path | None) -> None:
    """Put a backup back: proven whole first, then exchanged; what stood there is kept beside it.

    The sealing key must be in its place before (from the copy that the owner keeps), and the house shut.
    """
    with refusing():
        config = Config.from_environment()
        standing = database_file(config)
        house_vault(config)  # without the key there is no use in asking on
        if standing.exists() and not (yes or sys.stdin.isatty()):
            raise BackupError(
                "yes",
                f"There is nobody to ask whether the records in {standing} may be exchanged: say so with --yes. "
                "Nothing was replaced.",
            )
        secret = _secret_of(config, file, passphrase_stdin, passphrase_file)
        if standing.exists() and not yes:
            click.confirm(f"Exchange the records in {standing} for those in {file}?", abort=True)
        restored = restore_backup(config, file, secret, COMMAND_LINE)
        click.echo(f"{file} is put back. {_holds(restored.report)}")
        if restored.replaced:
            click.echo(f"What stood there before is kept in {restored.replaced}")
