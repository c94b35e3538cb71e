"""Databases, instances and a small place to test with."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import pytest

from passdesk import settings
from passdesk.services import instance as instances
from passdesk.store import migrating
from passdesk.store.engine import Store
from tests.support import postgresql
from tests.support.place import NOW_US, House

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from passdesk.services.instance import Instance

_numbers = itertools.count(1)


@pytest.fixture(scope="session")
def postgresql_cluster() -> Iterator[str]:
    """Start a PostgreSQL server of this run's own; give the folder of its socket."""
    with postgresql.cluster(durable=False) as socket:
        yield socket


@pytest.fixture(scope="session")
def postgresql_template(postgresql_cluster: str) -> str:
    """Give the name of a database that has all tables and no rows."""
    postgresql.execute(postgresql_cluster, "CREATE DATABASE pd_template")
    store = Store(postgresql.url(postgresql_cluster, "pd_template"))
    migrating.migrate(store)
    store.close()
    return "pd_template"


@pytest.fixture
def postgresql_url(postgresql_cluster: str, postgresql_template: str) -> Iterator[str]:
    """Give a fresh PostgreSQL database with all tables."""
    name = f"pd_{next(_numbers)}"
    postgresql.execute(postgresql_cluster, f"CREATE DATABASE {name} TEMPLATE {postgresql_template}")
    yield postgresql.url(postgresql_cluster, name)
    postgresql.execute(postgresql_cluster, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Give a fresh database, once of each kind: the same tests run on both."""
    if request.param == "postgresql":
        return str(request.getfixturevalue("postgresql_url"))
    return f"sqlite:///{tmp_path / 'passdesk.db'}"


@pytest.fixture
def instance(tmp_path: Path, database_url: str) -> Iterator[Instance]:
    """Give a fresh instance on each kind of database."""
    chosen = settings.load(tmp_path / "instance", {"PASSDESK_DATABASE_URL": database_url})
    made = instances.create(chosen, NOW_US)
    yield made
    made.close()


@pytest.fixture
def house(instance: Instance) -> House:
    """Give a small place on each kind of database."""
    return House.build(instance)


@pytest.fixture
def small_instance(tmp_path: Path) -> Iterator[Instance]:
    """Give a fresh instance on SQLite, for tests that the database makes no difference to."""
    made = instances.create(settings.load(tmp_path / "instance", {}), NOW_US)
    yield made
    made.close()


@pytest.fixture
def small_house(small_instance: Instance) -> House:
    """Give a small place on SQLite."""
    return House.build(small_instance)
