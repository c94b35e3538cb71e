"""The OpenAPI 3.1 document, made from the operations and their models.

Made here and not by a library: errors are `application/problem+json` with headers of their own,
codes are pictures, and the keys come in two media types, none of which the library for Flask that
makes such documents can say. What it would save is what pydantic does for us anyway.
"""

from __future__ import annotations

import json
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, Field
from pydantic.json_schema import models_json_schema

from passdesk import __version__
from passdesk.api import problems
from passdesk.api.operations import JSON, PATH_PARAMETERS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from passdesk.api.operations import Operation, Operations

Json = dict[str, Any]
Mode = Literal["validation", "serialization"]

_ABOUT = (
    "Visitor passes as signed QR codes. Times are ISO 8601; where one is given without an offset, "
    "it is local to the site. Text in requests is UTF-8, no key stands twice in an object, and "
    "what is not described here is refused. Every error is a problem document (RFC 9457)."
)
_BEARER = (
    "A token made with 'passdesk token add' or 'passdesk reader add', for one of the scopes "
    "'reader' (one reader's presentations), 'issue' (passes) and 'audit' (records)."
)
_PROBLEMS = {
    400: "The body is no JSON object.",
    401: "There is no token, or it is unknown, or it was ended.",
    403: "The token has another scope.",
    404: "What the path names does not exist.",
    409: "The presentation id was used for another presentation.",
    413: "The body is too large.",
    415: "The body is of another media type.",
    422: "A field does not fit: `errors` names it and says how to mend it.",
    500: "Something that was not foreseen; `reference` is what the log has it under.",
    503: "The database does not answer at the moment; send the same request again.",
}
_HEADERS = {
    401: ("WWW-Authenticate", "as RFC 6750 section 3 has it"),
    403: ("WWW-Authenticate", "as RFC 6750 section 3 has it, with the scope that is needed"),
    503: ("Retry-After", "seconds to wait"),
}


class FieldFault(BaseModel):
    """What is wrong with one field."""

    field: Annotated[str, Field(description="dotted where it is inside another")]
    message: Annotated[str, Field(description="what is wrong and what would be right")]


class ProblemDocument(BaseModel):
    """Problem details (RFC 9457); nothing that was sent is repeated in it."""

    type: Annotated[Literal["about:blank"], Field(description="the status says all")]
    title: Annotated[str, Field(description="name of the status")]
    status: Annotated[int, Field(ge=400, le=599)]
    detail: Annotated[str, Field(description="what is wrong, as a sentence")]
    errors: tuple[FieldFault, ...]
    reference: Annotated[str, Field(description="what the log has it under")] = ""


def describe(groups: Sequence[Operations]) -> Json:
    """Give the document for all operations."""
    operations = [operation for group in groups for operation in group]
    schemas = _schemas(operations)
    paths: dict[str, Json] = {}
    for operation in operations:
        paths.setdefault(operation.path, {})[operation.method.lower()] = _operation(
            operation, schemas
        )
    for operation in operations:
        if operation.query is not None:
            del schemas[_name(operation.query)]
    return {
        "openapi": "3.1.0",
        "info": {"title": "Passdesk", "version": __version__, "description": _ABOUT},
        "servers": [{"url": "/api/v1"}],
        "tags": [{"name": group.tag, "description": group.about} for group in groups],
        "paths": paths,
        "components": {
            "schemas": schemas,
            "responses": {_name_of(status): _problem(status) for status in _PROBLEMS},
            "securitySchemes": {
                "token": {"type": "http", "scheme": "bearer", "description": _BEARER}
            },
        },
    }


@cache
def text(groups: tuple[Operations, ...]) -> str:
    """Give the document as it is published: the same for the same program."""
    return json.dumps(describe(groups), indent=2, ensure_ascii=False) + "\n"


def _schemas(operations: Sequence[Operation]) -> dict[str, Json]:
    """Give the schema of every model, by name, and of the models in them."""
    wanted: dict[tuple[type[BaseModel], Mode], None] = {(ProblemDocument, "serialization"): None}
    for operation in operations:
        wanted |= dict.fromkeys(_models(operation))
    _, found = models_json_schema(
        list(wanted), by_alias=True, ref_template="#/components/schemas/{model}"
    )
    schemas: dict[str, Json] = found["$defs"]
    return {name: _tidy(schema) for name, schema in sorted(schemas.items())}


