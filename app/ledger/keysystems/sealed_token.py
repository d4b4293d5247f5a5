"""A secret carried from one step of a page to the next: sealed for one person, one purpose and one day."""

from __future__ import annotations

import base64
import binascii
import json
import zlib
from typing import Any

from app.ledger.store.errors import LedgerError, VaultError
from app.ledger.store.work import Work

MOST_CHARACTERS = 4_000_000


def _context(work: Work, purpose: str) -> str:
    return f"carried for user {work.actor.user_id} on {work.today.isoformat()}: {purpose}"


def carry(work: Work, value: Any, purpose: str) -> str:
    """Plain JSON values as sealed text, to stand in a hidden field of a form that is posted back."""
    packed = base64.b85encode(zlib.compress(json.dumps(value, separators=(",", ":")).encode())).decode()
    return base64.urlsafe_b64encode(work.vault.seal(packed, _context(work, purpose))).decode()


def carried(work: Work, text: str, purpose: str) -> Any:
    """What `carry` sealed; LedgerError where it is another person's, another day's, or not ours at all."""
    again = LedgerError("", "This page has lost its place: do the step before again. Nothing was saved.")
    if len(text) > MOST_CHARACTERS:
        raise again
    try:
        packed = work.vault.open(base64.urlsafe_b64decode(text.encode()), _context(work, purpose))
        return json.loads(zlib.decompress(base64.b85decode(packed)))
    except (VaultError, binascii.Error, ValueError, zlib.error) as error:
        raise again from error
