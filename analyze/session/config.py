"""session.toml: what is tested and where, checked key by key before anything is measured."""

import difflib
import tomllib
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import ErrorDetails

from analyze.cue.tip_dome import USUAL_RADIUS_M
from calibrate.errors import SessionError
from calibrate.scale import RailScale
from calibrate.table import TABLES, Ball, Lane, Table, custom_table
from calibrate.units import M_PER_INCH, M_PER_MM, m_from_mm, mm_from_m
from tracker.readout import ASSUMED_READOUT, UNNAMED_GLOBAL_READOUT, Readout

CONFIG_NAME = "session.toml"
FOOT_SIGHTS = 3
_SCALE_UNIT_M = {"inch": M_PER_INCH, "cm": 0.01, "mm": M_PER_MM}


def _within(low: float, high: float, unit: str = "") -> AfterValidator:
    """Check that a number lies between two bounds; the message names them and the unit."""
    unit = f" {unit}" if unit else ""

    def check(value: float) -> float:
        if not low <= value <= high:
            raise ValueError(f"must be between {low:g} and {high:g}{unit}")
        return value

    return AfterValidator(check)


def _plain_name(value: str) -> str:
    if not value.strip() or value != value.strip() or any(c in value for c in '/\\\n\r\t"'):
        raise ValueError("must be a plain name, without slashes, quotes or blanks at its ends")
    return value


def _table_size(value: str) -> str:
    if value not in TABLES:
        raise ValueError(f"must be one of {', '.join(TABLES)} (or give width_mm and length_mm instead)")
    return value


PlainName = Annotated[str, AfterValidator(_plain_name)]


