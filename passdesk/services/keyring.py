"""The private keys of an instance, one file each in a folder that only its owner can read.

    issuer-<key id>.pem   signs codes; the newest that is not retired is used
    log.pem               signs checkpoints of the records
    digest.key            keys the digests of what was presented, so that a PIN or a short text
                          cannot be guessed from the database alone

Whoever can write here can make passes and checkpoints. Whoever can write the database can add a
signing key of their own, or hand back entries; they cannot take that out of the records or sign
a checkpoint, and `passdesk doctor` names a signing key whose file is not here.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import shlex
import stat
from typing import TYPE_CHECKING

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)

from passdesk.core import cose

if TYPE_CHECKING:
    from pathlib import Path

FOLDER_MODE = 0o700
FILE_MODE = 0o600
DIGEST_KEY_BYTES = 32
_RESTORE = "restore it from the backup of the keys"


class KeyringError(Exception):
    """Keys are missing, unreadable, or open to others; the message says what to do."""


class Keyring:
    """The keys in one folder, read when they are first needed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._issuers: dict[bytes, Ed25519PrivateKey] = {}
        self._digest: bytes | None = None

    @classmethod
    def create(cls, folder: Path) -> Keyring:
        """Make the folder and every key that is missing."""
        folder.mkdir(mode=FOLDER_MODE, parents=True, exist_ok=True)
        ring = cls(folder)
        ring.check()
        if not (folder / "log.pem").exists():
            _write(folder / "log.pem", _pem(Ed25519PrivateKey.generate()))
        if not (folder / "digest.key").exists():
            _write(folder / "digest.key", secrets.token_bytes(DIGEST_KEY_BYTES))
        return ring

    def check(self) -> None:
        """Refuse a folder or a file that others can read or write.

        Raises:
            KeyringError: names the file and the command that mends it.
        """
        if not self.folder.is_dir():
            raise KeyringError(f"{self.folder}: no such folder; run 'passdesk init'")
        for path, wanted in [
            (self.folder, FOLDER_MODE),
            *((path, FILE_MODE) for path in sorted(self.folder.iterdir())),
        ]:
            mode = stat.S_IMODE(path.stat().st_mode)
            if mode & ~wanted:
                raise KeyringError(
                    f"{path}: others can use it (mode {mode:04o}); "
                    f"run 'chmod {wanted:o} {shlex.quote(str(path))}'"
                )

    def make_issuer(self) -> Ed25519PrivateKey:
        """Make and keep a new key that signs codes."""
        key = Ed25519PrivateKey.generate()
        kid = cose.key_id(key.public_key())
        _write(self.folder / f"issuer-{kid.hex()}.pem", _pem(key))
        self._issuers[kid] = key
        return key

    def issuer(self, kid: bytes) -> Ed25519PrivateKey:
        """Give the private key with this key id.

        Raises:
            KeyringError: it is not here, or another key is in its place.
        """
        if kid not in self._issuers:
            path = self.folder / f"issuer-{kid.hex()}.pem"
            key = _load(path)
            if cose.key_id(key.public_key()) != kid:
                raise KeyringError(f"{path}: holds another key; {_RESTORE}")
            self._issuers[kid] = key
        return self._issuers[kid]

    def log_key(self) -> Ed25519PrivateKey:
        """Give the key that signs checkpoints.

        Raises:
            KeyringError: it is not here.
        """
        return _load(self.folder / "log.pem")

    def digest(self, *parts: bytes) -> bytes:
        """Give a digest of 32 bytes that nobody can compute without this instance's key.

        Each part is preceded by its length, so that no two lists of parts are alike.

        Raises:
            KeyringError: its key is not here, or not whole.
        """
        if self._digest is None:
            path = self.folder / "digest.key"
            key = _read(path)
            if len(key) != DIGEST_KEY_BYTES:
                raise KeyringError(f"{path}: is no key of {DIGEST_KEY_BYTES} bytes; {_RESTORE}")
            self._digest = key
        message = b"".join(len(part).to_bytes(4, "big") + part for part in parts)
        # RFC 7693 section 2.9: BLAKE2b is keyed by itself, at a tenth of the cost of an HMAC here.
        return hashlib.blake2b(message, key=self._digest, digest_size=32).digest()


def _pem(key: Ed25519PrivateKey) -> bytes:
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def _write(path: Path, content: bytes) -> None:
    """Write a key so that it never exists with a looser mode, and is on disk when this returns."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, FILE_MODE)
    with os.fdopen(descriptor, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise KeyringError(f"{path}: not found; {_RESTORE}") from error


def _load(path: Path) -> Ed25519PrivateKey:
    try:
        key = load_pem_private_key(_read(path), password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        # Not PEM, under a password, of a kind that is not known here.
        raise KeyringError(f"{path}: is no private key in PEM form; {_RESTORE}") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise KeyringError(f"{path}: is no Ed25519 key; {_RESTORE}")
    return key
