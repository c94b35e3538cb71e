"""The one place where the web parts are put together."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from flask import Flask, Response, request

from passdesk.api import operations, problems, routes
from passdesk.web import pages

if TYPE_CHECKING:
    from collections.abc import Callable

    from passdesk.services.instance import Instance

# Four of the blocks in which a form is read: the parser's limit counts the whole block at hand,
# a file's too, and not only the fields that are no file.
MAX_FORM_BYTES = 4 * 65_536
MAX_FORM_PARTS = 10

_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
    # Without one the program that serves adds its own.
    "Server": "passdesk",
    "X-Content-Type-Options": "nosniff",
}


def clock_us() -> int:
    """Read the clock: microseconds UTC."""
    return time.time_ns() // 1000


def create_app(instance: Instance, now_us: Callable[[], int] = clock_us) -> Flask:
    """Put the service together.

    Args:
        instance: an open instance; whoever opened it closes it.
        now_us: reads the clock, microseconds UTC; once for every request.
    """
    app = Flask("passdesk", static_folder=None)
    app.config.update(
        MAX_CONTENT_LENGTH=instance.settings.max_upload_bytes,
        MAX_FORM_MEMORY_SIZE=MAX_FORM_BYTES,
        MAX_FORM_PARTS=MAX_FORM_PARTS,
        PROVIDE_AUTOMATIC_OPTIONS=False,
    )
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    # One thing has one address: no redirect to it from another.
    app.url_map.merge_slashes = False
    app.url_map.converters.update(operations.CONVERTERS)
    app.register_blueprint(routes.blueprint(instance, now_us))
    app.register_blueprint(pages.blueprint(instance, now_us))
    unavailable = problems.unavailable(instance.store)

    def went_wrong(error: Exception) -> Response:
        problem = problems.problem_of(error, unavailable)
        return problem.response() if request.path.startswith("/api/") else pages.problem(problem)

    app.register_error_handler(Exception, went_wrong)
    app.after_request(_add_headers)
    return app


def _add_headers(response: Response) -> Response:
    headers = response.headers
    for name, value in _HEADERS.items():
        if name not in headers:
            headers.add(name, value)
    return response
