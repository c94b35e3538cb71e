"""Doors, keys, health and the description over HTTP."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cbor2
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from sqlalchemy import update

from passdesk.core import code
from passdesk.core.note import VerifierKey
from passdesk.services.instance import make_signing_key
from passdesk.store.tables import signing_keys
from tests.support import looking
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from tests.api.calling import Api


@pytest.mark.parametrize("scope", ["issue", "audit"])
def test_doors_are_listed_with_groups_and_readers(kept: Api, scope: str) -> None:
    listed = kept.get("/doors", scope).get_json()["doors"]
    assert [door["name"] for door in listed] == ["Front", "Side", "Lab", "Yard"]
    assert listed[2] == {
        "site": "Mill Lane",
        "name": "Lab",
        "from": "hall",
        "to": "laboratory",
        "groups": ["Laboratory"],
        "readers": [
            {"name": "Lab in", "direction": "entry"},
            {"name": "Lab out", "direction": "exit"},
        ],
    }


def test_a_code_is_verified_with_the_published_keys_alone(kept: Api) -> None:
    text = kept.issue()["code"]["text"]
    keys = {one["kid"]: bytes.fromhex(one["x"]) for one in kept.get("/keys").get_json()["keys"]}
    parsed = code.parse(text)
    code.verify(parsed, Ed25519PublicKey.from_public_bytes(keys[parsed.kid.hex()]))


def test_keys_come_as_a_cose_key_set_too(api: Api) -> None:
    made = api.instance.act("command", NOW_US, make_signing_key)
    listed = api.get("/keys").get_json()["keys"]
    # RFC 9052 section 7 (COSE_KeySet) and 11.3.3, where its media type is registered.
    answer = api.get("/keys", headers={"Accept": "application/cose-key-set"})
    assert answer.mimetype == "application/cose-key-set"
    found = cbor2.loads(answer.data)
    # RFC 9053 section 7.2: kty 1 is OKP, crv 6 is Ed25519, x is the key; RFC 9864: alg -19.
    assert found == [
        {1: 1, -1: 6, 3: -19, 2: bytes.fromhex(one["kid"]), -2: bytes.fromhex(one["x"])}
        for one in listed
    ]
    assert found[1][2] == made


@pytest.mark.parametrize(
    ("accept", "got"),
    [
        ("*/*", "application/json"),
        ("application/json, application/cose-key-set", "application/json"),
        ("application/json;q=0.1, application/cose-key-set", "application/cose-key-set"),
        ("text/html", "application/json"),
        ("nonsense;;;", "application/json"),
    ],
)
def test_the_accept_header_chooses_the_form_of_the_keys(kept: Api, accept: str, got: str) -> None:
    answer = kept.get("/keys", headers={"Accept": accept})
    assert answer.mimetype == got
    assert answer.headers["Vary"] == "Accept"


def test_a_key_that_was_ended_is_not_listed(api: Api) -> None:
    kid = api.instance.act("command", NOW_US, make_signing_key)
    looking.change(
        api.instance,
        update(signing_keys).where(signing_keys.c.kid == kid).values(ended_us=NOW_US),
    )
    assert kid.hex() not in api.get("/keys").text


def test_no_private_key_is_published(kept: Api) -> None:
    private = kept.instance.keyring.log_key().private_bytes_raw().hex()
    published = kept.get("/keys")
    assert private not in published.text
    key = kept.instance.keyring.log_key().public_key().public_bytes_raw()
    assert VerifierKey.parse(published.get_json()["log"]).public == key


def test_a_service_that_works_says_so(both: Api) -> None:
    assert both.get("/health").get_json() == {"status": "ok"}
