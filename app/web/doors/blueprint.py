"""The blueprint that all pages about doors share."""

from __future__ import annotations

__all__ = ["blueprint"]

from flask import Blueprint

blueprint = Blueprint("doors", __name__)
