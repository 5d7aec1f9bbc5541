"""The shooting order of a test: randomised, reproducible, blocked by shooter, balanced, and its file order.csv."""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analyze.session.folder import read_kept
from calibrate.errors import SessionError

ORDER_NAME = "order.csv"
ORDER_COLUMNS = ("order", "shooter", "condition", "shot", "tip_offset_mm", "kept", "note")
ORDER_NOTE = f"by {ORDER_NAME}"  # begins the note of each line of shots.csv that was written from the order
LEAST_CONTROLS = 2  # of a shooter's block: one before its first shot, one after its last


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderRow:
    """One shot to shoot.

    Attributes
    ----------
    order : int
        Place in the session, from 1.
    shooter, condition : str
        Who shoots with what.
    shot : int
        Number of the shot among those of this shooter with this condition, from 1.
    tip_offset_mm : float or None
        Tip offset to shoot with, to the right positive; None where no one said.
    kept : bool or None
        Whether the tester wrote that the shot counts (a miscue does not); None where nothing is written.
    note : str
        What else the tester wrote about it.
    """

    order: int
    shooter: str
    condition: str
    shot: int
    tip_offset_mm: float | None
    kept: bool | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderWish:
    """What is to be shot.

    Attributes
    ----------
    shooters : tuple of str
        Shooters.
    conditions : tuple of str
        Conditions under test.
    shots : int
        Of each shooter with each condition.
    once : tuple of str
        Conditions that cannot be gone back to, in the order in which they must come; some of `conditions`.
    turn : int
        Shots in a row before the condition changes.
    control : str
        Name of the control condition; empty without one.
    controls : int
        Control shots of each shooter in each block.
    """

    shooters: tuple[str, ...]
    conditions: tuple[str, ...]
    shots: int
    once: tuple[str, ...] = ()
    turn: int = 1
    control: str = ""
    controls: int = LEAST_CONTROLS

    def __post_init__(self) -> None:
        """Refuse what cannot be ordered, in words for the tester."""
        for name in self.once:
            if name not in self.conditions:
                raise SessionError(
                    f'"{name}" shall be shot in one go, but is none of the conditions: {", ".join(self.conditions)}'
                )
        for what, names in (("condition", self.conditions), ("shooter", self.shooters), ("once", self.once)):
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                raise SessionError(f'{what} "{twice[0]}" is named twice')
        if not self.shooters or not self.conditions:
            raise SessionError("an order needs a shooter and a condition at least")
        if min(self.shots, self.turn) < 1 or self.controls < 0:
            raise SessionError("shots and shots in a row must be 1 or more, control shots 0 or more")


def shooting_order(
    wish: OrderWish, tip_offsets_mm: Mapping[str, float], *, rng: np.random.Generator
) -> tuple[OrderRow, ...]:
    """Draw a shooting order.

    Parameters
    ----------
    wish : OrderWish
        What is to be shot.
    tip_offsets_mm : mapping
        Tip offset of each condition, where known.
    rng : Generator
        Where chance comes from: the same seed gives the same order.

    Returns
    -------
    tuple of OrderRow
        Stages first (one for each condition that cannot be gone back to; else a single one), in them one block per
        shooter, in it rounds. Every round holds each condition at most once (`turn` shots of it). Over the rounds
        of a stage, one shooter after the other, the rounds are rows of Williams squares (Williams 1949, Aust. J.
        Sci. Res. A 2, 149): each condition equally often in each place and after each other one. Conditions that
        can be gone back to are spread evenly over all stages, so that drift between stages can be seen in them.
    """
    drawn: list[tuple[str, str]] = []
    for counts in _stage_counts(wish):
        rows = _balanced_rounds(tuple(counts), rng)
        for shooter in rng.permutation(np.array(wish.shooters, dtype=object)):
            block = _block(counts, wish.turn, rows, rng)
            drawn.extend((str(shooter), condition) for condition in _with_controls(block, wish))
    numbers: dict[tuple[str, str], int] = {}
    found = []
    for place, (shooter, condition) in enumerate(drawn, start=1):
        numbers[shooter, condition] = numbers.get((shooter, condition), 0) + 1
        found.append(
            OrderRow(
                order=place,
                shooter=shooter,
                condition=condition,
                shot=numbers[shooter, condition],
                tip_offset_mm=tip_offsets_mm.get(condition),
            )
        )
    return tuple(found)


