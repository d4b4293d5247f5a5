"""The blueprint that the pages of makers and of their tables share."""

from __future__ import annotations

from flask import Blueprint

blueprint = Blueprint("makers", __name__, url_prefix="/makers")
