#!/usr/bin/env python3
"""Alter valid codes in every way that comes to mind and see that none is accepted.

    scripts/fuzz_codes.py --count 1000000 --seed 1

Each altered code must be refused with a reason; to accept it, and to raise anything else, is a
finding. Half of the ways sign what they altered with a key that the reader trusts, so that only the
strictness of the format can refuse it. The same seed gives the same codes. Exit status: 0 without a
finding, 1 with one.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, replace
from random import Random
from typing import TYPE_CHECKING, Any

import cbor2
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from passdesk.core import base45, cbor, code, cose
from passdesk.core.code import Claims, Daily, Proof

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ISSUER, SECOND_ISSUER, STRANGER = (
    Ed25519PrivateKey.from_private_bytes(bytes([number]) * 32) for number in (1, 2, 3)
)
ISSUER_ID, SECOND_ID = (cose.key_id(key.public_key()) for key in (ISSUER, SECOND_ISSUER))
TRUSTED = {ISSUER_ID: ISSUER.public_key(), SECOND_ID: SECOND_ISSUER.public_key()}
PROTECTED = cbor.encode({1: cose.ALGORITHM, 4: ISSUER_ID})
ORDER = 2**252 + 27742317777372353535851937790883648493
REPORT_EVERY = 100_000

WINDOW = (1_893_488_400, 1_893_520_800)
CLAIMS = [
    Claims(b"1" * 16, *WINDOW, 4, (1, 2, 300)),
    Claims(b"2" * 16, *WINDOW, 0, ()),
    Claims(b"3" * 16, *WINDOW, 1000, tuple(range(1, 21))),
    Claims(b"4" * 16, *WINDOW, 1, (7,), daily=Daily(480, 1080, 31)),
    Claims(b"5" * 16, *WINDOW, 4, (70_000,), Proof.PIN | Proof.ESCORT_NEEDED),
]
PAYLOADS = [code.payload_of(claims) for claims in CLAIMS]
MESSAGES = [cose.sign1(payload, ISSUER) for payload in PAYLOADS]
TEXTS = [code.PREFIX + base45.encode(message) for message in MESSAGES]
VALID = frozenset(TEXTS)


@dataclass(frozen=True, slots=True)
class Mutation:
    """An altered code, and the way in which it was altered."""

    way: str
    text: str


# --- the text ------------------------------------------------------------------------------------


def _other_character(draw: Random) -> str:
    text = draw.choice(TEXTS)
    at = draw.randrange(len(text))
    return text[:at] + draw.choice(base45.ALPHABET) + text[at + 1 :]


def _swapped_characters(draw: Random) -> str:
    characters = list(draw.choice(TEXTS))
    one, other = draw.randrange(len(characters)), draw.randrange(len(characters))
    characters[one], characters[other] = characters[other], characters[one]
    return "".join(characters)


def _missing_characters(draw: Random) -> str:
    text = draw.choice(TEXTS)
    at = draw.randrange(len(text))
    return text[:at] + text[at + draw.randint(1, 4) :]


def _more_characters(draw: Random) -> str:
    text = draw.choice(TEXTS)
    at = draw.randrange(len(text) + 1)
    more = draw.choice(["0", "00", "000", " ", "\n", "\0", "Ä", "😀", "0" * 999])
    return text[:at] + more + text[at:]


def _other_case(draw: Random) -> str:
    text = draw.choice(TEXTS)
    at = draw.randrange(len(text))
    return draw.choice([text.lower(), text.title(), text[:at] + text[at:].lower()])


def _other_prefix(draw: Random) -> str:
    prefix = draw.choice(
        ["", "VP", "VP1", "VP2:", "VP0:", "VP1::", "vp1:", " VP1:", "VP1:VP1:", "VP1:%20"]
    )
    return prefix + draw.choice(TEXTS)[len(code.PREFIX) :]


# --- the bytes -----------------------------------------------------------------------------------


def _text_of(message: bytes) -> str:
    return code.PREFIX + base45.encode(message)


def _flipped_bits(draw: Random) -> bytes:
    message = bytearray(draw.choice(MESSAGES))
    for _ in range(draw.randint(1, 4)):
        message[draw.randrange(len(message))] ^= 1 << draw.randrange(8)
    return bytes(message)


def _overwritten_bytes(draw: Random) -> bytes:
    message = bytearray(draw.choice(MESSAGES))
    at, size = draw.randrange(len(message)), draw.randint(1, 8)
    message[at : at + size] = draw.randbytes(size)
    return bytes(message)


def _swapped_bytes(draw: Random) -> bytes:
    message = bytearray(draw.choice(MESSAGES))
    one, other = draw.randrange(len(message)), draw.randrange(len(message))
    message[one], message[other] = message[other], message[one]
    return bytes(message)


def _missing_bytes(draw: Random) -> bytes:
    message = draw.choice(MESSAGES)
    at = draw.randrange(len(message))
    return draw.choice([message[:at], message[at:], message[:at] + message[at + 1 :]])


def _more_bytes(draw: Random) -> bytes:
    message, more = draw.choice(MESSAGES), draw.randbytes(draw.randint(1, 8))
    return draw.choice([message + more, more + message, message + message])


def _random_bytes(draw: Random) -> bytes:
    return draw.randbytes(draw.randint(0, code.MAX_CODE_BYTES))


# --- the signature -------------------------------------------------------------------------------


def _framed(protected: bytes, payload: bytes, signature: bytes) -> bytes:
    """Return a message of these parts, whatever they are."""
    header, content, end = map(cbor.encode, (protected, payload, signature))
    return b"\xd2\x84" + header + b"\xa0" + content + end


def _swapped_payload(draw: Random) -> bytes:
    one, other = draw.sample(range(len(MESSAGES)), 2)
    return _framed(PROTECTED, PAYLOADS[one], MESSAGES[other][-64:])


def _swapped_key_id(draw: Random) -> bytes:
    message = draw.choice(MESSAGES)
    return message.replace(ISSUER_ID, draw.choice([SECOND_ID, draw.randbytes(4)]), 1)


def _wrong_key(draw: Random) -> bytes:
    payload, key = draw.choice(PAYLOADS), draw.choice([SECOND_ISSUER, STRANGER])
    return _framed(PROTECTED, payload, key.sign(cose.signature_input(PROTECTED, payload)))


def _unsigned_change(draw: Random) -> bytes:
    """A longer window, more entries or other doors under the old signature."""
    at = draw.randrange(len(MESSAGES))
    changes: dict[str, Any] = {
        "valid_from_s": draw.randrange(1, WINDOW[0]),
        "valid_until_s": draw.randrange(WINDOW[1] + 1, 2**33),
        "entry_limit": draw.randrange(1001, 2000),
        "door_groups": (draw.randrange(8, 70_000),),
    }
    name = draw.choice(list(changes))
    changed = replace(CLAIMS[at], **{name: changes[name]})
    return _framed(PROTECTED, code.payload_of(changed), MESSAGES[at][-64:])


def _malleable_signature(draw: Random) -> bytes:
    """S and S plus the order of the group are the same number to a verifier that does not look."""
    message = draw.choice(MESSAGES)
    s = int.from_bytes(message[-32:], "little") + draw.choice([1, 2, 4, 8]) * ORDER
    return message[:-32] + s.to_bytes(32, "little")


def _special_signature(draw: Random) -> bytes:
    numbers = (0, 1, ORDER - 1, ORDER, 2**255 - 19, 2**255 - 1)
    halves = [draw.choice(numbers).to_bytes(32, "little") for _ in range(2)]
    return _framed(PROTECTED, draw.choice(PAYLOADS), b"".join(halves))


# --- the frame, signed by a trusted key ----------------------------------------------------------


def _signed(payload: bytes, protected: bytes = PROTECTED) -> bytes:
    return _framed(protected, payload, ISSUER.sign(cose.signature_input(protected, payload)))


# EdDSA, ES256, ESP256, Ed448, ML-DSA, a reserved number, MACs, none, a name, and what is near.
ALGORITHMS = (-8, -7, -9, -53, -48, 0, 4, 5, None, "Ed25519", -18, -20, 18, 19, -19.0, -(2**40))
HEADERS = (
    b"",
    b"\xa0",
    cbor.encode({1: -19}),
    cbor.encode({4: ISSUER_ID}),
    cbor.encode({1: -19, 4: ISSUER_ID[:3]}),
    cbor.encode({1: -19, 4: ISSUER_ID + b"\0"}),
    cbor.encode({1: -19, 4: ISSUER_ID.hex()}),
    cbor.encode({1: -19, 2: [4], 4: ISSUER_ID}),
    cbor.encode({1: -19, 4: ISSUER_ID, 16: "cwt"}),
    b"\xa2\x04\x44" + ISSUER_ID + b"\x01\x32",
    b"\xa2\x01\x38\x12\x04\x44" + ISSUER_ID,
    b"\xa3\x01\x32\x01\x32\x04\x44" + ISSUER_ID,
    b"\xbf\x01\x32\x04\x44" + ISSUER_ID + b"\xff",
)
STARTS = [
    *map(bytes.fromhex, ("", "84", "d184", "d86284", "d81284", "d83dd284", "d2d284")),
    *map(bytes.fromhex, ("d29804", "d283", "d285")),
]
UNPROTECTED = [*map(bytes.fromhex, ("a10540", "a1044401020304", "80", "f6", "b800", "bfff"))]


def _other_algorithm(draw: Random) -> bytes:
    protected = cbor2.dumps({1: draw.choice(ALGORITHMS), 4: ISSUER_ID})
    return _signed(draw.choice(PAYLOADS), protected)


def _other_header(draw: Random) -> bytes:
    return _signed(draw.choice(PAYLOADS), draw.choice(HEADERS))


def _other_frame(draw: Random) -> bytes:
    message = draw.choice(MESSAGES)
    head, unprotected_at, signature = message[:2], 12, message[-64:]
    return draw.choice(
        [
            draw.choice(STARTS) + message[2:],
            head[:1] + b"\x9f" + message[2:] + b"\xff",
            message[:unprotected_at] + draw.choice(UNPROTECTED) + message[unprotected_at + 1 :],
            message[:-66] + b"\x59\x00\x40" + signature,
            message[:-66] + b"\x5f\x58\x40" + signature + b"\xff",
        ]
    )


# --- the claims, signed by a trusted key ---------------------------------------------------------

BYTE_STRING, ARRAY = 2, 4
WIDTHS = {24: 1, 25: 2, 26: 4, 27: 8}


def _heads(payload: bytes) -> list[tuple[int, int, int, int]]:
    """Return where each item of the claims starts, its major type, argument and head's length."""
    found, at = [], 0
    while at < len(payload):
        major, info = payload[at] >> 5, payload[at] & 31
        end = at + 1 + WIDTHS.get(info, 0)
        argument = int.from_bytes(payload[at + 1 : end]) if info in WIDTHS else info
        found.append((at, major, argument, end - at))
        at = end + (argument if major == BYTE_STRING else 0)
    return found


