"""Changing values in session.toml without touching what else a person wrote there: notes, order, other keys."""

import hashlib
import re
import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from analyze.session.config import CONFIG_NAME, read_config
from analyze.session.order import free_name
from analyze.session.template import config_text
from calibrate.errors import DecisionOvertakenError, SessionError

Value = str | float | int | None
_HEADER = re.compile(r"\s*\[([\w.]+)\]")
_CONDITION = re.compile(r"\s*\[\[\s*condition\s*\]\]")
_OF_CONDITION = re.compile(r"\s*\[\[?\s*condition\s*\.")  # [condition.factors]: of the condition above it


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionLine:
    """A condition as it is to stand in session.toml.

    Attributes
    ----------
    name : str
        Its name.
    role : str
        ``test`` or ``control``.
    tip_offset_mm : float
        To the shooter's right.
    """

    name: str
    role: str
    tip_offset_mm: float


def config_stamp(folder: Path) -> str:
    """Return what tells one state of session.toml from another; empty where there is none."""
    path = folder / CONFIG_NAME
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16] if path.exists() else ""


def edit_session(
    folder: Path,
    values: Mapping[tuple[str, str], Value],
    conditions: Sequence[ConditionLine],
    *,
    seen: str | None = None,
) -> None:
    """Write values and conditions into session.toml; the file before is kept beside it.

    Parameters
    ----------
    folder : Path
        The session folder; made, with a session.toml, if it is not there.
    values : mapping
        By section and key; None takes a key back to its default.
    conditions : sequence of ConditionLine
        All there are to be: one that is not among them is taken out, others keep what else stands in them.
    seen : str, optional
        `config_stamp` of what was shown to who changes it.

    Raises
    ------
    DecisionOvertakenError
        If it has been changed since; nothing is changed then.
    SessionError
        If the outcome would not be a session.toml that can be read; nothing is changed then.
    """
    path = folder / CONFIG_NAME
    if seen is not None and seen != config_stamp(folder):
        raise DecisionOvertakenError(
            f"{CONFIG_NAME} has been changed meanwhile, in another window or by hand; load this page again to see "
            "how, and fill in your change there"
        )
    before = path.read_text(encoding="utf-8-sig") if path.exists() else None
    text = with_conditions(with_values(before or config_text(folder.resolve().name), values), conditions)
    with tempfile.TemporaryDirectory() as trial:
        (Path(trial) / CONFIG_NAME).write_text(text, encoding="utf-8")
        try:
            read_config(Path(trial))
        except SessionError as error:
            raise SessionError(str(error).replace(f"{trial}/", "")) from error
    try:
        for sub in ("clips", "out"):
            (folder / sub).mkdir(parents=True, exist_ok=True)
        if before is not None and before != text:
            free_name(path).write_text(before, encoding="utf-8")
        fresh = path.with_suffix(".new")
        fresh.write_text(text, encoding="utf-8")
        fresh.replace(path)
    except OSError as error:
        raise SessionError(f"{folder}: cannot be written ({error.strerror or error})") from error


def with_values(text: str, values: Mapping[tuple[str, str], Value]) -> str:
    """Return the text of a session.toml with other values; notes behind a value stay."""
    lines = text.splitlines()
    for (section, key), value in values.items():
        _set(lines, section, key, value)
    return "\n".join(lines) + "\n"


def with_conditions(text: str, conditions: Sequence[ConditionLine]) -> str:
    """Return a session.toml with these conditions: old blocks changed in place, new ones behind them."""
    lines = text.splitlines()
    blocks = _blocks(lines)
    wanted = {one.name: one for one in conditions}
    end = blocks[-1][1] if blocks else len(lines)
    new = []
    known = {name for _, _, name in blocks}
    for one in conditions:
        if one.name not in known:
            new += ["[[condition]]", *_condition_lines(one), ""]
    lines[end:end] = new
    for first, last, name in reversed(blocks):
        if name not in wanted:
            del lines[first:last]
            continue
        # Below a header of its own, a key of the same name is something else.
        end = next((k for k in range(first + 1, last) if _OF_CONDITION.match(lines[k])), last)
        block = lines[first + 1 : end]
        for key, value in (("role", wanted[name].role), ("tip_offset_mm", wanted[name].tip_offset_mm)):
            _set_in(block, key, value, at=1)
        lines[first + 1 : end] = block
    return "\n".join(lines).rstrip("\n") + "\n"


def _condition_lines(one: ConditionLine) -> list[str]:
    pairs = (("name", one.name), ("role", one.role), ("tip_offset_mm", one.tip_offset_mm))
    return [f"{key} = {_written(value)}" for key, value in pairs]


def _blocks(lines: Sequence[str]) -> list[tuple[int, int, str]]:
    """First line, line after the last, and name of each condition."""
    found = []
    for first, line in enumerate(lines):
        if not _CONDITION.match(line):
            continue
        ends = (k for k in range(first + 1, len(lines)) if lines[k].lstrip().startswith("["))
        last = next((k for k in ends if not _OF_CONDITION.match(lines[k])), len(lines))
        try:
            name = str(tomllib.loads("\n".join(lines[first + 1 : last])).get("name", ""))
        except tomllib.TOMLDecodeError:
            name = ""
        found.append((first, last, name))
    return found


def _set(lines: list[str], section: str, key: str, value: Value) -> None:
    header = next((k for k, line in enumerate(lines) if (m := _HEADER.match(line)) and m[1] == section), None)
    if header is None:
        if value is not None:
            lines += ["", f"[{section}]", f"{key} = {_written(value)}"]
        return
    last = next((k for k in range(header + 1, len(lines)) if lines[k].lstrip().startswith("[")), len(lines))
    part = lines[header + 1 : last]
    _set_in(part, key, value, at=0)
    lines[header + 1 : last] = part


def _set_in(part: list[str], key: str, value: Value, *, at: int) -> None:
    """Set a key within the lines of one section: where it stands, else where it stands as a note, else on top."""
    said = re.compile(rf"(#\s*)?{key}\s*=\s*(\"(?:[^\"\\]|\\.)*\"|[^#]*?)(\s*#.*)?$")
    places = [(k, m) for k, line in enumerate(part) if (m := said.match(line.strip()))]
    places.sort(key=lambda place: place[1][1] is not None)  # one that counts before one that is a note
    if not places:
        if value is not None:
            part.insert(at, f"{key} = {_written(value)}")
        return
    k, match = places[0]
    if value is None:
        if match[1] is None:
            part[k] = f"# {part[k].strip()}"
        return
    note = f"  {match[3].strip()}" if match[3] else ""
    part[k] = f"{key} = {_written(value)}{note}"


def _written(value: str | float) -> str:
    if isinstance(value, str):
        plain = "".join(" " if ord(letter) < 32 else letter for letter in value)
        return '"' + plain.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, bool):
        return str(value).lower()
    return (
        f"{value:g}"
        if isinstance(value, float) and abs(value) < 1e5 and value == float(f"{value:g}")
        else str(value)
    )
