"""The pages: parse, authorise, call one use case, render."""

from __future__ import annotations

__all__ = ["blueprints"]

from flask import Blueprint


def blueprints() -> tuple[Blueprint, ...]:
    """Every blueprint of the house, in the order of the navigation. A new one is added here and nowhere else."""
    # Imported here: each of these imports app.web's own modules.
    from app.web.house.views import blueprint as house
    from app.web.login.views import blueprint as login

    return (login, house)
