"""A day in which everything happens that a service can do, to people with names."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import update

from passdesk.services import barring, issuing, lockdown, withdrawing
from passdesk.services.barring import BarGuest
from passdesk.services.issuing import RecodePass
from passdesk.services.lockdown import ChangeLockdown
from passdesk.services.withdrawing import WithdrawPass
from passdesk.store.tables import requirements
from tests.support import looking

if TYPE_CHECKING:
    from tests.support.place import House

PERSONAL: dict[str, Any] = {
    "guest": "Ilse Vargaková",
    "organisation": "Vargaková Söhne",
    "guest_email": "ilse.vargakova@example.com",
    "host": "tomas.brandao@example.org",
    "host_name": "Tomás Brandão",
    "purpose": "Tumour board with Dr Okonkwo",
}
BECAUSE = [
    "Ilse Vargaková lost her telephone",
    "Ilse Vargaková found it behind a sofa",
    "Ilse Vargaková shouted at Tomás",
    "Ilse Vargaková made it up",
    "Somebody called Okonkwo saw smoke",
    "It was Okonkwo's pipe",
]


def whole_day(house: House) -> list[str]:
    """Let everything happen that a service can do; give every personal text that was used."""
    act, because = house.act, iter(BECAUSE)
    issued = house.issue(entries=5, pin=True, requires=("permit",), **PERSONAL)
    looking.change(house.instance, update(requirements).values(met_us=1))
    here = {"pass": issued.number}
    house.present(issued)
    house.present(issued, pin="000000")
    house.present(issued, pin=issued.pin)
    house.present(issued, "Lab in")
    house.present("MECARD:N:Vargakova,Ilse;;")
    act(issuing.extend, issuing.ExtendPass.model_validate(here | {"more_entries": 1}))
    act(issuing.recode, RecodePass.model_validate(here | {"carrier": "badge"}))
    withdraw = WithdrawPass.model_validate(here | {"because": next(because)})
    act(withdrawing.withdraw, withdraw)
    again = withdrawing.ReinstatePass.model_validate(here | {"because": next(because)})
    act(withdrawing.reinstate, again)
    bar_id = act(barring.bar, BarGuest.model_validate(here | {"because": next(because)}))
    house.present(issued)
    act(barring.unbar, barring.UnbarGuest(bar=bar_id, because=next(because)))
    act(lockdown.start, ChangeLockdown(area="hall", because=next(because)))
    act(lockdown.end, ChangeLockdown(area="hall", because=next(because)))
    guest = house.issue(escort=True, **{**PERSONAL, "guest": "Otto Vargaková"})
    escort = house.issue(escort_pass=True, entries=0)
    house.present(guest, minutes=1)
    house.present(escort, minutes=1.1)
    house.present(issued, "Front out", minutes=2)
    return [*PERSONAL.values(), *BECAUSE, "Otto Vargaková", f"'{issued.pin}'", "MECARD"]
