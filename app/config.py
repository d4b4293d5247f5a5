"""Every setting, its default and its environment variable (BITTERN_…); nothing else reads the environment."""

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


def _own(instance: Path, environment: Mapping[str, str]) -> Path | None:
    """The house's own certificate where it was made, unless a server in front of the house speaks TLS for it."""
    made = instance / "tls" / "house.pem"
    return made if made.exists() and not environment.get("BITTERN_PROXY") else None


def _roles(environment: Mapping[str, str], name: str) -> tuple[str, ...]:
    said = tuple(environment.get(name, "").replace(",", " ").split())
    if not set(said) <= {"counter", "bench", "owner"}:
        raise BitternError(name, f"Set {name} to roles, such as: bench owner")
    return said


def _word(environment: Mapping[str, str], name: str, words: tuple[str, ...]) -> str:
    """One of the words, the first where none is given."""
    said = environment.get(name) or words[0]
    if said not in words:
        raise BitternError(name, f"Set {name} to {', '.join(words[:-1])} or {words[-1]}, not {said!r}.")
    return said


@dataclass(frozen=True, slots=True)
class Config:
    """What the house decides before it starts.

    instance: folder of the database and uploaded files. database_url: SQLAlchemy address; the default is one
    SQLite file in the instance folder. key_file: where the sealing key lies (mode 0600); key: the key itself,
    from BITTERN_KEY, instead of a file. secret_key: signs the session cookies, from BITTERN_SECRET_KEY, instead
    of a file made on the first start. session_minutes: an idle login ends after this many minutes.
    second_factor: roles of whom each person has to set up a second factor before they go on.
    address: where phones and other machines reach this house, for the codes on labels; "" takes the page's own.
    upload_bytes: the largest request that is read at all. hosts: further names that the house answers to. proxy: the
    address of a server in front that speaks TLS, whose word on the client's address and scheme is believed.
    tls_certificate, tls_key: PEM files; the house's own certificate is used where it was made.
    smtp_…: the house's mail server, none while smtp_host is ""; smtp_security is starttls, tls or none. mail_from:
    the address that quotes are sent from, else the house's own.
    """

    instance: Path = field(default_factory=lambda: _ROOT / "instance")
    database_url: str = ""
    key_file: Path | None = None
    key: str | None = field(default=None, repr=False)
    secret_key: str | None = field(default=None, repr=False)
    host: str = "127.0.0.1"
    port: int = 8014
    hosts: tuple[str, ...] = ()
    proxy: str = ""
    tls_certificate: Path | None = None
    tls_key: Path | None = None
    session_minutes: int = 60
    session_hours: int = 12
    login_attempts: int = 5
    login_window_minutes: int = 15
    second_factor: tuple[str, ...] = ()
    upload_bytes: int = 16 * 1024 * 1024
    address: str = ""
    smtp_host: str = ""
    smtp_port: int = 587
    smtp_user: str = ""
    smtp_password: str | None = field(default=None, repr=False)
    smtp_security: str = "starttls"
    mail_from: str = ""
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
    def vault_key_place(self) -> str:
        """Where the sealing key in force is, for a sentence."""
        return "BITTERN_KEY" if self.key else f"the key file {self.vault_key_file}"

    @property
    def session_key_file(self) -> Path:
        """Where the key that signs session cookies lies unless the environment gives it."""
        return self.instance / "keys" / "session.key"

    @property
    def deletions_folder(self) -> Path:
        """Where deletions of personal data keep keys and list: in no backup, and no restore touches it."""
        return self.instance / "keys" / "deletions"

    @property
    def own_certificate(self) -> Path:
        """Where the house's own certificate lies once it was made."""
        return self.instance / "tls" / "house.pem"

    @property
    def own_certificate_key(self) -> Path:
        """The key of the house's own certificate."""
        return self.instance / "tls" / "house.key"

    @property
    def tls_key_file(self) -> Path:
        """The key of the certificate in force."""
        return self.tls_key or self.own_certificate_key

    @property
    def idle_limit(self) -> timedelta:
        """How long a login may rest."""
        return timedelta(minutes=self.session_minutes)

    @classmethod
    def from_environment(cls, environment: Mapping[str, str] | None = None) -> "Config":
        """The settings of this process: BITTERN_INSTANCE, BITTERN_DATABASE_URL, BITTERN_KEY_FILE, ….

        >>> Config.from_environment({"BITTERN_PORT": "9000"}).port
        9000
        """
        given = os.environ if environment is None else environment
        key_file = given.get("BITTERN_KEY_FILE")
        instance = Path(given.get("BITTERN_INSTANCE") or _ROOT / "instance").absolute()
        certificate, tls_key = given.get("BITTERN_TLS_CERTIFICATE"), given.get("BITTERN_TLS_KEY")
        return cls(
            instance=instance,
            database_url=given.get("BITTERN_DATABASE_URL", ""),
            key_file=Path(key_file).absolute() if key_file else None,
            key=given.get("BITTERN_KEY") or None,
            secret_key=given.get("BITTERN_SECRET_KEY") or None,
            host=given.get("BITTERN_HOST") or "127.0.0.1",
            port=_whole(given, "BITTERN_PORT", 8014),
            hosts=tuple(given.get("BITTERN_HOSTS", "").replace(",", " ").split()),
            proxy=given.get("BITTERN_PROXY", ""),
            tls_certificate=Path(certificate).absolute() if certificate else _own(instance, given),
            tls_key=Path(tls_key).absolute() if tls_key else None,
            session_minutes=_whole(given, "BITTERN_SESSION_MINUTES", 60),
            session_hours=_whole(given, "BITTERN_SESSION_HOURS", 12),
            login_attempts=_whole(given, "BITTERN_LOGIN_ATTEMPTS", 5),
            login_window_minutes=_whole(given, "BITTERN_LOGIN_WINDOW_MINUTES", 15),
            second_factor=_roles(given, "BITTERN_SECOND_FACTOR"),
            upload_bytes=_whole(given, "BITTERN_UPLOAD_BYTES", 16 * 1024 * 1024),
            address=given.get("BITTERN_ADDRESS", ""),
            smtp_host=given.get("BITTERN_SMTP_HOST", ""),
            smtp_port=_whole(given, "BITTERN_SMTP_PORT", 587),
            smtp_user=given.get("BITTERN_SMTP_USER", ""),
            smtp_password=given.get("BITTERN_SMTP_PASSWORD") or None,
            smtp_security=_word(given, "BITTERN_SMTP_SECURITY", ("starttls", "tls", "none")),
            mail_from=given.get("BITTERN_MAIL_FROM", ""),
            is_demo=given.get("BITTERN_DEMO") == "yes",
        )
