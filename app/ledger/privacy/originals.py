"""A deletion's own files: its key and its line of the list; and the originals of what it replaced, under that key.

Both lie outside the database and its backups. The list names nobody: it has rows by their numbers, and words as keyed
hashes, so that a deletion can be done again in a backup that was put back.
"""

import base64
import json
import os
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.errors import BitternError
from app.ledger.privacy.words import Mark
from app.ledger.quoting.snapshot import snapshot_hash
from app.ledger.store.errors import VaultError
from app.ledger.store.events import event_hash
from app.ledger.store.private_files import sync_folder, write_new_file
from app.ledger.store.vault import Vault
from app.ledger.tables import Event, Invoice, QuoteRevision, ReplacedText
from app.validation import JsonDataclass

WORDS = {
    Event.__tablename__: ("actor_name", "summary", "detail"),
    QuoteRevision.__tablename__: ("snapshot", "sha256"),
    Invoice.__tablename__: ("snapshot", "sha256", "reason"),
}
"""The tables that are otherwise never changed, and their columns whose originals are kept sealed."""


@dataclass(frozen=True, slots=True)
class ListedDeletion(JsonDataclass):
    """A deletion as the list beside the keys has it. house: its house's id. rows: (table, id, what is put).

    own: the customer in whose records marks of their own are looked for. left: customers whose records were left.
    """

    house: str
    number: int
    rows: tuple[tuple[str, int, str], ...]
    marks: tuple[Mark, ...]
    own: int | None
    is_login: bool
    left: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class DeletionFiles:
    """The folder of the deletions' files of one house."""

    folder: Path
    house: str

    def hasher(self) -> Vault:
        """By which words are told without being written down; its key is made with the first deletion."""
        path = self.folder / "words.key"
        return Vault.from_file(path) if path.exists() else Vault.make_file(path)

    def key_path(self, number: int) -> Path:
        """Where the key of a deletion lies until it is destroyed."""
        return self.folder / f"{self.house[:8]}-{number}.key"

    def _list_path(self, number: int) -> Path:
        return self.folder / f"{self.house[:8]}-{number}.json"

    def make_key(self, number: int) -> Vault:
        """A new key for a deletion, in its file."""
        vault = Vault.make_file(self.key_path(number))
        sync_folder(self.folder)
        return vault

    def key_of(self, number: int) -> Vault | None:
        """The key of a deletion; None once it is destroyed."""
        return Vault.from_file(self.key_path(number)) if self.key_path(number).exists() else None

    def put_on_list(self, deletion: ListedDeletion) -> None:
        """Write a deletion's line, so that a restored house is told of it."""
        self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_new_file(self._list_path(deletion.number), json.dumps(deletion.to_json()).encode())
        sync_folder(self.folder)

    def take_off(self, number: int) -> None:
        """What was written for a deletion that came to nothing."""
        for path in (self._list_path(number), self.key_path(number)):
            path.unlink(missing_ok=True)

    def listed(self) -> tuple[ListedDeletion, ...]:
        """This house's deletions, in their order; VaultError where a file of the list cannot be read."""
        found = []
        for path in sorted(self.folder.glob(f"{self.house[:8]}-*.json")):
            try:
                found.append(ListedDeletion.from_json(json.loads(path.read_bytes())))
            except (OSError, ValueError, BitternError) as error:
                raise VaultError(
                    f"The list of deletions cannot be read at {path}. Put it back from a copy: without it a restored "
                    "house would show personal data that was deleted."
                ) from error
        return tuple(sorted((one for one in found if one.house == self.house), key=lambda one: one.number))

    def destroy_key(self, number: int) -> None:
        """Overwrite the key of a deletion and remove its file; nothing that it sealed can be read any more."""
        path = self.key_path(number)
        if path.exists():
            with path.open("r+b") as file:
                file.write(b"\0" * path.stat().st_size)
                file.flush()
                os.fsync(file.fileno())
            path.unlink()
            sync_folder(self.folder)


def _context(number: int, table: str, row_id: int) -> str:
    return f"deletion {number}: {table} {row_id}"


