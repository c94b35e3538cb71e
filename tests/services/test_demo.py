"""The demo tells everything there is to see, whenever it is made."""

from __future__ import annotations

from typing import TYPE_CHECKING

import argon2
import pytest
from sqlalchemy import func, select

from passdesk import settings
from passdesk.core import clock, record, symbol
from passdesk.core.reasons import Reason
from passdesk.core.record import Kind
from passdesk.services import demo, finding, issuing, sealing, verifying
from passdesk.services import instance as instances
from passdesk.services.demo_story import DOORS, HOSTS, SITE, TODAY, VISITS
from passdesk.services.errors import CommandError
from passdesk.services.finding import FindPasses, PassState
from passdesk.store.tables import (
    areas,
    guests,
    hosts,
    passes,
    presentations,
    records,
    tokens,
)
from tests.support import looking
from tests.support.place import NOW_US, ZONE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from passdesk.services.instance import Instance

# Monday just after midnight, a Saturday, both changes of the clock (IANA tzdata, Europe/Lisbon:
# 2030-03-31 at 01:00 and 2030-10-27 at 02:00), the last day of a year, and an ordinary Tuesday.
MOMENTS = (
    "2030-05-13T00:05",
    "2030-05-18T12:00",
    "2030-03-31T00:30",
    "2030-10-27T01:30+00:00",
    "2030-12-31T23:59",
    "2030-05-14T10:00",
)


class Told:
    """The demo as it was told at a moment."""

    def __init__(self, instance: Instance, now_us: int) -> None:
        self.instance = instance
        self.now_us = now_us
        self.heard: list[tuple[int, int]] = []
        self.summary = demo.load(instance, now_us, lambda *steps: self.heard.append(steps))

    def passes(self) -> list[finding.PassView]:
        """Give all passes as they stand."""
        with self.instance.store.reading() as connection:
            return finding.find_passes(connection, FindPasses(limit=200), self.now_us)


@pytest.fixture(scope="module", params=MOMENTS)
def told(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Told]:
    """Tell the story once at each moment."""
    now_us = clock.parse_instant(request.param, ZONE)
    made = instances.create(settings.load(tmp_path_factory.mktemp("demo") / "d", {}), now_us)
    with pytest.MonkeyPatch.context() as patch:
        # Most of the time goes into hashing PINs at a cost that is no matter here.
        patch.setattr(issuing, "_hasher", argon2.PasswordHasher(1, 8, 1))
        yield Told(made, now_us)
    made.close()


def test_every_reason_for_a_refusal_is_there_to_see(told: Told) -> None:
    query = select(presentations.c.reason).where(presentations.c.reason.is_not(None)).distinct()
    assert {reason for (reason,) in looking.rows(told.instance, query)} == set(Reason)


def test_granted_read_again_and_let_in_with_an_escort_are_there_too(told: Told) -> None:
    p = presentations.c
    query = select(p.granted, p.spent, p.again, p.alone).distinct()
    kinds = {tuple(map(bool, row)) for row in looking.rows(told.instance, query)}
    assert {(True, True, False, False), (True, False, True, False)} <= kinds  # spent; read again
    assert (True, False, False, False) in kinds  # an inner door, or on the way out
    assert (False, False, False, True) in kinds  # refused while the line was down
    followed = [one for one in looking.records_of(told.instance) if "escort" in one.data]
    assert followed


def test_every_code_fits_a_symbol_of_version_8(told: Told) -> None:
    with told.instance.store.reading() as connection:
        texts = [
            issuing.code_text(connection, told.instance.keyring, view.number, "phone")
            for view in told.passes()
        ]
    assert len(texts) == len(VISITS) + len(TODAY) + 1  # and the escort's
    # ISO/IEC 18004 table 7: 221 alphanumeric characters at M is what version 8 holds.
    assert all(symbol.make(text).version <= symbol.MAX_VERSION for text in texts)
    assert all(len(text) <= 221 for text in texts)


def test_passes_of_every_state_are_there_to_see(told: Told) -> None:
    views = told.passes()
    assert {view.state for view in views} == set(PassState)
    by_guest = {view.guest: view for view in views}
    assert by_guest["Signe Holm"].state is PassState.VALID
    assert by_guest["Emeka Obi"].state is PassState.UPCOMING
    assert by_guest["Gerrit Solheim"].state is PassState.BARRED