class _Section(BaseModel):
    """A section of the file: no unknown keys, no numbers given as text."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class SessionSection(_Section):
    """``[session]``: its name, and how lengths are shown."""

    name: str = ""
    units: Literal["inch", "mm"] = "inch"


class TableSection(_Section):
    """``[table]``: one of the known sizes, or the playing surface measured from nose to nose."""

    size: Annotated[str, AfterValidator(_table_size)] | None = None
    width_mm: Annotated[float, _within(500, 3000, "mm")] | None = None
    length_mm: Annotated[float, _within(1000, 6000, "mm")] | None = None
    rail_top_mm: Annotated[float, _within(15, 90, "mm")] | None = None
    sight_setback_mm: Annotated[float, _within(20, 250, "mm")] | None = None

    @model_validator(mode="after")
    def _one_way_to_say_the_size(self) -> "TableSection":
        if (self.width_mm is None) != (self.length_mm is None):
            raise ValueError("width_mm and length_mm go together: give both, or size alone")
        if self.size is not None and self.width_mm is not None:
            raise ValueError("size and width_mm with length_mm say the same thing: give one of them")
        return self


class BallSection(_Section):
    """``[ball]``: the cue ball."""

    diameter_mm: Annotated[float, _within(40, 80, "mm")] = 57.15
    mass_g: Annotated[float, _within(60, 400, "g")] = 165.0


class LaneSection(_Section):
    """``[lane]``: the line of aim."""

    sight: Annotated[int, _within(1, FOOT_SIGHTS)] = 1
    spot_mm: Annotated[float, _within(50, 5000, "mm")] | None = None
    tip_offset_of: Literal["contact", "axis"] = "contact"
    # About what a hand sets the tip to by a mark on the ball: common practice, no source.
    tip_offset_sd_mm: Annotated[float, _within(0, 10, "mm")] = 1.0
    tip_radius_mm: Annotated[float, _within(3, 60, "mm")] = mm_from_m(USUAL_RADIUS_M)


class ScaleSection(_Section):
    """``[scale]``: the ruler on the foot rail."""

    unit: Literal["inch", "cm", "mm"] = "inch"
    setback_mm: Annotated[float, _within(-20, 300, "mm")] | None = None
    printed_100_mm: Annotated[float, _within(85, 115, "mm")] = 100.0
    zero_mm: Annotated[float, _within(-1500, 1500, "mm")] = 0.0


class CameraSection(_Section):
    """``[camera]``: what the file does not say about the recording."""

    capture_fps: Annotated[float, _within(10, 10000, "frames per second")] | None = None
    readout_ms: Annotated[float, _within(0, 100, "ms")] | None = None
    global_shutter: bool = False
    global_shutter_camera: str = ""

    @model_validator(mode="after")
    def _one_way_to_say_the_shutter(self) -> "CameraSection":
        if self.global_shutter and self.readout_ms:
            raise ValueError(
                f"global_shutter = true says that all rows are taken at once, readout_ms = {self.readout_ms:g} "
                "that they are not: give one of them"
            )
        if self.global_shutter_camera.strip() and not self.global_shutter:
            raise ValueError("global_shutter_camera names a camera, but global_shutter = true is not set")
        return self

    @property
    def global_shutter_unnamed(self) -> bool:
        """Whether a global shutter is stated of a camera that is not named."""
        return self.global_shutter and not self.global_shutter_camera.strip()


class Condition(_Section):
    """``[[condition]]``: one cue, shaft or tip under test, or the control shots."""

    name: PlainName
    role: Literal["test", "control"] = "test"
    tip_offset_mm: Annotated[float, _within(-40, 40, "mm")] = 0.0
    tip_radius_mm: Annotated[float, _within(3, 60, "mm")] | None = None
    factors: dict[PlainName, PlainName] = Field(default_factory=dict)
    values: dict[PlainName, float] = Field(default_factory=dict)


class AnalysisSection(_Section):
    """``[analysis]``: the rules stated before the shots are seen."""

    keep: Literal["all", "drop_failed", "closest"] = "all"
    closest_k: Annotated[int, _within(2, 100)] = 3
    margin_mm: Annotated[float, _within(0.01, 500, "mm")] | None = None
    confidence: Annotated[float, _within(0.5, 0.999)] = 0.95
    reference: PlainName | None = None
    squirt: Literal["lane", "cue"] | None = None


class SessionConfig(_Section):
    """All of session.toml. Every key has a default, so an empty file is a 9 ft table and sight 1."""

    session: SessionSection = SessionSection()
    table: TableSection = TableSection()
    ball: BallSection = BallSection()
    lane: LaneSection = LaneSection()
    scale: ScaleSection = ScaleSection()
    camera: CameraSection = CameraSection()
    condition: tuple[Condition, ...] = Field(default=(), strict=False)
    analysis: AnalysisSection = AnalysisSection()

    @model_validator(mode="after")
    def _parts_fit_together(self) -> "SessionConfig":
        counts = Counter(condition.name for condition in self.condition)
        twice = [name for name, count in counts.items() if count > 1]
        if twice:
            raise ValueError(f"condition.name = {twice[0]!r} stands there twice: each condition needs its own name")
        reference = self.analysis.reference
        if reference is not None and self.condition and reference not in counts:
            raise ValueError(f"analysis.reference = {reference!r} is none of the conditions ({', '.join(counts)})")
        table = table_from(self.table)
        if self.lane.spot_mm is not None and not m_from_mm(self.lane.spot_mm) < table.length_m - 0.3:
            raise ValueError(
                f"lane.spot_mm = {self.lane.spot_mm:g} must lie at least 300 mm before the foot-rail nose, "
                f"which is at {table.length_m / M_PER_MM:g} mm on this table"
            )
        return self

    @property
    def readout(self) -> Readout:
        """Time from the first row of the sensor to the last: as stated, or as assumed where nothing is stated.

        Nought alone is taken for "not known": hardly a phone takes all rows at once, and believed it makes speeds
        1 to 3 % wrong without a sign. A global shutter is believed of a camera that is named: in one clip neither
        the picture nor, mostly, the sound tells that it is not so.
        """
        if self.camera.global_shutter_unnamed:
            return UNNAMED_GLOBAL_READOUT
        if self.camera.global_shutter:
            return Readout.stated(0.0)
        stated_ms = self.camera.readout_ms
        return Readout.stated(stated_ms / 1000) if stated_ms else ASSUMED_READOUT

    @property
    def condition_names(self) -> tuple[str, ...]:
        """Names of the conditions, in the order of the file; empty where the file lists none."""
        return tuple(condition.name for condition in self.condition)

    def stated_tip_radius_mm(self, condition: str) -> float | None:
        """Return the radius of a condition's dome: its own, or the lane's; None where neither is stated."""
        named = self.condition_named(condition)
        if named is not None and named.tip_radius_mm is not None:
            return named.tip_radius_mm
        return self.lane.tip_radius_mm if "tip_radius_mm" in self.lane.model_fields_set else None

    def condition_named(self, name: str) -> Condition | None:
        """Return the condition of this name, or None where the file does not list it."""
        return next((condition for condition in self.condition if condition.name == name), None)


def table_from(section: TableSection) -> Table:
    """Return the table; what the file does not say comes from the table's own size."""
    if section.width_mm is not None and section.length_mm is not None:
        table = custom_table(m_from_mm(section.width_mm), m_from_mm(section.length_mm))
    else:
        table = TABLES[section.size or "9ft"]
    if section.rail_top_mm is not None:
        table = replace(table, rail_top_m=m_from_mm(section.rail_top_mm))
    if section.sight_setback_mm is not None:
        table = replace(table, sight_setback_m=m_from_mm(section.sight_setback_mm))
    return table


def ball_from(section: BallSection) -> Ball:
    """Return the cue ball."""
    return Ball(diameter_m=m_from_mm(section.diameter_mm), mass_kg=section.mass_g / 1000)