def _models(operation: Operation) -> Iterator[tuple[type[BaseModel], Mode]]:
    for model in (operation.body, operation.query, operation.form):
        if model is not None:
            yield model, "validation"
    for answer in operation.answers.values():
        if answer is not None:
            yield answer, "serialization"


def _tidy(schema: Any) -> Any:  # noqa: ANN401 # JSON
    """Leave out what says nothing: titles made of names, and docstrings' second paragraphs."""
    if isinstance(schema, list):
        return [_tidy(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    tidy: Json = {}
    for key, value in schema.items():
        if key == "properties":
            tidy[key] = {name: _tidy(part) for name, part in value.items()}
        elif key == "description":
            tidy[key] = " ".join(value.partition("\n\n")[0].split())
        elif key != "title":
            tidy[key] = _tidy(value)
    return tidy


def _operation(operation: Operation, schemas: dict[str, Json]) -> Json:
    summary, _, more = (operation.view.__doc__ or "").partition("\n\n")
    described: Json = {
        "operationId": operation.view.__name__,
        "summary": summary.strip().removesuffix("."),
        "description": " ".join(more.split()),
        "tags": [operation.tag],
        "parameters": [*_path_parameters(operation), *_query_parameters(operation, schemas)],
        "security": [{"token": [scope.value]} for scope in sorted(operation.scopes)],
    }
    if operation.body is not None:
        described["requestBody"] = _content(JSON, operation.body, operation.example)
    if operation.form is not None:
        described["requestBody"] = _content("multipart/form-data", operation.form, None)
    described["responses"] = {
        str(operation.status): _success(operation),
        **{
            str(status): {"$ref": f"#/components/responses/{_name_of(status)}"}
            for status in _problem_statuses(operation)
        },
    }
    return {key: value for key, value in described.items() if value or key == "security"}


def _path_parameters(operation: Operation) -> Iterator[Json]:
    for name in operation.parameters:
        parameter = PATH_PARAMETERS[name]
        yield {
            "name": name,
            "in": "path",
            "required": True,
            "description": parameter.description,
            "schema": dict(parameter.schema),
        }


def _query_parameters(operation: Operation, schemas: dict[str, Json]) -> Iterator[Json]:
    if operation.query is None:
        return
    schema = schemas[_name(operation.query)]
    for name, value in schema["properties"].items():
        kept = dict(value)
        described = {"name": name, "in": "query", "required": name in schema.get("required", ())}
        if "description" in kept:
            described["description"] = kept.pop("description")
        if "anyOf" in kept:  # a value or null: here, a value or left out
            kept = {**kept["anyOf"][0]}
        yield {**described, "schema": kept}


def _content(media_type: str, model: type[BaseModel], example: Mapping[str, Any] | None) -> Json:
    content: Json = {"schema": {"$ref": f"#/components/schemas/{_name(model)}"}}
    if example is not None:
        content["example"] = dict(example)
    return {"required": True, "content": {media_type: content}}


def _success(operation: Operation) -> Json:
    content = {
        media_type: {}
        if model is None
        else {"schema": {"$ref": f"#/components/schemas/{_name(model)}"}}
        for media_type, model in operation.answers.items()
    }
    return {"description": problems.title_of(operation.status), "content": content}


def _problem(status: int) -> Json:
    described: Json = {"description": _PROBLEMS[status]}
    if status in _HEADERS:
        name, about = _HEADERS[status]
        described["headers"] = {name: {"description": about, "schema": {"type": "string"}}}
    schema = {"$ref": f"#/components/schemas/{_name(ProblemDocument)}"}
    return {**described, "content": {problems.MEDIA_TYPE: {"schema": schema}}}


def _problem_statuses(operation: Operation) -> list[int]:
    """Give the statuses of the problems that this operation can have."""
    comes_in = operation.body or operation.form
    possible = {
        400: operation.body is not None,
        401: bool(operation.scopes),
        403: bool(operation.scopes),
        404: bool(operation.parameters),
        409: operation.conflicts,
        413: comes_in is not None,
        415: comes_in is not None,
        422: comes_in is not None or operation.query is not None,
        500: True,
        503: True,
    }
    return [status for status, is_possible in possible.items() if is_possible]


def _name(model: type[BaseModel]) -> str:
    return model.__name__


def _name_of(status: int) -> str:
    return problems.title_of(status).title().replace(" ", "")
