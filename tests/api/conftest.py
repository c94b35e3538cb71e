"""The API over a small place."""

from __future__ import annotations

import shutil
from contextlib import contextmanager
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


@contextmanager
def copy_of(built: Built, folder: Path) -> Iterator[Api]:
    """Give the API over a copy of the place that was built."""
    original, readers, tokens = built
    shutil.copytree(original, folder)
    instance = instances.open_instance(settings.load(folder, {}))
    yield Api.over(House(instance, Presenter(instance), dict(readers)), dict(tokens))
    instance.close()


@pytest.fixture
def api(built: Built, tmp_path: Path) -> Iterator[Api]:
    """Give the API over a small place on SQLite."""
    with copy_of(built, tmp_path / "instance") as made:
        yield made


@pytest.fixture(scope="session")
def kept(built: Built, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    """Give the API over one place for all tests that change nothing another one looks at."""
    with copy_of(built, tmp_path_factory.mktemp("kept") / "instance") as made:
        yield made


@pytest.fixture
def both(house: House) -> Api:
    """Give the API over a small place, on each kind of database."""
    return Api.over(house, tokens_for(house))