def lane_from(section: LaneSection, table: Table) -> Lane:
    """Return the line of aim: through the foot-rail sight, parallel to the long rails."""
    # 0.3 of the length is 762 mm on a 9 ft table: some way up from the head spot, out of the bridge hand's way.
    spot_m = 0.3 * table.length_m if section.spot_mm is None else m_from_mm(section.spot_mm)
    return Lane(x_aim_m=section.sight * table.width_m / (FOOT_SIGHTS + 1), spot_y_m=spot_m)


def scale_from(section: ScaleSection, table: Table, lane: Lane) -> RailScale:
    """Return the rail scale as it was meant to lie."""
    zero_m = lane.x_aim_m + m_from_mm(section.zero_mm)
    setback_m = table.sight_setback_m if section.setback_mm is None else m_from_mm(section.setback_mm)
    return RailScale(
        line_y_m=table.length_m + setback_m,
        zero_m=zero_m,
        unit_m=_SCALE_UNIT_M[section.unit],
        stretch=section.printed_100_mm / 100 - 1,
    )


def read_config(folder: Path) -> SessionConfig:
    """Read and check the session.toml of a session folder.

    Parameters
    ----------
    folder : Path
        The session folder.

    Returns
    -------
    SessionConfig
        Complete, defaults filled in.

    Raises
    ------
    SessionError
        In one line: the file, the key, its value and what is allowed.
    """
    path = folder / CONFIG_NAME
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise SessionError(
            f"{folder}: there is no {CONFIG_NAME} in this folder; `railread new {folder}` writes one"
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        raise SessionError(f"{path}: cannot be read as text ({error})") from error
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        # Its own text ends in "(at line 3, column 8)", the part a tester needs.
        raise SessionError(f"{path}: not written as TOML: {error}") from error
    except RecursionError as error:
        raise SessionError(f"{path}: brackets within brackets without end; compare `railread new`") from error
    try:
        return SessionConfig.model_validate(values)
    except ValidationError as error:
        raise SessionError(f"{path}: {_sentence(error.errors()[0])}") from error


def known_keys() -> dict[str, tuple[str, ...]]:
    """Every key of the file by section, in the order of the models."""
    return {name: tuple(_section_model(name).model_fields) for name in SessionConfig.model_fields}


def _section_model(name: str) -> type[BaseModel]:
    if name == "condition":
        return Condition
    model = SessionConfig.model_fields[name].annotation
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        raise TypeError(f"section {name} must be a model, but got {model!r}")
    return model


def _sentence(error: ErrorDetails) -> str:
    """One finding of pydantic as a sentence about the file."""
    place = [part for part in error["loc"] if isinstance(part, str)]
    key = _key_text(error["loc"])
    kind, value = error["type"], error["input"]
    if kind == "extra_forbidden":
        return _unknown_key(key, place)
    if kind == "missing":
        return f"{key} is missing"
    if kind == "value_error":
        message = str(error["ctx"]["error"])
        # Findings about a whole section name their keys themselves.
        return f"{key} = {_shown(value)}, but it {message}" if _is_plain(value) else f"{message}"
    if kind not in _WANTED:
        return f"{key} = {_shown(value)}: {error['msg']}"
    return f"{key} = {_shown(value)}, but it must be {_WANTED[kind](error)}"


_WANTED: dict[str, Callable[[ErrorDetails], str]] = {
    "literal_error": lambda error: f"one of {str(error['ctx']['expected']).replace(chr(39), chr(34))}",
    "float_type": lambda error: "a number",
    "int_type": lambda error: "a whole number",
    "string_type": lambda error: "text in quotes",
    "finite_number": lambda error: "a finite number",
    "model_type": lambda error: "a section of its own, with [brackets]",
    "tuple_type": lambda error: "a section of its own, with [[double brackets]]",
    "model_attributes_type": lambda error: "a section of its own, with [brackets]",
}


def _key_text(loc: tuple[int | str, ...]) -> str:
    """``table.width_mm``, or ``condition 2: name`` for the second [[condition]] (counted from 1)."""
    text = ""
    for part in loc:
        if isinstance(part, int):
            text += f" {part + 1}"
        else:
            text += f".{part}" if text and not text[-1].isdigit() else f": {part}" if text else part
    return text


def _unknown_key(key: str, place: list[str]) -> str:
    keys = known_keys()
    if len(place) == 1:
        known, what = list(keys), f"[{place[0]}] is no section or key of this file"
    else:
        known, what = list(keys[place[0]]), f"{key} is no key of this file"
    nearest = difflib.get_close_matches(place[-1], known, n=1, cutoff=0.5)
    if nearest:
        return f"{what}; did you mean {nearest[0]}?"
    elsewhere = [section for section, names in keys.items() if place[-1] in names]
    if elsewhere:
        return f"{what}; {place[-1]} belongs into [{elsewhere[0]}]"
    return f"{what}; known here: {', '.join(known)}"


def _is_plain(value: Any) -> bool:  # noqa: ANN401 - whatever the file holds
    return isinstance(value, (str, int, float))


def _shown(value: Any) -> str:  # noqa: ANN401 - whatever the file holds
    return f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
