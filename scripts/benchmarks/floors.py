"""What cannot be done without: a signature made or checked, a row on disk, a symbol, a tree.

Each is as bare as Python and the same libraries allow, without a line of Passdesk where the work
is done.
"""

from __future__ import annotations

from contextlib import contextmanager
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from passdesk.store.engine import CHECKPOINT_PAGES, Store

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

MESSAGE = bytes(range(80))
"""As long as what a code has signed."""
ROW = bytes(200)
"""As long as a record."""


class Floors:
    """Signatures by a key of its own, and commits to a file of its own."""

    def __init__(self, connection: Any) -> None:  # noqa: ANN401 # the driver's own type
        self._connection = connection
        self._key = Ed25519PrivateKey.generate()
        self._public = self._key.public_key()
        self._signature = self._key.sign(MESSAGE)

    def sign(self) -> None:
        """Sign once."""
        self._key.sign(MESSAGE)

    def verify(self) -> None:
        """Check one signature."""
        self._public.verify(self._signature, MESSAGE)

    def commit(self) -> None:
        """Write one row and wait until it is on disk."""
        self._connection.execute("BEGIN IMMEDIATE")
        self._connection.execute("INSERT INTO kept (body) VALUES (?)", (ROW,))
        self._connection.execute("COMMIT")

    def sign_and_commit(self) -> None:
        """Sign, then commit."""
        self.sign()
        self.commit()

    def verify_and_commit(self) -> None:
        """Check a signature, then commit."""
        self.verify()
        self.commit()


@contextmanager
def floors(folder: Path) -> Iterator[Floors]:
    """Give the floors, with a database that is set up as the service's own."""
    store = Store(f"sqlite:///{folder / 'floor.db'}")
    connection = store.writes.raw_connection()
    driver: Any = connection.driver_connection
    driver.execute("CREATE TABLE kept (id INTEGER PRIMARY KEY, body BLOB NOT NULL)")
    run_in(driver)
    try:
        yield Floors(driver)
    finally:
        connection.close()
        store.close()


def run_in(driver: Any) -> None:  # noqa: ANN401 # the driver's own type
    """Let a database's write-ahead log reach the length that it keeps.

    The first pages after a start make the file longer, at a higher cost than those that are written
    over them later; a service that has run for a minute is past that.
    """
    driver.execute("PRAGMA synchronous = OFF")
    for number in range(CHECKPOINT_PAGES + 1, -1, -1):  # each writes one page, the last one 0
        driver.execute(f"PRAGMA user_version = {number}")
    driver.execute("PRAGMA synchronous = FULL")
    driver.execute("PRAGMA wal_checkpoint(RESTART)").close()


def bare_root(bodies: Sequence[bytes]) -> bytes:
    """Hash records and give the root over them (RFC 9162 section 2.1.1)."""
    level = [sha256(b"\x00" + body).digest() for body in bodies]
    while len(level) > 1:
        pairs = zip(level[::2], level[1::2], strict=False)
        odd = level[len(level) & ~1 :]
        level = [sha256(b"\x01" + left + right).digest() for left, right in pairs] + odd
    return level[0]
