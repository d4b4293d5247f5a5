"""Where the pages' templates and static files lie: beside the package, in the checkout."""

from __future__ import annotations

from pathlib import Path

_ROOT = Path(__file__).resolve().parents[2]

TEMPLATES = _ROOT / "templates"
STATIC = _ROOT / "static"
