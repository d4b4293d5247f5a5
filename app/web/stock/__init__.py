"""What lies on the shelf: the list, an item, counts, pins and places."""

from flask import Blueprint

blueprint = Blueprint("stock", __name__, url_prefix="/stock")
