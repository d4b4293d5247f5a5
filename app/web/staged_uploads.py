"""Files that wait until what they would do is confirmed: kept beside the database, each for its sender alone."""

import base64
import io
import json
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from werkzeug.datastructures import FileStorage

from app.errors import BitternError
from app.ledger.store.work import Work
from app.spreadsheets import PASTED
from app.web.services import the_config

_TOKEN = re.compile(r"[A-Za-z0-9_-]{20,40}")
_KEPT = timedelta(hours=24)
_MOST_OF_ONE = 8  # files of one person; the oldest goes first, so that nobody fills the disk by sending


@dataclass(frozen=True, slots=True)
class StagedUpload:
    """A file that was sent: under which token it waits, its name as the sender has it, its content, what was settled
    about it since."""

    token: str
    name: str
    content: bytes
    notes: Mapping[str, Any] = field(default_factory=dict)
    is_secret: bool = False


def _folder() -> Path:
    folder = the_config().instance / "waiting"
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder


def stage_upload(work: Work, purpose: str, sent: FileStorage | None, *, is_secret: bool = False) -> StagedUpload:
    """Keep a file that was sent, under seal where it is secret; BitternError on `file` when there is none. Old ones
    are let go.
    """
    if sent is None or not sent.filename:
        raise BitternError("file", "Choose a file first.")
    content = sent.read()
    if not content:
        raise BitternError("file", "This file is empty.")
    folder = _folder()
    _let_go(folder, work)
    token = secrets.token_urlsafe(18)
    name = " ".join(sent.filename.replace("\\", "/").rpartition("/")[2].split())[-120:]
    about = {"user": work.actor.user_id, "purpose": purpose, "name": name, "is_secret": is_secret}
    if is_secret:
        kept = work.vault.seal(base64.b85encode(content).decode(), _context(token))
    # The sender's name for the file is told, never used as a path.
    (folder / f"{token}.json").write_text(json.dumps(about), "utf-8")
    (folder / f"{token}.data").write_bytes(kept if is_secret else content)
    return StagedUpload(token, name, content, is_secret=is_secret)


def _context(token: str) -> str:
    """What a secret file is sealed for."""
    return f"file that waits under {token}"


def stage_table(
    work: Work,
    purpose: str,
    sent: FileStorage | None,
    pasted: str,
    notes: Mapping[str, Any],
    *,
    is_secret: bool = False,
) -> StagedUpload:
    """Keep a table that was sent as a file, or else pasted, with what is known about it."""
    if (sent is None or not sent.filename) and pasted.strip():
        sent = FileStorage(io.BytesIO(pasted.encode("utf-8", "replace")), filename=PASTED)
    waiting = stage_upload(work, purpose, sent, is_secret=is_secret)
    return note_upload(work, purpose, waiting.token, notes)


def note_upload(work: Work, purpose: str, token: str, notes: Mapping[str, Any]) -> StagedUpload:
    """Keep with a file that waits what was settled about it, in place of what was before, under seal where it is
    secret; BitternError as it is gone."""
    waiting = find_upload(work, purpose, token)
    about: dict[str, Any] = {"user": work.actor.user_id, "purpose": purpose, "name": waiting.name}
    about["is_secret"] = waiting.is_secret
    # What was settled has words of the table's own in it.
    about["notes"] = _seal_notes(work, token, notes) if waiting.is_secret else dict(notes)
    (_folder() / f"{token}.json").write_text(json.dumps(about), "utf-8")
    return StagedUpload(token, waiting.name, waiting.content, notes, waiting.is_secret)


def _seal_notes(work: Work, token: str, notes: Mapping[str, Any]) -> str:
    return base64.b85encode(work.vault.seal(json.dumps(dict(notes)), _context(f"{token}, its notes"))).decode()


def _open_notes(work: Work, token: str, sealed: Any) -> Mapping[str, Any]:
    notes: Mapping[str, Any] = json.loads(work.vault.open(base64.b85decode(sealed), _context(f"{token}, its notes")))
    return notes


def _let_go(folder: Path, work: Work) -> None:
    """What is a day old goes, and the oldest of a person who has many waiting."""
    own = []
    for path in folder.iterdir():
        try:
            sent_at = path.stat().st_mtime
            if work.now - datetime.fromtimestamp(sent_at, work.now.tzinfo) > _KEPT:
                path.unlink(missing_ok=True)
            elif path.suffix == ".json" and json.loads(path.read_text("utf-8")).get("user") == work.actor.user_id:
                own.append((sent_at, path.stem))
        except (OSError, ValueError):  # gone meanwhile, or being written by another request
            continue
    for _, token in sorted(own)[: 1 - _MOST_OF_ONE]:
        drop_upload(token)


def find_upload(work: Work, purpose: str, token: str) -> StagedUpload:
    """The file that waits under a token, for its sender and purpose; BitternError when it is gone."""
    gone = BitternError("file", "This file is not kept any more; send it again. Nothing was saved.")
    if not _TOKEN.fullmatch(token):
        raise gone
    try:
        about = json.loads((_folder() / f"{token}.json").read_text("utf-8"))
        content = (_folder() / f"{token}.data").read_bytes()
    except (OSError, ValueError) as error:
        raise gone from error
    if about.get("user") != work.actor.user_id or about.get("purpose") != purpose:
        raise gone
    is_secret, notes = bool(about.get("is_secret")), about.get("notes") or {}
    if is_secret:
        content = base64.b85decode(work.vault.open(content, _context(token)))
        notes = _open_notes(work, token, notes) if notes else {}
    return StagedUpload(token, str(about.get("name", "")), content, notes, is_secret)


def drop_every_upload() -> None:
    """Let all files go that wait: nobody can tell whether one of them names a person whose data was deleted."""
    for path in _folder().iterdir():
        path.unlink(missing_ok=True)


def drop_upload(token: str) -> None:
    """Let a file go."""
    if _TOKEN.fullmatch(token):
        for ending in ("json", "data"):
            (_folder() / f"{token}.{ending}").unlink(missing_ok=True)
