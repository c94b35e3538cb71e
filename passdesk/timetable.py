"""What happens by itself, and when.

A job finds what is due by a query, so nothing is lost when one did not run and nothing is done
twice when one ran twice.
"""

from __future__ import annotations

import logging
import time
from typing import TYPE_CHECKING

from apscheduler.schedulers.background import BackgroundScheduler
from sqlalchemy.exc import SQLAlchemyError

from passdesk.services import sealing

if TYPE_CHECKING:
    from passdesk.services.instance import Instance

_log = logging.getLogger("passdesk.timetable")


def start(instance: Instance) -> BackgroundScheduler:
    """Start the timetable of an instance; `shutdown()` on what is returned stops it."""
    scheduler = BackgroundScheduler(
        timezone="UTC",
        # However late: run, once for all the times that were missed, never beside itself.
        job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1},
    )
    # That a run takes longer than the time to the next is foreseen, and no news.
    logging.getLogger("apscheduler.scheduler").setLevel(logging.ERROR)
    scheduler.add_job(
        _seal, "interval", args=[instance], seconds=instance.settings.seal_seconds, id="seal"
    )
    scheduler.start()
    return scheduler


def _seal(instance: Instance) -> None:
    try:
        sealing.seal_all(instance, time.time_ns() // 1000)
    except (SQLAlchemyError, sealing.DamagedTreeError):
        # The records wait; the next run finds them.
        _log.exception("sealing failed and will be tried again")
