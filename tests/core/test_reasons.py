"""The reasons, and the published table of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from passdesk.core.reasons import Reason

PUBLISHED = Path(__file__).parents[2] / "shared" / "decision.md"

# BACnetAccessEvent of ASHRAE 135 (clause 21), the members that say 'denied'; they are numbered from
# 128. The clause is quoted from memory; names and order agree with those that a widely used open
# protocol analyser shows for this enumeration.
DENIED_EVENTS = """
    denied-deny-all denied-unknown-credential denied-authentication-unavailable
    denied-authentication-factor-timeout denied-incorrect-authentication-factor
    denied-zone-no-access-rights denied-point-no-access-rights denied-no-access-rights
    denied-out-of-time-range denied-threat-level denied-passback denied-unexpected-location-usage
    denied-max-attempts denied-lower-occupancy-limit denied-upper-occupancy-limit
    denied-authentication-factor-lost denied-authentication-factor-stolen
    denied-authentication-factor-damaged denied-authentication-factor-destroyed
    denied-authentication-factor-disabled denied-authentication-factor-error
    denied-credential-unassigned denied-credential-not-provisioned denied-credential-not-yet-active
    denied-credential-expired denied-credential-manual-disable denied-credential-lockout
    denied-credential-max-days denied-credential-max-uses denied-credential-inactivity
    denied-credential-disabled denied-no-accompaniment denied-incorrect-accompaniment denied-lockout
    denied-verification-failed denied-verification-timeout denied-other
"""

# ONVIF Access Control Service: the strings of the enumeration DenyReason, and the topic below
# AccessControl/Denied for what is not in the device. The one with the prefix `pt:`, which ONVIF
# keeps for types of its own, is from the project's design; nobody here has its source open.
ONVIF_REASONS = """
    CredentialNotEnabled CredentialNotActive CredentialExpired InvalidPIN NotPermittedAtThisTime
    Unauthorized Other CredentialNotFound pt:InvalidIdentifierValue
"""


def published_rows() -> list[tuple[str, ...]]:
    """Read the table of reasons: number, reason, when, access event, ONVIF reason."""
    lines = PUBLISHED.read_text(encoding="utf-8").splitlines()
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if "|" in line]
    assert rows[0] == ["#", "reason", "when", "ASHRAE 135 access event", "ONVIF reason"]
    return [tuple(row) for row in rows[2:]]


def test_the_last_access_event_has_the_number_of_the_standard() -> None:
    # ASHRAE 135 clause 21: denied-other (164), from memory as above. It guards the list above.
    assert 128 + DENIED_EVENTS.split().index("denied-other") == 164


@pytest.mark.parametrize("reason", Reason)
def test_every_reason_has_a_name_in_both_vocabularies(reason: Reason) -> None:
    assert reason.access_event in DENIED_EVENTS.split()
    assert reason.onvif in ONVIF_REASONS.split()


def test_the_published_table_is_the_enum() -> None:
    published = [(name, event, onvif) for _, name, _, event, onvif in published_rows()]
    assert published == [(f"`{r.value}`", r.access_event, r.onvif) for r in Reason]


def test_the_published_table_is_numbered_and_says_when() -> None:
    rows = published_rows()
    assert [number for number, *_ in rows] == [str(place) for place in range(1, 23)]
    assert all(when for _, _, when, _, _ in rows)


@pytest.mark.parametrize("reason", Reason)
def test_a_reason_is_found_by_its_value_and_reads_as_it(reason: Reason) -> None:
    assert Reason.named(reason.value) is reason
    assert str(reason) == reason.value == reason.name.lower().replace("_", "-")


@pytest.mark.parametrize("text", ["", "granted", "USED_UP", "used-up ", "denied-other"])
def test_no_other_text_is_a_reason(text: str) -> None:
    with pytest.raises(KeyError):
        Reason.named(text)
