"""The vault: seals bittings at rest (AES-256-GCM) and fingerprints them, with a key kept outside the database."""

import base64
import hashlib
import hmac
import os
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from app.ledger.store.errors import VaultError
from app.ledger.store.private_files import fault_of_mode, write_new_file

_FORMAT = b"\x01"
_NONCE = 12
_HOW_TO_RESTORE = (
    "Put the key file back from the copy that the owner keeps (same path, mode 0600), or give the key in "
    "BITTERN_KEY; without it no bitting in this database can be read."
)


class Vault:
    """Seals and opens short secrets.

    `seal(text, context)` gives bytes; `open(blob, context)` gives the text back and fails if the blob was
    changed or moved to another context (the context is authenticated). `fingerprint(text, context)` is a
    keyed hash: equal texts in one context can be found equal without opening either.

    >>> vault = Vault(Vault.new_key())
    >>> vault.open(vault.seal("293814", "system 1"), "system 1")
    '293814'
    """

    def __init__(self, key: str) -> None:
        try:
            raw = base64.urlsafe_b64decode(key.encode("ascii"))
        except (ValueError, UnicodeEncodeError) as error:
            raise VaultError(f"The sealing key is not readable as a key. {_HOW_TO_RESTORE}") from error
        if len(raw) != 32:
            raise VaultError(f"The sealing key has the wrong length. {_HOW_TO_RESTORE}")
        self._cipher = AESGCM(_derive(raw, b"bittern seal"))
        self._hash_key = _derive(raw, b"bittern fingerprint")
        self.backup_key = _derive(raw, b"bittern backup")  # seals the house's own backups; never stored
        self.check_value = hmac.new(_derive(raw, b"bittern key check"), b"check", hashlib.sha256).hexdigest()

    @staticmethod
    def new_key() -> str:
        """A fresh random key as text."""
        return base64.urlsafe_b64encode(os.urandom(32)).decode("ascii")

    @classmethod
    def from_file(cls, path: Path) -> "Vault":
        """The vault with the key in `path`; raises VaultError when it is missing or others may read it."""
        try:
            text, fault = path.read_text("ascii").strip(), fault_of_mode(path)
        except FileNotFoundError as error:
            raise VaultError(f"The key file {path} is missing. {_HOW_TO_RESTORE}") from error
        except (OSError, UnicodeDecodeError) as error:
            raise VaultError(f"The key file {path} cannot be read. {_HOW_TO_RESTORE}") from error
        if fault:
            raise VaultError(fault)
        return cls(text)

    @classmethod
    def make_file(cls, path: Path, key: str = "") -> "Vault":
        """The key, a new one unless it is given, in a new file of mode 0600, in a folder of mode 0700."""
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        vault = cls(key := key or cls.new_key())
        write_new_file(path, f"{key}\n".encode("ascii"))
        return vault

    def seal(self, text: str, context: str) -> bytes:
        """`text` encrypted for `context`."""
        nonce = os.urandom(_NONCE)
        return _FORMAT + nonce + self._cipher.encrypt(nonce, text.encode(), context.encode())

    def open(self, blob: bytes, context: str) -> str:
        """The text in `blob`; VaultError if the key or the context is another, or the bytes were changed."""
        if blob[:1] != _FORMAT:
            raise VaultError("A sealed record has an unknown format; it was not opened.")
        nonce, sealed = blob[1 : 1 + _NONCE], blob[1 + _NONCE :]
        try:
            return self._cipher.decrypt(nonce, sealed, context.encode()).decode()
        except InvalidTag as error:
            raise VaultError("A sealed record does not open: it was changed, or sealed with another key.") from error

    def fingerprint(self, text: str, context: str) -> bytes:
        """A keyed hash of `text` in `context`, 32 bytes."""
        return hmac.new(self._hash_key, f"{context}\0{text}".encode(), hashlib.sha256).digest()


def _derive(raw: bytes, purpose: bytes) -> bytes:
    return HKDF(algorithm=SHA256(), length=32, salt=None, info=purpose).derive(raw)
