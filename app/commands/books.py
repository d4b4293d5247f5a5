"""`bittern books`: issued quotes, closed jobs and payments as CSV for a general ledger."""

from datetime import date
from pathlib import Path

import click

from app.commands.refusals import COMMAND_LINE, open_house
from app.documents import books_csv
from app.ledger.reports.books import BOOKS, Book, book_rows
from app.spreadsheets import read_date

group = click.Group("books", help="Tables for a general ledger, as CSV.")


def _command(book: Book) -> click.Command:
    columns = "\n".join(f"  {column.name}: {column.what}" for column in book.columns)

    def run(first: str, last: str, out: Path | None) -> None:
        with open_house() as ledger:
            span: tuple[date, date] = (read_date(first, "--from"), read_date(last, "--to"))
            with ledger.work(COMMAND_LINE) as work:
                content = books_csv(book.columns, book_rows(work, book.name, *span))
            if out is None:
                click.echo(content, nl=False)
            else:
                out.write_bytes(content)

    return click.Command(
        book.name,
        callback=run,
        help=f"CSV of {book.what}.\n\n\b\nColumns:\n{columns}",
        short_help=f"CSV of {book.what}.",
        params=[
            click.Option(["--from", "first"], required=True, help="The first day, as 2026-01-31."),
            click.Option(["--to", "last"], required=True, help="The last day, included."),
            click.Option(
                ["--out", "-o", "out"],
                type=click.Path(dir_okay=False, path_type=Path),
                help="A file; else standard output.",
            ),
        ],
    )


for _book in BOOKS:
    group.add_command(_command(_book))
