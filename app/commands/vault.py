"""`bittern vault`: change the sealing key, write its recovery sheet, put it back from the sheet."""

import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from app.commands.refusals import COMMAND_LINE, open_house, refusing
from app.config import Config
from app.ledger.care.backups import make_backup
from app.ledger.care.opening import is_empty, open_ledger, require_house
from app.ledger.care.place import require_shut
from app.ledger.care.sealing import house_secret
from app.ledger.care.sealing_key import key_of_rows, rotate_key, sheet_text, take_sheet
from app.ledger.catalog.price_queries import find_house
from app.ledger.store.errors import VaultError
from app.ledger.store.private_files import write_new_file
from app.ledger.store.vault import Vault

group = click.Group("vault", help="The sealing key: change it, write its recovery sheet, recover it.")


@group.command("rotate")
@click.option("--backup-to", type=click.Path(path_type=Path), help="The folder for a backup that is made first.")
@click.option("--without-backup", is_flag=True, help="There is a good backup already, such as pg_dump's.")
def rotate(backup_to: Path | None, without_backup: bool) -> None:
    """Seal every bitting with a new key, all or none. Stop the house first.

    The old key is kept beside the new one: backups made before open with it alone.
    """
    with refusing():
        config = Config.from_environment()
        if backup_to is None and not without_backup:
            if not sys.stdin.isatty():
                raise VaultError("Say where a backup goes first: --backup-to FOLDER (or --without-backup).")
            backup_to = Path(click.prompt("Folder for a backup that is made first"))
        require_shut(config)  # an open house would go on with the old key
        with open_house(config) as ledger:
            if backup_to is not None:
                made = make_backup(config, ledger, COMMAND_LINE, backup_to, house_secret(ledger.vault))
                click.echo(f"{made.path} was made first and read back whole.")
            done = rotate_key(config, ledger, COMMAND_LINE, datetime.now(UTC))
        open_ledger(config).close()  # proves that the house opens with what stands there now
    click.echo(f"{done.values} sealed values have a new key in {config.vault_key_file}.")
    click.echo(f"The old key is {done.former}: backups made before need it. Move it to where they are kept apart.")
    if done.pins:
        click.echo(
            f"{done.pins} screen PINs ended with the old key; their people unlock by password, and set new ones."
        )
    click.echo("Write the new key's recovery sheet: bittern vault sheet --to FILE")


@group.command("sheet")
@click.option("--to", "file", type=click.Path(path_type=Path), required=True, help="A new file for it; - prints it.")
@click.option("--again", is_flag=True, help="Write it once more, though it was written before.")
def sheet(file: Path, again: bool) -> None:
    """Write the recovery sheet of the sealing key, once for each key. That is recorded.

    For whoever may read the key file itself; there is no page for it. Print it, lock it away, delete the file.
    """
    with refusing():
        config = Config.from_environment()
        require_house(config)
        key = _present_key(config)
        if str(file) != "-" and file.exists():
            raise VaultError(f"{file} stands there already; name a new file.")
        with open_house(config) as ledger, ledger.work(COMMAND_LINE) as work:
            take_sheet(work, again=again)
            house = find_house(work.session)
            text = sheet_text(house.name if house else "This house", key, work.now)
        if str(file) == "-":
            click.echo(text)
            return
        try:
            write_new_file(file, text.encode())
        except OSError as error:
            raise VaultError(f"{file} cannot be written: {error.strerror}. Use --again with another file.") from error
    click.echo(f"{file} is the recovery sheet. Print it, lock it away, then delete the file.")


@group.command("recover")
def recover() -> None:
    """Put the key file back from the recovery sheet: type its four rows. No key file that stands is touched."""
    with refusing():
        config = Config.from_environment()
        path = config.vault_key_file
        if config.key or path.exists():
            raise VaultError(
                f"There is a key already ({'BITTERN_KEY' if config.key else path}). Nothing was changed."
            )
        if sys.stdin.isatty():
            click.echo("Type the four rows of the sheet, then Ctrl-D.", err=True)
        key = key_of_rows(sys.stdin.read(4096).splitlines())
        Vault.make_file(path, key)
        if is_empty(config):
            click.echo(f"{path} is back. There is no database yet to prove it on.")
            return
        try:
            open_ledger(config).close()
        except VaultError:
            path.unlink()
            raise
    click.echo(f"{path} is back, and it is the key of this database.")


def _present_key(config: Config) -> str:
    if config.key:
        return config.key
    Vault.from_file(config.vault_key_file)  # refuses one that others may read
    return config.vault_key_file.read_text("ascii").strip()
