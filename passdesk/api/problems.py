"""What goes wrong, as a problem document (RFC 9457), for every request and in one form.

A problem says what is wrong and which field it is about, and never repeats what was sent: what was
sent may be a PIN or a code. Whatever nobody has foreseen becomes a problem with a reference, under
which the log has the whole story.
"""

from __future__ import annotations

import json
import logging
import secrets
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING

from flask import Response
from sqlalchemy.exc import InterfaceError, OperationalError, StatementError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from werkzeug.exceptions import HTTPException

from passdesk.services.errors import CommandError, Fault
from passdesk.services.presenting import ConflictError
from passdesk.services.sealing import DamagedTreeError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from passdesk.store.engine import Store

MEDIA_TYPE = "application/problem+json"
RETRY_AFTER_SECONDS = 2
MAX_FAULTS = 20
MAX_FIELD = 80

_logger = logging.getLogger("passdesk")

# RFC 9110 has renamed these since the table of Python 3.11 was made.
_PHRASES = {413: "Content Too Large", 422: "Unprocessable Content"}

_DETAILS = {
    404: "There is nothing at this path.",
    405: "This path does not answer to this method; the Allow header says to which it does.",
    413: "The request is too large.",
    503: "The database does not answer at the moment. Send the same request again.",
}


@dataclass(frozen=True, slots=True)
class Problem:
    """A problem document.

    Attributes:
        status: the HTTP status.
        detail: a sentence for people.
        faults: what is wrong with which field.
        headers: HTTP headers that go with it.
        reference: what the log has it under; None for what needs no looking into.
    """

    status: int
    detail: str
    faults: tuple[Fault, ...] = ()
    headers: Mapping[str, str] = field(default_factory=dict)
    reference: str | None = None

    def response(self) -> Response:
        """Give it as an answer."""
        document = {
            "type": "about:blank",
            "title": title_of(self.status),
            "status": self.status,
            "detail": self.detail,
            "errors": [
                {"field": fault.field[:MAX_FIELD], "message": fault.message}
                for fault in self.faults[:MAX_FAULTS]
            ],
        }
        if self.reference is not None:
            document["reference"] = self.reference
        body = json.dumps(document, ensure_ascii=False)
        answer = Response(body, self.status, mimetype=MEDIA_TYPE)
        answer.headers.update(self.headers)
        return answer


class ProblemError(Exception):
    """A request is answered with a problem, and nothing was changed."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.detail)
        self.problem = problem

    @classmethod
    def at(cls, status: int, name: str, message: str) -> ProblemError:
        """Make the error for one field."""
        return cls(_about(status, (Fault(name, message),)))


def title_of(status: int) -> str:
    """Give the name of an HTTP status (RFC 9110 section 15)."""
    return _PHRASES.get(status) or HTTPStatus(status).phrase


def unavailable(store: Store) -> tuple[type[Exception], ...]:
    """Give the errors by which a database says that it cannot be used now.

    The driver's own are among them: the way from a code to its answer uses it directly.
    """
    driver = store.writes.dialect.loaded_dbapi
    return (
        OperationalError, InterfaceError, PoolTimeoutError,
        driver.OperationalError, driver.InterfaceError,
    )  # fmt: skip


def problem_of(error: Exception, unavailable: tuple[type[Exception], ...]) -> Problem:
    """Give the problem that an error is to the caller; what nobody has foreseen is logged."""
    if isinstance(error, ProblemError):
        return error.problem
    if isinstance(error, CommandError):
        return _about(409 if isinstance(error, ConflictError) else 422, error.faults)
    if isinstance(error, HTTPException):
        return _of_http(error)
    if isinstance(error, unavailable):
        headers = {"Retry-After": str(RETRY_AFTER_SECONDS)}
        return Problem(503, _DETAILS[503], headers=headers, reference=_log(error))
    if isinstance(error, DamagedTreeError):
        return Problem(500, f"The records are damaged: {error}.", reference=_log(error))
    return _unforeseen(error)


def _about(status: int, faults: tuple[Fault, ...]) -> Problem:
    shown = "; ".join(
        f"{fault.field[:MAX_FIELD]}: {fault.message}" for fault in faults[:MAX_FAULTS]
    )
    return Problem(status, shown, faults)


def _of_http(error: HTTPException) -> Problem:
    status = error.code or 500
    headers = {name: value for name, value in error.get_headers() if name == "Allow"}
    return Problem(status, _DETAILS.get(status) or f"{title_of(status)}.", headers=headers)


def _unforeseen(error: Exception) -> Problem:
    reference = _log(error)
    return Problem(
        500,
        f"Something went wrong here. Tell whoever runs this service the reference {reference}.",
        reference=reference,
    )


def _log(error: Exception) -> str:
    """Log an error under a new reference; give that."""
    reference = secrets.token_hex(6)
    if isinstance(error, StatementError):
        error.hide_parameters = True  # names and addresses of guests are among them
    _logger.error("request failed, reference %s", reference, exc_info=error)
    return reference
