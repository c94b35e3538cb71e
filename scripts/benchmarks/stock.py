"""Instances that are full from the start: passes and records by the million, in plain SQL.

They are what the service itself would have written, row for row, without its checks.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from itertools import count, cycle, islice
from random import Random
from typing import TYPE_CHECKING, Any

from sqlalchemy import insert, select

from passdesk.core import code, number, record
from passdesk.core.clock import MICROSECONDS
from passdesk.core.code import Claims
from passdesk.services.presenting import Moments, PresentCode, Presenter
from passdesk.store.tables import door_groups, hosts, signing_keys
from scripts.benchmarks.floors import run_in
from tests.support.gate import DAY_US, HOUR_US, Gate, now_us

if TYPE_CHECKING:
    from passdesk.core.cbor import Value
    from passdesk.services.instance import Instance

Rows = Iterator[tuple[Any, ...]]

AT_A_TIME = 20_000
ENTRIES = 1_000
GUESTS = "INSERT INTO guests (id, name, created_us) VALUES (?, ?, ?)"
VISITS = (
    "INSERT INTO visits (id, site_id, host_id, starts_us, ends_us, created_us)"
    " VALUES (?, 1, 1, ?, ?, ?)"
)
PASSES = (
    "INSERT INTO passes (id, number, site_id, visit_id, guest_id, valid_from_us, valid_until_us,"
    " entry_limit, created_us) VALUES (?, ?, 1, ?, ?, ?, ?, ?, ?)"
)
GROUPS = "INSERT INTO pass_door_groups (pass_id, group_id) VALUES (?, ?)"
CODES = (
    "INSERT INTO codes (code_id, pass_id, carrier, key_id, payload, created_us)"
    " VALUES (?, ?, 'phone', 1, ?, ?)"
)
RECORDS = "INSERT INTO records (at_us, kind, body) VALUES (?, ?, ?)"
PAYLOAD = "SELECT payload FROM codes WHERE pass_id = ?"


class Stock:
    """An instance with passes, of which each can be presented many times.

    Its door takes no attempt for the one before it read again: each is decided and spends an entry.

    Attributes:
        instance: in which they are.
        gate: the door that they open.
    """

    def __init__(self, instance: Instance, passes: int) -> None:
        """Fill a fresh instance."""
        self.instance = instance
        self.gate = Gate.build(instance, reread_seconds=0)
        self._draw = Random(passes)  # noqa: S311 # no secret: the same each time
        self._presenter = Presenter(instance)
        self._ids = count()
        with instance.store.writing() as connection:
            connection.execute(insert(hosts).values(name="Tomas Brand", email="t@example.org"))
            group = connection.execute(select(door_groups.c.id)).scalar_one()
            kid = connection.execute(select(signing_keys.c.kid)).scalar_one()
        self._issuer = instance.keyring.issuer(kid)
        self._fill(passes, group)
        with closing(instance.store.writes.raw_connection()) as raw:
            run_in(raw.driver_connection)
        self._order = cycle(self._draw.sample(range(1, passes + 1), passes))

    def codes(self, wanted: int) -> list[str]:
        """Give codes of passes all over the table, each once before one comes again."""
        with self.instance.store.reading() as connection:
            payloads = [
                connection.exec_driver_sql(PAYLOAD, (pass_id,)).scalar_one()
                for pass_id in islice(self._order, wanted)
            ]
        return [code.sign_payload(payload, self._issuer) for payload in payloads]

    def present(self, text: str) -> None:
        """Present a code that must be granted."""
        now, reader = now_us(), self.gate.readers[0].id
        answer = self._presenter.present(
            PresentCode(presentation_id=f"attempt-{next(self._ids)}", text=text),
            reader_id=reader,
            by=f"reader:{reader}",
            moments=Moments(now, now),
        )
        if not answer.spent:
            raise ValueError(f"the presentation was not granted: {answer}")

    def _fill(self, passes: int, group: int) -> None:
        numbers = self._draw.sample(range(number.NUMBERS), passes)
        made = now_us() // MICROSECONDS * MICROSECONDS
        start, end = made - HOUR_US, made + DAY_US
        for first in range(1, passes + 1, AT_A_TIME):
            ids = range(first, min(first + AT_A_TIME, passes + 1))
            for statement, rows in (
                (GUESTS, ((i, f"Guest {i}", made) for i in ids)),
                (VISITS, ((i, start, end, made) for i in ids)),
                (
                    PASSES,
                    (
                        (i, number.make(numbers[i - 1]), i, i, start, end, ENTRIES, made)
                        for i in ids
                    ),
                ),
                (GROUPS, ((i, group) for i in ids)),
                (CODES, (self._code(i, start, end, group, made) for i in ids)),
            ):
                insert_all(self.instance, statement, rows)

    def _code(self, pass_id: int, start: int, end: int, group: int, made: int) -> tuple[Any, ...]:
        code_id = self._draw.randbytes(code.CODE_ID_BYTES)
        window = start // MICROSECONDS, end // MICROSECONDS
        return code_id, pass_id, code.payload_of(Claims(code_id, *window, ENTRIES, (group,))), made


def insert_all(instance: Instance, statement: str, rows: Rows) -> None:
    """Insert rows in one transaction."""
    with instance.store.writing() as connection:
        cursor: Any = connection.connection.cursor()
        cursor.executemany(statement, rows)
        cursor.close()


def decided(draw: Random, row: int, at_us: int) -> bytes:
    """Give the record of a presentation, as the service writes it."""
    reader = 1 + row % 40
    granted = draw.random() < 0.9  # noqa: PLR2004 # one in ten is refused
    data: dict[str, Value] = {
        "presentation": row,
        "reader": reader,
        "digest": draw.randbytes(32),
        "moment-us": at_us,
        "pass": 1 + draw.randrange(1_000_000),
        "code": 1 + draw.randrange(1_000_000),
        "granted": granted,
        "reason": None if granted else "used-up",
        "spent": granted,
        "again": False,
        "left": 0,
    }
    kind = record.Kind.PRESENTATION_DECIDED
    return record.encode(record.Record(at_us, kind, f"reader:{reader}", data))


def fill_log(instance: Instance, size: int) -> None:
    """Put records of presentations into a log; none is sealed yet."""
    draw = Random(size)  # noqa: S311 # no secret: the same each time
    began = now_us()
    for first in range(0, size, AT_A_TIME):
        rows = range(first, min(first + AT_A_TIME, size))
        insert_all(
            instance,
            RECORDS,
            (
                (
                    began + row,
                    record.Kind.PRESENTATION_DECIDED.value,
                    decided(draw, row, began + row),
                )
                for row in rows
            ),
        )
