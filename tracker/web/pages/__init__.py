"""The pages for people, one module each; the last one takes whatever stands on a label."""

from __future__ import annotations

from fastapi import APIRouter

from tracker.web.pages import (
    acts,
    care,
    day,
    daysheet,
    devices,
    lists,
    logs,
    manualpages,
    measuring,
    newjob,
    pictures,
    plate,
    records,
    rigmode,
    scan,
    spool,
    table,
    tracing,
    why,
)

ROUTERS: tuple[APIRouter, ...] = (
    day.router,
    daysheet.router,
    lists.router,
    rigmode.router,
    care.router,
    manualpages.router,
    scan.router,
    devices.router,
    newjob.router,
    records.router,
    acts.router,
    table.router,
    why.router,
    pictures.router,
    tracing.router,
    measuring.router,
    plate.router,
    logs.router,
    spool.router,
    records.labels,
)

__all__ = ["ROUTERS"]
