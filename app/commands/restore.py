"""`bittern restore`: a command of its own, found where the map in app/cli.py looks for it."""

from __future__ import annotations

__all__ = ["group"]

from app.commands.backup import restore as group