HEADS = [_heads(payload) for payload in PAYLOADS]


def _any_item(draw: Random) -> tuple[bytes, int, int, int, int]:
    number = draw.randrange(len(PAYLOADS))
    return PAYLOADS[number], *draw.choice(HEADS[number])


def _longer_number(draw: Random) -> bytes:
    payload, at, major, argument, length = _any_item(draw)
    info, width = draw.choice([each for each in WIDTHS.items() if each[1] >= length])
    head = bytes([major << 5 | info]) + argument.to_bytes(width)
    return payload[:at] + head + payload[at + length :]


def _indefinite_length(draw: Random) -> bytes:
    number = draw.randrange(len(PAYLOADS))
    payload = PAYLOADS[number]
    starts = {major: at for at, major, *_ in reversed(HEADS[number])}
    text, array = starts[BYTE_STRING], starts[ARRAY]
    text_end = text + 1 + code.CODE_ID_BYTES
    return draw.choice(
        [
            b"\xbf" + payload[1:] + b"\xff",
            payload[:array] + b"\x9f" + payload[array + 1 :] + b"\xff",
            payload[:text] + b"\x5f" + payload[text:text_end] + b"\xff" + payload[text_end:],
        ]
    )


def _other_type(draw: Random) -> bytes:
    payload, at, major, _, _ = _any_item(draw)
    other = (major + draw.randint(1, 7)) % 8
    return payload[:at] + bytes([other << 5 | payload[at] & 31]) + payload[at + 1 :]


