"""One record of the audit log: what happened, when, by whose hand, as the tree's leaf.

A record is deterministic CBOR of a map with five keys: `v` 1, `at` (microseconds UTC since 1970),
`kind`, `by`, and `data`, whose fields depend on the kind. Evolution: a later program may add
kinds, and fields within `data`; the five keys change only with a new `v`, and a program refuses
a `v` or a kind that it does not know, as it cannot say what the record means.

The log is kept for ever and cannot be altered, so it holds references (numbers of rows, short
identifiers, hashes) and never names, addresses or free text. The patterns here keep out what a
person types: no capitals, no spaces, no '@', no letters beyond ASCII, nothing long. They cannot
know a person's name when it is written like an identifier: that is the duty of who makes the
record. Free text goes into the log as a commitment only (`commit`).
"""

# ruff: noqa: S105 - passes and tokens are what this log is about; no kind of record is a secret

from __future__ import annotations

import hmac
import re
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from passdesk.core import cbor

if TYPE_CHECKING:
    from collections.abc import Mapping

VERSION: Final = 1
COMMITMENT_KEY_LENGTH: Final = 32
MAX_BYTES_LENGTH: Final = 64

_INT_END: Final = 1 << 63
_MAX_NESTING: Final = 2
"""Arrays and maps inside `data`: with it and the record's own map the codec's limit of four."""

_REFERENCE: Final = re.compile(r"[a-z]+(:[0-9]+)?")
_IDENTIFIER: Final = re.compile(r"[a-z0-9.:_-]{1,64}")
_KEYS: Final = frozenset({"v", "at", "kind", "by", "data"})


class RecordError(ValueError):
    """A record that may not be written, or bytes that are no record; it names the key."""


class Kind(StrEnum):
    """What a record says has happened."""

    PRESENTATION_DECIDED = "presentation.decided"
    PRESENTATION_DIVERGED = "presentation.diverged"
    ENTRY_RETURNED = "entry.returned"
    PIN_TRIED = "pin.tried"
    CODE_SHOWN = "code.shown"
    PASS_ISSUED = "pass.issued"
    PASS_EXTENDED = "pass.extended"
    CODE_MADE = "code.made"
    PASS_WITHDRAWN = "pass.withdrawn"
    PASS_REINSTATED = "pass.reinstated"
    GUEST_BARRED = "guest.barred"
    GUEST_UNBARRED = "guest.unbarred"
    LOCKDOWN_STARTED = "lockdown.started"
    LOCKDOWN_ENDED = "lockdown.ended"
    PLACE_CHANGED = "place.changed"
    """A site, area, door, door group, reader or schedule was set up otherwise."""
    KEY_MADE = "key.made"
    KEY_RETIRED = "key.retired"
    KEY_ENDED = "key.ended"
    TOKEN_MADE = "token.made"
    TOKEN_ENDED = "token.ended"
    LOG_OPENED = "log.opened"


_KINDS: Final = {kind.value: kind for kind in Kind}


@dataclass(frozen=True, slots=True)
class Record:
    """One record: when (microseconds UTC since 1970), what, by whose hand, and its fields.

    `by` is a reference like 'reader:3', 'token:7' or 'command', never a name. `data` holds int,
    bytes (at most 64), str (short identifiers), bool, None, and lists and dicts of them.
    """

    at_us: int
    kind: Kind
    by: str
    data: Mapping[str, cbor.Value]


def encode(record: Record) -> bytes:
    """Return the record as deterministic CBOR, the data of its leaf in the tree.

    Raises RecordError naming the key if something in it may not stand in the log.
    """
    return cbor.encode(
        {
            "v": VERSION,
            "at": _time(record.at_us),
            "kind": _kind(record.kind).value,
            "by": _reference(record.by),
            "data": _fields(dict(record.data), "data", _MAX_NESTING),
        }
    )


