"""Every setting, its default and its environment variable (BITTERN_…); nothing else reads the environment."""

from __future__ import annotations

__all__ = ["Config"]

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from app.errors import BitternError

_ROOT = Path(__file__).resolve().parent.parent


def _whole(environment: Mapping[str, str], name: str, default: int) -> int:
    text = environment.get(name, "")
    if not text:
        return default
    if not text.isdigit():
        raise BitternError(name, f"Set {name} to a whole number, not {text!r}.")
    return int(text)


@dataclass(frozen=True, slots=True)
class Config:
    """What the house decides before it starts.

    instance: folder of the database and uploaded files. database_url: SQLAlchemy address; the default is one
    SQLite file in the instance folder. key_file: where the sealing key lies (mode 0600); key: the key itself,
    from BITTERN_KEY, instead of a file. secret_key: signs the session cookies, from BITTERN_SECRET_KEY, instead
    of a file made on the first start. session_minutes: an idle login ends after this many minutes.
    upload_bytes: the largest request that is read at all.
    """

    instance: Path = field(default_factory=lambda: _ROOT / "instance")
    database_url: str = ""
    key_file: Path | None = None
    key: str | None = field(default=None, repr=False)
    secret_key: str | None = field(default=None, repr=False)
    host: str = "127.0.0.1"
    port: int = 8014
    session_minutes: int = 60
    session_hours: int = 12
    login_attempts: int = 5
    login_window_minutes: int = 15
    upload_bytes: int = 16 * 1024 * 1024
    is_demo: bool = False

    @property
    def url(self) -> str:
        """The database address in force."""
        return self.database_url or f"sqlite:///{self.instance / 'bittern.sqlite3'}"

    @property
    def vault_key_file(self) -> Path:
        """The sealing key's file in force: beside the database, never inside it."""
        return self.key_file or self.instance / "keys" / "bittern.key"

    @property
    def session_key_file(self) -> Path:
        """Where the key that signs session cookies lies unless the environment gives it."""
        return self.instance / "keys" / "session.key"

    @property
    def idle_limit(self) -> timedelta:
        """How long a login may rest."""
        return timedelta(minutes=self.session_minutes)

    @classmethod
    def from_environment(cls, environment: Mapping[str, str] | None = None) -> Config:
        """The settings of this process: BITTERN_INSTANCE, BITTERN_DATABASE_URL, BITTERN_KEY_FILE, ….

        >>> Config.from_environment({"BITTERN_PORT": "9000"}).port
        9000
        """
        given = os.environ if environment is None else environment
        key_file = given.get("BITTERN_KEY_FILE")
        return cls(
            instance=Path(given.get("BITTERN_INSTANCE") or _ROOT / "instance").absolute(),
            database_url=given.get("BITTERN_DATABASE_URL", ""),
            key_file=Path(key_file).absolute() if key_file else None,
            key=given.get("BITTERN_KEY") or None,
            secret_key=given.get("BITTERN_SECRET_KEY") or None,
            host=given.get("BITTERN_HOST") or "127.0.0.1",
            port=_whole(given, "BITTERN_PORT", 8014),
            session_minutes=_whole(given, "BITTERN_SESSION_MINUTES", 60),
            session_hours=_whole(given, "BITTERN_SESSION_HOURS", 12),
            login_attempts=_whole(given, "BITTERN_LOGIN_ATTEMPTS", 5),
            login_window_minutes=_whole(given, "BITTERN_LOGIN_WINDOW_MINUTES", 15),
            upload_bytes=_whole(given, "BITTERN_UPLOAD_BYTES", 16 * 1024 * 1024),
            is_demo=given.get("BITTERN_DEMO") == "yes",
        )
