"""JSON in, JSON out: how every command that others rely on reads its input, answers and refuses."""

import json
from collections.abc import Callable
from typing import Any, NoReturn

import click

from app.errors import BitternError
from app.validation import Reader, short_name

HINT = "See --example."

Answer = Callable[..., dict[str, Any]]


def refuse(error: BitternError) -> NoReturn:
    """Answer with the error as JSON, and end with exit 2."""
    refusal = {"error": {"field": error.field, "message": error.message}}
    click.echo(json.dumps(refusal, ensure_ascii=False))
    raise click.exceptions.Exit(2) from error


def _named_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Make an object; one that names a field twice is refused, since the first would be lost unseen."""
    found = dict(pairs)
    if len(found) < len(pairs):
        twice = next(name for place, (name, _) in enumerate(pairs) if name in dict(pairs[:place]))
        raise BitternError(short_name(twice), "This name stands twice in one object: put the two together.")
    return found


def _read(name: str) -> dict[str, Any]:
    try:
        with click.open_file(name, encoding="utf-8") as file:
            given = json.load(file, object_pairs_hook=_named_once)
    except OSError as error:
        raise BitternError("file", f"{name} cannot be read: {error.strerror}. Use - for standard input.") from error
    except (ValueError, UnicodeDecodeError, RecursionError) as error:
        raise BitternError("file", f"This is not JSON that can be read: {error}. Fix it or see --example.") from error
    if not isinstance(given, dict):
        raise BitternError("file", "The input must be one JSON object. See --example.")
    return given


def json_command(
    group: click.Group, name: str, example: dict[str, Any] | Callable[..., dict[str, Any]], *params: click.Parameter
) -> Callable[[Answer], click.Command]:
    """Register `name FILE` on `group`: the function gets a reader of the input, ends it with `done()`, and answers.

    `params` stand before FILE and are passed on by keyword; an argument among them must not be required, so that
    `--example` needs none. A BitternError becomes exit 2 and `{"error": {"field", "message"}}` on standard output.
    `--example` prints `example`, or what it makes of the `params`.
    """

    def decorate(answer: Answer) -> click.Command:
        def run(file: str | None, is_example: bool, **words: Any) -> None:
            try:
                if is_example:
                    shown = example(**words) if callable(example) else example
                    click.echo(json.dumps(shown, indent=2, ensure_ascii=False))
                    return
                context = click.get_current_context()
                for param in context.command.params:
                    if isinstance(param, click.Argument) and context.params[str(param.name)] is None:
                        raise click.MissingParameter(ctx=context, param=param)
                click.echo(json.dumps(answer(Reader(_read(str(file)), hint=HINT), **words), ensure_ascii=False))
            except BitternError as error:
                refuse(error)

        of_all = [
            click.Argument(["file"], required=False, metavar="FILE"),
            click.Option(["--example", "is_example"], is_flag=True, help="Print an input that works."),
        ]
        command = click.Command(name, callback=run, help=answer.__doc__, params=[*params, *of_all])
        group.add_command(command)
        return command

    return decorate
