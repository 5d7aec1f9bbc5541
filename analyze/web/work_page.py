"""Starting and stopping the work, and telling how far it is, as server-sent events."""

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import asdict

from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse
from pydantic import BaseModel

from analyze.web.desk import Desk, TheDesk
from analyze.web.workshop import Job

router = APIRouter()
_LOOK_S = 0.2  # how often news are looked for
_BEAT_S = 15.0  # how often a silent connection says that it is there


class Wish(BaseModel):
    """Which job is wanted."""

    job: Job


@router.post("/api/work")
def start_work(desk: TheDesk, wish: Wish) -> dict[str, object]:
    """Begin to measure what is new, to measure everything again, or to draw."""
    desk.session()
    return asdict(desk.workshop.start(wish.job))


@router.post("/api/work/stop")
def stop_work(desk: TheDesk) -> dict[str, object]:
    """Break off; what was measured stays."""
    desk.workshop.stop()
    return asdict(desk.workshop.work)


@router.get("/api/work")
def work_now(desk: TheDesk) -> dict[str, object]:
    """Return what is being done."""
    return asdict(desk.workshop.work)


@router.get("/api/work/events", include_in_schema=False)
def work_events(desk: TheDesk, request: Request) -> StreamingResponse:
    """Send what is being done whenever it changes, as server-sent events."""
    return StreamingResponse(_events(desk, request), media_type="text/event-stream")


async def _events(desk: Desk, request: Request) -> AsyncIterator[str]:
    seen, silent_s = -1, 0.0
    while not await request.is_disconnected():
        work = desk.workshop.work
        if work.version != seen:
            seen, silent_s = work.version, 0.0
            yield f"data: {json.dumps(asdict(work))}\n\n"
        elif silent_s > _BEAT_S:
            silent_s = 0.0
            yield ": here\n\n"
        await asyncio.sleep(_LOOK_S)
        silent_s += _LOOK_S
