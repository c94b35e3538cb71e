"""Why an entry is refused: one reason each, in the order in which they are looked for.

The order of the members is the order of the checks (`passdesk.core.decision`). Each reason
carries its name in two open vocabularies, so that other systems can read our events:
BACnetAccessEvent of ASHRAE 135 (ISO 16484-5) and the reasons of ONVIF's access control.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Self


class Reason(StrEnum):
    """A refusal's reason; its value is what the API, the pages and the records say.

    Attributes:
        access_event: the BACnetAccessEvent of ASHRAE 135 that fits.
        onvif: the reason as ONVIF's access control events name it.
    """

    access_event: str
    onvif: str

    def __new__(cls, value: str, access_event: str, onvif: str) -> Self:
        """Keep the two outside names beside the value."""
        member = str.__new__(cls, value)
        member._value_ = value
        member.access_event = access_event
        member.onvif = onvif
        return member

    @classmethod
    def named(cls, value: str) -> Reason:
        """Give the reason of this value; KeyError for any other text."""
        return _BY_VALUE[value]

    CLOCK_WRONG = "clock-wrong", "denied-other", "Other"
    RULES_STALE = "rules-stale", "denied-other", "Other"
    UNREADABLE = "unreadable", "denied-unknown-credential", "pt:InvalidIdentifierValue"
    UNKNOWN_KEY = "unknown-key", "denied-unknown-credential", "CredentialNotFound"
    BAD_SIGNATURE = "bad-signature", "denied-unknown-credential", "CredentialNotFound"
    UNKNOWN_PASS = "unknown-pass", "denied-unknown-credential", "CredentialNotFound"  # no password
    LOCKDOWN = "lockdown", "denied-threat-level", "Other"
    BARRED = "barred", "denied-credential-disabled", "Other"
    WITHDRAWN = "withdrawn", "denied-credential-disabled", "CredentialNotEnabled"
    TOO_EARLY = "too-early", "denied-credential-not-yet-active", "CredentialNotActive"
    EXPIRED = "expired", "denied-credential-expired", "CredentialExpired"
    REQUIREMENT_MISSING = "requirement-missing", "denied-other", "Other"
    WRONG_DOOR = "wrong-door", "denied-point-no-access-rights", "Unauthorized"
    OUTSIDE_HOURS = "outside-hours", "denied-out-of-time-range", "NotPermittedAtThisTime"
    PIN_LOCKED = "pin-locked", "denied-credential-lockout", "InvalidPIN"
    PIN_NEEDED = "pin-needed", "denied-incorrect-authentication-factor", "InvalidPIN"
    WRONG_PIN = "wrong-pin", "denied-incorrect-authentication-factor", "InvalidPIN"
    ESCORT_NEEDED = "escort-needed", "denied-no-accompaniment", "Other"
    ALREADY_INSIDE = "already-inside", "denied-passback", "Other"
    COUNT_ELSEWHERE = "count-elsewhere", "denied-other", "Other"
    USED_UP = "used-up", "denied-credential-max-uses", "Other"
    AREA_FULL = "area-full", "denied-upper-occupancy-limit", "Other"


_BY_VALUE = {reason.value: reason for reason in Reason}
