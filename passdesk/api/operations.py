"""One list of everything that the API does, from which it is routed, guarded and described.

What an operation needs (a scope, a body, a query) is said once, where it is written. The routes,
the checks before it runs and the OpenAPI document all follow from that, so that none can differ.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec, TypeVar

from flask import Blueprint, Response, request
from werkzeug.routing import BaseConverter

from passdesk.api import reading
from passdesk.api.problems import ProblemError
from passdesk.services.errors import NotFoundError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from contextlib import AbstractContextManager

    from pydantic import BaseModel
    from sqlalchemy import Connection

    from passdesk.api.tokens import Tokens
    from passdesk.services.access import Caller, Scope
    from passdesk.services.acts import Act
    from passdesk.services.instance import Instance
    from passdesk.services.presenting import Presenter

    View = Callable[..., Response]

P = ParamSpec("P")
T = TypeVar("T")
V = TypeVar("V", bound="View")

JSON = "application/json"
_BRACES = re.compile(r"\{(\w+)\}")


@dataclass(frozen=True, slots=True)
class PathParameter:
    """A part of a path that differs from call to call.

    Attributes:
        rule: how it stands in a route.
        field: what a fault calls it.
        description: what it is.
        schema: of its value, in JSON Schema.
    """

    rule: str
    field: str
    description: str
    schema: Mapping[str, Any]


class ReferenceConverter(BaseConverter):
    """A pass id or a pass number; nothing else is a path of ours."""

    regex = "[0-9A-Za-z][0-9A-Za-z -]{0,19}"


class PositionConverter(BaseConverter):
    """A position in the records, no larger than a database can hold."""

    regex = "[0-9]{1,18}"

    def to_python(self, value: str) -> int:
        """Give the number."""
        return int(value)


CONVERTERS = {"reference": ReferenceConverter, "position": PositionConverter}

PATH_PARAMETERS = {
    "reference": PathParameter(
        "<reference:reference>",
        "pass",
        "a pass id, or a pass number such as 3H9R-TD6W",
        {"type": "string", "pattern": f"^{ReferenceConverter.regex}$"},
    ),
    "carrier": PathParameter(
        "<any(phone, badge):carrier>",
        "carrier",
        "where the code lives",
        {"type": "string", "enum": ["phone", "badge"]},
    ),
    "position": PathParameter(
        "<position:position>",
        "position",
        "position in the records, from 0",
        {"type": "integer", "minimum": 0, "maximum": 10**18 - 1},
    ),
}


@dataclass(frozen=True, slots=True)
class Backing:
    """What every call works with.

    Attributes:
        instance: settings, database, keys and writer.
        presenter: answers presentations.
        tokens: finds callers.
        description: the OpenAPI document.
        now_us: reads the clock, microseconds UTC.
    """

    instance: Instance
    presenter: Presenter
    tokens: Tokens
    description: str
    now_us: Callable[[], int]


@dataclass(frozen=True, slots=True)
class Call:
    """One request that may proceed.

    Attributes:
        backing: what to work with.
        caller: who calls; None where no token is asked for.
        now_us: the moment of the request, microseconds UTC.
    """

    backing: Backing
    caller: Caller | None
    now_us: int

    @property
    def by(self) -> str:
        """The caller's reference for the records."""
        return "anyone" if self.caller is None else self.caller.by

    def act(self, job: Callable[Concatenate[Act, P], T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run a service function as the caller's act; durable when this returns."""
        return self.backing.instance.act(self.by, self.now_us, job, *args, **kwargs)

    def reading(self) -> AbstractContextManager[Connection]:
        """Give a connection that sees one state and changes nothing."""
        return self.backing.instance.store.reading()


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """One thing that can be asked for.

    Attributes:
        method: GET or POST; a GET answers to HEAD too.
        path: below /api/v1, with its parameters in braces.
        view: gets the call, the path's parameters by name, and `body`, `query` or `form`.
        tag: the group it belongs to.
        scopes: of which the caller's token must have one; none asks for no token.
        status: of the answer.
        answers: its model by media type; None for what is no JSON.
        body, query, form: models of what comes in, None for nothing.
        example: of a body.
        conflicts: whether it answers 409.
    """

    method: str
    path: str
    view: View
    tag: str
    scopes: frozenset[Scope] = frozenset()
    status: int = 200
    answers: Mapping[str, type[BaseModel] | None] = field(default_factory=dict)
    body: type[BaseModel] | None = None
    query: type[BaseModel] | None = None
    form: type[BaseModel] | None = None
    example: Mapping[str, Any] | None = None
    conflicts: bool = False

    @property
    def parameters(self) -> list[str]:
        """The names of the path's parameters, in their order."""
        return _BRACES.findall(self.path)

    @property
    def rule(self) -> str:
        """The path as a route."""
        return _BRACES.sub(lambda found: PATH_PARAMETERS[found[1]].rule, self.path)


class Operations:
    """The operations of one group, in the order in which they are described."""

    def __init__(self, tag: str, about: str) -> None:
        self.tag = tag
        self.about = about
        self._all: list[Operation] = []

    def __iter__(self) -> Iterator[Operation]:
        return iter(self._all)

    def add(self, method: str, path: str, **needs: Any) -> Callable[[V], V]:  # noqa: ANN401 # fields of Operation
        """Add the function below as an operation."""

        def added(view: V) -> V:
            self._all.append(Operation(method=method, path=path, view=view, tag=self.tag, **needs))
            return view

        return added


def blueprint(groups: tuple[Operations, ...], backing: Backing) -> Blueprint:
    """Give the routes of all operations."""
    routes = Blueprint("api", __name__, url_prefix="/api/v1")
    for group in groups:
        for operation in group:
            routes.add_url_rule(
                operation.rule,
                endpoint=operation.view.__name__,
                view_func=_endpoint(operation, backing),
                methods=[operation.method],
            )
    return routes


def answer(model: BaseModel, status: int = 200, **headers: str) -> Response:
    """Give a model as JSON."""
    return Response(model.model_dump_json(by_alias=True), status, headers, mimetype=JSON)


def _endpoint(operation: Operation, backing: Backing) -> View:
    inputs = [
        (name, read, model)
        for name, read, model in (
            ("query", reading.query, operation.query),
            ("body", reading.json_body, operation.body),
            ("form", reading.form, operation.form),
        )
        if model is not None
    ]
    named = {PATH_PARAMETERS[name].field for name in operation.parameters}

    def endpoint(**given: Any) -> Response:  # noqa: ANN401 # the path's parameters
        caller = None
        if operation.scopes:
            caller = backing.tokens.admit(request.headers.get("Authorization"), operation.scopes)
        for name, read, model in inputs:
            given[name] = read(request, model)
        try:
            return operation.view(Call(backing, caller, backing.now_us()), **given)
        except NotFoundError as error:
            # What the path names is missing: 404. What a field of the body names: 422, as ever.
            fault = error.faults[0]
            if fault.field not in named:
                raise
            raise ProblemError.at(404, fault.field, fault.message) from error

    return endpoint
