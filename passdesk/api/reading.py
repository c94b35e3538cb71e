"""Reading a request into the model that says what it may hold. Nothing is guessed.

JSON is read strictly: UTF-8, no key twice, no NaN, no text where a number belongs, and no more
than a request needs. Two programs that read the same bytes then cannot see two different things.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

from pydantic import BaseModel, ValidationError
from werkzeug.exceptions import RequestEntityTooLarge

from passdesk.api.problems import ProblemError
from passdesk.services.errors import CommandError, faults_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from flask import Request

M = TypeVar("M", bound=BaseModel)

MAX_JSON_BYTES = 65_536

_NOT_JSON = "is no JSON object in UTF-8 with every key once"


def json_body(request: Request, kind: type[M]) -> M:
    """Read a JSON body.

    Raises:
        ProblemError: it is of another type, too large, or no JSON.
        CommandError: names the field that does not fit.
    """
    _require_type(request, "application/json")
    request.max_content_length = MAX_JSON_BYTES
    try:
        raw = request.get_data(cache=False)
    except RequestEntityTooLarge as error:
        message = f"is larger than {MAX_JSON_BYTES} bytes"
        raise ProblemError.at(413, "body", message) from error
    try:
        # Not for what it gives: the reader below takes duplicate keys and NaN.
        json.loads(raw.decode(), object_pairs_hook=_once, parse_constant=_refuse)
    except (ValueError, RecursionError) as error:
        raise ProblemError.at(400, "body", _NOT_JSON) from error
    try:
        return kind.model_validate_json(raw, strict=True)
    except ValidationError as error:
        if error.errors(include_input=False, include_url=False)[0]["type"] == "json_invalid":
            raise ProblemError.at(400, "body", _NOT_JSON) from error
        raise CommandError(*faults_of(error)) from error


def query(request: Request, kind: type[M]) -> M:
    """Read the parameters of the query.

    Raises:
        CommandError: names the parameter that does not fit, is not known, or is given twice.
    """
    return model(kind, _each_once(request.args.lists()))


def form(request: Request, kind: type[M]) -> M:
    """Read a multipart form with files.

    Raises:
        ProblemError: it is of another type, or too large.
        CommandError: names the field that does not fit, is not known, or is given twice.
    """
    _require_type(request, "multipart/form-data")
    try:
        fields = _each_once([*request.form.lists(), *request.files.lists()])
    except RequestEntityTooLarge as error:
        raise ProblemError.at(
            413, "image", "the form has too many bytes or parts; send one, smaller picture"
        ) from error
    read = {name: part if isinstance(part, str) else part.read() for name, part in fields.items()}
    return model(kind, read, strict=True)


def model(kind: type[M], fields: dict[str, Any], *, strict: bool = False) -> M:
    """Make a model of fields that came in.

    Raises:
        CommandError: names the field that does not fit.
    """
    try:
        return kind.model_validate(fields, strict=strict)
    except ValidationError as error:
        raise CommandError(*faults_of(error)) from error


def _require_type(request: Request, wanted: str) -> None:
    if request.mimetype != wanted:
        raise ProblemError.at(415, "content-type", f"must be {wanted}")


def _each_once(fields: Iterable[tuple[str, list[Any]]]) -> dict[str, Any]:
    single: dict[str, Any] = {}
    for name, values in fields:
        if len(values) > 1 or name in single:
            raise CommandError.at(name, "is given more than once")
        single[name] = values[0]
    return single


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key is given twice")
    return found


def _refuse(constant: str) -> NoReturn:
    raise ValueError(f"{constant} is no JSON")
