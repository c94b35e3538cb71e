"""A PostgreSQL server of our own, for as long as it is needed."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import psycopg

if TYPE_CHECKING:
    from collections.abc import Iterator


class MissingServerError(Exception):
    """PostgreSQL is not installed."""


def _programs() -> Path:
    found = shutil.which("initdb")
    folders = [Path(found).resolve().parent] if found else []
    folders += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    for folder in folders:
        if (folder / "initdb").exists():
            return folder
    raise MissingServerError("PostgreSQL is not installed; scripts/test installs it")


def _run(*command: str | Path) -> None:
    # The server refuses root, so root becomes the user that Debian's package has made.
    become = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    subprocess.run([*become, *command], check=True, stdout=subprocess.DEVNULL, cwd="/")


@contextmanager
def cluster(*, durable: bool = True) -> Iterator[str]:
    """Run a server on a socket in a temporary folder; give that folder.

    Args:
        durable: flush to disk at every commit. Without it only a loss of power can lose anything:
            a killed server or client loses nothing.
    """
    programs = _programs()
    folder = Path(tempfile.mkdtemp(prefix="pdpg"))
    if os.geteuid() == 0:
        shutil.chown(folder, "postgres", "postgres")
    data = folder / "data"
    _run(programs / "initdb", "-D", data, "-A", "trust", "-N", "-U", "postgres", "-E", "UTF8",
         "--locale=C.UTF-8")  # fmt: skip
    options = {
        "listen_addresses": "''",
        "unix_socket_directories": str(folder),
        "max_connections": "300",
        "fsync": "on" if durable else "off",
    }
    pg_ctl = (programs / "pg_ctl", "-D", data, "-w", "-l", folder / "log")
    text = " ".join(f"-c {name}={value}" for name, value in options.items())
    _run(*pg_ctl, "-o", text, "start")
    try:
        yield str(folder)
    finally:
        _run(*pg_ctl, "-m", "immediate", "stop")
        shutil.rmtree(folder, ignore_errors=True)


def url(socket: str, name: str) -> str:
    """Give the address of a database on the server at a socket's folder."""
    return f"postgresql+psycopg://postgres@/{name}?host={socket}"


def execute(socket: str, statement: str) -> None:
    """Run one statement on the server, outside of any database of ours."""
    with psycopg.connect(f"host={socket} user=postgres dbname=postgres", autocommit=True) as c:
        c.execute(statement.encode())
