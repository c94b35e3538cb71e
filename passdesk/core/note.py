"""Signed notes and checkpoints: what is mailed, printed or handed to an auditor.

A note is text under which stands one signature line for each key (C2SP signed-note), here with
Ed25519. A checkpoint is such a text with a log's name, its size and the root of its tree (C2SP
tlog-checkpoint): who has kept one can prove later that nothing before it was rewritten.
"""

from __future__ import annotations

import base64
import re
from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING, Final, Self

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

ED25519: Final = b"\x01"
"""Signature type of C2SP signed-note, 'Signature types'."""
KEY_LENGTH: Final = 32
KEY_ID_LENGTH: Final = 4
ROOT_LENGTH: Final = 32
MAX_NOTE_LENGTH: Final = 1 << 18
"""In characters: room for twice the 16 signatures that every verifier has to accept."""

_NAME: Final = re.compile(r"[^\s+]+")
_SIZE: Final = re.compile(r"0|[1-9][0-9]{0,18}")
_FORBIDDEN: Final = re.compile(r"[\x00-\x09\x0b-\x1f\ud800-\udfff]")
_SIGNATURE_LINE: Final = re.compile(r"\N{EM DASH} ([^\s+]+) (\S+)")


class NoteError(ValueError):
    """A note, verifier key or checkpoint that is malformed, or not signed by the key asked for."""


@dataclass(frozen=True, slots=True)
class VerifierKey:
    """The name and public key (32 bytes, RFC 8032) that a note's signature is checked with.

    Raises NoteError if the name is empty or holds a space or plus, or the key is not 32 bytes.
    """

    name: str
    public: bytes

    def __post_init__(self) -> None:
        _require_name(self.name)
        if len(self.public) != KEY_LENGTH:
            raise NoteError(f"a public key has {KEY_LENGTH} bytes, this one has {len(self.public)}")

    @property
    def key_id(self) -> bytes:
        """The four bytes that name this key in a signature line (C2SP signed-note)."""
        return sha256(self.name.encode() + b"\n" + ED25519 + self.public).digest()[:KEY_ID_LENGTH]

    def format(self) -> str:
        """Return the key as text: its name, its id in hexadecimal and the key itself."""
        return f"{self.name}+{self.key_id.hex()}+{_base64(ED25519 + self.public)}"

    @classmethod
    def parse(cls, text: str) -> Self:
        """Return the key that `format` wrote. Raises NoteError if it is anything else."""
        name, _, rest = text.partition("+")
        _, _, encoded = rest.partition("+")
        key = cls(name, _from_base64(encoded).removeprefix(ED25519))
        if key.format() != text:
            raise NoteError("this is no Ed25519 verifier key, or its id is another key's")
        return key


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """A log's name, its number of records, and the root of the tree over them (32 bytes).

    Raises NoteError if the origin is empty or holds a space or plus, the size is negative or
    has more than 19 digits, or the root is not 32 bytes long.
    """

    origin: str
    size: int
    root: bytes

    def __post_init__(self) -> None:
        _require_name(self.origin)
        if not _SIZE.fullmatch(str(self.size)):
            raise NoteError(f"a log cannot have {self.size} records")
        if len(self.root) != ROOT_LENGTH:
            raise NoteError(f"a root has {ROOT_LENGTH} bytes, this one has {len(self.root)}")

    def text(self) -> str:
        """Return the note text of this checkpoint (C2SP tlog-checkpoint, 'Note text')."""
        return f"{self.origin}\n{self.size}\n{_base64(self.root)}\n"


def sign_note(text: str, name: str, private_key: Ed25519PrivateKey) -> str:
    """Return the text with a signature line under it (C2SP signed-note, 'Format').

    Raises NoteError if the text does not end in a newline, is too long to be opened again or
    holds a control character, or if the name is empty or holds a space or plus.
    """
    if not text.endswith("\n"):
        raise NoteError("a note's text ends in a newline")
    key = VerifierKey(name, private_key.public_key().public_bytes_raw())
    signature = private_key.sign(_encoded(text))
    note = f"{text}\n\N{EM DASH} {name} {_base64(key.key_id + signature)}\n"
    _encoded(note)
    return note


def open_note(note: str, verifier: VerifierKey) -> str:
    """Return the text of a note that the verifier's key has signed (C2SP signed-note).

    Signatures of other keys are not looked at. What the text means, and for a checkpoint that
    its origin is the one expected, remains to be checked by the caller. Raises NoteError if the
    note is malformed, no signature is by this key, or one that claims to be is wrong.
    """
    _encoded(note)
    body, blank, signatures = note.rpartition("\n\n")
    if not (blank and signatures.endswith("\n")):
        raise NoteError("a note is text, an empty line and signature lines, each with its newline")
    text = f"{body}\n"
    ours = [
        signature
        for name, key_id, signature in map(_signature, signatures[:-1].split("\n"))
        if (name, key_id) == (verifier.name, verifier.key_id)
    ]
    if not ours:
        raise NoteError(f"the note is not signed by {verifier.name}")
    for signature in ours:
        _verify(verifier, signature, text.encode())
    return text


def parse_checkpoint(text: str) -> Checkpoint:
    """Return the checkpoint in the text of an opened note (C2SP tlog-checkpoint, 'Note text').

    Extension lines are allowed and ignored. Raises NoteError if a line is missing or empty, the
    size is not decimal without leading zeros, or the root is not 32 bytes in standard base64.
    """
    *lines, end = text.split("\n")
    if len(lines) < 3 or end or "" in lines:  # noqa: PLR2004 - origin, size, root
        raise NoteError("a checkpoint has at least three lines, each with its newline, none empty")
    origin, size, root = lines[:3]
    if not _SIZE.fullmatch(size):
        raise NoteError("a checkpoint's size is decimal, without leading zeros")
    return Checkpoint(origin, int(size), _from_base64(root))


def _require_name(name: str) -> None:
    if not _NAME.fullmatch(name) or _FORBIDDEN.search(name):
        raise NoteError(f"{name!r} is no name: it is empty, or holds a space or plus")


def _encoded(text: str) -> bytes:
    if len(text) > MAX_NOTE_LENGTH:
        raise NoteError(f"a note has at most {MAX_NOTE_LENGTH} characters")
    if _FORBIDDEN.search(text):
        raise NoteError("a note holds no control character other than newline")
    return text.encode()


def _signature(line: str) -> tuple[str, bytes, bytes]:
    """Return name, key id and signature of a signature line."""
    match = _SIGNATURE_LINE.fullmatch(line)
    if match is None:
        raise NoteError("a signature line is a dash, a name and a signature in base64")
    name, encoded = match.groups()
    value = _from_base64(encoded)
    if len(value) <= KEY_ID_LENGTH:
        raise NoteError("a signature line holds a key id and a signature")
    return name, value[:KEY_ID_LENGTH], value[KEY_ID_LENGTH:]


def _verify(verifier: VerifierKey, signature: bytes, signed: bytes) -> None:
    try:
        Ed25519PublicKey.from_public_bytes(verifier.public).verify(signature, signed)
    except InvalidSignature as error:
        raise NoteError(f"the signature of {verifier.name} is wrong") from error


def _base64(value: bytes) -> str:
    return base64.b64encode(value).decode()


def _from_base64(text: str) -> bytes:
    """Decode standard base64 (RFC 4648 section 4), and only the one way to write a value."""
    try:
        value = base64.b64decode(text, validate=True)
    except ValueError as error:
        raise NoteError("this is no standard base64") from error
    if _base64(value) != text:
        raise NoteError("this is no standard base64")
    return value
