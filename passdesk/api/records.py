"""The records over HTTP, and the proofs that nobody has altered them.

Whoever checks a proof needs no trust in this service: a checkpoint that was kept elsewhere, the
key it is signed with, and RFC 9162. Bytes are in hexadecimal.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from flask import Response
from pydantic import BaseModel, Field

from passdesk.api.operations import JSON, Call, Operations, answer
from passdesk.core import clock, record
from passdesk.core.record import Kind
from passdesk.services import proving, sealing
from passdesk.services.access import Scope
from passdesk.services.models import Command, RowId

if TYPE_CHECKING:
    from passdesk.core.record import Record

MAX_PAGE = 500
NOTE = "text/plain"

_AUDIT = frozenset({Scope.AUDIT})

records = Operations("records", "What happened, and the proof that nobody has altered it.")


class RecordQuery(Command):
    """Which records to list."""

    after: Annotated[
        RowId | None, Field(description="`id` of the last record of the page before")
    ] = None
    limit: Annotated[int, Field(ge=1, le=MAX_PAGE)] = 100
    kind: Kind | None = None
    oldest_first: bool = False


class ProofQuery(Command):
    """In which tree a record is to be proven."""

    size: Annotated[
        RowId | None, Field(description="records in the tree; the newest if left out")
    ] = None


class ConsistencyQuery(Command):
    """Which tree is to be proven to be the beginning of which."""

    first: Annotated[RowId, Field(description="records in the earlier tree")]
    second: Annotated[
        RowId | None, Field(description="records in the later tree; the newest if left out")
    ] = None


class RecordView(BaseModel):
    """A record. Every field of what it says is null if it was altered so that it says nothing."""

    position: Annotated[int | None, Field(description="in the tree; null until it is sealed")]
    at: Annotated[str | None, Field(description="ISO 8601 in UTC")]
    kind: Kind | None
    by: Annotated[str | None, Field(description="by whose hand, as a reference")]
    data: dict[str, Any] | None


class ListedRecord(RecordView):
    """A record in a list."""

    id: Annotated[int, Field(description="tells where a list goes on, and nothing else")]


class RecordPage(BaseModel):
    """Some records."""

    records: tuple[ListedRecord, ...]
    next: Annotated[int | None, Field(description="the next page's `after`; null on the last")]


class InclusionProofView(BaseModel):
    """That a record stands at a position of a tree (RFC 9162 section 2.1.3)."""

    position: int
    size: Annotated[int, Field(description="records in the tree")]
    body: Annotated[str, Field(description="the record, deterministic CBOR")]
    leaf_hash: Annotated[str, Field(description="SHA-256 of a zero byte and the body")]
    hashes: Annotated[tuple[str, ...], Field(description="the proof, leaf end first")]
    checkpoint: Annotated[
        str | None, Field(description="signed note of this size; null if none was signed of it")
    ]


class ConsistencyProofView(BaseModel):
    """That a later tree begins with an earlier one (RFC 9162 section 2.1.4)."""

    first: Annotated[int, Field(description="records in the earlier tree")]
    second: Annotated[int, Field(description="records in the later tree")]
    hashes: tuple[str, ...]
    checkpoint: Annotated[
        str | None,
        Field(description="signed note of the later tree; null if none was signed of it"),
    ]


@records.add("GET", "/records", scopes=_AUDIT, query=RecordQuery, answers={JSON: RecordPage})
def list_records(call: Call, query: RecordQuery) -> Response:
    """List records, newest first.

    Those that are not sealed yet have no position, and are not protected yet. Records hold
    references only, never names, addresses or free text.
    """
    with call.reading() as connection:
        found = proving.records_page(
            connection,
            limit=query.limit,
            after=query.after,
            kind=query.kind,
            oldest_first=query.oldest_first,
        )
    listed = tuple(
        ListedRecord(id=entry.id, **_fields(entry.position, entry.record)) for entry in found
    )
    last = found[-1].id if len(found) == query.limit else None
    return answer(RecordPage(records=listed, next=last))


@records.add("GET", "/records/{position}", scopes=_AUDIT, answers={JSON: RecordView})
def get_record(call: Call, position: int) -> Response:
    """Show a sealed record."""
    with call.reading() as connection:
        body = proving.inclusion(connection, position).body
    return answer(RecordView(**_fields(position, _read(body))))


@records.add(
    "GET", "/records/{position}/proof",
    scopes=_AUDIT, query=ProofQuery, answers={JSON: InclusionProofView},
)  # fmt: skip
def prove_record(call: Call, position: int, query: ProofQuery) -> Response:
    """Prove that a record is in the tree of a checkpoint."""
    with call.reading() as connection:
        proof = proving.inclusion(connection, position, query.size)
    return answer(
        InclusionProofView(
            position=proof.position,
            size=proof.size,
            body=proof.body.hex(),
            leaf_hash=proof.leaf_hash.hex(),
            hashes=tuple(found.hex() for found in proof.hashes),
            checkpoint=proof.checkpoint,
        )
    )


@records.add("GET", "/checkpoint", scopes=_AUDIT, answers={NOTE: None})
def get_checkpoint(call: Call) -> Response:
    """Give the newest checkpoint: a signed note (C2SP tlog-checkpoint, signed-note).

    This seals what waits to be sealed first, though it is a GET: what is handed out then covers
    every record up to this moment. It changes nothing that would not have changed within a second.
    """
    note = sealing.checkpoint(call.backing.instance, call.now_us)
    return Response(note, mimetype=NOTE)


@records.add(
    "GET", "/checkpoints/consistency",
    scopes=_AUDIT, query=ConsistencyQuery, answers={JSON: ConsistencyProofView},
)  # fmt: skip
def prove_consistency(call: Call, query: ConsistencyQuery) -> Response:
    """Prove that nothing before an earlier checkpoint was rewritten."""
    with call.reading() as connection:
        proof = proving.consistency(connection, query.first, query.second)
    return answer(
        ConsistencyProofView(
            first=proof.first,
            second=proof.second,
            hashes=tuple(found.hex() for found in proof.hashes),
            checkpoint=proof.checkpoint,
        )
    )


def _fields(position: int | None, read: Record | None) -> dict[str, Any]:
    if read is None:
        return {"position": position} | dict.fromkeys(("at", "kind", "by", "data"))
    return {
        "position": position,
        "at": clock.format_utc(read.at_us),
        "kind": read.kind,
        "by": read.by,
        "data": {name: _shown(value) for name, value in read.data.items()},
    }


def _shown(value: Any) -> Any:  # noqa: ANN401 # what a record can hold, as JSON
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, list):
        return [_shown(part) for part in value]
    if isinstance(value, dict):
        return {name: _shown(part) for name, part in value.items()}
    return value


def _read(body: bytes) -> Record | None:
    try:
        return record.decode(body)
    except record.RecordError:
        return None
