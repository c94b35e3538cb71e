"""The API over a small place."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from passdesk import settings
from passdesk.services import instance as instances
from passdesk.services.presenting import Presenter
from tests.api.calling import Api, tokens_for
from tests.support.place import NOW_US, House

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

Built = tuple["Path", dict[str, int], dict[str, str]]


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    """Build a small place on SQLite once; give its folder, its readers and its tokens."""
    folder = tmp_path_factory.mktemp("built") / "instance"
    made = instances.create(settings.load(folder, {}), NOW_US)
    house = House.build(made)
    tokens = tokens_for(house)
    made.close()
    return folder, house.readers, tokens


@pytest.fixture
def api(built: Built, tmp_path: Path) -> Iterator[Api]:
    """Give the API over a small place on SQLite: a copy of the one that was built."""
    folder, readers, tokens = built
    shutil.copytree(folder, tmp_path / "instance")
    instance = instances.open_instance(settings.load(tmp_path / "instance", {}))
    yield Api.over(House(instance, Presenter(instance), dict(readers)), dict(tokens))
    instance.close()


@pytest.fixture(scope="session")
def kept(built: Built) -> Iterator[Api]:
    """Give the API over one place for all tests that change nothing that another one looks at."""
    folder, readers, tokens = built
    instance = instances.open_instance(settings.load(folder, {}))
    yield Api.over(House(instance, Presenter(instance), readers), tokens)
    instance.close()


@pytest.fixture
def both(house: House) -> Api:
    """Give the API over a small place, on each kind of database."""
    return Api.over(house, tokens_for(house))
