"""Every command of the program, found in its own tree, each with words that take it as far as its house."""

from collections.abc import Iterator
from pathlib import Path

import click

from app.cli import main

# What no house stands behind: these answer from what they are given.
PURE = {"keying", "fit", "part", "price"}
# Those that bring something about where nothing was, each for its own purpose.
MAKERS = {"house serve", "house migrate", "house certificate", "user add", "demo run"}
# Those that work on a file or a sheet where there is no house yet: on a new machine they come first.
BEFORE_THE_HOUSE = {"restore", "backup check", "vault recover"}
# What the tree does not say: a way that asks nobody, and a day.
_FURTHER = {
    "backup daily": ["--house-key"],
    "backup make": ["--house-key"],
    "restore": ["--yes"],
    "vault rotate": ["--without-backup"],
    "user add": ["--password-stdin"],
    "user password": ["--password-stdin"],
    "demo run": ["--no-serve"],
}
_DAYS = {"first": "2026-01-01", "last": "2026-12-31"}


def _walk(command: click.Command, name: str) -> Iterator[tuple[str, click.Command]]:
    if not isinstance(command, click.Group):
        yield name, command
        return
    context = click.Context(command)
    for word in command.list_commands(context):
        found = command.get_command(context, word)
        assert found is not None
        yield from _walk(found, f"{name} {word}".strip())


COMMANDS = dict(_walk(main, ""))
ON_A_HOUSE = [name for name in COMMANDS if name.split()[0] not in PURE]
NEED_A_HOUSE = [name for name in ON_A_HOUSE if name not in MAKERS | BEFORE_THE_HOUSE]


def words_of(name: str, folder: Path) -> list[str]:
    """The command with everything that it asks for; a file that it is given or writes is in `folder`."""
    words = name.split() + _FURTHER.get(name, [])
    for parameter in COMMANDS[name].params:
        if not parameter.required:
            continue
        if isinstance(parameter, click.Option):
            words.append(parameter.opts[0])
            if parameter.is_flag:
                continue
        words.append(_value(parameter, folder))
    if name == "demo run":
        words += ["--folder", str(folder / "demo")]
    return words


def _value(parameter: click.Parameter, folder: Path) -> str:
    if isinstance(parameter.type, click.Choice):
        return str(parameter.type.choices[0])
    if parameter.type is click.INT:
        return "1"
    if parameter.name in _DAYS:
        return _DAYS[parameter.name]
    if isinstance(parameter.type, click.Path):
        return str(folder / "given.zip")
    return str(folder / "given.json") if parameter.name == "file" else "somebody"
