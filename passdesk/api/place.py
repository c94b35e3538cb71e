"""The place and the service itself over HTTP: doors, public keys, health, description."""

from __future__ import annotations

from typing import Annotated

from flask import Response, request
from pydantic import BaseModel, Field
from sqlalchemy import select

from passdesk.api.operations import JSON, Call, Operations, answer
from passdesk.core import cose
from passdesk.services import finding, sealing
from passdesk.services.access import Scope
from passdesk.services.finding import DoorView
from passdesk.store.tables import tree

COSE_KEY_SET = "application/cose-key-set"

place = Operations("place", "Doors, and the keys by which codes are checked.")
service = Operations("service", "The service itself.")


class Doors(BaseModel):
    """Every door there is."""

    doors: tuple[DoorView, ...]


class PublicKey(BaseModel):
    """An Ed25519 public key (RFC 8032)."""

    kid: Annotated[str, Field(description="its key id, as it stands in codes, in hexadecimal")]
    x: Annotated[str, Field(description="the key itself, 32 bytes in hexadecimal")]


class PublicKeys(BaseModel):
    """The keys by which codes and checkpoints are checked."""

    keys: Annotated[
        tuple[PublicKey, ...], Field(description="every key that codes may be signed by")
    ]
    log: Annotated[
        str, Field(description="the key of checkpoints, as a verifier key (C2SP signed-note)")
    ]


class Health(BaseModel):
    """That the service works."""

    status: Annotated[str, Field(examples=["ok"])]


@place.add("GET", "/doors", scopes=frozenset({Scope.ISSUE, Scope.AUDIT}), answers={JSON: Doors})
def list_doors(call: Call) -> Response:
    """List every door with its groups, which passes name, and its readers."""
    with call.reading() as connection:
        return answer(Doors(doors=tuple(finding.list_doors(connection))))


@place.add("GET", "/keys", answers={JSON: PublicKeys, COSE_KEY_SET: None})
def list_keys(call: Call) -> Response:
    """List the public keys that codes and checkpoints are checked with.

    As JSON, or those of codes as a COSE_KeySet (RFC 9052 section 7) where the Accept header
    prefers that.
    """
    with call.reading() as connection:
        found = finding.public_keys(connection)
        origin = sealing.origin(connection)
    if request.accept_mimetypes.best_match([JSON, COSE_KEY_SET]) == COSE_KEY_SET:
        key_set = cose.key_set(found)
        reply = Response(key_set, mimetype=COSE_KEY_SET)
    else:
        keys = tuple(
            PublicKey(kid=cose.key_id(key).hex(), x=key.public_bytes_raw().hex()) for key in found
        )
        log = sealing.log_verifier(call.backing.instance.keyring, origin).format()
        reply = answer(PublicKeys(keys=keys, log=log))
    reply.vary.add("Accept")
    return reply


@service.add("GET", "/health", answers={JSON: Health})
def get_health(call: Call) -> Response:
    """Say that the service works: it has just read its database."""
    with call.reading() as connection:
        connection.execute(select(tree.c.size)).one()
    return answer(Health(status="ok"))


@service.add("GET", "/openapi.json", answers={JSON: None})
def get_description(call: Call) -> Response:
    """Describe the API, as OpenAPI 3.1."""
    return Response(call.backing.description, mimetype=JSON)
