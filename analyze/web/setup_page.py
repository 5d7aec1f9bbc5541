"""Setting a session up: table, ball, lane, scale, camera and conditions, each number shown in a drawing."""

from typing import Literal

from fastapi import APIRouter
from fastapi.responses import HTMLResponse
from pydantic import BaseModel, Field

from analyze.session.config import SessionConfig
from analyze.session.edit_config import ConditionLine, Value, config_stamp, edit_session
from analyze.session.folder import open_session
from analyze.web.desk import TheDesk
from analyze.web.pages import page
from calibrate.errors import SessionError
from calibrate.table import POOL_SETBACK_M, TABLES

router = APIRouter()
Text = Field(default="", max_length=200)
Number = Field(default=None, ge=-1e6, le=1e6, allow_inf_nan=False)


class ConditionWish(BaseModel):
    """A condition as the person filled it in."""

    name: str = Field(min_length=1, max_length=100)
    role: Literal["test", "control"] = "test"
    tip_offset_mm: float = Field(default=0.0, ge=-1000, le=1000, allow_inf_nan=False)


class SetUp(BaseModel):
    """The set-up as the person filled it in; what is None keeps its default."""

    name: str = Text
    units: Literal["inch", "mm"] = "inch"
    size: str = Field(default="9ft", max_length=20)
    width_mm: float | None = Number
    length_mm: float | None = Number
    rail_top_mm: float | None = Number
    sight_setback_mm: float | None = Number
    diameter_mm: float | None = Number
    mass_g: float | None = Number
    sight: int = Field(default=1, ge=1, le=3)
    spot_mm: float | None = Number
    unit: Literal["inch", "cm", "mm"] = "inch"
    setback_mm: float | None = Number
    capture_fps: float | None = Number
    readout_ms: float | None = Number
    conditions: list[ConditionWish] = Field(default_factory=list, max_length=100)
    seen: str | None = Field(default=None, max_length=100)


@router.get("/setup", include_in_schema=False)
def setup_view(desk: TheDesk) -> HTMLResponse:
    """Show the set-up, also of a session that is not there yet."""
    seen = config_stamp(desk.folder)  # before it is read: a change in between is noticed, not passed over
    exists = bool(seen)
    config = open_session(desk.folder).config if exists else SessionConfig()
    conditions = [(one.name, one.role, one.tip_offset_mm) for one in config.condition]
    if not exists:
        conditions = [("control", "control", 0.0), ("A", "test", 14.3), ("B", "test", 14.3)]
    return page(
        "setup.html.j2",
        here="setup",
        title=config.session.name or desk.folder.resolve().name,
        exists=exists,
        seen=seen,
        folder=desk.folder.resolve(),
        config=config,
        conditions=conditions,
        tables={name: (1000 * one.width_m, 1000 * one.length_m) for name, one in TABLES.items()},
        setback_mm=1000 * POOL_SETBACK_M,
    )


@router.post("/api/setup")
def set_up(desk: TheDesk, wish: SetUp) -> dict[str, bool | str]:
    """Write the set-up into session.toml; the file before is kept, and a wrong value changes nothing."""
    is_new = not (desk.folder / "session.toml").exists()
    custom = wish.size == "custom"
    if custom and (wish.width_mm is None or wish.length_mm is None):
        raise SessionError("a table of another size needs its width and its length, from nose to nose, in mm")
    values: dict[tuple[str, str], Value] = {
        ("session", "name"): wish.name,
        ("session", "units"): wish.units,
        ("table", "size"): None if custom else wish.size,
        ("table", "width_mm"): wish.width_mm if custom else None,
        ("table", "length_mm"): wish.length_mm if custom else None,
        ("table", "rail_top_mm"): wish.rail_top_mm,
        ("table", "sight_setback_mm"): wish.sight_setback_mm,
        ("ball", "diameter_mm"): wish.diameter_mm,
        ("ball", "mass_g"): wish.mass_g,
        ("lane", "sight"): wish.sight,
        ("lane", "spot_mm"): wish.spot_mm,
        ("scale", "unit"): wish.unit,
        ("scale", "setback_mm"): wish.setback_mm,
        ("camera", "capture_fps"): wish.capture_fps,
        ("camera", "readout_ms"): wish.readout_ms,
    }
    lines = [ConditionLine(**one.model_dump()) for one in wish.conditions]
    edit_session(desk.folder, values, lines, seen=wish.seen)
    return {"new": is_new, "seen": config_stamp(desk.folder)}
