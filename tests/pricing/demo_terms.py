"""The demo's terms as JSON, fresh at every call, so that a test may alter them."""

import json
from pathlib import Path

from app.pricing import KeyingRequest, read_request
from app.validation import Reader

TERMS = Path(__file__).resolve().parents[2] / "demo_data" / "terms"
FACTORIES = sorted(path.stem for path in TERMS.glob("factory_*.json"))


def terms_json(name):
    return json.loads((TERMS / f"{name}.json").read_text())


def read_request_alone(given: object) -> KeyingRequest:
    """An ask that stands alone in an object, as `read_request` reads it; unknown fields are refused."""
    read = Reader(given)
    ask = read_request(read)
    read.done()
    return ask
