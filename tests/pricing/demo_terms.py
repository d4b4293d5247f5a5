"""The demo's terms as JSON, fresh at every call, so that a test may alter them."""

from __future__ import annotations

import json
from pathlib import Path

TERMS = Path(__file__).resolve().parents[2] / "demo_data" / "terms"
FACTORIES = sorted(path.stem for path in TERMS.glob("factory_*.json"))


def terms_json(name):
    return json.loads((TERMS / f"{name}.json").read_text())
