"""A file sealed in chunks: AES-256-GCM, each chunk bound to its place and to the head of the file.

Layout: eight bytes of magic, the length of the head (4 bytes, big-endian), the head (JSON), then chunks. The
nonce of a chunk is a random prefix (7 bytes, new for every file), the chunk's number (4 bytes) and 1 for the last
chunk or 0 (1 byte): no chunk can be changed, moved, left out at the end or added without being noticed. This is
the STREAM construction (Hoang, Reyhanitabar, Rogaway, Vizár, 2015; from memory).
"""

import json
import os
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from app.ledger.store.errors import BackupError
from app.ledger.store.vault import Vault

MAGIC = b"BITTERN\x01"
CHUNK = 1024 * 1024
LEAST_PASSPHRASE = 12
_TAG, _PREFIX, _SALT = 16, 7, 16
_LONGEST_HEAD = 4096
_MOST_CHUNKS = 2**32 - 1
# What a passphrase costs to try: 128 MiB of memory and about half a second (N = 2^17, r = 8, p = 1: the least
# that OWASP's password storage cheat sheet gives for scrypt; from memory).
COST = 17
_MOST_COST = 20  # a head that asks for more memory than 1 GiB is not ours
_PASSPHRASE, _HOUSE = "passphrase", "house key"
_CHANGED = (
    "This file does not open: the passphrase or key is another, or the file was changed, cut off or damaged on "
    "its way. Try another copy. Nothing was replaced."
)


@dataclass(frozen=True, slots=True)
class Secret:
    """What a file is sealed with. `key(salt, cost)` gives 32 bytes."""

    kind: str
    cost: int
    key: Callable[[bytes, int], bytes] = field(repr=False)


def passphrase_secret(passphrase: str, cost: int = COST) -> Secret:
    """Seal with what a person remembers; the work to try one is scrypt with N = 2^cost. BackupError if too short."""
    if not LEAST_PASSPHRASE <= len(passphrase) <= 1000:
        raise BackupError("passphrase", f"Give a passphrase of {LEAST_PASSPHRASE} to 1,000 characters: a few words.")
    # One spelling of an accent, whichever keyboard typed it.
    given = unicodedata.normalize("NFC", passphrase).encode("utf-8", "surrogatepass")
    return Secret(_PASSPHRASE, cost, lambda salt, asked: Scrypt(salt, 32, 2**asked, 8, 1).derive(given))


def house_secret(vault: Vault) -> Secret:
    """Seal with a key made from the house's sealing key: only a machine that has that key can open the file."""

    def key(salt: bytes, cost: int) -> bytes:
        return HKDF(algorithm=SHA256(), length=32, salt=salt, info=b"bittern backup file").derive(vault.backup_key)

    return Secret(_HOUSE, 0, key)


class SealedWriter:
    """Write plain bytes in, sealed chunks come out on `out`; `close` seals the last one (it does not close `out`).

    house: the id of the house whose backup it is, which the head says in clear.
    """

    def __init__(self, out: BinaryIO, secret: Secret, house: str = "") -> None:
        salt, prefix = os.urandom(_SALT), os.urandom(_PREFIX)
        words = {"sealed with": secret.kind, "cost": secret.cost, "salt": salt.hex(), "prefix": prefix.hex()}
        if house:
            words["house"] = house
        head = json.dumps(words, sort_keys=True).encode()
        self._head = MAGIC + len(head).to_bytes(4, "big") + head
        self._cipher, self._prefix = AESGCM(secret.key(salt, secret.cost)), prefix
        self._out, self._number, self._waiting = out, 0, bytearray()
        out.write(self._head)

    def write(self, data: bytes) -> int:
        """Take plain bytes; how many."""
        self._waiting += data
        while len(self._waiting) > CHUNK:  # the last full chunk waits: it may be the last of all
            self._seal(bytes(self._waiting[:CHUNK]), is_last=False)
            del self._waiting[:CHUNK]
        return len(data)

    def close(self) -> None:
        """Seal what waits as the last chunk."""
        self._seal(bytes(self._waiting), is_last=True)
        self._waiting.clear()

    def _seal(self, plain: bytes, *, is_last: bool) -> None:
        if self._number >= _MOST_CHUNKS:
            raise BackupError("file", "This house is too large for one backup file.")
        nonce = _nonce(self._prefix, self._number, is_last=is_last)
        self._out.write(self._cipher.encrypt(nonce, plain, self._head))
        self._number += 1


