"""The blueprint that all pages of keying share."""

from __future__ import annotations

__all__ = ["blueprint"]

from flask import Blueprint

blueprint = Blueprint("keying", __name__, url_prefix="/keying")
