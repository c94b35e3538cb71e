"""Taking in what a reader decided by itself while the line was down.

The decision has been carried out at the door already, so it is never judged again: it is written
once, its entry is taken even where that is one too many, and whatever does not fit is said in the
records. The first decision that was committed for a presentation stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from passdesk.core import record
from passdesk.services.deciding import Answer, Attempt, Conflict, Deciding

if TYPE_CHECKING:
    from passdesk.core.cbor import Value
    from passdesk.core.reasons import Reason
    from passdesk.services.register import PassRow, Place


@dataclass(frozen=True, slots=True)
class Delivered:
    """What came of a report.

    Attributes:
        answer: the answer that stands.
        known: it had been delivered or decided before; nothing was written anew but a divergence.
        diverged: the answer that stands differs from the one that was reported.
        excess: the entry was one more than the pass allows.
    """

    answer: Answer
    known: bool = False
    diverged: bool = False
    excess: bool = False


class Delivering(Deciding):
    """Writes reports on the cursor of an open write transaction."""

    def deliver(
        self, attempt: Attempt, *, reason: Reason | None, spent: bool
    ) -> Delivered | Conflict:
        """Write what a reader decided.

        Args:
            attempt: the presentation; its moment is the one at the reader.
            reason: why it was refused; None when it was granted.
            spent: whether an entry was taken.

        Raises:
            NotFoundError: there is no such reader, or it was ended.
        """
        place = self._place(attempt.reader_id)
        seen = self._register.seen(self._cursor, attempt.reader_id, attempt.presentation_id)
        if seen is not None:
            answer = self._seen(attempt, place, seen)
            if isinstance(answer, Conflict):
                return answer
            diverged = (answer.reason, answer.spent) != (reason, spent)
            if diverged:
                self._note_divergence(attempt, answer, reason)
            return Delivered(answer, known=True, diverged=diverged)
        row = self._pass_row(attempt, attempt.presented.claims)
        excess = spent and row is not None and self._register.overspend(self._cursor, row.pass_id)
        answer = self._reported(attempt, place, row, reason, spent=spent, excess=excess)
        return Delivered(answer, excess=excess)

    def _reported(  # what was presented, and what the reader did
        self,
        attempt: Attempt,
        place: Place,
        row: PassRow | None,
        reason: Reason | None,
        *,
        spent: bool,
        excess: bool,
    ) -> Answer:
        answer = self._keep(attempt, place, row, reason=reason, spent=spent, alone=True)
        data = self._data(answer, attempt, row)
        data["alone"] = True
        if excess:
            data["excess"] = True
        self._record(attempt, record.Kind.PRESENTATION_DECIDED, data)
        # What came late is no news of somebody who has been seen elsewhere since.
        late = row is not None and row.since_us is not None and row.since_us > attempt.moment_us
        if answer.granted and row is not None and not late:
            area = place.from_area if answer.leaving else place.rules.into_area
            self._register.set_area(self._cursor, row.pass_id, area, attempt.moment_us)
        return answer

    def _note_divergence(self, attempt: Attempt, answer: Answer, reason: Reason | None) -> None:
        data: dict[str, Value] = {
            "presentation": answer.presentation,
            "reader": attempt.reader_id,
            "stands": answer.reason.value if answer.reason else "granted",
            "reported": reason.value if reason else "granted",
        }
        self._record(attempt, record.Kind.PRESENTATION_DIVERGED, data)
