"""Calling the API of a small place, with every answer held against the published description."""

from __future__ import annotations

import io
import itertools
import json
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any

from flask import request
from openapi_schema_validator import OAS31Validator
from werkzeug.datastructures import FileStorage
from werkzeug.test import encode_multipart

from passdesk.api import document
from passdesk.api.routes import GROUPS
from passdesk.app import create_app
from passdesk.services import access
from tests.support.place import MINUTE_US, NOW_US, House

if TYPE_CHECKING:
    from collections.abc import Iterator

    from flask import Flask
    from werkzeug.test import TestResponse

    from passdesk.services.instance import Instance

API = "/api/v1"
PROBLEM = "application/problem+json"


@cache
def described() -> dict[str, Any]:
    """Give the OpenAPI document."""
    return document.describe(GROUPS)


@cache
def schema(name: str) -> OAS31Validator:
    """Give what checks a value against a schema of the document."""
    return OAS31Validator(
        {"$ref": f"#/components/schemas/{name}", "components": described()["components"]}
    )


@dataclass
class Api:
    """The API over a small place, with a clock that is set by hand.

    Tokens by name: `issue` and `audit`, and one for each reader by the reader's name.
    """

    house: House
    app: Flask
    tokens: dict[str, str]
    clock: list[int]
    ids: Iterator[int] = field(default_factory=itertools.count)

    @classmethod
    def over(cls, house: House, tokens: dict[str, str]) -> Api:
        """Put the application together over a place."""
        clock = [NOW_US]
        return cls(house, create_app(house.instance, lambda: clock[0]), tokens, clock)

    @property
    def instance(self) -> Instance:
        """The instance behind it."""
        return self.house.instance

    def wait(self, minutes: float) -> None:
        """Let time pass."""
        self.clock[0] += round(minutes * MINUTE_US)

    def call(  # the parts of a request
        self,
        method: str,
        path: str,
        token: str | None = None,
        **parts: Any,  # noqa: ANN401
    ) -> TestResponse:
        """Send a request and hold its answer against the description."""
        headers = dict(parts.pop("headers", {}))
        if token is not None:
            headers["Authorization"] = f"Bearer {self.tokens.get(token, token)}"
        with self.app.test_client() as client:
            answer = client.open(API + path, method=method, headers=headers, buffered=True, **parts)
            rule = request.url_rule
            if rule is not None:
                conforms(answer, method, rule.endpoint.removeprefix("api."))
        return answer

    def get(self, path: str, token: str | None = None, **parts: Any) -> TestResponse:  # noqa: ANN401
        """Send a GET."""
        return self.call("GET", path, token, **parts)

    def post(self, path: str, token: str, body: Any, **parts: Any) -> TestResponse:  # noqa: ANN401
        """Send a POST with a body in JSON."""
        return self.call("POST", path, token, json=body, **parts)

    def issue(self, **fields: Any) -> dict[str, Any]:  # noqa: ANN401 # of IssuePass
        """Make a pass over HTTP; give the answer's JSON."""
        answer = self.post("/passes", "issue", new_pass(**fields))
        assert answer.status_code == 201, answer.text
        found: dict[str, Any] = answer.get_json()
        return found

    def present(
        self,
        shown: str | dict[str, Any],
        reader: str = "Front in",
        **fields: Any,  # noqa: ANN401
    ) -> TestResponse:
        """Show a code's text, or that of a pass just made, to a reader over HTTP."""
        text = shown if isinstance(shown, str) else shown["code"]["text"]
        return self.post("/presentations", reader, {**self.attempt(), "text": text, **fields})

    def present_image(self, image: bytes, reader: str = "Front in", **fields: str) -> TestResponse:
        """Show a picture to a reader over HTTP."""
        return self.send_form({**self.attempt(), **fields, "image": picture(image)}, reader)

    def send_form(self, form: dict[str, Any], reader: str = "Front in") -> TestResponse:
        """Send any form to where pictures go."""
        boundary, data = encode_multipart(form)
        content_type = f"multipart/form-data; boundary={boundary}"
        return self.call(
            "POST", "/presentations/image", reader, data=data, content_type=content_type
        )

    def attempt(self) -> dict[str, str]:
        """Give a presentation id that was not used before."""
        return {"presentation_id": f"attempt-{next(self.ids):08d}"}


def tokens_for(house: House) -> dict[str, str]:
    """Make the tokens that `Api` has; give their secrets."""
    wanted = [access.AddToken(name=name, scope=access.Scope(name)) for name in ("issue", "audit")]
    wanted += [
        access.AddToken(name=name, scope=access.Scope.READER, reader=name) for name in house.readers
    ]
    return {command.name: house.act(access.add_token, command)[1] for command in wanted}


def picture(image: bytes) -> FileStorage:
    """Give a picture as a form's file."""
    return FileStorage(io.BytesIO(image), "shown.png")


def new_pass(**fields: Any) -> dict[str, Any]:  # noqa: ANN401 # of IssuePass
    """Give a body that makes a pass for one entry, for an hour from the test's now."""
    return {
        "guest": "Ilse Varga",
        "host": "tomas.brand@example.org",
        "doors": ["Visitors"],
        "valid_from": "2030-05-14T10:00",
        "valid_until": "2030-05-14T11:00",
        **fields,
    }


def conforms(answer: TestResponse, method: str, operation: str) -> None:
    """Hold an answer against the description of its operation."""
    if answer.status_code == 405:
        return  # no operation at all
    operations = {
        one["operationId"]: one for path in described()["paths"].values() for one in path.values()
    }
    responses = operations[operation]["responses"]
    assert str(answer.status_code) in responses, answer.text
    response = responses[str(answer.status_code)]
    if "$ref" in response:
        response = described()["components"]["responses"][response["$ref"].rpartition("/")[2]]
    assert set(response.get("headers", {})) <= set(answer.headers.keys())
    content = response["content"][answer.mimetype]
    if method != "HEAD" and "schema" in content:
        schema(content["schema"]["$ref"].rpartition("/")[2]).validate(json.loads(answer.data))


def faults(answer: TestResponse, status: int) -> dict[str, str]:
    """See that an answer is a problem of a status; give what it says of each field."""
    assert answer.status_code == status, answer.text
    assert answer.mimetype == PROBLEM
    problem = answer.get_json(force=True)
    assert problem["status"] == status
    assert problem["type"] == "about:blank"
    return {fault["field"]: fault["message"] for fault in problem["errors"]}
