"""The `bittern` command: thin, like `web`; each group lives in `app.commands`."""

import gc
import importlib

import click

GROUPS = {
    "keying": "app.commands.keying_systems",
    "fit": "app.commands.fitting",
    "part": "app.commands.parts",
    "counter": "app.commands.counter",
    "price": "app.commands.pricing",
    "user": "app.commands.users",
    "person": "app.commands.persons",
    "house": "app.commands.house",
    "demo": "app.commands.demo",
    "books": "app.commands.books",
    "backup": "app.commands.backup",
    "restore": "app.commands.backup:restore",
    "upgrade": "app.commands.house:upgrade",
    "vault": "app.commands.vault",
    "verify": "app.commands.house:verify",
}


class _LazyGroups(click.Group):
    """Loads a group only when it is asked for, so that a pure command does not wait for the web."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(GROUPS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in GROUPS:
            return None
        module, _, name = GROUPS[cmd_name].partition(":")
        gc.disable()  # what is imported stays: looking through it for garbage took a sixth of the start
        command: click.Command = getattr(importlib.import_module(module), name or "group")
        gc.freeze()
        gc.enable()
        return command


@click.command(cls=_LazyGroups)
def main() -> None:
    """Bittern: quote, decide, key, print and track cylinder jobs."""
