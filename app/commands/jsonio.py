"""JSON in, JSON out: how every command that others rely on reads its input, answers and refuses."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, NoReturn

import click

from app.errors import BitternError
from app.validation import Reader

HINT = "See --example."

Answer = Callable[..., dict[str, Any]]


def refuse(error: BitternError) -> NoReturn:
    """Answer with the error as JSON, and end with exit 2."""
    refusal = {"error": {"field": error.field, "message": error.message}}
    click.echo(json.dumps(refusal, ensure_ascii=False))
    raise click.exceptions.Exit(2) from error


def _read(name: str) -> dict[str, Any]:
    try:
        with click.open_file(name, encoding="utf-8") as file:
            given = json.load(file)
    except OSError as error:
        raise BitternError("file", f"{name} cannot be read: {error.strerror}. Use - for standard input.") from error
    except (ValueError, UnicodeDecodeError, RecursionError) as error:
        raise BitternError("file", f"This is not JSON that can be read: {error}. Fix it or see --example.") from error
    if not isinstance(given, dict):
        raise BitternError("file", "The input must be one JSON object. See --example.")
    return given


def json_command(
    group: click.Group, name: str, example: dict[str, Any], *arguments: str
) -> Callable[[Answer], click.Command]:
    """Register `name FILE` on `group`: the function gets a reader of the input, ends it with `done()`, and answers.

    `arguments` name further positional words before FILE; they are passed on by keyword. A BitternError
    becomes exit 2 and `{"error": {"field", "message"}}` on standard output; `--example` prints `example`.
    """

    def decorate(answer: Answer) -> click.Command:
        def show_example(ctx: click.Context, param: click.Parameter, value: bool) -> None:
            if value:
                click.echo(json.dumps(example, indent=2, ensure_ascii=False))
                ctx.exit(0)

        def run(file: str, **words: str) -> None:
            try:
                click.echo(json.dumps(answer(Reader(_read(file), hint=HINT), **words), ensure_ascii=False))
            except BitternError as error:
                refuse(error)

        command: click.Command = group.command(name, help=answer.__doc__)(
            click.option(
                "--example",
                is_flag=True,
                is_eager=True,
                expose_value=False,
                callback=show_example,
                help="Print an input that works.",
            )(click.argument("file")(run))
        )
        for word in reversed(arguments):
            command.params.insert(0, click.Argument([word]))
        return command

    return decorate
