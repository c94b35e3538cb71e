"""Passes over HTTP: making, finding, changing and ending them, and the pictures of their codes."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

from flask import Response, url_for
from pydantic import BaseModel, Field

from passdesk.api import reading
from passdesk.api.operations import JSON, Call, Operations, answer
from passdesk.core import symbol
from passdesk.services import finding, issuing, withdrawing
from passdesk.services.access import Scope
from passdesk.services.finding import FindPasses, PassView
from passdesk.services.issuing import Extension, IssuePass, NewCode
from passdesk.services.models import Command
from passdesk.services.withdrawing import Because

if TYPE_CHECKING:
    from collections.abc import Callable

    from passdesk.services.acts import Act
    from passdesk.services.issuing import Issued

C = TypeVar("C", bound=Command)

_ISSUE = frozenset({Scope.ISSUE})
_SEE = frozenset({Scope.ISSUE, Scope.AUDIT})

passes = Operations("passes", "What one guest may do for one visit.")


class CodeView(BaseModel):
    """A live code of a pass."""

    carrier: str
    text: Annotated[str, Field(description="what the QR symbol holds: whoever has it has the pass")]
    svg: Annotated[str, Field(description="where the symbol is, as SVG")]
    png: Annotated[str, Field(description="where the symbol is, as PNG; `scale` sets its size")]


class CodedPass(PassView):
    """A pass with the code that was just made for it."""

    code: CodeView
    new_pin: Annotated[str | None, Field(description="the PIN's six digits, told just this once")]


class PassPage(BaseModel):
    """Some passes, newest first."""

    passes: tuple[PassView, ...]
    next: Annotated[int | None, Field(description="the next page's `before`; null on the last")]


class PictureQuery(Command):
    """How large the symbol is to be."""

    scale: Annotated[int, Field(ge=1, le=20, description="pixels a module")] = 8


@passes.add(
    "POST", "/passes",
    scopes=_ISSUE, body=IssuePass, status=201, answers={JSON: CodedPass},
    example={
        "guest": "Ilse Varga",
        "host": "tomas.brand@example.org",
        "doors": ["Visitors"],
        "valid_from": "2030-05-14T10:00",
        "valid_until": "2030-05-14T18:00",
        "entries": 2,
    },
)  # fmt: skip
def issue_pass(call: Call, body: IssuePass) -> Response:
    """Make a pass with its first code.

    The PIN, where one is asked for, stands in this answer as `new_pin` and nowhere else. A code is
    a bearer token: who holds a copy holds the pass, within its window, entries and doors.
    """
    drawn = issuing.draw_pin() if body.pin else None
    return _coded(call, partial(issuing.issue, drawn=drawn), body)


@passes.add("GET", "/passes", scopes=_SEE, query=FindPasses, answers={JSON: PassPage})
def find_passes(call: Call, query: FindPasses) -> Response:
    """List passes, newest first."""
    with call.reading() as connection:
        found = finding.find_passes(connection, query, call.now_us)
    last = found[-1].pass_ if len(found) == query.limit else None
    return answer(PassPage(passes=tuple(found), next=last))


@passes.add("GET", "/passes/{reference}", scopes=_SEE, answers={JSON: PassView})
def get_pass(call: Call, reference: str) -> Response:
    """Show a pass as it stands now."""
    with call.reading() as connection:
        row = issuing.find_pass(connection, reference, lock=False)
        return answer(finding.pass_view(connection, row.id, call.now_us))


@passes.add(
    "POST", "/passes/{reference}/extensions",
    scopes=_ISSUE, body=Extension, answers={JSON: PassView},
)  # fmt: skip
def extend_pass(call: Call, reference: str, body: Extension) -> Response:
    """Let a pass last longer, or give it more entries; its codes stay as they are."""
    return _changed(call, issuing.extend, _for(issuing.ExtendPass, reference, body))


@passes.add(
    "POST", "/passes/{reference}/withdrawal",
    scopes=_ISSUE, body=Because, answers={JSON: PassView},
)  # fmt: skip
def withdraw_pass(call: Call, reference: str, body: Because) -> Response:
    """End a pass at once: whatever is decided after this answer refuses it."""
    return _changed(call, withdrawing.withdraw, _for(withdrawing.WithdrawPass, reference, body))


@passes.add(
    "POST", "/passes/{reference}/reinstatement",
    scopes=_ISSUE, body=Because, answers={JSON: PassView},
)  # fmt: skip
def reinstate_pass(call: Call, reference: str, body: Because) -> Response:
    """Take a withdrawal back; entries that were spent stay spent."""
    return _changed(call, withdrawing.reinstate, _for(withdrawing.ReinstatePass, reference, body))


@passes.add(
    "POST", "/passes/{reference}/codes",
    scopes=_ISSUE, body=NewCode, status=201, answers={JSON: CodedPass},
)  # fmt: skip
def recode_pass(call: Call, reference: str, body: NewCode) -> Response:
    """Make a new code for a carrier; the carrier's earlier one ends, the count goes on."""
    return _coded(call, issuing.recode, _for(issuing.RecodePass, reference, body))


@passes.add(
    "GET", "/passes/{reference}/codes/{carrier}.svg",
    scopes=_ISSUE, answers={"image/svg+xml": None},
)  # fmt: skip
def get_svg(call: Call, reference: str, carrier: str) -> Response:
    """Show the symbol of a carrier's live code as SVG."""
    return Response(_symbol(call, reference, carrier).to_svg(), mimetype="image/svg+xml")


@passes.add(
    "GET", "/passes/{reference}/codes/{carrier}.png",
    scopes=_ISSUE, query=PictureQuery, answers={"image/png": None},
)  # fmt: skip
def get_png(call: Call, reference: str, carrier: str, query: PictureQuery) -> Response:
    """Show the symbol of a carrier's live code as PNG, dark on white with its white border."""
    return Response(_symbol(call, reference, carrier).to_png(query.scale), mimetype="image/png")


def _for(kind: type[C], reference: str, body: Command) -> C:
    """Complete a command by the pass that the path names."""
    return reading.model(kind, {"pass": reference, **body.model_dump(exclude_unset=True)})


def _changed(call: Call, job: Callable[[Act, Any], int], command: Command) -> Response:
    """Change a pass; show it as it then is, in the same transaction."""

    def work(act: Act) -> PassView:
        return finding.pass_view(act.connection, job(act, command), act.now_us)

    return answer(call.act(work))


def _coded(call: Call, job: Callable[[Act, Any], Issued], command: Command) -> Response:
    """Make a code; show it with its pass."""

    def work(act: Act) -> tuple[Issued, PassView]:
        issued = job(act, command)
        return issued, finding.pass_view(act.connection, issued.pass_id, act.now_us)

    issued, view = call.act(work)
    reference = str(issued.pass_id)
    code = CodeView(
        carrier=issued.carrier,
        text=issued.text,
        svg=url_for("api.get_svg", reference=reference, carrier=issued.carrier),
        png=url_for("api.get_png", reference=reference, carrier=issued.carrier),
    )
    made = CodedPass(**view.model_dump(), code=code, new_pin=issued.pin)
    return answer(made, 201, Location=url_for("api.get_pass", reference=reference))


def _symbol(call: Call, reference: str, carrier: str) -> symbol.Symbol:
    with call.reading() as connection:
        keyring = call.backing.instance.keyring
        return symbol.make(issuing.code_text(connection, keyring, reference, carrier))
