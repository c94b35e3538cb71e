"""The code: what a pass says when it is shown, signed, as the text in a QR symbol.

The text is `VP1:` and the Base45 of a COSE_Sign1, whose payload is a CWT claims set (RFC 8392):

    {4: exp, 5: nbf, 7: cti, -65537: [entry limit, [door group, ...], proof, daily]}

These four keys and no others. How the array may change: fields are only ever appended. A reader
ignores fields behind those it knows, so an appended field must be safe to ignore: it may give a
right, never take one away, and whatever narrows a pass needs a new prefix instead of `VP1:`. A
field that is left out has a default, for `daily` that the pass holds at every hour of its window.
`null` holds the place of a default before a further field, and never stands last. Bits of `proof`
that a reader does not know could narrow, so they are refused.

Nothing in a code is personal, and nothing in it can be trusted before its signature is checked.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import STRICT, IntFlag
from typing import TYPE_CHECKING

from cryptography.exceptions import InvalidSignature

from passdesk.core import base45, cbor, cose

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )

PREFIX = "VP1:"
MAX_CODE_BYTES = 144
"""The most bytes whose text still fits symbol version 8 at error level M (ISO/IEC 18004)."""
MAX_TEXT_LENGTH = 220
CODE_ID_BYTES = 16
MAX_ENTRY_LIMIT = 2**32 - 1
MAX_DOOR_GROUP = 2**32 - 1
MAX_TIME_S = 2**40 - 1
MINUTES_OF_A_DAY = 24 * 60
ALL_WEEKDAYS = 0b111_1111

# Claim keys: RFC 8392 section 3.1; private use below -65536 (section 9.1).
_EXP, _NBF, _CTI, _PASS = 4, 5, 7, -65537
_CLAIM_KEYS = {_EXP, _NBF, _CTI, _PASS}
_ALWAYS_THERE = 3
_DAILY_NUMBERS = 3


class ClaimsError(ValueError):
    """A claim is out of bounds; `field` names it in the words of a form, `message` says why."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field
        self.message = message


class CodeTooLongError(ClaimsError):
    """The pass names more door groups than a code can hold."""

    def __init__(self) -> None:
        super().__init__(
            "doors",
            "A code cannot hold that many door groups. Choose a wider door group instead.",
        )


class CodeError(ValueError):
    """The text shown is not a code that can be relied on."""


class UnreadableCodeError(CodeError):
    """The text is not ours, or not exactly in our form."""


class UnknownKeyError(CodeError):
    """The text names a key that the reader does not know."""


class BadSignatureError(CodeError):
    """The text was not signed, as it stands, by the key that it names."""


class Proof(IntFlag, boundary=STRICT):
    """What a pass asks for beside the code, and what it is good for."""

    PIN = 1
    """The holder must also give a PIN."""
    ESCORT_NEEDED = 2
    """The holder must be accompanied."""
    ESCORT_PASS = 4
    """The holder may accompany others."""


NO_PROOF = Proof(0)
_ALL_PROOFS = sum(Proof)


@dataclass(frozen=True, slots=True)
class Daily:
    """The hours of a day and the days of a week to which a pass is limited within its window.

    Attributes:
        first_minute: minutes since midnight in the site's local time, inclusive.
        end_minute: minutes since midnight, exclusive; at most 1440.
        weekdays: bits, of which bit 0 (value 1) is Monday and bit 6 (value 64) is Sunday.

    Raises ClaimsError naming `daily` for hours that do not end after they start within one day,
    and for no weekday or an eighth.
    """

    first_minute: int
    end_minute: int
    weekdays: int

    def __post_init__(self) -> None:
        if not 0 <= self.first_minute < self.end_minute <= MINUTES_OF_A_DAY:
            raise ClaimsError("daily", "Daily hours must end after they start, on the same day.")
        if not 1 <= self.weekdays <= ALL_WEEKDAYS:
            raise ClaimsError("daily", "Daily hours need at least one weekday of the seven.")


