"""One presentation inside its transaction: look, decide, count, write."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from passdesk.core import record
from passdesk.core.code import Proof
from passdesk.core.decision import decide
from passdesk.core.reasons import Reason
from passdesk.core.values import (
    ESCORT_WAIT_US,
    Direction,
    Granted,
    Outcome,
    PinProof,
    PinToCheck,
    Presented,
    Proofs,
    ReaderState,
    Refused,
)
from passdesk.services.errors import NotFoundError
from passdesk.services.statements import CURED_BY_ESCORT

if TYPE_CHECKING:
    from passdesk.core.cbor import Value
    from passdesk.core.code import Claims
    from passdesk.services.register import Cursor, PassRow, Place, Register, Seen, Waiting


@dataclass(frozen=True, slots=True)
class Attempt:
    """One presentation as it comes to be decided.

    Attributes:
        reader_id: the reader's row.
        by: who sends it, as a reference.
        presentation_id: the reader's own id for it.
        payload_mac: keyed digest of all that was presented.
        presented: the verified code, or why it cannot be trusted.
        kid: key id that the code names, None when it could not be read.
        pin: what is known of the PIN.
        clock_us: the reader's own clock, None when it sent none.
        moment_us: the moment that is decided for.
        received_us: when it came.
    """

    reader_id: int
    by: str
    presentation_id: str
    payload_mac: bytes
    presented: Presented
    kid: bytes | None
    pin: PinProof
    clock_us: int | None
    moment_us: int
    received_us: int


@dataclass(frozen=True, slots=True)
class Accompanied:
    """What an escort's presentation did for a guest who waited."""

    pass_id: int
    number: str
    granted: bool
    reason: Reason | None


@dataclass(frozen=True, slots=True)
class Answer:
    """What the service answers, for good: sent again, a presentation gets the same.

    Attributes:
        presentation: its row.
        moment_us: the moment that was decided for.
        granted: whether the door may be opened.
        reason: why not; None when granted.
        leaving: the reader is at the exit, which is never refused.
        again: the same attempt read again; the relay is not worked.
        spent: an entry was taken.
        pass_id, number: the pass, None when the code named none of ours.
        entries_left: of a pass with a limit.
        hint_us: the edge of the window that a refusal is about.
        accompanies: guests whose waiting presentation this escort's one has settled.
    """

    presentation: int
    moment_us: int
    granted: bool
    reason: Reason | None
    leaving: bool
    again: bool
    spent: bool
    pass_id: int | None
    number: str | None
    entries_left: int | None
    hint_us: int | None
    accompanies: tuple[Accompanied, ...] = ()


@dataclass(frozen=True, slots=True)
class Conflict:
    """The presentation id was used for something else."""


@dataclass(frozen=True, slots=True)
class PinReserved:
    """A try is counted; the PIN is to be checked against this hash, then the attempt repeated."""

    pin_hash: str


