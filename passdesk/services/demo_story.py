"""What the demo tells: an invented place, invented people, a week of visits.

Otterbank makes measuring instruments in two buildings by a river: Weir House with the offices and
Kiln Hall with the workshop. Everything here is made up.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

TodayRow = tuple[str, str | None, str, int, int, int, int | None, int | None]

SITE = ("Otterbank", "Europe/Lisbon")

# name, and what differs from an ordinary area
AREAS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("outside", {"outside": True}),
    ("courtyard", {}),
    ("Weir House", {"passback": "soft"}),
    ("offices", {}),
    ("archive", {}),
    ("Kiln Hall", {"passback": "hard", "occupancy_limit": 2}),
    ("workshop", {}),
)

SCHEDULES = (
    ("Always", "mon-sun 00:00-24:00"),
    ("Visitors", "mon-fri 08:00-18:00; sat 09:00-12:00 pass and escort"),
    ("Archive", "mon-fri 09:00-17:00 pass and escort"),
    ("Deliveries", "mon-fri 06:00-16:00"),
    ("Workshop", "mon-fri 07:00-19:00 pass and PIN"),
)

# door, from, to, schedule, groups
DOORS = (
    ("Lodge", "outside", "courtyard", "Always", "Grounds"),
    ("Weir main", "courtyard", "Weir House", "Visitors", "Weir House"),
    ("Weir garden", "outside", "Weir House", "Visitors", "Weir House"),
    ("Office floor", "Weir House", "offices", "Visitors", "Weir House"),
    ("Archive", "offices", "archive", "Archive", "Archive"),
    ("Kiln main", "outside", "Kiln Hall", "Visitors", "Kiln Hall"),
    ("Dock", "outside", "Kiln Hall", "Deliveries", "Deliveries"),
    ("Workshop", "Kiln Hall", "workshop", "Workshop", "Kiln Hall"),
)

GROUPS = ("Grounds", "Weir House", "Archive", "Kiln Hall", "Deliveries")

HOSTS = {
    "ada": ("Ada Okoro", "ada.okoro@example.org"),
    "jon": ("Jon Pell", "jon.pell@example.org"),
    "mira": ("Mira Sandoval", "mira.sandoval@example.org"),
    "tomas": ("Tomas Brand", "tomas.brand@example.org"),
    "facilities": ("Facilities", "facilities@example.org"),
}


@dataclass(frozen=True, slots=True)
class Shown:
    """A code shown at a reader.

    Attributes:
        reader: which.
        time: 'HH:MM' or 'HH:MM:SS', local.
        what: the pass's own code; or how it is made wrong (see `demo`).
        pin: 'right', 'wrong' or None.
        clock_minutes: how far the reader's clock is off.
    """

    reader: str
    time: str
    what: str = "own"
    pin: str | None = None
    clock_minutes: int = 0


@dataclass(frozen=True, slots=True)
class Visit:
    """A visit: the day counts working days from today, 0 is today whatever day that is.

    Attributes:
        then: what else happens, as (time, act), such as ('09:30', 'withdraw').
    """

    guest: str
    organisation: str | None
    host: str
    doors: tuple[str, ...]
    day: int
    times: tuple[str, str]
    entries: int = 1
    options: dict[str, Any] = field(default_factory=dict)
    shown: tuple[Shown, ...] = ()
    then: tuple[tuple[str, str], ...] = ()


WEIR, KILN = ("Grounds", "Weir House"), ("Kiln Hall",)

VISITS = (
    # Four working days ago: everything as it should be.
    Visit(
        "Bea Thornton", "Thornton & Wells", "jon", WEIR, -4, ("08:00", "10:00"), 2,
        shown=(
            Shown("Lodge in", "08:04"), Shown("Weir main in", "08:09"),
            Shown("Weir main out", "09:31"), Shown("Lodge out", "09:36"),
        ),
    ),
    Visit(
        "Petra Lindqvist", "Delta Metering", "tomas", ("Weir House",), -4, ("08:30", "11:15"), 3,
        shown=(
            Shown("Weir garden in", "08:41"), Shown("Weir garden in", "08:41:02"),
            Shown("Weir garden out", "09:20"), Shown("Weir garden in", "09:38"),
            Shown("Weir garden out", "11:02"),
        ),
    ),
    Visit(
        "Kofi Mensah", "Lumen Cables", "facilities", KILN, -4, ("07:30", "16:00"), 0,
        {"pin": True, "purpose": "Cabling in the workshop"},
        shown=(
            Shown("Kiln main in", "08:02"), Shown("Kiln main in", "08:02:20", pin="right"),
            Shown("Workshop in", "08:06", pin="right"), Shown("Kiln main out", "12:10"),
            Shown("Kiln main in", "12:48", pin="right"),
            Shown("Kiln main in", "13:30", pin="right"), Shown("Kiln main out", "15:40"),
        ),
    ),
    # Three days ago: codes that are none, and a door that asks for more.
    Visit(
        "Odile Marchetti", "Brightwater Audit", "jon", ("Weir House", "Archive"), -3,
        ("09:00", "16:30"), 3, {"escort": True},
        shown=(
            Shown("Weir garden in", "09:05"), Shown("Weir garden in", "09:05:20", "escort"),
            Shown("Office floor in", "09:12", "escort"), Shown("Office floor in", "09:12:10"),
            Shown("Archive in", "09:20", "escort"), Shown("Archive in", "09:20:08"),
            Shown("Weir garden out", "16:02"), Shown("Weir garden out", "16:02:10", "escort"),
        ),
    ),
    Visit(
        "Ilse Varga", "Northlight Surveying", "tomas", ("Weir House",), -3, ("11:00", "12:30"),
        shown=(
            Shown("Weir garden in", "10:31"), Shown("Weir garden in", "11:02", clock_minutes=9),
            Shown("Weir garden in", "11:03"), Shown("Weir garden out", "12:20"),
            Shown("Weir garden in", "12:24"),
        ),
    ),
    Visit(
        "Wen Zhao", "Tidewater Press", "ada", ("Weir House",), -3, ("09:00", "17:30"), 0,
        shown=(
            Shown("Weir garden in", "09:40", "noise"),
            Shown("Weir garden in", "09:40:30", "foreign"),
            Shown("Weir garden in", "09:41", "altered"),
            Shown("Weir garden in", "09:42", "unlisted"),
            Shown("Kiln main in", "09:50"), Shown("Weir garden in", "10:02"),
            Shown("Weir garden out", "17:41"),
        ),
    ),
    # Two days ago: refusals with a reason that somebody caused.
    Visit(
        "Rasmus Hale", "Hale Pumps", "mira", KILN, -2, ("09:00", "12:00"), 2, {"pin": True},
        shown=(
            Shown("Kiln main in", "09:00"),
            *(Shown("Kiln main in", f"09:01:{s}", pin="wrong") for s in range(10, 60, 10)),
            Shown("Kiln main in", "09:02", pin="right"),
        ),
    ),
    Visit(
        "Noor Adeyemi", None, "mira", ("Weir House",), -2, ("10:00", "11:00"),
        shown=(Shown("Weir garden in", "10:20"),), then=(("10:10", "withdraw"),),
    ),
    Visit(
        "Gerrit Solheim", None, "ada", ("Weir House",), -2, ("13:00", "15:00"),
        shown=(Shown("Weir garden in", "13:05"),), then=(("12:00", "bar"),),
    ),
    Visit(
        "Lucia Ferro", "Ferro Glazing", "facilities", ("Weir House",), -2, ("09:00", "17:00"), 2,
        {"requires": ("permit",), "purpose": "Glazing on the stairs"},
        shown=(Shown("Weir garden in", "09:10"),),
    ),
    Visit(
        "Ines Carvalho", "Quayside Lifts", "facilities", ("Deliveries",), -2, ("13:00", "18:00"),
        shown=(Shown("Dock in", "16:20"),),
    ),
    # Yesterday: a lockdown that was a mistake, a full hall, a line that was down.
    Visit(
        "Marek Dvořák", "Quayside Lifts", "facilities", KILN, -1, ("09:00", "13:00"), 2,
        shown=(
            Shown("Kiln main in", "09:15"), Shown("Kiln main in", "09:40"),
            Shown("Kiln main in", "09:52"), Shown("Kiln main out", "12:48"),
        ),
        then=(("09:10", "lockdown on"), ("09:30", "lockdown off")),
    ),
    Visit(
        "Runa Vik", "Vik Foundry", "mira", KILN, -1, ("09:30", "12:00"), 2,
        shown=(Shown("Kiln main in", "09:44"), Shown("Kiln main out", "11:50")),
    ),
    Visit(
        "Peder Lund", "Vik Foundry", "mira", KILN, -1, ("09:30", "12:00"), 2,
        shown=(
            Shown("Kiln main in", "09:46"), Shown("Kiln main in", "11:55"),
            Shown("Kiln main out", "12:01"),
        ),
    ),
    Visit(
        "Aiko Brandt", "Harbour College", "ada", WEIR, -1, ("10:00", "12:00"), 4,
        {"purpose": "Tour for six"},
        shown=(
            Shown("Lodge in", "10:01", "kept"), Shown("Lodge in", "10:06", "alone"),
            Shown("Lodge in", "10:15"), Shown("Lodge out", "12:20"),
        ),
    ),
    Visit(
        "Tove Ansel", None, "jon", ("Weir House",), -1, ("08:00", "09:00"),
        shown=(Shown("Weir garden in", "09:04"),),
    ),
    Visit("Samir Haddad", "Delta Metering", "tomas", ("Weir House",), -1, ("15:00", "16:00")),
    # The days to come.
    Visit("Salma Idrissi", None, "jon", WEIR, 1, ("13:30", "16:00"), 1, {"pin": True}),
    Visit("Hugo Lenoir", "Lenoir Optics", "mira", KILN, 1, ("09:00", "11:30"), 2),
    Visit(
        "Yara Nasser", "Brightwater Audit", "jon", WEIR, 2, ("08:30", "17:00"), 0, {"escort": True}
    ),
    Visit("Ole Winther", "Quayside Lifts", "facilities", ("Deliveries",), 2, ("07:00", "09:00")),
    Visit("Grace Amponsah", "Harbour College", "ada", WEIR, 3, ("10:00", "12:30"), 2),
)  # fmt: skip

# Today, in minutes from now, through the lodge, which is always open:
# guest, organisation, host, start, end, entries, entered, left
TODAY: tuple[TodayRow, ...] = (
    ("Pia Rosendal", "Rosendal Print", "ada", -180, -20, 2, -170, -40),
    ("Anton Vesely", "Lumen Cables", "facilities", -150, 90, 0, -145, None),
    ("Mei Tanaka", "Northlight Surveying", "tomas", -60, 60, 1, -52, None),
    ("Dario Conti", None, "mira", -90, -10, 1, -80, None),
    ("Signe Holm", "Tidewater Press", "jon", -30, 120, 1, None, None),
    ("Emeka Obi", "Delta Metering", "tomas", 40, 160, 2, None, None),
)
