"""Promises 1 and 2 under SIGKILL, and proof that a broken promise would be found."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.support.killed import FAULTS
from tests.support.killing import Campaign
from tests.support.killing_service import Victim, kill_service, service_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

KILLS = {"sqlite": 14, "postgresql": 6}
SERVICE_KILLS = 2
BACK_SECONDS = 20
"""Far more than it takes: other tests run at the same time."""
ENOUGH_KILLS = 8
"""A planted fault shows at nearly every kill: not in any of so many would be a wonder."""


@pytest.fixture
def campaign(tmp_path: Path, database_url: str) -> Iterator[Campaign]:
    """Give an instance to kill the processes of, on each kind of database."""
    made = Campaign(tmp_path / "killed", database_url)
    yield made
    made.close()


@pytest.fixture
def small_campaign(tmp_path: Path) -> Iterator[Campaign]:
    """Give an instance to kill the processes of, on SQLite."""
    made = Campaign(tmp_path / "killed", f"sqlite:///{tmp_path / 'passdesk.db'}")
    yield made
    made.close()


def test_every_answer_stands_when_the_process_that_gave_it_is_killed(
    campaign: Campaign, database_url: str
) -> None:
    kills = KILLS[database_url.partition("+")[0].partition(":")[0]]
    for _ in range(kills):
        assert campaign.kill_worker() == []
    # Otherwise nothing was tried: answers were given, and presentations cut short.
    assert len(campaign.told) > kills
    assert campaign.in_the_air > 0


@pytest.mark.parametrize("victim", Victim)
def test_the_service_is_back_at_once_when_it_is_killed_and_its_answers_stand(
    small_campaign: Campaign, victim: Victim
) -> None:
    service = service_of(small_campaign)
    service.start()
    try:
        for _ in range(SERVICE_KILLS):
            found = kill_service(small_campaign, service, victim, back_seconds=BACK_SECONDS)
            assert found == []
    finally:
        service.stop()
    assert len(small_campaign.told) > SERVICE_KILLS


@pytest.mark.parametrize(
    ("fault", "sentence"),
    [
        ("answer-before-commit", "was answered and is lost"),
        ("count-after-commit", "entries and granted"),
        ("record-after-commit", "has not exactly one record"),
    ],
)
def test_a_broken_promise_is_found(small_campaign: Campaign, fault: str, sentence: str) -> None:
    assert fault in FAULTS
    kills = (small_campaign.kill_worker(fault) for _ in range(ENOUGH_KILLS))
    found = next((found for found in kills if found), [])
    assert any(sentence in finding for finding in found), found