def decode(encoded: bytes) -> Record:
    """Return the record that `encode` wrote.

    Raises RecordError for any other bytes, naming the key where there is one.
    """
    try:
        value = cbor.decode(encoded)
    except cbor.CborError as error:
        raise RecordError(f"these bytes are no record: {error}") from error
    if type(value) is not dict or value.keys() != _KEYS:
        raise RecordError("a record is a map of v, at, kind, by and data")
    if type(value["v"]) is not int or value["v"] != VERSION:
        raise RecordError(f"v: records of version {VERSION} are understood, no other")
    return Record(
        _time(value["at"]),
        _kind(value["kind"]),
        _reference(value["by"]),
        _fields(value["data"], "data", _MAX_NESTING),
    )


def commit(key: bytes, text: str) -> bytes:
    """Return the commitment to free text that a record carries: HMAC-SHA256 (RFC 2104).

    `key` is 32 random bytes made for this text alone. What people type is short and guessable:
    a bare hash of it could be found by trying, and would be personal data for as long as the log
    is kept. Under a key that stands beside the text and is erased with it, nobody can try any
    more, while until then text and key together show what was meant. Raises RecordError if the
    key is not 32 bytes long.
    """
    if len(key) != COMMITMENT_KEY_LENGTH:
        raise RecordError(f"a commitment's key has {COMMITMENT_KEY_LENGTH} bytes")
    # A form can send half a surrogate pair, which has no UTF-8: it is committed to as it is.
    return hmac.digest(key, text.encode("utf-8", "surrogatepass"), "sha256")


def verify_commitment(key: bytes, text: str, commitment: bytes) -> bool:
    """Say in constant time whether a commitment is to this text. Raises RecordError as above."""
    return hmac.compare_digest(commit(key, text), commitment)


def _time(value: object) -> int:
    if type(value) is not int or not 0 <= value < _INT_END:
        raise RecordError("at: a time is microseconds since 1970, in 63 bits")
    return value


def _kind(value: object) -> Kind:
    kind = _KINDS.get(value) if isinstance(value, str) else None
    if kind is None:
        raise RecordError(f"kind: {value!r} is no kind of record")
    return kind


def _reference(value: object) -> str:
    if type(value) is not str or not _REFERENCE.fullmatch(value):
        raise RecordError("by: a reference is a word, or a word, a colon and a number")
    return value


def _fields(value: object, key: str, nesting: int) -> dict[str, cbor.Value]:
    if type(value) is not dict:
        raise RecordError(f"{key}: the fields of a record are a map")
    for name, item in value.items():
        if type(name) is not str or not _IDENTIFIER.fullmatch(name):
            raise RecordError(f"{key}: {name!r} is no short identifier, so it names no field")
        _require_allowed(item, name, nesting)
    return value


def _require_allowed(value: object, key: str, nesting: int) -> None:
    if type(value) is str:
        if not _IDENTIFIER.fullmatch(value):
            raise RecordError(f"{key}: text in a record is a short identifier")
    elif type(value) is int:
        if not -_INT_END <= value < _INT_END:
            raise RecordError(f"{key}: the integer needs more than 64 bits")
    elif type(value) is bytes:
        if len(value) > MAX_BYTES_LENGTH:
            raise RecordError(f"{key}: bytes in a record are at most {MAX_BYTES_LENGTH}")
    elif type(value) is dict or type(value) is list:
        _require_allowed_inside(value, key, nesting)
    elif value is not None and type(value) is not bool:
        raise RecordError(f"{key}: {type(value).__name__} cannot stand in a record")


def _require_allowed_inside(
    value: dict[str, object] | list[object], key: str, nesting: int
) -> None:
    if nesting == 0:
        raise RecordError(f"{key}: lists and maps in a record are nested {_MAX_NESTING} deep")
    if type(value) is dict:
        _fields(value, key, nesting - 1)
        return
    for item in value:
        _require_allowed(item, key, nesting - 1)
