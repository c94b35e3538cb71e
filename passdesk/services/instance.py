"""An instance: its settings, its database, its keys and its writer, opened together."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Concatenate, ParamSpec, TypeVar

from sqlalchemy import insert, select

from passdesk.core import cose, record
from passdesk.services.acts import Act
from passdesk.services.keyring import Keyring, KeyringError
from passdesk.services.writer import Writer
from passdesk.store import migrating
from passdesk.store.engine import Store, StoreError
from passdesk.store.tables import facts, signing_keys, tree

if TYPE_CHECKING:
    from collections.abc import Callable

    from sqlalchemy import Connection

    from passdesk.settings import Settings

P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Instance:
    """Everything that a command or a request works with."""

    settings: Settings
    store: Store
    keyring: Keyring
    writer: Writer

    @property
    def demo(self) -> bool:
        """Whether this instance holds the demo scenario and may be spent at any moment."""
        with self.store.reading() as connection:
            return fact(connection, "demo") == "yes"

    def act(
        self,
        by: str,
        now_us: int,
        job: Callable[Concatenate[Act, P], T],
        *args: P.args,
        **kwargs: P.kwargs,
    ) -> T:
        """Run a service function as one act; durable when this returns.

        Args:
            by: who acts, as a reference.
            now_us: the moment, microseconds UTC.
            job: the service function, which gets the act first.
            args: what it gets next.
            kwargs: and by name.
        """

        def run(connection: Connection) -> T:
            return job(Act(connection, self.keyring, by, now_us), *args, **kwargs)

        return self.writer.run(run, alone=True)

    def close(self) -> None:
        """Give the database back."""
        self.store.close()


def _assemble(settings: Settings, store: Store, keyring: Keyring) -> Instance:
    return Instance(settings, store, keyring, Writer(store, settings.batch_presentations))


def create(settings: Settings, now_us: int) -> Instance:
    """Make an instance, or complete one: folder, keys, database, first signing key, open log.

    Raises:
        StoreError: the database is of a kind that is not supported.
        KeyringError: keys are open to others, or are not those of this database.
    """
    settings.instance.mkdir(mode=0o700, parents=True, exist_ok=True)
    keyring = Keyring.create(settings.keys)
    store = Store(settings.database_url)
    with ExitStack() as opened:
        opened.callback(store.close)
        migrating.migrate(store)
        instance = _assemble(settings, store, keyring)
        instance.act("command", now_us, _open_log)
        opened.pop_all()
    return instance


def open_instance(settings: Settings) -> Instance:
    """Open an instance that was created.

    Raises:
        StoreError: it was never created, or its database is at another version.
        KeyringError: its keys are missing or open to others.
    """
    if not settings.keys.is_dir():
        raise StoreError(f"{settings.instance}: no instance here; run 'passdesk init'")
    keyring = Keyring(settings.keys)
    keyring.check()
    store = Store(settings.database_url)
    if (found := migrating.revision(store)) != migrating.newest():
        store.close()
        raise StoreError(
            f"database: is at version {found or 'none'}, this program wants "
            f"{migrating.newest()}; run 'passdesk init' to bring it forward"
        )
    return _assemble(settings, store, keyring)


def _open_log(act: Act) -> None:
    """Start the records and make the first signing key, unless that was done before."""
    key_hash = cose.thumbprint(act.keyring.log_key().public_key())
    origin = f"passdesk/{key_hash[:8].hex()}"
    opened_as = act.connection.execute(select(tree.c.origin)).scalar_one_or_none()
    if opened_as not in {None, origin}:
        raise KeyringError(
            f"{act.keyring.folder}: these are not the keys that this database was made with; "
            "restore the backup of the keys"
        )
    if opened_as is None:
        act.connection.execute(insert(tree).values(id=1, origin=origin, size=0))
        act.record(record.Kind.LOG_OPENED, {"log": key_hash})
    if act.connection.execute(select(signing_keys.c.id)).first() is None:
        make_signing_key(act)


def make_signing_key(act: Act) -> bytes:
    """Make a key that signs codes from now on; give its key id."""
    public = act.keyring.make_issuer().public_key()
    kid = cose.key_id(public)
    act.connection.execute(
        insert(signing_keys).values(
            kid=kid, public=public.public_bytes_raw(), created_us=act.now_us
        )
    )
    act.record(record.Kind.KEY_MADE, {"kid": kid})
    return kid


def fact(connection: Connection, name: str) -> str | None:
    """Give a fact about this instance, None when it was never noted."""
    return connection.execute(
        select(facts.c.value).where(facts.c.name == name)
    ).scalar_one_or_none()


def note_fact(act: Act, name: str, value: str) -> None:
    """Note a fact about this instance for good."""
    act.connection.execute(insert(facts).values(name=name, value=value))
