"""The small place, built once for each kind of database and copied for each test."""

from __future__ import annotations

import itertools
import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING

import argon2
import pytest

from passdesk import settings
from passdesk.services import instance as instances
from passdesk.services import issuing
from passdesk.services.presenting import Presenter
from tests.support import postgresql
from tests.support.place import NOW_US, House

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PLAN = "pd_house"
_numbers = itertools.count(1)


@dataclass(frozen=True)
class Plan:
    """A house that was built and is closed: its folder, and its readers by name."""

    folder: Path
    readers: dict[str, int]

    @classmethod
    def draw(cls, folder: Path, environ: dict[str, str]) -> Plan:
        """Build a house once."""
        made = instances.create(settings.load(folder, environ), NOW_US)
        readers = House.build(made).readers
        made.close()
        return cls(folder, readers)

    def build(self, folder: Path, environ: dict[str, str]) -> House:
        """Give a house of its own, which differs from the first in nothing."""
        shutil.copytree(self.folder, folder)
        opened = instances.open_instance(settings.load(folder, environ))
        return House(opened, Presenter(opened), dict(self.readers))


@pytest.fixture(scope="session")
def sqlite_plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """Build the house once on SQLite."""
    return Plan.draw(tmp_path_factory.mktemp("plan") / "instance", {})


@pytest.fixture(scope="session")
def postgresql_plan(
    postgresql_cluster: str, postgresql_template: str, tmp_path_factory: pytest.TempPathFactory
) -> Plan:
    """Build the house once on PostgreSQL."""
    create = f"CREATE DATABASE {PLAN} TEMPLATE {postgresql_template}"
    postgresql.execute(postgresql_cluster, create)
    environ = {"PASSDESK_DATABASE_URL": postgresql.url(postgresql_cluster, PLAN)}
    return Plan.draw(tmp_path_factory.mktemp("plan") / "instance", environ)


@pytest.fixture
def small_house(sqlite_plan: Plan, tmp_path: Path) -> Iterator[House]:
    """Give a small place on SQLite."""
    built = sqlite_plan.build(tmp_path / "house", {})
    yield built
    built.instance.close()


@pytest.fixture
def large_house(postgresql_plan: Plan, postgresql_cluster: str, tmp_path: Path) -> Iterator[House]:
    """Give a small place on PostgreSQL."""
    name = f"{PLAN}_{next(_numbers)}"
    postgresql.execute(postgresql_cluster, f"CREATE DATABASE {name} TEMPLATE {PLAN}")
    environ = {"PASSDESK_DATABASE_URL": postgresql.url(postgresql_cluster, name)}
    built = postgresql_plan.build(tmp_path / "house", environ)
    yield built
    built.instance.close()
    postgresql.execute(postgresql_cluster, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(params=["small_house", "large_house"], ids=["sqlite", "postgresql"])
def house(request: pytest.FixtureRequest) -> House:
    """Give a small place, once on each kind of database."""
    built: House = request.getfixturevalue(request.param)
    return built


@pytest.fixture(autouse=True)
def quick_pins(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a PIN's hash be quick: how slow it is elsewhere is a test of its own."""
    quick = argon2.PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(issuing, "_hasher", quick)
