"""The command that runs the service."""

from __future__ import annotations

import errno
import os
import socket
import time
from contextlib import suppress
from threading import Thread
from typing import TYPE_CHECKING

import click

from passdesk import settings
from passdesk.cli.common import FAILED, fail, say, with_instance
from passdesk.services import instance as instances
from passdesk.services.errors import CommandError, Fault

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from passdesk.settings import Settings

LOOK_SECONDS = 0.05


@click.command("serve")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--port", type=click.IntRange(1, 65_535), default=settings.DEFAULT_PORT, show_default=True
)
@with_instance
def serve(host: str, port: int, folder: Path, *, as_json: bool) -> None:
    """Run the service until it is stopped."""
    from passdesk import worker  # noqa: PLC0415 # no other command waits for it to load

    chosen = settings.load(folder)
    instances.open_instance(chosen).close()  # say what is wrong with it before starting
    try:
        held = worker.lock(chosen.lock_file.with_suffix(".pid"))
    except worker.AlreadyServedError as error:
        raise CommandError.at("instance", str(error)) from error
    with held:
        address = _free_address(host, port)
        shown = f"http://{f'[{host}]' if ':' in host else host}:{port}/"

        def tell() -> None:
            _wait_for_answers(address, port)
            say(
                {"address": shown, "instance": str(folder)},
                f"Passdesk answers at {shown} (stop it with Ctrl-C)",
                as_json=as_json,
            )

        if not _run(chosen, address, port, tell, kill_seconds=worker.STOP_SECONDS):
            message = "its process stopped twice in a few seconds, so it is not started again"
            fail([Fault("service", message)], as_json=as_json, status=FAILED)


def _run(
    chosen: Settings, address: str, port: int, tell: Callable[[], None], *, kill_seconds: int
) -> bool:
    """Run the server until it is stopped; False if it has given up.

    That is when its process stops as soon as it was started anew.
    """
    from granian import Granian  # noqa: PLC0415 # as above
    from granian.constants import Interfaces  # noqa: PLC0415

    os.environ |= settings.to_serve(chosen)
    server = Granian(
        "passdesk.worker:application",
        factory=True,
        interface=Interfaces.WSGI,
        address=address,
        port=port,
        workers=1,
        blocking_threads=chosen.server_threads,
        backlog=2048,
        log_enabled=False,
        respawn_failed_workers=True,
        workers_kill_timeout=kill_seconds,
    )
    server.on_startup(Thread(target=tell, daemon=True).start)
    try:
        server.serve()
    except SystemExit:
        return False
    return True


def _free_address(host: str, port: int) -> str:
    """Give the address of a host, at which this process can listen and nobody else does.

    The server by itself would share the port with another program, and each would get a part of
    the requests.
    """
    try:
        family, kind, _, _, where = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(where)
    except (OSError, UnicodeError) as error:
        if isinstance(error, OSError) and error.errno in {errno.EADDRINUSE, errno.EACCES}:
            message = f"{port} cannot be used: {error.strerror}; choose another"
            raise CommandError.at("port", message) from error
        raise CommandError.at("host", f"{host!r} is no address of this machine") from error
    return str(where[0])


def _wait_for_answers(address: str, port: int) -> None:
    while True:
        time.sleep(LOOK_SECONDS)
        with suppress(ConnectionError), socket.create_connection((address, port)):
            return
