"""Write the pages of the manual that are made from the code: docs/map.md, docs/commands.md and docs/errors.md.

`make manual` runs it after a folder, a command or an error came, went or changed its sentence; a test compares.
"""

import ast
import importlib
import inspect
import pkgutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import click

ROOT = Path(__file__).resolve().parent.parent
NOTE = "<!-- Written by `make manual` from the code; change the code instead. -->"
# What the folders hold that have no __init__.py to say it.
OUTSIDE = {
    "migrations": "How a house's tables come about, one change a file, each reversible.",
    "templates": "The pages, a folder for each of `app/web`; `documents` is paper, `macros` what pages share.",
    "static": "Style, script and fonts; no build step.",
    "shared": "Reference tables of the trade, each row with its source.",
    "demo_data": "The invented house of the demo and its story, loaded through what a real house is entered with.",
    "requirements": "The Python packages that the set-up installs, pinned by hash.",
    "tools": "The set-up, and what is run by hand.",
    "docs": "These pages, and the README's pictures.",
    "tests": "Mirrors `app`; DEVELOPERS.md says what stands beside that.",
    "tests/published": "Values from outside, each with its source.",
    "tests/browser": "Headless Chromium at a served copy.",
    "tests/journeys": "Whole jobs in Chromium, from the log-in page, their keys and clicks counted.",
    "tests/bench": "Speed comparisons, for `make bench`.",
    "tests/releases": "A house of each released schema, as SQL.",
}


def first_sentence(text: str | None) -> str:
    """What a docstring begins with, up to its first full stop at the end of a sentence or its empty line."""
    words = " ".join((text or "").partition("\n\n")[0].split())
    sentence, stop, _ = words.partition(". ")
    return sentence + stop.strip()


def map_page() -> str:
    """The folders, each with its line."""
    rows = []
    for init in sorted(ROOT.glob("app/**/__init__.py"), key=lambda path: path.parent.parts):
        said = (ast.get_docstring(ast.parse(init.read_text("utf-8"))) or "").partition("\n\n")[0]
        folder = init.parent.relative_to(ROOT)
        if not said.strip():
            raise SystemExit(f"{init.relative_to(ROOT)} does not say what the folder is for.")
        rows.append((str(folder), " ".join(said.split())))
    rows += OUTSIDE.items()
    table = "\n".join(f"| `{folder}` | {said} |" for folder, said in rows)
    return f"# The folders\n\n{NOTE}\n\n| folder | what it is for |\n|---|---|\n{table}\n"


def leaves(command: click.Command, name: str) -> Iterator[tuple[str, click.Command]]:
    """Each command that does something, with its whole name."""
    if isinstance(command, click.Group):
        context = click.Context(command)
        for word in command.list_commands(context):
            yield from leaves(command.get_command(context, word) or command, f"{name} {word}")
    else:
        yield name, command


def commands_page() -> str:
    """The commands, each with its arguments and its sentence."""
    from app.cli import main

    rows = []
    for name, command in leaves(main, "bittern"):
        options = [one for one in command.params if isinstance(one, click.Option) and not one.hidden]
        words = " ".join(one.human_readable_name for one in command.params if isinstance(one, click.Argument))
        flags = ", ".join(f"`{'/'.join([*one.opts, *one.secondary_opts])}`" for one in options)
        said = first_sentence(command.help).replace("|", "\\|")
        rows.append(f"| `{f'{name} {words}'.strip()}` | {said} | {flags} |")
    table = "\n".join(rows)
    return (
        f"# The commands\n\n{NOTE}\n\nRun as `.venv/bin/bittern …`. Each takes `--help`; those that read JSON take "
        f"`--example`, refuse in JSON and end with status 2.\n\n| command | what it does | options |\n|---|---|---|\n"
        f"{table}\n"
    )


def error_classes() -> set[type[Exception]]:
    """Every subclass of `BitternError` in `app`, and itself."""
    import app
    from app.errors import BitternError

    found: set[type[Exception]] = set()
    for module in pkgutil.walk_packages(app.__path__, "app."):
        if module.name == "app.__main__":
            continue
        for value in vars(importlib.import_module(module.name)).values():
            if inspect.isclass(value) and issubclass(value, BitternError):
                found.add(value)
    return found


def errors_page() -> str:
    """The tree of refusals, each with its module and its sentence."""
    from app.errors import BitternError

    classes = error_classes()

    def branch(parent: type[Exception], depth: int) -> Iterator[str]:
        file = parent.__module__.replace(".", "/") + ".py"
        yield f"{'  ' * depth}- `{parent.__name__}` (`{file}`): {first_sentence(parent.__doc__)}"
        for child in sorted((one for one in classes if one.__base__ is parent), key=lambda one: one.__name__):
            yield from branch(child, depth + 1)

    tree = "\n".join(branch(BitternError, 0))
    return (
        f"# The tree of errors\n\n{NOTE}\n\nWhatever a person can mend is one of these. A page puts the sentence "
        f"beside its field and keeps what was typed; a command prints field and sentence and ends with status 2; "
        f"anything else that is raised is a fault of ours.\n\n{tree}\n"
    )


PAGES: dict[str, Callable[[], str]] = {
    "docs/map.md": map_page,
    "docs/commands.md": commands_page,
    "docs/errors.md": errors_page,
}


def main() -> None:
    """Write each page."""
    for name, make in PAGES.items():
        (ROOT / name).write_text(make(), "utf-8")
        print(name)


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    main()
