"""The pages for people, one module each; the last one takes whatever stands on a label."""

from __future__ import annotations

from fastapi import APIRouter

from tracker.web.pages import (
    acts,
    care,
    day,
    daysheet,
    devices,
    looking,
    measuring,
    newjob,
    pictures,
    plate,
    records,
    rigmode,
    spool,
    table,
    why,
)

ROUTERS: tuple[APIRouter, ...] = (
    day.router,
    daysheet.router,
    rigmode.router,
    care.router,
    devices.router,
    newjob.router,
    records.router,
    acts.router,
    table.router,
    why.router,
    pictures.router,
    looking.router,
    measuring.router,
    plate.router,
    spool.router,
    records.labels,
)

__all__ = ["ROUTERS"]
