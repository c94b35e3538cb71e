"""One act: what somebody does in one transaction, with the record of it.

Every service function takes an `Act` first. It carries the open transaction, who acts and when,
and is the only way to append to the records, so that a change and its record are one.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import insert

from passdesk.core import record
from passdesk.store.tables import records, texts

if TYPE_CHECKING:
    from collections.abc import Mapping

    from sqlalchemy import Connection

    from passdesk.core.cbor import Value
    from passdesk.services.keyring import Keyring


@dataclass(frozen=True, slots=True)
class Act:
    """An open write transaction and who works in it.

    Attributes:
        connection: the transaction; whoever opened it commits it.
        keyring: the instance's private keys.
        by: who acts, as a reference: 'command', 'token:7', 'reader:3'.
        now_us: the moment of the act, microseconds UTC, read once by the caller.
    """

    connection: Connection
    keyring: Keyring
    by: str
    now_us: int

    def record(self, kind: record.Kind, data: Mapping[str, Value]) -> None:
        """Append a record of what this act does."""
        body = record.encode(record.Record(at_us=self.now_us, kind=kind, by=self.by, data=data))
        self.connection.execute(insert(records).values(at_us=self.now_us, kind=kind, body=body))

    def keep_text(self, about: str, about_id: int, body: str) -> bytes:
        """Keep free text in a row that can be erased; give the commitment for the record."""
        key = secrets.token_bytes(32)
        commitment = record.commit(key, body)
        self.connection.execute(
            insert(texts).values(
                about=about,
                about_id=about_id,
                key=key,
                commitment=commitment,
                body=body,
                created_us=self.now_us,
            )
        )
        return commitment
