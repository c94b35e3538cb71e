"""Commands on an empty instance, on a small place, and on the demo."""

from __future__ import annotations

import os
import shutil
import time
import zoneinfo
from typing import TYPE_CHECKING

import argon2
import pytest

from passdesk import settings
from passdesk.services import demo, issuing
from passdesk.services import instance as instances
from tests.cli.calling import Cli
from tests.support.place import NOW_US, House

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from passdesk.services.instance import Instance


@pytest.fixture(autouse=True)
def _as_it_was(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Keep what the commands set for their process from the tests that follow."""
    for name in ("PASSDESK_INSTANCE", "PASSDESK_DATABASE_URL"):
        monkeypatch.delenv(name, raising=False)
    before = os.umask(0o022)
    yield
    os.umask(before)
    zoneinfo.reset_tzpath()


@pytest.fixture(scope="session", autouse=True)
def _fast_pins() -> Iterator[None]:
    """Hash PINs at the least cost: how long that takes is no matter here."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(issuing, "_hasher", argon2.PasswordHasher(1, 8, 1))
        yield


@pytest.fixture
def _now(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the clock stand at the moment at which places are set up: 14 May 2030, 10:00."""
    monkeypatch.setattr(time, "time_ns", lambda: NOW_US * 1000)


def _made(folder: Path, fill: Callable[[Instance], object]) -> Path:
    made = instances.create(settings.load(folder, {}), NOW_US)
    fill(made)
    made.close()
    return folder


@pytest.fixture(scope="session")
def originals(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Give folders to copy: of an empty instance, of one with a small place, of the demo.

    Setting a place up takes longer than most tests.
    """
    folder = tmp_path_factory.mktemp("originals")
    return {
        "empty": _made(folder / "empty", lambda made: made),
        "house": _made(folder / "house", House.build),
        "demo": _made(folder / "demo", lambda made: demo.load(made, NOW_US)),
    }


@pytest.fixture
def empty(originals: dict[str, Path], tmp_path: Path, _now: None) -> Cli:
    """Give commands on an instance in which nothing was set up."""
    return Cli(shutil.copytree(originals["empty"], tmp_path / "empty"))


@pytest.fixture
def cli(originals: dict[str, Path], tmp_path: Path, _now: None) -> Cli:
    """Give commands on a small place, at a moment when its doors are open."""
    return Cli(shutil.copytree(originals["house"], tmp_path / "house"))


@pytest.fixture
def demo_cli(originals: dict[str, Path], tmp_path: Path, _now: None) -> Cli:
    """Give commands on the demo."""
    return Cli(shutil.copytree(originals["demo"], tmp_path / "demo"))


@pytest.fixture
def either(house: House, monkeypatch: pytest.MonkeyPatch, _now: None) -> Cli:
    """Give commands on a small place, on each kind of database."""
    monkeypatch.setenv("PASSDESK_DATABASE_URL", house.instance.settings.database_url)
    return Cli(house.instance.settings.instance)


@pytest.fixture
def within(request: pytest.FixtureRequest) -> Iterator[Instance]:
    """Give the instance that the test's commands are on."""
    on = next(name for name in ("cli", "empty", "demo_cli") if name in request.fixturenames)
    folder = request.getfixturevalue(on).folder
    opened = instances.open_instance(settings.load(folder, {}))
    yield opened
    opened.close()
