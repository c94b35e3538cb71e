"""Bringing a database to the tables that this version knows."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

if TYPE_CHECKING:
    from passdesk.store.engine import Store

_SCRIPTS = Path(__file__).parent / "migrations"


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(_SCRIPTS))
    config.set_main_option("path_separator", "os")
    return config


def migrate(store: Store) -> None:
    """Run every revision that the database has not had, each in a transaction."""
    if revision(store) == newest():
        return
    config = _config()
    with store.writing() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def revision(store: Store) -> str | None:
    """Give the revision that the database is at, None when it is empty."""
    with store.reading() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def newest() -> str | None:
    """Give the revision that this version of the program wants."""
    return ScriptDirectory.from_config(_config()).get_current_head()
