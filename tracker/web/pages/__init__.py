"""The pages for people, one module each; the last one takes whatever stands on a label."""

from __future__ import annotations

from fastapi import APIRouter

from tracker.web.pages import (
    correcting,
    difference,
    entering,
    first,
    jobs,
    labelled,
    logs,
    measuring,
    pairing,
    photographs,
    pictures,
    plate,
    scan,
    spool,
    summary,
    tracing,
)

ROUTERS: tuple[APIRouter, ...] = (
    first.router,
    scan.router,
    pairing.router,
    jobs.router,
    entering.router,
    correcting.router,
    summary.router,
    difference.router,
    pictures.router,
    tracing.router,
    measuring.router,
    plate.router,
    logs.router,
    photographs.router,
    spool.router,
    labelled.router,
)

__all__ = ["ROUTERS"]
