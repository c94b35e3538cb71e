#!/usr/bin/env python3
"""Read codes for `shared/check_adapter.py` with Passdesk's own reader.

One JSON object a line comes in on standard input, {"text": ..., "keys": [{"kid": hex, "x": hex}]},
and one goes out, {"valid": bool, "claims": {...} or null, "reason": text or null}.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from passdesk.core import code

REASONS: dict[type[code.CodeError], str] = {
    code.UnreadableCodeError: "unreadable",
    code.UnknownKeyError: "unknown-key",
    code.BadSignatureError: "bad-signature",
}


def answer(question: dict[str, Any]) -> dict[str, Any]:
    """Return the answer to one question."""
    keys = {
        bytes.fromhex(key["kid"]): Ed25519PublicKey.from_public_bytes(bytes.fromhex(key["x"]))
        for key in question["keys"]
    }
    try:
        claims = code.read(question["text"], keys)
    except code.CodeError as error:
        return {"valid": False, "claims": None, "reason": REASONS[type(error)]}
    shown = asdict(claims) | {"code_id": claims.code_id.hex()}
    return {"valid": True, "claims": shown, "reason": None}


if __name__ == "__main__":
    for line in sys.stdin:
        print(json.dumps(answer(json.loads(line))), flush=True)
