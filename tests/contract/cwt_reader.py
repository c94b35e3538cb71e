# mypy: disable-error-code="import-not-found"
# The package is installed in an environment of its own only, since it pins an older CBOR library.
"""Sign and verify with the `cwt` package, which others wrote, in its own environment.

One JSON object a line comes in on standard input, and one goes out:

    {"sign": payload in hex, "seed": hex, "kid": hex}
        ->  {"message": hex}
    {"verify": message in hex, "keys": [{"kid": hex, "x": hex}]}
        ->  {"payload": hex, "claims": [[key, value], ...]}  or  {"refused": why}

Byte strings among the claims are given in hex.
"""

from __future__ import annotations

import json
import sys
from typing import Any

import cbor2
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cwt import COSE, COSEKey

ED25519 = -19
OKP, CURVE = 1, 6


def sign(question: dict[str, Any]) -> dict[str, Any]:
    """Sign a payload, with algorithm and key id protected and nothing unprotected."""
    kid, secret = bytes.fromhex(question["kid"]), bytes.fromhex(question["seed"])
    x = Ed25519PrivateKey.from_private_bytes(secret).public_key().public_bytes_raw()
    key = COSEKey.new({1: OKP, 2: kid, 3: ED25519, -1: CURVE, -2: x, -4: secret})
    payload = bytes.fromhex(question["sign"])
    return {"message": COSE.new().encode(payload, key, protected={1: ED25519, 4: kid}).hex()}


def verify(question: dict[str, Any]) -> dict[str, Any]:
    """Verify a message with the key that its key id names."""
    keys = [
        COSEKey.new(
            {
                1: OKP,
                2: bytes.fromhex(key["kid"]),
                3: ED25519,
                -1: CURVE,
                -2: bytes.fromhex(key["x"]),
            }
        )
        for key in question["keys"]
    ]
    try:
        payload = COSE.new(verify_kid=True).decode(bytes.fromhex(question["verify"]), keys)
    except Exception as error:  # noqa: BLE001 - it refuses with errors of many types
        return {"refused": repr(error)}
    claims = [
        [key, value.hex() if isinstance(value, bytes) else value]
        for key, value in cbor2.loads(payload).items()
    ]
    return {"payload": payload.hex(), "claims": claims}


if __name__ == "__main__":
    for line in sys.stdin:
        asked = json.loads(line)
        print(json.dumps(sign(asked) if "sign" in asked else verify(asked)), flush=True)  # noqa: T201 - its output
