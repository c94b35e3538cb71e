"""The start page, and how a page says what went wrong."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from typing import TYPE_CHECKING

from flask import Blueprint, Response, render_template
from sqlalchemy import func, select

from passdesk import __version__
from passdesk.api import problems
from passdesk.core import clock
from passdesk.core.clock import MICROSECONDS
from passdesk.core.values import Direction
from passdesk.services import finding, sealing
from passdesk.services.instance import fact
from passdesk.store.tables import (
    door_group_doors,
    door_groups,
    doors,
    readers,
    sites,
    tree,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from sqlalchemy import Connection

    from passdesk.services.instance import Instance

CONTENT_SECURITY_POLICY = (
    "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
_VISIT_US = 8 * 3600 * MICROSECONDS


@dataclass(frozen=True, slots=True)
class State:
    """What the start page says of the instance.

    Attributes:
        passes, doors: how many there are.
        sealed, unsealed: records that are in the tree, and that are not yet.
        demo: the demo's site, None on an instance in earnest.
        commands: that make and show a first pass here, word by word, as a shell takes them; none
            before there is a door to show it at.
    """

    passes: int
    doors: int
    sealed: int
    unsealed: int
    demo: str | None
    commands: tuple[tuple[str, ...], ...]


def blueprint(instance: Instance, now_us: Callable[[], int]) -> Blueprint:
    """Give the pages of an instance."""
    pages = Blueprint(
        "web", __name__, template_folder="templates", static_folder="static",
        static_url_path="/static",
    )  # fmt: skip

    def start() -> Response:
        with instance.store.reading() as connection:
            state = state_of(connection, now_us())
        return _page("start.html", state=state, version=__version__)

    pages.add_url_rule("/", view_func=start)
    return pages


def problem(what: problems.Problem) -> Response:
    """Give a page that says what went wrong, and the way out."""
    title = problems.title_of(what.status)
    response = _page("problem.html", problem=what, title=title)
    response.status_code = what.status
    response.headers.update(what.headers)
    return response


def state_of(connection: Connection, now_us: int) -> State:
    """Look at an instance at a moment."""
    site = connection.execute(select(sites.c.name).order_by(sites.c.id)).scalar()
    return State(
        passes=finding.count_passes(connection),
        doors=connection.execute(select(func.count()).select_from(doors)).scalar_one(),
        sealed=connection.execute(select(tree.c.size)).scalar_one(),
        unsealed=sealing.unsealed(connection),
        demo=site if fact(connection, "demo") == "yes" else None,
        commands=_commands(connection, now_us),
    )


def _commands(connection: Connection, now_us: int) -> tuple[tuple[str, ...], ...]:
    """Give commands that work here: with a door group and a reader that there are."""
    row = connection.execute(
        select(door_groups.c.name.label("group"), readers.c.name.label("reader"), sites)
        .join(door_group_doors, door_group_doors.c.group_id == door_groups.c.id)
        .join(readers, readers.c.door_id == door_group_doors.c.door_id)
        .join(sites, sites.c.id == door_groups.c.site_id)
        .where(readers.c.direction == Direction.ENTRY, readers.c.ended_us.is_(None))
        .order_by(door_groups.c.id, readers.c.id)
    ).first()
    if row is None:
        return ()
    zone = clock.zone_named(row.zone)
    from_us = now_us - now_us % (60 * MICROSECONDS)
    window = [clock.format_instant(at_us, zone) for at_us in (from_us, from_us + _VISIT_US)]
    issue = [
        "passdesk", "pass", "issue", "--site", row.name, "--guest", "Ilse Varga",
        "--host", "tomas.brand@example.org", "--doors", row.group,
        "--from", window[0], "--until", window[1], "--out", "pass.png",
    ]  # fmt: skip
    present = ["passdesk", "present", "pass.png", "--reader", row.reader]
    return tuple(
        tuple(map(shlex.quote, words)) for words in (issue, present, ["passdesk", "pass", "list"])
    )


def _page(template: str, **values: object) -> Response:
    response = Response(render_template(template, **values), mimetype="text/html")
    response.headers["Content-Security-Policy"] = CONTENT_SECURITY_POLICY
    return response
