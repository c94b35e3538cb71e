#!/usr/bin/env python3
"""Write the test vectors in `shared/vectors`, or see with `--check` that they are as written here.

The output is the same each time: the keys are fixed, and Ed25519 signatures are deterministic. Exit
status of `--check`: 0 if every file is as it should be, 1 if one is not, which it names.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import cbor2
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from passdesk.core import base45, cbor, code, cose, number
from passdesk.core.code import Claims, Daily, Proof

FOLDER = Path(__file__).parents[1] / "shared" / "vectors"

# Published, so they are nobody's: a reader in use must never trust them.
SEEDS = {
    "issuer": bytes(range(32)),
    "second": bytes(range(32, 64)),
    "stranger": bytes(range(64, 96)),
}
KEYS = {name: Ed25519PrivateKey.from_private_bytes(seed) for name, seed in SEEDS.items()}
KIDS = {name: cose.key_id(key.public_key()) for name, key in KEYS.items()}
ISSUER, KID = KEYS["issuer"], KIDS["issuer"]
ORDER = 2**252 + 27742317777372353535851937790883648493

# 1 January 2030, 09:00 to 18:00 UTC.
FROM_S, UNTIL_S = 1_893_488_400, 1_893_520_800
USUAL = Claims(bytes.fromhex("5a" * 16), FROM_S, UNTIL_S, 4, (1, 3, 300))


PROTECTED = cbor.encode({1: cose.ALGORITHM, 4: KID})
PAYLOAD = code.payload_of(USUAL)
SIGNATURE = ISSUER.sign(cose.signature_input(PROTECTED, PAYLOAD))


def _fields(*fields: cbor.Value) -> bytes:
    """Return the payload of a usual pass with other fields."""
    return _claims({-65537: list(fields)})


def _claims(changes: dict[cbor.Key, cbor.Value], without: cbor.Key = None) -> bytes:
    """Return the payload of a usual pass with claims changed or added, and one left out."""
    claims = dict(cbor2.loads(PAYLOAD)) | changes
    claims.pop(without, None)
    return cbor.encode(claims, max_depth=9)


def _text(message: bytes) -> str:
    return code.PREFIX + base45.encode(message)


def _signed(payload: bytes, protected: bytes = PROTECTED, key: Ed25519PrivateKey = ISSUER) -> str:
    """Return the text of a code signed over these parts, whatever they are."""
    return _text(_framed(protected, payload, key.sign(cose.signature_input(protected, payload))))


def _framed(
    protected: bytes = PROTECTED,
    payload: object = PAYLOAD,
    signature: object = SIGNATURE,
    unprotected: object = None,
    start: str = "d284",
) -> bytes:
    """Return a message of any parts. Whatever stands in the parts, the rest is as it should be."""
    parts = (protected, {} if unprotected is None else unprotected, payload, signature)
    return bytes.fromhex(start) + b"".join(map(cbor2.dumps, parts))


# --- valid codes: name, payload, what it says ----------------------------------------------------


def _valid() -> list[tuple[str, bytes, Claims]]:
    says = {
        "a usual pass": USUAL,
        "no entry limit": replace(USUAL, entry_limit=0),
        "no doors": replace(USUAL, door_groups=()),
        "as many door groups as fit": replace(USUAL, door_groups=tuple(range(1, 24))),
        "large numbers": Claims(
            b"\xff" * 16,
            code.MAX_TIME_S - 1,
            code.MAX_TIME_S,
            code.MAX_ENTRY_LIMIT,
            (code.MAX_DOOR_GROUP,),
        ),
        "small numbers": Claims(bytes(16), 1, 2, 0, (1,)),
        "a PIN and an escort": replace(USUAL, proof=Proof.PIN | Proof.ESCORT_NEEDED),
        "an escort pass": replace(USUAL, proof=Proof.ESCORT_PASS),
        "weekdays from 8 to 18": replace(USUAL, daily=Daily(480, 1080, 0b0011111)),
        "Sundays, all day": replace(USUAL, daily=Daily(0, 1440, 0b1000000)),
    }
    daily: list[cbor.Value] = [480, 1080, 0b0011111]
    appended = {
        "a field from a later version": (_fields(4, [1, 3, 300], 0, None, 7), USUAL),
        "two fields from a later version": (_fields(4, [1, 3, 300], 0, None, None, []), USUAL),
        "a field from a later version behind daily limits": (
            _fields(4, [1, 3, 300], 0, daily, "new"),
            says["weekdays from 8 to 18"],
        ),
    }
    return [
        *((name, code.payload_of(claims), claims) for name, claims in says.items()),
        *((name, payload, claims) for name, (payload, claims) in appended.items()),
    ]


# --- invalid codes: why, text --------------------------------------------------------------------

SOUND = _text(_framed())
TOO_LONG = _text(cose.sign1(_fields(4, list(range(1, 26)), 0), ISSUER))

BAD_TEXTS = {
    "nothing": "",
    "the prefix alone": "VP1:",
    "no prefix": SOUND[4:],
    "another version's prefix": "VP2:" + SOUND[4:],
    "the prefix in lower case": "vp1:" + SOUND[4:],
    "lower case throughout": SOUND.lower(),
    "a space before": " " + SOUND,
    "a space behind": SOUND + " ",
    "a line end behind": SOUND + "\n",
    "one character left over": SOUND + "0",
    "a group of three above 65535": "VP1:GGW" + SOUND[7:],
    "a group of two above 255": SOUND + "::",
    "a letter outside the alphabet": SOUND[:-1] + "_",
    "a letter outside ASCII": SOUND[:-1] + "\u00c9",
    "too long, though signed": TOO_LONG,
}

BAD_FRAMES = {
    "no tag": _framed(start="84"),
    "another tag: COSE_Mac0": _framed(start="d184"),
    "the tag of a CWT around it": _framed(start="d83dd284"),
    "the tag longer than needed": _framed(start="d81284"),
    "an array longer than needed": _framed(start="d29804"),
    "an array of five": _framed(start="d285") + b"\x40",
    "an array without end": _framed(start="d29f") + b"\xff",
    "bytes behind the message": _framed() + b"\x00",
    "cut short": _framed()[:-1],
    "something unprotected": _framed(unprotected={5: b""}),
    "the payload left out": _framed(payload=None),
    "the payload as text": _framed(payload="text"),
    "the payload's length longer than needed": _framed().replace(
        cbor.encode(PAYLOAD), b"\x59" + len(PAYLOAD).to_bytes(2) + PAYLOAD
    ),
    "a signature of 63 bytes": _framed(signature=SIGNATURE[:63]),
    "a signature of 65 bytes": _framed(signature=SIGNATURE + b"\x00"),
}

BAD_HEADERS = {
    "the older algorithm -8 (EdDSA)": cbor.encode({1: -8, 4: KID}),
    "another algorithm: -7 (ES256)": cbor.encode({1: -7, 4: KID}),
    "another algorithm: 5 (HMAC)": cbor.encode({1: 5, 4: KID}),
    "the algorithm by name": cbor.encode({1: "Ed25519", 4: KID}),
    "no algorithm": cbor.encode({4: KID}),
    "no key id": cbor.encode({1: -19}),
    "nothing protected": b"",
    "a key id of three bytes": cbor.encode({1: -19, 4: KID[:3]}),
    "a key id of five bytes": cbor.encode({1: -19, 4: KID + b"\x00"}),
    "the key id as text": cbor.encode({1: -19, 4: "abcd"}),
    "a further header": cbor.encode({1: -19, 4: KID, 16: 61}),
    "a critical header": cbor.encode({1: -19, 2: [4], 4: KID}),
    "headers out of order": b"\xa2\x04\x44" + KID + b"\x01\x32",
    "the algorithm longer than needed": b"\xa2\x01\x38\x12\x04\x44" + KID,
    "the same header twice": b"\xa3\x01\x32\x01\x32\x04\x44" + KID,
}

BAD_CLAIMS = {
    "no claims at all": b"",
    "the claims are an array": cbor.encode([4, 5, 7]),
    "no exp": _claims({}, without=4),
    "no nbf": _claims({}, without=5),
    "no cti": _claims({}, without=7),
    "no pass": _claims({}, without=-65537),
    "a further claim: iss": _claims({1: "issuer"}),
    "a further private claim": _claims({-65538: 0}),
    "exp as text": _claims({4: "later"}),
    "exp as a float": PAYLOAD.replace(cbor.encode(UNTIL_S), cbor2.dumps(float(UNTIL_S))),
    "exp with the tag of a time": PAYLOAD.replace(b"\x04\x1a", b"\x04\xc1\x1a", 1),
    "exp longer than needed": PAYLOAD.replace(b"\x04\x1a", b"\x04\x1b" + bytes(4), 1),
    "exp at nbf": _claims({4: FROM_S}),
    "exp before nbf": _claims({4: FROM_S - 1}),
    "exp at 2 to the 40th": _claims({4: 2**40}),
    "nbf zero": _claims({5: 0}),
    "nbf negative": _claims({5: -1}),
    "nbf null": _claims({5: None}),
    "cti of 15 bytes": _claims({7: bytes(15)}),
    "cti of 17 bytes": _claims({7: bytes(17)}),
    "cti as text": _claims({7: "Z" * 16}),
    "claims out of order": b"\xa4" + PAYLOAD[13:31] + PAYLOAD[1:13] + PAYLOAD[31:],
    "the same claim twice": b"\xa5" + PAYLOAD[1:7] + PAYLOAD[1:],
    "a map without end": b"\xbf" + PAYLOAD[1:] + b"\xff",
    "bytes behind the claims": PAYLOAD + b"\x00",
    "the pass as a map": _claims({-65537: {0: 4, 1: [1], 2: 0}}),
    "two fields only": _fields(4, [1]),
    "the entry limit negative": _fields(-1, [1], 0),
    "the entry limit at 2 to the 32nd": _fields(2**32, [1], 0),
    "the entry limit true": _fields(True, [1], 0),
    "the entry limit null": _fields(None, [1], 0),
    "the door groups null": _fields(4, None, 0),
    "a door group of zero": _fields(4, [0], 0),
    "a door group at 2 to the 32nd": _fields(4, [2**32], 0),
    "a door group as text": _fields(4, ["1"], 0),
    "door groups out of order": _fields(4, [3, 1], 0),
    "a door group twice": _fields(4, [1, 1], 0),
    "a proof that is not known": _fields(4, [1], 8),
    "a proof that is negative": _fields(4, [1], -1),
    "a proof that is null": _fields(4, [1], None),
    "a last field that is null": _fields(4, [1], 0, None),
    "an appended last field that is null": _fields(4, [1], 0, None, 1, None),
    "an appended field nested too deep": _fields(4, [1], 0, None, [[[]]]),
    "an appended field that is a float": _fields(4, [1], 0, None, 1)[:-1] + b"\xf9\x3c\x00",
    "daily limits of two numbers": _fields(4, [1], 0, [480, 1080]),
    "daily limits of four numbers": _fields(4, [1], 0, [480, 1080, 31, 0]),
    "daily limits that end before they start": _fields(4, [1], 0, [1080, 480, 31]),
    "daily limits that are empty": _fields(4, [1], 0, [480, 480, 31]),
    "daily limits past midnight": _fields(4, [1], 0, [480, 1441, 31]),
    "daily limits on no weekday": _fields(4, [1], 0, [480, 1080, 0]),
    "daily limits on an eighth weekday": _fields(4, [1], 0, [480, 1080, 128]),
}


def _bad_signatures() -> dict[str, str]:
    longer = code.payload_of(replace(USUAL, valid_until_s=UNTIL_S + 86_400))
    s_plus_order = int.from_bytes(SIGNATURE[32:], "little") + ORDER
    parts = {
        "Signature": ["Signature", PROTECTED, b"", PAYLOAD],
        "external": ["Signature1", PROTECTED, b"more", PAYLOAD],
        "unprotected": ["Signature1", b"", b"", PAYLOAD],
    }
    over = {name: ISSUER.sign(cbor.encode(value)) for name, value in parts.items()}
    signatures = {
        "a signature of zeros": bytes(64),
        "a signature with one bit turned": SIGNATURE[:-1] + bytes([SIGNATURE[-1] ^ 1]),
        "S not reduced modulo the group's order": SIGNATURE[:32]
        + s_plus_order.to_bytes(32, "little"),
        "signed for another context": over["Signature"],
        "signed with external data": over["external"],
        "signed without the header": over["unprotected"],
        "signed over the payload alone": ISSUER.sign(PAYLOAD),
    }
    second = cbor.encode({1: cose.ALGORITHM, 4: KIDS["second"]})
    return {
        **{why: _text(_framed(signature=signature)) for why, signature in signatures.items()},
        "a longer stay under the old signature": _text(_framed(payload=longer)),
        "another known key's id": _text(_framed(protected=second)),
        "signed by another known key": _signed(PAYLOAD, key=KEYS["second"]),
        "signed by a stranger under a known key's id": _signed(PAYLOAD, key=KEYS["stranger"]),
    }


def _unknown_keys() -> dict[str, str]:
    stranger = cbor.encode({1: cose.ALGORITHM, 4: KIDS["stranger"]})
    return {
        "signed by a key that the reader does not know": code.mint(USUAL, KEYS["stranger"]),
        "an unknown key's id over a known key's signature": _text(_framed(protected=stranger)),
    }


# --- the files -----------------------------------------------------------------------------------


def _code_vectors() -> dict[str, Any]:
    unreadable = {
        **BAD_TEXTS,
        **{why: _text(message) for why, message in BAD_FRAMES.items()},
        **{why: _signed(PAYLOAD, protected) for why, protected in BAD_HEADERS.items()},
        **{why: _signed(payload) for why, payload in BAD_CLAIMS.items()},
    }
    invalid = {
        "unreadable": unreadable,
        "unknown-key": _unknown_keys(),
        "bad-signature": _bad_signatures(),
    }
    return {
        "about": "Test vectors of the code format VP1, described in code-format.md.",
        "seeds": {name: seed.hex() for name, seed in SEEDS.items()},
        "keys": [
            {"kid": KIDS[name].hex(), "x": KEYS[name].public_key().public_bytes_raw().hex()}
            for name in ("issuer", "second")
        ],
        "valid": [
            {
                "name": name,
                "text": code.sign_payload(payload, ISSUER),
                "payload": payload.hex(),
                "claims": asdict(claims) | {"code_id": claims.code_id.hex()},
            }
            for name, payload, claims in _valid()
        ],
        "invalid": [
            {"why": why, "reason": reason, "text": text}
            for reason, cases in invalid.items()
            for why, text in cases.items()
        ],
    }


def _number_vectors() -> dict[str, Any]:
    made = [number.make(payload) for payload in NUMBERED]
    written = [number.display(made[3]).lower(), f" {made[3][:4]} {made[3][4:]} ", made[3]]
    slip = made[3][:2] + "Z" + made[3][3:]
    swap = made[3][1] + made[3][0] + made[3][2:]
    return {
        "about": "Test vectors of pass numbers, described in code-format.md.",
        "alphabet": number.ALPHABET,
        "valid": [
            {"payload": payload, "number": text, "display": number.display(text)}
            for payload, text in zip(NUMBERED, made, strict=True)
        ],
        "written": [{"text": text, "number": made[3]} for text in written],
        "invalid": [
            {"why": "nothing", "text": ""},
            {"why": "seven characters", "text": made[3][:7]},
            {"why": "nine characters", "text": made[3] + "2"},
            {"why": "a character that no number has", "text": made[3][:7] + "0"},
            {"why": "a single slip", "text": slip},
            {"why": "two neighbours swapped", "text": swap},
            {
                "why": "the check character swapped with its neighbour",
                "text": made[3][:6] + made[3][:5:-1],
            },
        ],
    }


NUMBERED = (0, 1, 31**6, 12_345_678_901, number.NUMBERS - 1)
FILES = {"code-v1.json": _code_vectors, "number-v1.json": _number_vectors}


def main(arguments: list[str] | None = None) -> int:
    """Run the program; return its exit status."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--check", action="store_true", help="compare instead of writing")
    parser.add_argument("--folder", type=Path, default=FOLDER, help="where the files are")
    options = parser.parse_args(arguments)
    different = False
    for name, vectors in FILES.items():
        path, text = options.folder / name, json.dumps(vectors(), indent=2) + "\n"
        if not options.check:
            path.write_text(text, encoding="ascii")
        elif not path.exists() or path.read_text(encoding="ascii") != text:
            print(f"{path.name} is not what scripts/make_vectors.py writes")
            different = True
    return 1 if different else 0


if __name__ == "__main__":
    sys.exit(main())