def _stage_counts(wish: OrderWish) -> list[dict[str, int]]:
    """Shots of each condition in a shooter's block, stage by stage."""
    stages = max(len(wish.once), 1)
    counts: list[dict[str, int]] = [{} for _ in range(stages)]
    for condition in wish.conditions:
        if condition in wish.once:
            counts[wish.once.index(condition)][condition] = wish.shots
            continue
        for stage in range(stages):
            share = wish.shots * (stage + 1) // stages - wish.shots * stage // stages
            if share:
                counts[stage][condition] = share
    return [stage for stage in counts if stage]


def _balanced_rounds(conditions: tuple[str, ...], rng: np.random.Generator) -> Iterator[list[str]]:
    """Rows of Williams squares without end, each square with the conditions relabelled and its rows shuffled."""
    k = len(conditions)
    # First row 0, 1, k-1, 2, k-2, ...: its neighbours differ by every step once.
    first = [0] + [(i + 1) // 2 if i % 2 else k - i // 2 for i in range(1, k)]
    square = [[(place + shift) % k for place in first] for shift in range(k)]
    # An odd number needs the mirrored square as well. Each is shuffled on its own: then places are balanced after
    # every k rounds, and not after 2 k only.
    squares = [square, [row[::-1] for row in square]] if k % 2 else [square]
    while True:
        names = rng.permutation(np.array(conditions, dtype=object))
        for which in rng.permutation(len(squares)):
            for number in rng.permutation(k):
                yield [str(names[place]) for place in squares[which][number]]


def _block(counts: Mapping[str, int], turn: int, rows: Iterator[list[str]], rng: np.random.Generator) -> list[str]:
    """One shooter's test shots of one stage."""
    turns = {condition: -(-count // turn) for condition, count in counts.items()}
    rounds = max(turns.values())
    # A condition with fewer turns than there are rounds sits out some, evenly, from a random start.
    takes_part = {}
    for condition, some in turns.items():
        starts = np.floor((np.arange(some) + rng.random()) * rounds / some).astype(int)
        takes_part[condition] = set(starts.tolist())
    left = dict(counts)
    shots: list[str] = []
    for number in range(rounds):
        for condition in next(rows):
            if number not in takes_part[condition]:
                continue
            some = min(turn, left[condition])
            left[condition] -= some
            shots.extend([condition] * some)
    return shots


def _with_controls(block: Sequence[str], wish: OrderWish) -> list[str]:
    """Spread control shots evenly over a block: the first before all shots, the last after them."""
    if not wish.control or not wish.controls:
        return list(block)
    places = np.round(np.linspace(0, len(block), wish.controls)).astype(int) if wish.controls > 1 else np.array([0])
    shots: list[str] = []
    for place in range(len(block) + 1):
        shots.extend([wish.control] * int(np.sum(places == place)))
        shots.extend(block[place : place + 1])
    return shots


def order_text(rows: Sequence[OrderRow], remark: str) -> str:
    """Return the text of order.csv: a remark that holds the seed, the names of the columns, the shots."""
    text = io.StringIO()
    text.write(f"# {remark}\n")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(ORDER_COLUMNS)
    for row in rows:
        offset = "" if row.tip_offset_mm is None else f"{row.tip_offset_mm:g}"
        kept = "" if row.kept is None else "yes" if row.kept else "no"
        writer.writerow((row.order, row.shooter, row.condition, row.shot, offset, kept, row.note))
    return text.getvalue()


def write_order(path: Path, rows: Sequence[OrderRow], remark: str) -> Path | None:
    """Write order.csv; an older one that says something else stays under another name.

    Parameters
    ----------
    path : Path
        Of order.csv.
    rows : sequence of OrderRow
        The order.
    remark : str
        One line: the seed and how to draw the order again.

    Returns
    -------
    Path or None
        Where the older file is now; None when there was none, or the same.
    """
    text = order_text(rows, remark)
    put_aside = None
    try:
        if path.exists():
            if path.read_bytes() == text.encode():
                return None
            put_aside = free_name(path)
            path.rename(put_aside)
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise SessionError(f"{path}: cannot be written ({error.strerror}); is it open elsewhere?") from error
    return put_aside


def read_remark(path: Path) -> str:
    """Return the first remark of an order.csv, which holds the seed; empty where there is none."""
    first = next(iter(path.read_text(encoding="utf-8-sig").splitlines()), "")
    # A spreadsheet may have put quotes round it and empty cells behind.
    plain = first.strip().rstrip(";,").strip('"')
    return plain.removeprefix("#").strip() if plain.startswith("#") else ""


def free_name(path: Path) -> Path:
    """Return a name like this one that no file has yet: order-1.csv for order.csv."""
    number = 1
    while (free := path.with_name(f"{path.stem}-{number}{path.suffix}")).exists():
        number += 1
    return free


def read_order(path: Path) -> tuple[OrderRow, ...]:
    """Read order.csv, as written or with lines added or taken out by the tester.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    tuple of OrderRow
        In the order of the column `order`.

    Raises
    ------
    SessionError
        In one line: the file, the line, what is wrong.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise SessionError(
            f"{path}: there is no shooting order; `railread plan {path.parent}` draws one"
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        raise SessionError(f"{path}: cannot be read as text ({error})") from error
    # A spreadsheet may put quotes round the remark and semicolons between the cells.
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip(" ,;\t") and not line.lstrip('"').startswith("#")
    ]
    if not lines:
        raise SessionError(f"{path}: is empty; `railread plan {path.parent}` draws an order")
    delimiter = ";" if ";" in lines[0][1] else ","
    header, *body = ([cell.strip() for cell in next(csv.reader([line], delimiter=delimiter))] for _, line in lines)
    for name in ("order", "shooter", "condition"):
        if name not in header:
            raise SessionError(f"{path}: column {name} is missing; wanted: {','.join(ORDER_COLUMNS)}")
    rows = [
        _order_row(dict(zip(header, cells, strict=False)), f"{path}: line {number}")
        for (number, _), cells in zip(lines[1:], body, strict=True)
    ]
    if not rows:
        raise SessionError(f"{path}: names its columns but holds no shot")
    places = [row.order for row in rows]
    twice = sorted({place for place in places if places.count(place) > 1})
    if twice:
        raise SessionError(f"{path}: order {twice[0]} stands there twice; every shot needs a place of its own")
    return tuple(sorted(rows, key=lambda row: row.order))


def _order_row(cells: Mapping[str, str], where: str) -> OrderRow:
    numbers = {}
    for name in ("order", "shot"):
        text = cells.get(name, "") or ("1" if name == "shot" else "")
        if not text.isdecimal() or int(text) < 1:
            raise SessionError(f"{where}: {name} = {text or 'nothing'}, but it must be a whole number from 1")
        numbers[name] = int(text)
    for name in ("shooter", "condition"):
        if not cells.get(name):
            raise SessionError(f"{where}: {name} is empty")
    text = cells.get("tip_offset_mm", "").replace(",", ".")
    try:
        offset = float(text) if text else None
    except ValueError as error:
        raise SessionError(f"{where}: tip_offset_mm = {text}, but it must be a number of mm, or empty") from error
    if offset is not None and not -40 <= offset <= 40:
        raise SessionError(f"{where}: tip_offset_mm = {text}, but it must be between -40 and 40 mm")
    return OrderRow(
        order=numbers["order"],
        shooter=cells["shooter"],
        condition=cells["condition"],
        shot=numbers["shot"],
        tip_offset_mm=offset,
        kept=read_kept(cells.get("kept", ""), where),
        note=" ".join(cells.get("note", "").split()),
    )
