"""What a guest is told at a door: two or three words, and a sentence with the way out.

Staff see the reason. A guest sees less on purpose: whoever tries codes at a door must not learn
from it which ones are real, and somebody who is barred reads what anybody reads who has to wait.
"""

from __future__ import annotations

from dataclasses import dataclass

from passdesk.core.reasons import Reason

_ASK_DESK = "Please ask the desk."


@dataclass(frozen=True, slots=True)
class Words:
    """A headline of at most three words, and one or two sentences."""

    headline: str
    sentence: str


_WAIT = Words("Please wait", "Please wait a moment. Somebody from the desk will come to you.")
_NOT_VALID = Words("Ask the desk", f"This code is not valid here. {_ASK_DESK}")
_NOT_NOW = Words("Ask the desk", f"This reader cannot check passes at the moment. {_ASK_DESK}")

_REFUSED = {
    Reason.CLOCK_WRONG: _NOT_NOW,
    Reason.RULES_STALE: _NOT_NOW,
    Reason.UNREADABLE: Words(
        "Not read", "This code could not be read. Hold it still and straight, or ask the desk."
    ),
    Reason.UNKNOWN_KEY: _NOT_VALID,
    Reason.BAD_SIGNATURE: _NOT_VALID,
    Reason.UNKNOWN_PASS: _NOT_VALID,
    Reason.LOCKDOWN: Words(
        "No entry now", "Nobody can come in at the moment. Please do as the staff here say."
    ),
    Reason.BARRED: _WAIT,
    Reason.WITHDRAWN: _NOT_VALID,
    Reason.TOO_EARLY: Words("Not yet", "Your pass begins at {time}. Please come back then."),
    Reason.EXPIRED: Words("Pass has ended", f"Your pass ended at {{time}}. {_ASK_DESK}"),
    Reason.REQUIREMENT_MISSING: _WAIT,
    Reason.WRONG_DOOR: Words(
        "Not this door", "Your pass does not open this door. Your invitation says where to go."
    ),
    Reason.OUTSIDE_HOURS: Words(
        "Closed now", "This door takes no visitors at this time. Your invitation says when to come."
    ),
    Reason.PIN_LOCKED: Words("Ask the desk", f"This PIN cannot be used any more. {_ASK_DESK}"),
    Reason.PIN_NEEDED: Words("Your PIN, please", "Please enter the six digits of your PIN."),
    Reason.WRONG_PIN: Words("PIN not right", "That was not the PIN. Try again, or ask the desk."),
    Reason.ESCORT_NEEDED: Words(
        "With your escort", "Please wait here for your escort, who shows a code at this reader too."
    ),
    Reason.ALREADY_INSIDE: Words("Ask the desk", f"This pass is in use already. {_ASK_DESK}"),
    Reason.COUNT_ELSEWHERE: Words(
        "Other entrance", f"This pass cannot be counted here now. {_ASK_DESK}"
    ),
    Reason.USED_UP: Words("No entries left", f"All entries of this pass are used. {_ASK_DESK}"),
    Reason.AREA_FULL: Words("Please wait", "It is full inside. Please wait until somebody leaves."),
}

_ENTERING = Words("Come in", "Please come in.")
_LEAVING = Words("Goodbye", "You can leave.")


def granted(*, leaving: bool) -> Words:
    """Give the words for somebody who may pass."""
    return _LEAVING if leaving else _ENTERING


def refused(reason: Reason, time: str = "the time on your invitation") -> Words:
    """Give the words for somebody who may not.

    Args:
        reason: why.
        time: for a pass that has not begun or has ended, when, as local time for people.
    """
    words = _REFUSED[reason]
    return Words(words.headline, words.sentence.format(time=time))
