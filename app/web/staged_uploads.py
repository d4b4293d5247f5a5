"""Files that wait until what they would do is confirmed: kept beside the database, each for its sender alone."""

import json
import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from werkzeug.datastructures import FileStorage

from app.errors import BitternError
from app.ledger.store.work import Work
from app.web.services import the_config

_TOKEN = re.compile(r"[A-Za-z0-9_-]{20,40}")
_KEPT = timedelta(hours=24)
_MOST_OF_ONE = 8  # files of one person; the oldest goes first, so that nobody fills the disk by sending


@dataclass(frozen=True, slots=True)
class StagedUpload:
    """A file that was sent: under which token it waits, its name as the sender has it, its content."""

    token: str
    name: str
    content: bytes


def _folder() -> Path:
    folder = the_config().instance / "waiting"
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder


def stage_upload(work: Work, purpose: str, sent: FileStorage | None) -> StagedUpload:
    """Keep a file that was sent; BitternError on `file` when there is none. Old ones are let go."""
    if sent is None or not sent.filename:
        raise BitternError("file", "Choose a file first.")
    content = sent.read()
    if not content:
        raise BitternError("file", "This file is empty.")
    folder = _folder()
    _let_go(folder, work)
    token = secrets.token_urlsafe(18)
    name = " ".join(sent.filename.replace("\\", "/").rpartition("/")[2].split())[-120:]
    about = {"user": work.actor.user_id, "purpose": purpose, "name": name}
    # The sender's name for the file is told, never used as a path.
    (folder / f"{token}.json").write_text(json.dumps(about), "utf-8")
    (folder / f"{token}.data").write_bytes(content)
    return StagedUpload(token, name, content)


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
    return StagedUpload(token, str(about.get("name", "")), content)


def drop_every_upload() -> None:
    """Let all files go that wait: nobody can tell whether one of them names a person whose data was deleted."""
    for path in _folder().iterdir():
        path.unlink(missing_ok=True)


def drop_upload(token: str) -> None:
    """Let a file go."""
    if _TOKEN.fullmatch(token):
        for ending in ("json", "data"):
            (_folder() / f"{token}.{ending}").unlink(missing_ok=True)
