"""`bittern person`: who is on record under a name, all that is kept about them, and its deletion."""

from pathlib import Path

import click

from app.commands.refusals import COMMAND_LINE, open_house
from app.config import Config
from app.errors import BitternError
from app.ledger.care.backups import earlier_copies
from app.ledger.care.place import files_folder
from app.ledger.privacy.deleting import DeletionForm, delete_person, destroy_key, get_deletion, plan_deletion
from app.ledger.privacy.kept import kept_about
from app.ledger.privacy.scrubbing import scrub
from app.ledger.privacy.subjects import SUBJECTS, find_subjects
from app.ledger.store.private_files import write_new_file
from app.validation import counted

group = click.Group("person", help="Personal data: find it, hand over all that is kept, delete it.")
_WHO = click.argument("who", type=click.Choice(SUBJECTS))
_ID = click.argument("row_id", metavar="ID", type=int)
_ALSO = click.option("--also", multiple=True, help="A further name, phone or address that is theirs; repeatable.")


@group.command("find")
@click.argument("text")
def find(text: str) -> None:
    """Who is on record under a name: WHO and ID, as the other commands take them, the name and what they are."""
    with open_house() as ledger, ledger.work(COMMAND_LINE) as work:
        found = find_subjects(work, text)
        for one in found:
            click.echo(f"{one.kind} {one.id}  {one.name}: {one.about}")
        if not found:
            click.echo("Nobody of this name is on record.", err=True)
            raise click.exceptions.Exit(1)


@group.command("file")
@_WHO
@_ID
@_ALSO
@click.option("--to", "file", type=click.Path(dir_okay=False, path_type=Path), required=True, help="The new .zip.")
def file_of(who: str, row_id: int, also: tuple[str, ...], file: Path) -> None:
    """Write all that is kept about somebody to one ZIP: a page to read, and a workbook. That is recorded."""
    config = Config.from_environment()
    with open_house(config) as ledger:
        if file.exists():
            raise BitternError("file", f"{file} is there already; it was left alone. Name another file.")
        with ledger.work(COMMAND_LINE) as work:
            folders = (config.deletions_folder, files_folder(config))
            content = kept_about(work, *folders, who, row_id, "\n".join(also))
        write_new_file(file, content)
        click.echo(f"{file}: {len(content):,} bytes")


@group.command("delete")
@_WHO
@_ID
@_ALSO
@click.option(
    "--name", default="", help="The name as it stands on record, to confirm; without it, nothing is deleted."
)
def delete(who: str, row_id: int, also: tuple[str, ...], name: str) -> None:
    """Say what a deletion would change and what stands in its way; with --name, delete it."""
    config = Config.from_environment()
    with open_house(config) as ledger, ledger.work(COMMAND_LINE) as work:
        plan = plan_deletion(work, config.deletions_folder, who, row_id, "\n".join(also))
        if not name:
            for one in plan.places:
                click.echo(f"{one.customer or 'nobody'}, {one.table}: {counted(one.rows, 'record')}")
            for said in plan.refusals:
                click.echo(said, err=True)
            click.echo(f"Nothing was deleted. Afterwards it would read: {plan.put}")
            return
        form = DeletionForm(name, "\n".join(also), tuple(sorted(plan.doubtful)))
        done = delete_person(work, config.deletions_folder, files_folder(config), who, row_id, form)
        click.echo(f"Deleted: it reads {done.put} from now on.")
        if not scrub(work.session, work.now):
            click.echo(
                "Somebody keeps the database busy: its file is written anew when the house opens next.", err=True
            )
        copies = earlier_copies(work.session, config, get_deletion(work.session, done.number).at)
        if copies.until:
            click.echo(f"Daily backups from before can be read until {copies.until}, if one is made every day.")
        for path in copies.lying:
            click.echo(f"It stays until you remove it: {path}")


@group.command("end-key")
@click.argument("number", type=int)
def end_key(number: int) -> None:
    """Destroy the key of a deletion: nobody reads what it sealed any more, the chain is proven by its links."""
    config = Config.from_environment()
    with open_house(config) as ledger, ledger.work(COMMAND_LINE) as work:
        destroy_key(work, config.deletions_folder, number)
        click.echo(f"The key of deletion {number} is destroyed.")
