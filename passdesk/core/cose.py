"""COSE_Sign1 (RFC 9052) with Ed25519, and the keys that go with it.

Every message has the same frame:

    D2 84                       tag 18, an array of four
    49 A2 01 32 04 44 (kid)     protected: {1: -19, 4: kid}, the kid in four bytes
    A0                          unprotected: nothing
    (head) (payload)            a byte string, its length in the shortest form
    58 40 (signature)           64 bytes

So a message is not decoded. It is cut at these places, the frame is built anew around the parts,
and the result is compared with what came in: whatever differs anywhere is refused, without a rule
for each way to differ, and several times faster than decoding and encoding it would be.

The only algorithm is -19, Ed25519 (RFC 9864 section 2.2): a message has no choice to make.
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING

from passdesk.core import cbor

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )

ALGORITHM = -19
KEY_ID_BYTES = 4

_BEFORE_KID = b"\xd2\x84\x49\xa2\x01\x32\x04\x44"
_AFTER_KID = b"\xa0"
_BEFORE_SIGNATURE = b"\x58\x40"
_PROTECTED = slice(3, 12)
_KID = slice(8, 12)
_CONTENT = slice(13, -66)
_SIGNATURE = slice(-64, None)
_LONGER_HEADS = {b"\x58": 2, b"\x59": 3, b"\x5a": 5}


class CoseError(ValueError):
    """The bytes are not a message in the one frame that is used here."""


@dataclass(frozen=True, slots=True)
class Sign1:
    """A signed message taken apart. Nothing in it can be trusted before its signature is checked.

    Attributes:
        kid: the four bytes that name the key which is said to have signed.
        payload: the bytes that were signed.
        to_be_verified: what the signature is over (RFC 9052 section 4.4), from the bytes received.
        signature: the 64 bytes of an Ed25519 signature (RFC 8032 section 5.1.6).
    """

    kid: bytes
    payload: bytes
    to_be_verified: bytes
    signature: bytes


def thumbprint(public: Ed25519PublicKey) -> bytes:
    """Return the COSE Key Thumbprint with SHA-256 of a public key (RFC 9679), 32 bytes."""
    return thumbprint_of(_required_fields(public))


def thumbprint_of(required: Mapping[int, cbor.Value]) -> bytes:
    """Return the SHA-256 thumbprint of a COSE_Key with just its required fields (RFC 9679, 3).

    Which fields these are depends on the key type (section 4); the caller gives these only.
    """
    return sha256(cbor.encode(dict(required))).digest()


def key_id(public: Ed25519PublicKey) -> bytes:
    """Return the key id used in messages: the first four bytes of the key's thumbprint."""
    return thumbprint(public)[:KEY_ID_BYTES]


def cose_key(public: Ed25519PublicKey) -> dict[int, cbor.Value]:
    """Return a public key as a COSE_Key (RFC 9052 section 7.1): required fields, kid and alg."""
    return _required_fields(public) | {2: key_id(public), 3: ALGORITHM}


def key_set(publics: Iterable[Ed25519PublicKey]) -> bytes:
    """Return public keys as an encoded COSE_KeySet (RFC 9052 section 7), in the order given."""
    return cbor.encode([cose_key(public) for public in publics])


def sign1(payload: bytes, key: Ed25519PrivateKey) -> bytes:
    """Return a tagged COSE_Sign1 of `payload` (RFC 9052 section 4.2), signed by `key`."""
    kid = key_id(key.public_key())
    unsigned = _framed(kid, payload, b"")
    signature = key.sign(signature_input(unsigned[_PROTECTED], payload))
    return unsigned + signature


def parse_sign1(data: bytes) -> Sign1:
    """Take a message apart without checking its signature.

    Raises CoseError unless `data` is exactly what `sign1` writes around these parts.
    """
    kid, payload, signature = data[_KID], _content(data[_CONTENT]), data[_SIGNATURE]
    if _framed(kid, payload, signature) != data:
        raise CoseError("the bytes are not a COSE_Sign1 in the one frame that is used here")
    return Sign1(kid, payload, signature_input(data[_PROTECTED], payload), signature)


def signature_input(protected: bytes, payload: bytes) -> bytes:
    """Return the encoded Sig_structure (RFC 9052 section 4.4) with no external data.

    `protected` is the encoded protected header, as it stands in the message.
    """
    return cbor.encode(["Signature1", protected, b"", payload])


def _framed(kid: bytes, payload: bytes, signature: bytes) -> bytes:
    content = cbor.encode(payload)
    return b"".join((_BEFORE_KID, kid, _AFTER_KID, content, _BEFORE_SIGNATURE, signature))


def _content(byte_string: bytes) -> bytes:
    """Return what follows the head; the comparison with the built frame checks the head itself."""
    return byte_string[_LONGER_HEADS.get(byte_string[:1], 1) :]


def _required_fields(public: Ed25519PublicKey) -> dict[int, cbor.Value]:
    """Return kty OKP, crv Ed25519 and x (RFC 9053 section 7.2)."""
    return {1: 1, -1: 6, -2: public.public_bytes_raw()}
