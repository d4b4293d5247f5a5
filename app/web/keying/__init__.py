"""The pages of keying: specs, plans, systems in service, searches, lists and the bench's decoding."""

from flask import Blueprint

blueprint = Blueprint("keying", __name__, url_prefix="/keying")
