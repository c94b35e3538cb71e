"""Taking nobody in, at a site or in one of its areas."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from passdesk.core import record
from passdesk.core.reasons import Reason
from passdesk.core.record import Kind
from passdesk.services import lockdown
from passdesk.services.errors import CommandError, NotFoundError
from passdesk.services.lockdown import ChangeLockdown
from passdesk.store.tables import lockdowns, sites, texts
from tests.support import looking
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from tests.support.place import House

BECAUSE = "Ilse Varga saw smoke"
BOTH = ("Visitors", "Laboratory")


def start(house: House, area: str | None = None) -> int:
    return int(house.act(lockdown.start, ChangeLockdown(area=area, because=BECAUSE)))


def end(house: House, area: str | None = None) -> int:
    return int(house.act(lockdown.end, ChangeLockdown(area=area, because="It was steam")))


@pytest.mark.parametrize(
    ("area", "shut"),
    [
        (None, {"Front in", "Side in", "Yard in", "Lab in"}),
        ("hall", {"Front in", "Side in", "Yard in"}),
        ("laboratory", {"Lab in"}),
        ("outside", set()),
    ],
)
def test_a_lockdown_shuts_every_door_into_its_place_and_no_exit(
    house: House, area: str | None, shut: set[str]
) -> None:
    issued = house.issue(doors=BOTH, entries=0)
    lockdown_id = start(house, area)
    answers = {name: house.present(issued, name) for name in house.readers}
    refused = {name for name, answer in answers.items() if answer.reason is Reason.LOCKDOWN}
    assert refused == shut
    assert {name for name, answer in answers.items() if not answer.granted} == shut
    assert end(house, area) == lockdown_id
    assert all(house.present(issued, name, minutes=1).granted for name in house.readers)


def test_a_lockdown_of_the_site_and_one_of_an_area_are_ended_each_by_itself(house: House) -> None:
    issued = house.issue(doors=BOTH, entries=0)
    start(house)
    start(house, "hall")
    end(house)
    assert house.present(issued, "Front in").reason is Reason.LOCKDOWN
    assert house.present(issued, "Lab in").granted
    end(house, "hall")
    assert house.present(issued, "Front in").granted


def test_a_lockdown_also_refuses_a_code_that_is_read_again(house: House) -> None:
    issued = house.issue()
    assert house.present(issued).granted
    start(house)
    assert house.present(issued, minutes=0.01).reason is Reason.LOCKDOWN


def test_a_lockdown_is_kept_and_recorded_with_its_reason_beside_it(house: House) -> None:
    first, second = start(house), start(house, "laboratory")
    end(house)
    rows = [tuple(row) for row in looking.rows(house.instance, select(lockdowns))]
    assert sorted(rows) == [(first, 1, None, NOW_US, NOW_US), (second, 1, 3, NOW_US, None)]
    found = looking.records_of(house.instance, Kind.LOCKDOWN_STARTED, Kind.LOCKDOWN_ENDED)
    kept = looking.rows(house.instance, select(texts).order_by(texts.c.id))
    assert [one.kind.value for one in found] == [
        "lockdown.started", "lockdown.started", "lockdown.ended",
    ]  # fmt: skip
    places = [(first, None), (second, 3), (first, None)]
    for one, text, (lockdown_id, area_id) in zip(found, kept, places, strict=True):
        assert one.data == {"lockdown": lockdown_id, "area": area_id, "because": text.commitment}
        assert (text.about, text.about_id) == ("lockdown", lockdown_id)
        assert record.verify_commitment(text.key, text.body, text.commitment)


@pytest.mark.parametrize("area", [None, "hall"])
def test_starting_and_ending_let_the_rules_be_read_anew(
    small_house: House, area: str | None
) -> None:
    versions = [looking.row(small_house.instance, sites, 1).version]
    for job in (start, end):
        job(small_house, area)
        versions.append(looking.row(small_house.instance, sites, 1).version)
    assert versions == [versions[0], versions[0] + 1, versions[0] + 2]


@pytest.mark.parametrize(("area", "field"), [(None, "site"), ("hall", "area")])
def test_a_lockdown_is_started_once_and_ended_once(
    house: House, area: str | None, field: str
) -> None:
    for first, message in ((start, "is locked down already"), (end, "is not locked down")):
        first(house, area)
        before = looking.dump(house.instance)
        with pytest.raises(CommandError, match=f"^{field}: {message}$"):
            first(house, area)
        assert looking.dump(house.instance) == before


def test_a_place_that_is_not_known_is_refused(small_house: House) -> None:
    with pytest.raises(NotFoundError, match="area: 'roof' is not known here; known are: hall"):
        start(small_house, "roof")
    command = ChangeLockdown(site="Harbour", because=BECAUSE)
    with pytest.raises(NotFoundError, match="site: no site is called 'Harbour'"):
        small_house.act(lockdown.end, command)
