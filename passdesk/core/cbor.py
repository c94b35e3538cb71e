"""Deterministic CBOR (RFC 8949 section 4.2.1) for the few types that codes and records use.

Integers of at most 64 bits, byte and text strings, true, false, null, arrays and maps. There is
nothing else: no floats, no tags, no other simple values. Each value has one encoding, and `decode`
accepts that one only.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NoReturn, TypeAlias

import cbor2

Key: TypeAlias = int | bytes | str | bool | None
Value: TypeAlias = "Key | list[Value] | dict[Key, Value]"

MAX_DEPTH = 4

_ATOMS = frozenset({bytes, str, bool, type(None)})
_INT_END = 1 << 64


class CborError(ValueError):
    """The value has no deterministic encoding here, or the bytes are not one."""


class _NoTags(dict[int, NoReturn]):
    """Has no tag: by itself the decoder turns known ones into dates, bignums and references."""

    def __missing__(self, tag: int) -> NoReturn:
        raise CborError(f"tag {tag} is not allowed")


_NO_TAGS = _NoTags()


def encode(value: object, *, max_depth: int = MAX_DEPTH) -> bytes:
    """Return the deterministic encoding of `value` (RFC 8949 section 4.2.1).

    Map entries are ordered by the bytes of their encoded keys. (The encoder's own `canonical`
    option gives the older order, shorter keys first.) Tuples are written as arrays.

    Raises CborError for any type that is not exactly int, bytes, str, bool, None, list, tuple or
    dict, for a map key that is an array or a map, for an integer beyond 64 bits, for text that has
    no UTF-8 form, and for more than `max_depth` arrays and maps within one another.
    """
    try:
        return cbor2.dumps(_ordered(value, max_depth))
    except UnicodeEncodeError as error:
        raise CborError("the text has no UTF-8 form") from error


def decode(data: bytes, *, max_depth: int = MAX_DEPTH) -> Value:
    """Return the value that `encode` writes as `data`, with the same `max_depth`.

    Raises CborError, and nothing else, for any other bytes: not well-formed, trailing bytes,
    duplicate keys, indefinite lengths, tags, floats, nested too deep, or an encoding that is not
    the deterministic one.
    """
    try:
        value: Value = cbor2.loads(
            data,
            semantic_decoders=_NO_TAGS,
            max_depth=max_depth,
            allow_indefinite=False,
            allow_duplicate_keys=False,
        )
    except cbor2.CBORDecodeError as error:
        raise CborError(str(error)) from error
    if encode(value, max_depth=max_depth) != data:
        raise CborError("the encoding is not deterministic, or bytes follow it")
    return value


def _ordered(value: object, room: int) -> object:
    """Return `value` with its maps in order, having seen that every part of it is allowed.

    `room` is how many arrays and maps may still be within one another.
    """
    if type(value) in _ATOMS:
        return value
    if type(value) is int:
        if not -_INT_END <= value < _INT_END:
            raise CborError("the integer needs more than 64 bits")
        return value
    if type(value) is dict and room:
        return {key: _ordered(value[key], room - 1) for key in sorted(value, key=_encoded_key)}
    if (type(value) is list or type(value) is tuple) and room:
        return [_ordered(item, room - 1) for item in value]
    raise CborError(f"{type(value).__name__} is not allowed, or not at this depth")


@lru_cache(maxsize=1024, typed=True)
def _encoded_key(key: object) -> bytes:
    return encode(key, max_depth=0)
