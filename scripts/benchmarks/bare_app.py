"""The floor of everything over HTTP: one route that always says the same, under the same server.

python -m scripts.benchmarks.bare_app PORT
"""

from __future__ import annotations

import sys
from pathlib import Path

from flask import Flask, Response
from granian import Granian
from granian.constants import Interfaces

from passdesk import settings

HOST = "127.0.0.1"
PATH = "/api/v1/presentations"
PROBE = "/api/v1/health"
ANSWER = b'{"granted":true,"said":"' + b"x" * 400 + b'"}'
"""As long as the service's own answer."""


def application() -> Flask:
    """Make the application; the server calls this."""
    app = Flask("bare")

    @app.post(PATH)
    @app.get(PROBE)
    def answer() -> Response:
        return Response(ANSWER, mimetype="application/json")

    return app


def main() -> None:
    """Serve until stopped, with the options of `passdesk serve`."""
    Granian(
        "scripts.benchmarks.bare_app:application",
        factory=True,
        interface=Interfaces.WSGI,
        address=HOST,
        port=int(sys.argv[1]),
        workers=1,
        blocking_threads=settings.load(Path()).server_threads,
        backlog=2048,
        log_enabled=False,
        respawn_failed_workers=True,
        workers_kill_timeout=10,
    ).serve()


if __name__ == "__main__":
    main()