@dataclass(frozen=True, slots=True)
class Claims:
    """What a code says.

    Attributes:
        code_id: 16 random bytes that name the code; the pass behind it is known to the register.
        valid_from_s: first second of the window, seconds UTC since 1970, inclusive.
        valid_until_s: end of the window, seconds UTC since 1970, exclusive.
        entry_limit: how many entries the pass allows; 0 for no limit inside the window.
        door_groups: numbers of door groups, ascending; none means no doors.
        proof: what is asked for beside the code.
        daily: limits within the window; None for every hour of it.

    Raises ClaimsError naming `code_id`, `valid_from`, `valid_until`, `entry_limit` or `doors` for
    a value out of bounds.
    """

    code_id: bytes
    valid_from_s: int
    valid_until_s: int
    entry_limit: int
    door_groups: tuple[int, ...]
    proof: Proof = NO_PROOF
    daily: Daily | None = None

    def __post_init__(self) -> None:
        if len(self.code_id) != CODE_ID_BYTES:
            raise ClaimsError("code_id", f"A code's id has {CODE_ID_BYTES} bytes.")
        if not 0 < self.valid_from_s <= MAX_TIME_S:
            raise ClaimsError("valid_from", "The start of the window is out of bounds.")
        if not self.valid_from_s < self.valid_until_s <= MAX_TIME_S:
            raise ClaimsError("valid_until", "The window must end after it starts.")
        if not 0 <= self.entry_limit <= MAX_ENTRY_LIMIT:
            raise ClaimsError("entry_limit", "The number of entries is out of bounds.")
        _check_door_groups(self.door_groups)


def _check_door_groups(groups: tuple[int, ...]) -> None:
    previous = 0
    for group in groups:
        if not previous < group <= MAX_DOOR_GROUP:
            raise ClaimsError("doors", "Door groups must be ascending, each once and in bounds.")
        previous = group


@dataclass(frozen=True, slots=True)
class ParsedCode:
    """A code that was read but not verified: nothing in it can be trusted yet.

    Attributes:
        claims: what the code says, if its signature holds.
        message: the signed message, for `verify`.
    """

    claims: Claims
    message: cose.Sign1

    @property
    def kid(self) -> bytes:
        """The four bytes that name the key which is said to have signed."""
        return self.message.kid


def payload_of(claims: Claims) -> bytes:
    """Return the encoded claims set that is signed. Equal claims have equal payloads."""
    fields: list[cbor.Value] = [claims.entry_limit, list(claims.door_groups), int(claims.proof)]
    if claims.daily is not None:
        daily = claims.daily
        fields.append([daily.first_minute, daily.end_minute, daily.weekdays])
    return cbor.encode(
        {
            _EXP: claims.valid_until_s,
            _NBF: claims.valid_from_s,
            _CTI: claims.code_id,
            _PASS: fields,
        }
    )


def claims_of(payload: bytes) -> Claims:
    """Return what an encoded claims set says. Trust none of it before its signature is checked.

    Raises UnreadableCodeError for whatever `payload_of` cannot have written, except fields behind
    the known ones, which are ignored.
    """
    try:
        claims = cbor.decode(payload)
    except cbor.CborError as error:
        raise UnreadableCodeError(f"the claims are not deterministic CBOR: {error}") from error
    if not isinstance(claims, dict) or claims.keys() != _CLAIM_KEYS:
        raise UnreadableCodeError("the claims are not exactly exp, nbf, cti and the pass")
    code_id, fields = claims[_CTI], claims[_PASS]
    if type(code_id) is not bytes or type(fields) is not list or len(fields) < _ALWAYS_THERE:
        raise UnreadableCodeError("the code's id or the pass is not of its type")
    limit, groups, proof, *later = fields
    if type(groups) is not list:
        raise UnreadableCodeError("the door groups are not an array")
    starts, ends, entries, bits, *doors = _integers(
        [claims[_NBF], claims[_EXP], limit, proof, *groups]
    )
    if not 0 <= bits <= _ALL_PROOFS:
        raise UnreadableCodeError("the pass asks for a proof that is not known here")
    try:
        return Claims(
            code_id=code_id,
            valid_from_s=starts,
            valid_until_s=ends,
            entry_limit=entries,
            door_groups=tuple(doors),
            proof=Proof(bits),
            daily=_daily_of(later),
        )
    except ClaimsError as error:
        raise UnreadableCodeError(f"{error.field}: {error.message}") from error