def seal_original(session: Session, key: Vault, replaced: ReplacedText, number: int, words: dict[str, Any]) -> None:
    """Keep a row's first words under the key of deletion `number`; where an earlier one has them, under this too."""
    context = _context(number, replaced.table_name, replaced.row_id)
    first = session.scalar(
        sa.select(ReplacedText)
        .where(
            ReplacedText.table_name == replaced.table_name,
            ReplacedText.row_id == replaced.row_id,
            ReplacedText.sealed.is_not(None),
        )
        .order_by(ReplacedText.id)
        .limit(1)
    )
    if first is None or first.sealed is None:
        replaced.sealed = key.seal(json.dumps(words), context)
    else:
        first.sealed = key.seal(base64.b64encode(first.sealed).decode(), context)


@dataclass(frozen=True, slots=True)
class OriginalsReport:
    """Originals that open and follow; events by the deletion whose key is gone; the first that does not follow."""

    followed: int
    gaps: Mapping[int, tuple[int, ...]]
    broken: int | None

    @property
    def sentences(self) -> list[str]:
        """The same in words."""
        said = []
        if self.followed:
            said.append(f"{self.followed:,} replaced by deletions: their sealed originals open and follow.")
        for number, events in self.gaps.items():
            named = ", ".join(map(str, events[:12])) + (" …" if len(events) > 12 else "")
            said.append(
                f"Deletion {number}: its key is destroyed, so that events {named} are proven by their links and by "
                "what the deletion left, no longer by their first words."
            )
        return said


def check_originals(session: Session, files: DeletionFiles) -> OriginalsReport:
    """Open every original whose keys are all there, and hold it against the hash that the chain has of it."""
    followed = 0
    gaps: dict[int, list[int]] = defaultdict(list)
    keys: dict[int, Vault | None] = {}
    for table, row_id, layers, sealed in _sealed_rows(session):
        for number in layers:
            if number not in keys:
                keys[number] = files.key_of(number)
        missing = next((number for number in layers if keys[number] is None), None)
        if missing is not None:
            if table == Event.__tablename__:
                gaps[missing].append(row_id)
            continue
        blob, text = sealed, ""
        for place, number in reversed(list(enumerate(layers))):
            key = keys[number]
            text = key.open(blob, _context(number, table, row_id)) if key else ""
            blob = base64.b64decode(text) if place else b""
        if not _follows(session, table, row_id, json.loads(text)):
            return OriginalsReport(followed, gaps_of(gaps), row_id)
        followed += 1
    return OriginalsReport(followed, gaps_of(gaps), None)


def gaps_of(gaps: Mapping[int, list[int]]) -> dict[int, tuple[int, ...]]:
    """The same in order."""
    return {number: tuple(sorted(events)) for number, events in sorted(gaps.items())}


def _sealed_rows(session: Session) -> Iterator[tuple[str, int, list[int], bytes]]:
    """Table, row, the deletions that sealed its first words (in their order), and the sealed bytes."""
    asked = sa.select(ReplacedText).options(joinedload(ReplacedText.deletion)).order_by(ReplacedText.id)
    rows = session.scalars(asked)
    layers: dict[tuple[str, int], list[int]] = defaultdict(list)
    sealed: dict[tuple[str, int], bytes] = {}
    for row in rows:
        layers[row.table_name, row.row_id].append(row.deletion.number)
        if row.sealed is not None:
            sealed[row.table_name, row.row_id] = row.sealed
    for (table, row_id), blob in sorted(sealed.items()):
        yield table, row_id, layers[table, row_id], blob


def _follows(session: Session, table: str, row_id: int, words: dict[str, Any]) -> bool:
    if table != Event.__tablename__:
        return snapshot_hash(words["snapshot"]) == str(words["sha256"])
    event = session.get_one(Event, row_id)
    held = {name: getattr(event, name) for name in ("at", "actor_id", "kind", "subject", "job_id", "previous_hash")}
    return event_hash(Event(**held, **words)) == event.hash
