"""The tables.

Times are integers, microseconds UTC (`_us`): a datetime loses its zone in SQLite. Rows that grow
with use (passes, presentations, records) carry the site and a time, by which they can be parted.
Personal data stands in `guests`, `hosts`, `texts`, the purpose of `visits` and the address of
`bars`; `records` refers to rows and never holds a name, an address or free text.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# SQLite numbers rows by itself only in a column that is declared INTEGER.
_RowId = BigInteger().with_variant(Integer, "sqlite")


def _id() -> Column[int]:
    return Column("id", _RowId, primary_key=True)


def _ref(name: str, target: str, **options: Any) -> Column[Any]:  # noqa: ANN401 # options of Column
    options.setdefault("nullable", False)
    return Column(name, _RowId, ForeignKey(target), **options)


def _us(name: str, *, nullable: bool = False, index: bool = False) -> Column[Any]:
    return Column(name, BigInteger, nullable=nullable, index=index)


# --- the place ---------------------------------------------------------------------------------

sites = Table(
    "sites",
    metadata,
    _id(),
    Column("name", String(120), nullable=False, unique=True),
    Column("zone", String(64), nullable=False),
    # Rises with every change of the place, so that what was read of it can be kept until then.
    Column("version", Integer, nullable=False, server_default="1"),
)

areas = Table(
    "areas",
    metadata,
    _id(),
    _ref("site_id", "sites.id"),
    Column("name", String(120), nullable=False),
    Column("outside", Boolean, nullable=False),
    Column("passback", String(8), nullable=False, server_default="off"),
    Column("passback_minutes", Integer, nullable=False, server_default="0"),
    Column("occupancy_limit", Integer),
    UniqueConstraint("site_id", "name"),
)

doors = Table(
    "doors",
    metadata,
    _id(),
    _ref("site_id", "sites.id"),
    Column("name", String(120), nullable=False),
    _ref("from_area_id", "areas.id"),
    _ref("to_area_id", "areas.id"),
    Column("reread_ms", Integer, nullable=False, server_default="5000"),
    UniqueConstraint("site_id", "name"),
)

readers = Table(
    "readers",
    metadata,
    _id(),
    _ref("door_id", "doors.id"),
    Column("name", String(120), nullable=False, unique=True),
    Column("direction", String(5), nullable=False),
    _us("ended_us", nullable=True),
    CheckConstraint("direction IN ('entry', 'exit')", name="direction"),
)

door_groups = Table(
    "door_groups",
    metadata,
    _id(),
    _ref("site_id", "sites.id"),
    Column("name", String(120), nullable=False),
    UniqueConstraint("site_id", "name"),
)

door_group_doors = Table(
    "door_group_doors",
    metadata,
    _ref("group_id", "door_groups.id", primary_key=True),
    _ref("door_id", "doors.id", primary_key=True, index=True),
)

schedules = Table(
    "schedules",
    metadata,
    _id(),
    _ref("site_id", "sites.id"),
    Column("name", String(120), nullable=False),
    UniqueConstraint("site_id", "name"),
)

schedule_hours = Table(
    "schedule_hours",
    metadata,
    _id(),
    _ref("schedule_id", "schedules.id", index=True),
    Column("weekday", Integer, nullable=False),  # Monday is 0
    Column("first_minute", Integer, nullable=False),
    Column("end_minute", Integer, nullable=False),
    Column("mode", String(20), nullable=False),
)

special_days = Table(
    "special_days",
    metadata,
    _id(),
    _ref("site_id", "sites.id"),
    Column("day", String(10), nullable=False),  # ISO 8601, local to the site
    Column("name", String(120), nullable=False),
    UniqueConstraint("site_id", "day"),
)

# A schedule without hours here is closed on the special day.
special_hours = Table(
    "special_hours",
    metadata,
    _id(),
    _ref("special_day_id", "special_days.id", index=True),
    _ref("schedule_id", "schedules.id"),
    Column("first_minute", Integer, nullable=False),
    Column("end_minute", Integer, nullable=False),
    Column("mode", String(20), nullable=False),
)

door_schedules = Table(
    "door_schedules",
    metadata,
    _ref("door_id", "doors.id", primary_key=True),
    _ref("schedule_id", "schedules.id", primary_key=True),
)

lockdowns = Table(
    "lockdowns",
    metadata,
    _id(),
    _ref("site_id", "sites.id", index=True),
    _ref("area_id", "areas.id", nullable=True),
    _us("started_us"),
    _us("ended_us", nullable=True),
)

# --- people and visits -------------------------------------------------------------------------

hosts = Table(
    "hosts",
    metadata,
    _id(),
    Column("name", String(200), nullable=False),
    Column("email", String(254), nullable=False, unique=True),
    _us("ended_us", nullable=True),
)

guests = Table(
    "guests",
    metadata,
    _id(),
    Column("name", String(200), nullable=False),
    Column("organisation", String(200)),
    Column("email", String(254), index=True),
    _us("created_us"),
)

visits = Table(
    "visits",
    metadata,
    _id(),
    _ref("site_id", "sites.id"),
    _ref("host_id", "hosts.id", index=True),
    Column("purpose", String(200)),
    _us("starts_us"),
    _us("ends_us"),
    _us("created_us"),
    Index(None, "site_id", "starts_us"),
)

passes = Table(
    "passes",
    metadata,
    _id(),
    Column("number", String(8), nullable=False, unique=True),
    _ref("site_id", "sites.id"),
    _ref("visit_id", "visits.id", index=True),
    _ref("guest_id", "guests.id", index=True),
    _us("valid_from_us"),
    _us("valid_until_us"),
    Column("entry_limit", Integer, nullable=False),
    Column("entries_used", Integer, nullable=False, server_default="0"),
    Column("proof", Integer, nullable=False, server_default="0"),
    Column("daily_first", Integer),
    Column("daily_end", Integer),
    Column("daily_weekdays", Integer),
    Column("pin_hash", String(200)),
    Column("wrong_pins", Integer, nullable=False, server_default="0"),
    _us("withdrawn_us", nullable=True),
    _ref("kept_by", "readers.id", nullable=True),
    _us("kept_until_us", nullable=True),
    # Where its guest is, as far as readers have seen.
    _ref("area_id", "areas.id", nullable=True),
    _us("since_us", nullable=True),
    _us("created_us"),
    Index(None, "site_id", "valid_from_us"),
    Index(
        "ix_passes_inside",
        "area_id",
        sqlite_where=text("area_id IS NOT NULL"),
        postgresql_where=text("area_id IS NOT NULL"),
    ),
)

pass_door_groups = Table(
    "pass_door_groups",
    metadata,
    _ref("pass_id", "passes.id", primary_key=True),
    _ref("group_id", "door_groups.id", primary_key=True),
)

# What must be met before a pass opens anything: approval, site rules, a permit that has not ended.
requirements = Table(
    "requirements",
    metadata,
    _id(),
    _ref("pass_id", "passes.id"),
    Column("kind", String(24), nullable=False),
    _us("met_us", nullable=True),
    _us("ends_us", nullable=True),
    UniqueConstraint("pass_id", "kind"),
)

signing_keys = Table(
    "signing_keys",
    metadata,
    _id(),
    Column("kid", LargeBinary(4), nullable=False, unique=True),
    Column("public", LargeBinary(32), nullable=False),
    _us("created_us"),
    _us("retired_us", nullable=True),  # signs no more, still verifies
    _us("ended_us", nullable=True),  # verifies no more
)

# The payload without its signature: who reads the database holds no code that opens a door.
codes = Table(
    "codes",
    metadata,
    _id(),
    Column("code_id", LargeBinary(16), nullable=False, unique=True),
    _ref("pass_id", "passes.id"),
    Column("carrier", String(5), nullable=False),
    _ref("key_id", "signing_keys.id"),
    Column("payload", LargeBinary, nullable=False),
    _us("created_us"),
    _us("ended_us", nullable=True),
    CheckConstraint("carrier IN ('phone', 'badge')", name="carrier"),
    Index(
        "uq_codes_live_per_carrier",
        "pass_id",
        "carrier",
        unique=True,
        sqlite_where=text("ended_us IS NULL"),
        postgresql_where=text("ended_us IS NULL"),
    ),
)

# A bar holds for the guest's row and for every guest of the same mail address.
bars = Table(
    "bars",
    metadata,
    _id(),
    _ref("guest_id", "guests.id", index=True),
    Column("email", String(254), index=True),
    _us("started_us"),
    _us("until_us", nullable=True),
    _us("ended_us", nullable=True),
)

# --- what happened at the doors ----------------------------------------------------------------

presentations = Table(
    "presentations",
    metadata,
    _id(),
    _ref("site_id", "sites.id"),
    _ref("reader_id", "readers.id"),
    Column("presentation_id", String(64), nullable=False),
    Column("payload_mac", LargeBinary(32), nullable=False),
    _us("moment_us"),  # decided for
    _us("received_us"),  # when it was
    _ref("code_id", "codes.id", nullable=True),
    _ref("pass_id", "passes.id", nullable=True),
    Column("pin_right", Boolean, nullable=False),
    Column("granted", Boolean, nullable=False),
    Column("reason", String(24)),
    Column("spent", Boolean, nullable=False),
    Column("again", Boolean, nullable=False),
    Column("alone", Boolean, nullable=False),  # the reader decided by itself
    Column("entries_left", Integer),
    _us("hint_us", nullable=True),  # the window's edge that a refusal is about
    # It matters to whoever comes next at this reader: an escort, or somebody who waits for one.
    Column("company", Boolean, nullable=False),
    UniqueConstraint("reader_id", "presentation_id"),
    Index(
        "ix_presentations_company",
        "reader_id",
        "moment_us",
        sqlite_where=text("company"),
        postgresql_where=text("company"),
    ),
)

# A guest's refused presentation that an escort's presentation turned into a grant, once.
accompaniments = Table(
    "accompaniments",
    metadata,
    _ref("guest_presentation", "presentations.id", primary_key=True, autoincrement=False),
    _ref("escort_presentation", "presentations.id", index=True),
    Column("granted", Boolean, nullable=False),
    Column("reason", String(24)),
)

# A PIN that is being checked: its try is counted, once however often the presentation is sent.
pin_tries = Table(
    "pin_tries",
    metadata,
    _ref("reader_id", "readers.id", primary_key=True),
    Column("presentation_id", String(64), primary_key=True),
    Column("payload_mac", LargeBinary(32), nullable=False),
)

last_grants = Table(
    "last_grants",
    metadata,
    _ref("code_id", "codes.id", primary_key=True),
    _ref("reader_id", "readers.id", primary_key=True),
    _us("granted_us"),
    Column("payload_mac", LargeBinary(32), nullable=False),
    sqlite_with_rowid=False,
)

# --- the records -------------------------------------------------------------------------------

records = Table(
    "records",
    metadata,
    _id(),
    _us("at_us"),
    Column("kind", String(24), nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("position", BigInteger),  # in the tree, once sealed
    Index(
        "uq_records_position",
        "position",
        unique=True,
        sqlite_where=text("position IS NOT NULL"),
        postgresql_where=text("position IS NOT NULL"),
    ),
    Index(
        "ix_records_unsealed",
        "id",
        sqlite_where=text("position IS NULL"),
        postgresql_where=text("position IS NULL"),
    ),
    sqlite_autoincrement=True,
)

tiles = Table(
    "tiles",
    metadata,
    Column("level", Integer, primary_key=True, autoincrement=False),
    Column("place", _RowId, primary_key=True, autoincrement=False),
    Column("hashes", LargeBinary, nullable=False),
)

checkpoints = Table(
    "checkpoints",
    metadata,
    Column("size", _RowId, primary_key=True, autoincrement=False),
    Column("note", Text, nullable=False),
    _us("made_us"),
)

# One row: whoever seals locks it, so that only one does.
tree = Table(
    "tree",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("origin", String(200), nullable=False),
    Column("size", BigInteger, nullable=False),
)

# Free text, which records commit to under a key of its own; both are erased together.
texts = Table(
    "texts",
    metadata,
    _id(),
    Column("about", String(16), nullable=False),
    Column("about_id", BigInteger, nullable=False),
    Column("key", LargeBinary(32), nullable=False),
    Column("commitment", LargeBinary(32), nullable=False),
    Column("body", Text, nullable=False),
    _us("created_us"),
    Index(None, "about", "about_id"),
)

# --- who may ask -------------------------------------------------------------------------------

tokens = Table(
    "tokens",
    metadata,
    _id(),
    Column("name", String(120), nullable=False),
    Column("scope", String(8), nullable=False),
    _ref("reader_id", "readers.id", nullable=True),
    Column("digest", LargeBinary(32), nullable=False, unique=True),
    _us("created_us"),
    _us("ended_us", nullable=True),
    CheckConstraint("scope IN ('reader', 'issue', 'audit')", name="scope"),
)

facts = Table(
    "facts",
    metadata,
    Column("name", String(40), primary_key=True),
    Column("value", String(200), nullable=False),
)
