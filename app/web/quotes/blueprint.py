"""The blueprint that all pages of a quote share."""

from __future__ import annotations

from flask import Blueprint

blueprint = Blueprint("quotes", __name__, url_prefix="/quotes/<int(max=999999999):number>")
REVISION = "/<int(max=999999999):revision>"
