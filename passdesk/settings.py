"""Every setting, with its unit and its default; the one place that reads the environment."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

DEFAULT_PORT = 8765
MAX_LEEWAY_SECONDS = 300


class SettingError(ValueError):
    """A setting cannot be used; the message names it and the way out."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What can differ from one instance to the next.

    Attributes:
        instance: folder that holds the keys and, by default, the database.
        database_url: SQLite file or PostgreSQL database.
        leeway_seconds: clock difference between readers and service that is tolerated, also
            at both ends of a pass's window.
        seal_seconds: how often new records are sealed while there are any.
        batch_presentations: most presentations that share one commit.
        server_threads: requests that are worked on at a time.
        max_upload_bytes: largest request body, pictures included.
    """

    instance: Path
    database_url: str
    leeway_seconds: int = 60
    seal_seconds: int = 1
    batch_presentations: int = 32
    server_threads: int = 48
    max_upload_bytes: int = 10_500_000

    @property
    def keys(self) -> Path:
        """Folder of the private keys."""
        return self.instance / "keys"

    @property
    def lock_file(self) -> Path:
        """File that the running server holds locked."""
        return self.instance / "serve.lock"


def load(instance: Path, environ: Mapping[str, str] = os.environ) -> Settings:
    """Read the settings of an instance.

    Args:
        instance: its folder.
        environ: where PASSDESK_DATABASE_URL, PASSDESK_LEEWAY_SECONDS and
            PASSDESK_SERVER_THREADS are looked up.

    Raises:
        SettingError: a value is not a number in its range.
    """
    folder = instance.resolve()
    # In a URL these two would be read as more than part of a name.
    file = str(folder / "passdesk.db").replace("%", "%25").replace("?", "%3F")
    return Settings(
        instance=folder,
        database_url=environ.get("PASSDESK_DATABASE_URL") or f"sqlite:///{file}",
        leeway_seconds=_number(environ, "PASSDESK_LEEWAY_SECONDS", 60, 0, MAX_LEEWAY_SECONDS),
        server_threads=_number(environ, "PASSDESK_SERVER_THREADS", 48, 1, 512),
    )


def served_instance(environ: Mapping[str, str] = os.environ) -> Path:
    """Give the folder that `to_serve` has named."""
    return Path(environ["PASSDESK_INSTANCE"])


def to_serve(settings: Settings) -> dict[str, str]:
    """Give the environment by which the server's own process finds the instance."""
    return {"PASSDESK_INSTANCE": str(settings.instance)}


def _number(environ: Mapping[str, str], name: str, default: int, least: int, most: int) -> int:
    text = environ.get(name) or str(default)
    if not re.fullmatch(r"[0-9]{1,9}", text) or not least <= int(text) <= most:
        raise SettingError(f"{name}: {text[:40]!r} is no whole number from {least} to {most}")
    return int(text)
