"""The blueprint that all pages about doors share."""

from __future__ import annotations

from flask import Blueprint

blueprint = Blueprint("doors", __name__)