def _wrapped_item(draw: Random) -> bytes:
    """A tag, or an array of one, put before an item."""
    payload, at, *_ = _any_item(draw)
    wrapper = draw.choice(
        [bytes([0xC0 | draw.randrange(24)]), b"\xd8\x1c", b"\xd9\xd9\xf7", b"\x81"]
    )
    return payload[:at] + wrapper + payload[at:]


def _nested_deeply(draw: Random) -> bytes:
    """An appended field, which may be anything, but not this deep."""
    depth = draw.randint(3, 15)
    fields = b"\x85\x04\x81\x01\x00\xf6" + b"\x81" * depth + b"\x80"
    return PAYLOADS[0][: HEADS[0][8][0]] + fields


def _repeated_key(draw: Random) -> bytes:
    payload, entry = draw.choice(PAYLOADS), slice(1, 7)
    other = bytes([4, 0x1A]) + draw.randbytes(4)
    again = draw.choice([payload[entry], other])
    return b"\xa5" + draw.choice([again + payload[1:], payload[1:] + again])


def _trailing_bytes(draw: Random) -> bytes:
    return draw.choice(PAYLOADS) + draw.randbytes(draw.randint(1, 4))


ODD_KEYS = (0, 1, 2, 3, 6, 8, -65536, -65538, "exp", b"", None, True)
ODD_VALUES: tuple[cbor.Value, ...] = (None, True, "text", b"", [], {}, -1, 0, 2**63)


def _decoded(draw: Random) -> dict[cbor.Key, cbor.Value]:
    return dict(cbor2.loads(draw.choice(PAYLOADS)))


def _claim_missing(draw: Random) -> bytes:
    claims = _decoded(draw)
    del claims[draw.choice(list(claims))]
    return cbor.encode(claims)