def test_who_is_inside_is_who_came_today_and_has_not_left(told: Told) -> None:
    query = (
        select(guests.c.name.label("guest"), areas.c.name.label("area"), passes.c.since_us)
        .select_from(passes)
        .join(areas, areas.c.id == passes.c.area_id)
        .join(guests, guests.c.id == passes.c.guest_id)
        .where(~areas.c.outside)
    )
    rows = looking.rows(told.instance, query)
    inside = {row.guest: (row.area, row.since_us) for row in rows}
    still = {row[0]: row[6] for row in TODAY if row[6] is not None and row[7] is None}
    minute_us = told.now_us - told.now_us % demo.MINUTE_US
    assert inside == {
        guest: ("courtyard", minute_us + minutes * demo.MINUTE_US)
        for guest, minutes in still.items()
    }


def test_nothing_has_happened_yet_that_is_still_to_come(told: Told) -> None:
    for moment in (presentations.c.moment_us, presentations.c.received_us, records.c.at_us):
        latest = looking.rows(told.instance, select(func.max(moment)))[0][0]
        assert told.now_us - demo.DAY_US < latest <= told.now_us
    at_us = [one.at_us for one in looking.records_of(told.instance)[2:]]
    assert at_us == sorted(at_us)


def test_the_records_of_the_demo_verify(told: Told) -> None:
    instance = told.instance
    sealing.seal_all(instance, told.now_us)
    with instance.store.reading() as connection:
        verifier = sealing.log_verifier(instance.keyring, sealing.origin(connection))
    verdict = verifying.verify(instance.store, verifier)
    assert (verdict.ok, verdict.sealed) == (True, looking.count(instance, records))


def test_every_address_is_one_that_is_kept_for_examples(told: Told) -> None:
    # RFC 2606 section 3 reserves example.com and example.org.
    found = [
        email
        for table in (guests, hosts)
        for (email,) in looking.rows(told.instance, select(table.c.email))
    ]
    assert len(found) == len(set(found)) == len(VISITS) + len(TODAY) + 1 + len(HOSTS)
    assert all(email.endswith(("@example.com", "@example.org")) for email in found)
    assert all(email.isascii() and " " not in email for email in found)


def test_it_says_how_far_it_is_and_what_came_of_it(told: Told) -> None:
    total = told.heard[-1][1]
    assert told.heard == [(step, total) for step in range(1, total + 1)]
    assert told.summary == {
        "doors": len(DOORS),
        "passes": looking.count(told.instance, passes),
        "presentations": looking.count(told.instance, presentations),
    }
    assert looking.count(told.instance, tokens) == 2 * len(DOORS)


def test_visits_lie_on_working_days_and_in_the_hours_that_the_story_has(told: Told) -> None:
    views = {view.guest: view for view in told.passes()}
    for visit in VISITS:
        start, end = views[visit.guest].valid_from, views[visit.guest].valid_until
        assert (start[11:16], end[11:16]) == visit.times
        assert start[:10] == end[:10]
        local = clock.local_time(clock.parse_instant(start, ZONE), ZONE)
        assert local.weekday() < 5


def test_what_is_presented_may_be_spent_at_any_moment(told: Told) -> None:
    assert told.instance.demo


# --- once, and on each kind of database --------------------------------------------------------


def test_a_place_that_is_there_already_is_left_alone(
    small_instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(demo, "VISITS", ())
    monkeypatch.setattr(demo, "TODAY", ())
    demo.load(small_instance, NOW_US)
    before = looking.dump(small_instance)
    with pytest.raises(CommandError, match="holds a place already; use a new folder for the demo"):
        demo.load(small_instance, NOW_US)
    assert looking.dump(small_instance) == before


def test_the_story_is_the_same_on_each_kind_of_database(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = [visit for visit in VISITS if visit.day in {-1, -3}]
    monkeypatch.setattr(demo, "VISITS", tuple(kept))
    summary = demo.load(instance, NOW_US)
    assert summary["passes"] == len(kept) + len(TODAY) + 1
    refused = select(presentations.c.reason).where(presentations.c.reason.is_not(None)).distinct()
    assert {reason for (reason,) in looking.rows(instance, refused)} >= {
        "lockdown", "area-full", "count-elsewhere", "rules-stale", "already-inside",
        "escort-needed", "unknown-key", "bad-signature", "unknown-pass",
    }  # fmt: skip
    (alone,) = [
        one for one in looking.records_of(instance, Kind.PRESENTATION_DECIDED)
        if one.data.get("alone")
    ]  # fmt: skip
    assert alone.data["reason"] == Reason.RULES_STALE
    assert {one.by.partition(":")[0] for one in looking.records_of(instance)} == {
        "command", "reader",
    }  # fmt: skip
    assert SITE[0] not in record.encode(alone).decode("latin-1")
