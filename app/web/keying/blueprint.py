"""The blueprint that all pages of keying share."""

from __future__ import annotations

from flask import Blueprint

blueprint = Blueprint("keying", __name__, url_prefix="/keying")
