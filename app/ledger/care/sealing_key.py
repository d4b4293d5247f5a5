"""The house's sealing key: exchanged for a new one, all or nothing, and written on paper.

The order is what makes a change safe. The new key is written beside the old one first. One transaction seals every
value anew and puts the new key's check on record. Only then do the key files change names, and the old one is kept.
If the house is stopped before the transaction is done, the old key is still the right one; if after, the next opening
finds the new key beside the old one and finishes the change of names. On paper the key stands in rows that a person
can type back, each with a check of its own.
"""

import base64
import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import sqlalchemy as sa

from app.config import Config
from app.ledger.care.opening import Ledger, finish_rotation, next_key_file
from app.ledger.care.resealing import reseal
from app.ledger.store.engine import transaction
from app.ledger.store.errors import VaultError
from app.ledger.store.events import record
from app.ledger.store.vault import Vault
from app.ledger.store.work import Actor, Work
from app.ledger.tables import User, VaultCheck

ROTATED = "sealing key changed"


@dataclass(frozen=True, slots=True)
class Rotated:
    """What was done. `former`: where the old key is kept; backups made before need it."""

    values: int
    pins: int
    former: Path


def rotate_key(config: Config, ledger: Ledger, actor: Actor, now: datetime) -> Rotated:
    """Seal everything with a new key. Raises VaultError, and then the old key is still the one that opens.

    The ledger given has the old key and is of no use afterwards: open it anew. Screen PINs are peppered by the key,
    so they end with it; people set them anew, and unlock by their password until then.
    """
    if config.key:
        raise VaultError(
            "The key is given in BITTERN_KEY, where it cannot be changed from here. Put it in the key file (mode "
            "0600) and remove BITTERN_KEY, then rotate."
        )
    path, coming = config.vault_key_file, next_key_file(config.vault_key_file)
    coming.unlink(missing_ok=True)  # of a rotation that never was: the ledger opened with the key in its place
    new = Vault.make_file(coming)
    with ledger.sessions() as session, transaction(session):
        check = session.scalars(sa.select(VaultCheck).with_for_update()).one()
        if check.check_value != ledger.vault.check_value:
            raise VaultError("The key was changed by somebody else just now. Nothing was changed here.")
        values = reseal(session, ledger.vault, new)
        pins = 0
        for user in session.scalars(sa.select(User).where(User.pin_hash != "")):
            user.pin_hash, pins = "", pins + 1
        check.check_value, check.made_at, check.sheet_at = new.check_value, now, None
        work = Work(session, new, actor, now)
        record(work, ROTATED, "house", f"Sealing key changed: {values} sealed values", values=values, pins=pins)
    return Rotated(values, pins, finish_rotation(path, datetime.now(UTC)))


_ROWS, _BYTES = 4, 8


def rows_of_key(key: str) -> tuple[str, ...]:
    """The key in four rows of hexadecimal digits: number, four groups of four, two digits of check.

    >>> rows_of_key("AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8=")[0]
    '1  0001 0203 0405 0607  a8'
    """
    raw = base64.urlsafe_b64decode(key.encode("ascii"))
    return tuple(_row(number, raw[number * _BYTES :][:_BYTES]) for number in range(_ROWS))


def key_of_rows(lines: Sequence[str]) -> str:
    """The key of the rows as typed from the sheet; VaultError names the row that was mistyped.

    Blanks and letters' case do not matter; the rows come in their order.

    >>> key = "AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8="
    >>> key_of_rows(rows_of_key(key)) == key
    True
    """
    typed = [re.sub(r"\s+", "", line).lower() for line in lines if line.strip()]
    if len(typed) != _ROWS:
        raise VaultError(f"Type the {_ROWS} rows of the recovery sheet, one a line; {len(typed)} were given.")
    raw = b""
    for number, text in enumerate(typed):
        if not re.fullmatch(f"{number + 1}[0-9a-f]{{{_BYTES * 2 + 2}}}", text):
            raise VaultError(
                f"Row {number + 1} is not as the sheet has it: its number, 16 digits 0-9 a-f, 2 of check."
            )
        part = bytes.fromhex(text[1 : 1 + _BYTES * 2])
        if re.sub(r"\s+", "", _row(number, part)) != text:
            raise VaultError(f"Row {number + 1} is mistyped: its check does not fit. Compare it with the sheet.")
        raw += part
    return base64.urlsafe_b64encode(raw).decode("ascii")


def take_sheet(work: Work, *, again: bool) -> None:
    """Record that the sheet of the present key is written now; VaultError where it was before.

    again: write it once more all the same, which is an event of its own.
    """
    work.require_owner()
    with transaction(work.session):
        check = work.session.scalars(sa.select(VaultCheck).with_for_update()).one()
        if check.sheet_at is not None and not again:
            raise VaultError(
                f"The recovery sheet of this key was written on {check.sheet_at.astimezone():%Y-%m-%d}. If it is "
                "lost, change the key: bittern vault rotate. If it is only worn, write it once more with --again."
            )
        kind = "recovery sheet written again" if check.sheet_at is not None else "recovery sheet written"
        check.sheet_at = work.now
        record(work, kind, "house", f"Recovery sheet of the sealing key written by {work.actor.name}")


def sheet_text(house: str, key: str, made_at: datetime) -> str:
    """The sheet as plain text, one page."""
    rows = "\n".join(f"    {row}" for row in rows_of_key(key))
    return f"""RECOVERY SHEET OF THE SEALING KEY

{house}, written {made_at.astimezone():%Y-%m-%d %H:%M}

{rows}

Whoever has this sheet and a copy of the database or a backup can read every bitting of the house.
Keep it in a safe, apart from the backups. Write it once, give it to nobody, do not photograph it.

When the key file is lost: put the database or the backup back, run

    bittern vault recover

and type the four rows as they stand. Each row ends with its own check, so a slip is told at once.
When the key is changed (bittern vault rotate), this sheet opens only the backups made before:
write a new one, and keep this one as long as such backups are kept.
"""


def _row(number: int, part: bytes) -> str:
    check = hashlib.sha256(bytes([number + 1]) + part).hexdigest()[:2]
    text = part.hex()
    groups = " ".join(text[start : start + 4] for start in range(0, len(text), 4))
    return f"{number + 1}  {groups}  {check}"
