"""The API put together."""

from __future__ import annotations

from typing import TYPE_CHECKING

from passdesk.api import document, operations
from passdesk.api.passes import passes
from passdesk.api.place import place, service
from passdesk.api.presentations import presentations
from passdesk.api.records import records
from passdesk.api.tokens import Tokens
from passdesk.services.presenting import Presenter

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask import Blueprint

    from passdesk.services.instance import Instance

GROUPS = (passes, presentations, place, records, service)


def blueprint(instance: Instance, now_us: Callable[[], int]) -> Blueprint:
    """Give the API of an instance.

    Args:
        instance: what it works with.
        now_us: reads the clock, microseconds UTC; once for every request.
    """
    backing = operations.Backing(
        instance=instance,
        presenter=Presenter(instance),
        tokens=Tokens(instance.store),
        description=document.text(GROUPS),
        now_us=now_us,
    )
    return operations.blueprint(GROUPS, backing)
