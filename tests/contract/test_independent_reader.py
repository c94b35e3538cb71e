"""Codes against the `cwt` package: what is made here verifies there, and the other way round.

`cwt` 3.3 was written by others and uses another release of the CBOR library; Base45 is undone with
the `base45` package. So nothing of Passdesk's own reading is used on that side.
"""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

import base45
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from passdesk.core import code

ROOT = Path(__file__).parents[2]
PYTHON = ROOT / ".venv-outside" / "bin" / "python"
VECTORS = json.loads((ROOT / "shared" / "vectors" / "code-v1.json").read_text(encoding="ascii"))
KEYS = VECTORS["keys"]
BAD_SIGNATURES = [case for case in VECTORS["invalid"] if case["reason"] == "bad-signature"]


def ask(*questions: dict[str, Any]) -> list[dict[str, Any]]:
    """Put questions to `cwt_reader.py` in the environment that has `cwt`."""
    assert PYTHON.exists(), (
        "The environment of the independent reader is missing. Make it:"
        " python3.11 -m venv .venv-outside &&"
        " .venv-outside/bin/pip install --require-hashes -r requirements/outside.txt"
    )
    program = Path(__file__).with_name("cwt_reader.py")
    done = subprocess.run(
        [PYTHON, program],
        input="".join(json.dumps(question) + "\n" for question in questions),
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def message_of(text: str) -> str:
    message: bytes = base45.b45decode(text.removeprefix("VP1:"))
    return message.hex()


def test_every_valid_code_verifies_there_and_says_the_same() -> None:
    cases = VECTORS["valid"]
    found = ask(*({"verify": message_of(case["text"]), "keys": KEYS} for case in cases))
    assert len(found) == len(cases) > 10
    for case, there in zip(cases, found, strict=True):
        claims = dict(there["claims"])
        assert there["payload"] == case["payload"]
        assert claims[4] == case["claims"]["valid_until_s"]
        assert claims[5] == case["claims"]["valid_from_s"]
        assert claims[7] == case["claims"]["code_id"]
        assert claims[-65537][:3] == [
            case["claims"][name] for name in ("entry_limit", "door_groups", "proof")
        ]


def test_what_is_signed_there_is_read_here_and_is_the_same_to_the_byte() -> None:
    cases, seed = VECTORS["valid"], VECTORS["seeds"]["issuer"]
    made = ask(*({"sign": case["payload"], "seed": seed, "kid": KEYS[0]["kid"]} for case in cases))
    keys = {
        bytes.fromhex(key["kid"]): Ed25519PublicKey.from_public_bytes(bytes.fromhex(key["x"]))
        for key in KEYS
    }
    for case, there in zip(cases, made, strict=True):
        text = "VP1:" + base45.b45encode(bytes.fromhex(there["message"])).decode()
        assert code.read(text, keys).code_id.hex() == case["claims"]["code_id"]
        assert text == case["text"]


@pytest.mark.parametrize("case", BAD_SIGNATURES, ids=lambda case: case["why"])
def test_every_bad_signature_is_refused_there_too(case: dict[str, Any]) -> None:
    (there,) = ask({"verify": message_of(case["text"]), "keys": KEYS})
    assert "refused" in there


def test_a_key_that_is_not_known_here_is_not_known_there() -> None:
    cases = [case for case in VECTORS["invalid"] if case["reason"] == "unknown-key"]
    found = ask(*({"verify": message_of(case["text"]), "keys": KEYS} for case in cases))
    assert len(found) == len(cases) > 1
    assert all("refused" in there for there in found)