class Deciding:
    """Decides attempts on the cursor of an open write transaction."""

    def __init__(self, cursor: Cursor, register: Register, leeway_us: int) -> None:
        self._cursor = cursor
        self._register = register
        self._leeway_us = leeway_us

    def settle(self, attempt: Attempt) -> Answer | Conflict | PinReserved:
        """Decide an attempt and write what follows.

        Raises:
            NotFoundError: there is no such reader, or it was ended.
        """
        place = self._place(attempt.reader_id)
        seen = self._register.seen(self._cursor, attempt.reader_id, attempt.presentation_id)
        if seen is not None:
            return self._seen(attempt, place, seen)
        row = self._pass_row(attempt, attempt.presented.claims)
        if attempt.pin is PinProof.OFFERED:
            checked = self._being_checked(attempt, row)
            if checked is not None:
                return checked
        if self._key_ended(attempt, row):
            # Whatever its signature says, and whosever pass it names.
            attempt, row = replace(attempt, presented=_UNKNOWN_KEY), None
        outcome, escort = self._decide(attempt, place, row)
        if isinstance(outcome, PinToCheck):
            if row is not None and row.pin_hash is not None:
                return self._reserve_pin(attempt, place, row, row.pin_hash)
            # The door asks for a PIN and this pass has none that could be right.
            outcome = Refused(Reason.PIN_NEEDED)
        return self._write(attempt, place, row, outcome, escort)

    # --- looking and deciding ---

    def _place(self, reader_id: int) -> Place:
        place = self._register.place(self._cursor, reader_id)
        if place is None or place.ended:
            raise NotFoundError.at("reader", "there is no such reader, or its use was ended")
        return place

    def _seen(self, attempt: Attempt, place: Place, seen: Seen) -> Answer | Conflict:
        if seen.payload_mac != attempt.payload_mac:
            return Conflict()
        return self._answer_again(place, seen)

    def _key_ended(self, attempt: Attempt, row: PassRow | None) -> bool:
        """Tell whether the key that the code names, which need not be its pass's, was ended."""
        if attempt.kid is None:
            return False
        if row is not None and row.kid == attempt.kid:
            return row.key_ended_us is not None
        return self._register.key_ended(self._cursor, attempt.kid)

    def _pass_row(self, attempt: Attempt, claims: Claims | None) -> PassRow | None:
        if claims is None:
            return None
        return self._register.pass_row(
            self._cursor, claims.code_id, attempt.reader_id, attempt.moment_us
        )

    def _decide(
        self, attempt: Attempt, place: Place, row: PassRow | None
    ) -> tuple[Outcome, int | None]:
        """Decide, and if only an escort is wanting, look whether one is there.

        Returns:
            the outcome, and the escort's presentation that it rests on.
        """
        outcome = self._outcome(attempt, place, row, escort=False)
        if not _an_escort_could_help(outcome):
            return outcome, None
        escort = self._register.escort_near(
            self._cursor,
            attempt.reader_id,
            attempt.moment_us - ESCORT_WAIT_US,
            attempt.moment_us,
        )
        if escort is None:
            return outcome, None
        return self._outcome(attempt, place, row, escort=True), escort

    def _outcome(
        self, attempt: Attempt, place: Place, row: PassRow | None, *, escort: bool
    ) -> Outcome:
        rules = place.rules
        if rules.occupancy_limit is not None:
            occupancy = self._register.occupancy(self._cursor, rules.into_area, attempt.moment_us)
            rules = replace(rules, occupancy=occupancy)
        return decide(
            attempt.presented,
            row.standing(attempt.payload_mac, attempt.moment_us) if row is not None else None,
            rules,
            ReaderState(
                reader_id=place.reader_id,
                direction=place.direction,
                clock_us=attempt.clock_us,
                leeway_us=self._leeway_us,
            ),
            attempt.moment_us,
            Proofs(attempt.pin, escort),
        )

    # --- writing ---

    def _being_checked(
        self, attempt: Attempt, row: PassRow | None
    ) -> Conflict | PinReserved | None:
        """Tell whether this presentation's PIN is being checked already, and its try counted."""
        tried = self._register.pin_try(self._cursor, attempt.reader_id, attempt.presentation_id)
        if tried is None or row is None or row.pin_hash is None:
            return None
        return PinReserved(row.pin_hash) if tried == attempt.payload_mac else Conflict()

    def _reserve_pin(
        self, attempt: Attempt, place: Place, row: PassRow, pin_hash: str
    ) -> PinReserved:
        self._register.reserve_pin(
            self._cursor,
            row.pass_id,
            attempt.reader_id,
            attempt.presentation_id,
            attempt.payload_mac,
        )
        data: dict[str, Value] = {"pass": row.pass_id, "reader": place.reader_id}
        self._record(attempt, record.Kind.PIN_TRIED, data)
        return PinReserved(pin_hash)

    def _write(
        self,
        attempt: Attempt,
        place: Place,
        row: PassRow | None,
        outcome: Granted | Refused,
        escort: int | None,
    ) -> Answer:
        outcome = self._spend(attempt, place, row, outcome)
        granted = outcome if isinstance(outcome, Granted) else None
        answer = self._keep(
            attempt,
            place,
            row,
            reason=outcome.reason if isinstance(outcome, Refused) else None,
            spent=granted is not None and granted.spends,
            again=granted is not None and granted.again,
        )
        data = self._data(answer, attempt, row)
        if escort is not None:
            data["escort"] = escort
        if granted is not None and granted.passed_back:
            data["passed-back"] = True
        self._record(attempt, record.Kind.PRESENTATION_DECIDED, data)
        if row is not None and attempt.pin in _CHECKED:
            self._register.end_pin_try(self._cursor, attempt.reader_id, attempt.presentation_id)
            if attempt.pin is PinProof.RIGHT:
                self._register.clear_pins(self._cursor, row.pass_id)
        if row is None or granted is None:
            return answer
        self._follow(attempt, place, row, granted)
        if place.direction is Direction.ENTRY and row.proof & Proof.ESCORT_PASS:
            accompanies = self._accompany(attempt, place, answer.presentation)
            answer = replace(answer, accompanies=accompanies)
        return answer

    def _spend(
        self, attempt: Attempt, place: Place, row: PassRow | None, outcome: Granted | Refused
    ) -> Granted | Refused:
        """Take the entry that a grant costs; the database has the last word on whether it can."""
        if isinstance(outcome, Refused) or not outcome.spends or row is None:
            return outcome
        spent = self._register.spend(
            self._cursor, row.pass_id, place.rules.into_area, attempt.moment_us
        )
        return outcome if spent else Refused(Reason.USED_UP)

    def _keep(  # what was presented, and what came of it
        self,
        attempt: Attempt,
        place: Place,
        row: PassRow | None,
        *,
        reason: Reason | None,
        spent: bool,
        again: bool = False,
        alone: bool = False,
    ) -> Answer:
        """Write a presentation with its answer, and give that answer."""
        left = row.entries_left if row is not None else None
        if spent and left is not None:
            left = max(0, left - 1)
        pass_id = row.pass_id if row is not None else None
        hint_us = _hint_us(row, reason)
        presentation = self._register.insert_presentation(
            self._cursor,
            {
                "site_id": place.site_id,
                "reader_id": attempt.reader_id,
                "presentation_id": attempt.presentation_id,
                "payload_mac": attempt.payload_mac,
                "moment_us": attempt.moment_us,
                "received_us": attempt.received_us,
                "code_id": row.code_id if row is not None else None,
                "pass_id": pass_id,
                "pin_right": attempt.pin is PinProof.RIGHT,
                "granted": reason is None,
                "reason": reason,
                "spent": spent,
                "again": again,
                "alone": alone,
                "entries_left": left,
                "hint_us": hint_us,
                "company": _matters_to_company(row, reason),
            },
        )
        return Answer(
            presentation=presentation,
            moment_us=attempt.moment_us,
            granted=reason is None,
            reason=reason,
            leaving=place.direction is Direction.EXIT,
            again=again,
            spent=spent,
            pass_id=pass_id,
            number=row.number if row is not None else None,
            entries_left=left,
            hint_us=hint_us,
        )

    def _follow(self, attempt: Attempt, place: Place, row: PassRow, granted: Granted) -> None:
        """Write where the guest is now, and what a grant changes beside the count."""
        if granted.again:
            return
        if not granted.spends:  # else it was noted with the entry
            area = place.from_area if granted.leaving else place.rules.into_area
            self._register.set_area(self._cursor, row.pass_id, area, attempt.moment_us)
        if not granted.leaving:
            self._register.set_last_grant(
                self._cursor, row.code_id, attempt.reader_id, attempt.moment_us, attempt.payload_mac
            )

    def _accompany(self, attempt: Attempt, place: Place, escort: int) -> tuple[Accompanied, ...]:
        """Settle the presentations of guests who wait at this reader for the escort who came."""
        waiting = self._register.waiting(
            self._cursor,
            attempt.reader_id,
            attempt.moment_us - ESCORT_WAIT_US,
            attempt.moment_us,
        )
        return tuple(
            found for one in waiting if (found := self._take_along(attempt, place, one, escort))
        )

    def _take_along(
        self, attempt: Attempt, place: Place, guest: Waiting, escort: int
    ) -> Accompanied | None:
        row = self._register.pass_row(
            self._cursor, guest.code_id, attempt.reader_id, attempt.moment_us
        )
        if row is None or row.key_ended_us is not None:
            return None
        # The claims were verified when the guest presented them; the escort's stand in for them.
        theirs = replace(
            attempt,
            payload_mac=guest.payload_mac,
            pin=PinProof.RIGHT if guest.pin_right else PinProof.ABSENT,
        )
        outcome = self._outcome(theirs, place, row, escort=True)
        if isinstance(outcome, PinToCheck) or _an_escort_could_help(outcome):
            return None  # this one waits for something else than company
        outcome = self._spend(attempt, place, row, outcome)
        granted = isinstance(outcome, Granted)
        reason = outcome.reason if isinstance(outcome, Refused) else None
        self._register.insert_accompaniment(
            self._cursor,
            {
                "guest_presentation": guest.id,
                "escort_presentation": escort,
                "granted": granted,
                "reason": reason,
            },
        )
        data: dict[str, Value] = {
            "presentation": guest.id,
            "escort": escort,
            "pass": row.pass_id,
            "reader": place.reader_id,
            "granted": granted,
            "reason": reason.value if reason else None,
            "spent": isinstance(outcome, Granted) and outcome.spends,
            "moment-us": attempt.moment_us,
        }
        self._record(attempt, record.Kind.PRESENTATION_DECIDED, data)
        if isinstance(outcome, Granted):
            self._follow(theirs, place, row, outcome)
        return Accompanied(row.pass_id, row.number, granted, reason)

    def _answer_again(self, place: Place, seen: Seen) -> Answer:
        rows = self._register.accompanied(self._cursor, seen.id) if seen.granted else []
        return Answer(
            presentation=seen.id,
            moment_us=seen.moment_us,
            granted=bool(seen.granted),
            reason=Reason.named(seen.reason) if seen.reason else None,
            leaving=place.direction is Direction.EXIT,
            again=bool(seen.again),
            spent=bool(seen.spent),
            pass_id=seen.pass_id,
            number=seen.number,
            entries_left=seen.entries_left,
            hint_us=seen.hint_us,
            accompanies=tuple(
                Accompanied(
                    pass_id, number, bool(granted), Reason.named(reason) if reason else None
                )
                for pass_id, number, granted, reason in rows
            ),
        )

    @staticmethod
    def _data(answer: Answer, attempt: Attempt, row: PassRow | None) -> dict[str, Value]:
        """Give what a record says: references, the answer, and the digest of what was shown."""
        return {
            "presentation": answer.presentation,
            "reader": attempt.reader_id,
            "digest": attempt.payload_mac,
            "moment-us": attempt.moment_us,
            "pass": answer.pass_id,
            "code": row.code_id if row is not None else None,
            "granted": answer.granted,
            "reason": answer.reason.value if answer.reason else None,
            "spent": answer.spent,
            "again": answer.again,
            "left": answer.entries_left,
        }

    def _record(self, attempt: Attempt, kind: record.Kind, data: dict[str, Value]) -> None:
        body = record.encode(record.Record(attempt.received_us, kind, attempt.by, data))
        self._register.insert_record(self._cursor, attempt.received_us, kind.value, body)


_CHECKED = (PinProof.RIGHT, PinProof.WRONG)
_UNKNOWN_KEY = Presented(None, Reason.UNKNOWN_KEY)


def _matters_to_company(row: PassRow | None, reason: Reason | None) -> bool:
    if row is None:
        return False
    return reason in CURED_BY_ESCORT or (reason is None and row.proof & Proof.ESCORT_PASS != 0)


def _an_escort_could_help(outcome: Outcome) -> bool:
    if isinstance(outcome, Refused):
        return outcome.reason in CURED_BY_ESCORT
    return isinstance(outcome, PinToCheck)


def _hint_us(row: PassRow | None, reason: Reason | None) -> int | None:
    """Give the edge of the window that a refusal for its time is about."""
    if row is None or reason not in {Reason.TOO_EARLY, Reason.EXPIRED}:
        return None
    return row.valid_from_us if reason is Reason.TOO_EARLY else row.valid_until_us
