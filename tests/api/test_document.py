"""The OpenAPI document."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator

from passdesk import __version__
from passdesk.api.routes import GROUPS
from passdesk.services.access import Scope
from tests.api.calling import described, schema

if TYPE_CHECKING:
    from collections.abc import Iterator

    from passdesk.api.operations import Operation
    from tests.api.calling import Api

ROOT = Path(__file__).parents[2]
OPERATIONS = [operation for group in GROUPS for operation in group]


def everything(value: object) -> Iterator[dict[str, Any]]:
    """Give every object inside a JSON value."""
    if isinstance(value, dict):
        yield value
        value = list(value.values())
    if isinstance(value, list):
        for part in value:
            yield from everything(part)


def test_the_document_is_valid_openapi_3_1() -> None:
    # openapi-spec-validator, with the schema that the OpenAPI Initiative publishes.
    OpenAPIV31SpecValidator(described()).validate()


def test_the_service_gives_the_document_to_anyone(api: Api) -> None:
    assert api.get("/openapi.json").get_json() == described()


def test_every_route_is_described_and_nothing_else(api: Api) -> None:
    routes = {
        rule.endpoint.removeprefix("api.")
        for rule in api.app.url_map.iter_rules()
        if rule.endpoint.startswith("api.")
    }
    ids = [one["operationId"] for path in described()["paths"].values() for one in path.values()]
    assert sorted(ids) == sorted(routes)


def test_every_scope_is_used_and_stands_with_its_operations() -> None:
    assert set().union(*(operation.scopes for operation in OPERATIONS)) == set(Scope)
    for operation in OPERATIONS:
        security = described()["paths"][operation.path][operation.method.lower()]["security"]
        assert {name for one in security for name in one["token"]} == set(operation.scopes)


@pytest.mark.parametrize(
    "operation", [one for one in OPERATIONS if one.example], ids=lambda one: one.view.__name__
)
def test_examples_are_good_examples(operation: Operation) -> None:
    assert operation.body is not None
    operation.body.model_validate_json(json.dumps(operation.example), strict=True)
    schema(operation.body.__name__).validate(operation.example)


def test_every_reference_leads_somewhere_and_every_schema_is_used() -> None:
    used = {one["$ref"] for one in everything(described()) if "$ref" in one}
    there = {
        f"#/components/{kind}/{name}"
        for kind in ("schemas", "responses")
        for name in described()["components"][kind]
    }
    assert used == there


def test_descriptions_are_sentences_for_those_who_call() -> None:
    for one in everything(described()):
        description = one.get("description", "")
        if isinstance(description, str):
            assert "Raises:" not in description
            assert "Attributes:" not in description
            assert "\n" not in description


def test_every_operation_says_what_it_does() -> None:
    for path in described()["paths"].values():
        for one in path.values():
            assert one["summary"]
            assert {"500", "503"} <= set(one["responses"])


def test_the_document_names_the_version() -> None:
    assert described()["info"]["version"] == __version__


def make_openapi(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the program that writes the document."""
    program = ROOT / "scripts" / "make_openapi.py"
    return subprocess.run(
        [sys.executable, program, *arguments],
        cwd=ROOT, env={"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False,
    )  # fmt: skip


def test_the_published_document_is_the_programs() -> None:
    result = make_openapi("--check")
    assert (result.returncode, result.stdout, result.stderr) == (0, "", "")


def test_a_published_document_that_is_not_the_programs_is_found(tmp_path: Path) -> None:
    file = tmp_path / "openapi.json"
    assert make_openapi("--check", "--file", str(file)).returncode == 1
    assert make_openapi("--file", str(file)).returncode == 0
    assert make_openapi("--check", "--file", str(file)).returncode == 0
    file.write_text(file.read_text(encoding="utf-8").replace("3.1.0", "3.1.1"), encoding="utf-8")
    result = make_openapi("--check", "--file", str(file))
    assert result.returncode == 1
    assert "openapi.json" in result.stdout