def _daily_of(later: list[cbor.Value]) -> Daily | None:
    """Return the daily limits from the fields behind the first three, of which it is the first."""
    if not later:
        return None
    if later[-1] is None:
        raise UnreadableCodeError("the last field of the pass is null instead of left out")
    if later[0] is None:
        return None
    if type(later[0]) is not list or len(later[0]) != _DAILY_NUMBERS:
        raise UnreadableCodeError("the daily limits are not three numbers")
    return Daily(*_integers(later[0]))


def _integers(values: list[cbor.Value]) -> list[int]:
    """Return `values` as integers. A boolean is none, although Python counts it as one."""
    integers = [value for value in values if type(value) is int]
    if len(integers) != len(values):
        raise UnreadableCodeError("a number of the claims is not an integer")
    return integers


def mint(claims: Claims, key: Ed25519PrivateKey) -> str:
    """Return the text of a code that says `claims`, signed by `key`.

    Raises CodeTooLongError, naming `doors`, if that needs more than 144 bytes.
    """
    return sign_payload(payload_of(claims), key)


def sign_payload(payload: bytes, key: Ed25519PrivateKey) -> str:
    """Return the text of a code with an encoded claims set; the same key gives the same text.

    Raises CodeTooLongError, naming `doors`, if that needs more than 144 bytes.
    """
    message = cose.sign1(payload, key)
    if len(message) > MAX_CODE_BYTES:
        raise CodeTooLongError
    return PREFIX + base45.encode(message)


def parse(text: str) -> ParsedCode:
    """Take the text of a code apart. Trust nothing in it before `verify`.

    The length is bounded before anything is decoded. Raises UnreadableCodeError unless the text is,
    to the last character, one that `sign_payload` writes for some claims and some signature.
    """
    if len(text) > MAX_TEXT_LENGTH or not text.startswith(PREFIX):
        raise UnreadableCodeError(f"the text does not start with {PREFIX} or is too long")
    try:
        message = cose.parse_sign1(base45.decode(text[len(PREFIX) :]))
    except (base45.Base45Error, cose.CoseError) as error:
        raise UnreadableCodeError(str(error)) from error
    return ParsedCode(claims_of(message.payload), message)


def verify(parsed: ParsedCode, public_key: Ed25519PublicKey) -> None:
    """Check a code's signature with the key that its kid names (RFC 9052 section 4.4).

    Raises BadSignatureError if the key did not sign these bytes. Whether the key is the right one
    for that kid, whether it is still in use and whether the claims allow anything, is the caller's.
    """
    try:
        public_key.verify(parsed.message.signature, parsed.message.to_be_verified)
    except InvalidSignature as error:
        raise BadSignatureError("the signature does not hold") from error


def read(text: str, keys: Mapping[bytes, Ed25519PublicKey]) -> Claims:
    """Return what a code says, once it is certain that one of `keys` signed it.

    `keys` maps key ids to public keys. Raises, in this order, UnreadableCodeError,
    UnknownKeyError and BadSignatureError. The window, the doors and the register are the
    caller's to check.
    """
    parsed = parse(text)
    public_key = keys.get(parsed.kid)
    if public_key is None:
        raise UnknownKeyError(f"no key has the id {parsed.kid.hex()}")
    verify(parsed, public_key)
    return parsed.claims