class SealedReader:
    """Read plain bytes out of a sealed file; BackupError where it is not ours, changed, or cut off."""

    def __init__(self, source: BinaryIO, secret: Secret) -> None:
        head = _read_head(source)
        if head.kind != secret.kind:
            if head.kind == _PASSPHRASE:
                raise BackupError("passphrase", "This backup is sealed with a passphrase: give it.")
            raise BackupError("key file", "This backup is sealed with the house's key, not with a passphrase.")
        self._head, self._prefix = head.raw, head.prefix
        self._cipher = AESGCM(secret.key(head.salt, head.cost))
        self._source, self._number, self._plain, self._at_end = source, 0, bytearray(), False
        self._next = source.read(CHUNK + _TAG)

    def read(self, size: int = -1) -> bytes:
        """The next `size` plain bytes, fewer at the end, all that are left for -1."""
        while not self._at_end and (size < 0 or len(self._plain) < size):
            self._open_next()
        given = bytes(self._plain) if size < 0 else bytes(self._plain[:size])
        del self._plain[: len(given)]
        return given

    def finish(self) -> None:
        """Open what was not read yet, so that a file cut off after its last member is noticed too."""
        while not self._at_end:
            self._open_next()
            self._plain.clear()

    def _open_next(self) -> None:
        chunk, self._next = self._next, self._source.read(CHUNK + _TAG)
        self._at_end = not self._next
        try:
            nonce = _nonce(self._prefix, self._number, is_last=self._at_end)
            self._plain += self._cipher.decrypt(nonce, chunk, self._head)
        except (InvalidTag, ValueError, OverflowError) as error:
            raise BackupError("file", _CHANGED) from error
        self._number += 1


def is_passphrase_sealed(source: BinaryIO) -> bool:
    """Whether the file asks for a passphrase (else for the house's key); leaves `source` at its start."""
    kind = _read_head(source).kind
    source.seek(0)
    return kind == _PASSPHRASE


def house_of(path: Path) -> str | None:
    """The id of the house whose backup this is, as its head says it: "" where it was made before houses had ids.

    None for what is no backup, or cannot be read. No secret is asked for, so only opening the file proves it.
    """
    try:
        with path.open("rb") as source:
            return _read_head(source).house
    except (OSError, BackupError):
        return None


def _nonce(prefix: bytes, number: int, *, is_last: bool) -> bytes:
    return prefix + number.to_bytes(4, "big") + (b"\x01" if is_last else b"\x00")


@dataclass(frozen=True, slots=True)
class _Head:
    kind: str
    cost: int
    salt: bytes
    prefix: bytes
    house: str
    raw: bytes  # authenticated with every chunk


def _read_head(source: BinaryIO) -> _Head:
    alien = BackupError("file", "This is not a backup made by bittern backup, or its beginning is damaged.")
    start = source.read(len(MAGIC) + 4)
    length = int.from_bytes(start[len(MAGIC) :], "big")
    if not start.startswith(MAGIC) or len(start) < len(MAGIC) + 4 or length > _LONGEST_HEAD:
        raise alien
    words = source.read(length)
    try:
        said = json.loads(words)
        kind, cost = said["sealed with"], said["cost"]
        salt, prefix = bytes.fromhex(said["salt"]), bytes.fromhex(said["prefix"])
        house = str(said.get("house", ""))
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise alien from error
    least = 1 if kind == _PASSPHRASE else 0
    if kind not in (_PASSPHRASE, _HOUSE) or type(cost) is not int or not least <= cost <= _MOST_COST:
        raise alien
    if len(salt) != _SALT or len(prefix) != _PREFIX:
        raise alien
    return _Head(kind, cost, salt, prefix, house, start + words)