def _claim_more(draw: Random) -> bytes:
    return cbor.encode(_decoded(draw) | {draw.choice(ODD_KEYS): 0})


def _claim_odd(draw: Random) -> bytes:
    claims = _decoded(draw)
    claims[draw.choice(list(claims))] = draw.choice(ODD_VALUES)
    return cbor.encode(claims)


def _claims_out_of_order(draw: Random) -> bytes:
    entries = [cbor.encode(key) + cbor.encode(value) for key, value in _decoded(draw).items()]
    draw.shuffle(entries)
    return bytes([0xA0 | len(entries)]) + b"".join(entries)


def _field_odd(draw: Random) -> bytes:
    """A field of the pass that no code can have; what is merely unknown comes after them."""
    odd: dict[int, list[cbor.Value]] = {
        0: [None, True, -1, 2**32, "4", []],
        1: [None, 1, [0], [True], [2, 1], [1, 1], [2**32], ["1"], {1: 1}, [[1]]],
        2: [None, False, -1, 8, 15, "1", []],
        3: [None, 0, [], [1, 2], [1, 2, 3, 4], [2, 1, 1], [0, 1441, 1], [0, 1, 128], [0, 1, 0]],
    }
    fields: list[cbor.Value] = [4, [1, 2], 0, [480, 1080, 31]]
    at = draw.randrange(len(fields))
    fields[at] = draw.choice(odd[at])
    return cbor.encode(_decoded(draw) | {-65537: fields})


def _fields_missing(draw: Random) -> bytes:
    fields: list[cbor.Value] = [4, [1, 2], 0]
    del fields[draw.randrange(3) :]
    return cbor.encode(_decoded(draw) | {-65537: fields})


# --- the program ---------------------------------------------------------------------------------

TEXT_WAYS = (
    _other_character,
    _swapped_characters,
    _missing_characters,
    _more_characters,
    _other_case,
    _other_prefix,
)
MESSAGE_WAYS = (
    _flipped_bits,
    _overwritten_bytes,
    _swapped_bytes,
    _missing_bytes,
    _more_bytes,
    _random_bytes,
    _swapped_payload,
    _swapped_key_id,
    _wrong_key,
    _unsigned_change,
    _malleable_signature,
    _special_signature,
    _other_algorithm,
    _other_header,
    _other_frame,
)
SIGNED_WAYS = (
    _longer_number,
    _indefinite_length,
    _other_type,
    _wrapped_item,
    _nested_deeply,
    _repeated_key,
    _trailing_bytes,
    _claim_missing,
    _claim_more,
    _claim_odd,
    _claims_out_of_order,
    _field_odd,
    _fields_missing,
)
WAYS: list[tuple[str, Callable[[Random], str]]] = [
    *((way.__name__, way) for way in TEXT_WAYS),
    *((way.__name__, lambda draw, way=way: _text_of(way(draw))) for way in MESSAGE_WAYS),
    *((way.__name__, lambda draw, way=way: _text_of(_signed(way(draw)))) for way in SIGNED_WAYS),
]


def mutations(seed: int, count: int) -> Iterator[Mutation]:
    """Yield `count` altered codes. One that came out as it was before is not counted."""
    draw = Random(seed)  # noqa: S311 - no secret: the same seed must give the same codes
    while count:
        name, way = draw.choice(WAYS)
        text = way(draw)
        if text not in VALID:
            yield Mutation(name.strip("_").replace("_", " "), text)
            count -= 1


def finding(text: str) -> str | None:
    """Return what is wrong with how an altered code was taken, or None if it was refused."""
    try:
        return f"accepted as {code.read(text, TRUSTED)}"
    except code.CodeError:
        return None
    except Exception as error:  # noqa: BLE001 - that is what is looked for
        return f"raised {error!r}"


def main(arguments: list[str] | None = None) -> int:
    """Run the program; return its exit status."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--count", type=int, default=1_000_000, help="how many altered codes")
    parser.add_argument("--seed", type=int, default=1, help="the same seed gives the same codes")
    options = parser.parse_args(arguments)
    for text in TEXTS:
        code.read(text, TRUSTED)  # a reader that refuses everything would find nothing
    began, findings = time.monotonic(), 0
    for number, mutation in enumerate(mutations(options.seed, options.count), start=1):
        found = finding(mutation.text)
        if found:
            findings += 1
            print(f"{mutation.way}: {mutation.text!r} {found}")
        if number % REPORT_EVERY == 0:
            print(f"{number:,} altered codes after {time.monotonic() - began:.0f} s", flush=True)
    seconds = time.monotonic() - began
    print(
        f"{options.count:,} codes altered in {len(WAYS)} ways (seed {options.seed}):"
        f" {findings} findings, {seconds:.1f} s"
    )
    return 1 if findings else 0


if __name__ == "__main__":
    sys.exit(main())
