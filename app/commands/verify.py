"""`bittern verify`: the chain of events from the first to the last; the same as `bittern house verify`."""

from __future__ import annotations

__all__ = ["group"]

from app.commands.house import verify as group
