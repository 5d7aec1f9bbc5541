"""railread.sqlite: everything measured and everything decided about it.

Measurements can be made again and are replaced; decisions cannot, so the table of decisions only ever grows:
the database itself refuses to change or delete one, and the newest of a kind counts.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from analyze.fit.budget import BudgetShare
from analyze.fit.shot import Shot, Status
from analyze.session.decision_log import Decision, DecisionKind, Entry, check_entry, taken_together
from analyze.session.folder import reading_order
from analyze.session.records import (
    calibration_from_text,
    cue_from_text,
    measured_with_from_text,
    reason_from_slug,
    sightings_from_text,
    text_from_calibration,
    text_from_cue,
    text_from_measured_with,
    text_from_sightings,
)
from calibrate.calibration import Calibration
from calibrate.errors import DecisionOvertakenError, NotMeasured, StoreError
from calibrate.marks import Click

SCHEMA_VERSION = 8

# Quantities of a Shot that have a column of their own, in the order of the table.
QUANTITIES = (
    "strike_s",
    "launch_speed_m_s",
    "launch_speed_sd_m_s",
    "rail_speed_m_s",
    "rail_speed_sd_m_s",
    "reading_m",
    "reading_sd_m",
    "launch_rad",
    "launch_sd_rad",
    "squirt_offset_m",
    "squirt_offset_sd_m",
    "swerve_offset_m",
    "swerve_offset_sd_m",
    "slide_end_m",
    "residual_px",
)

_DECISIONS = """
CREATE TABLE decisions (
    id INTEGER PRIMARY KEY,
    clip TEXT NOT NULL,            -- its name when it was decided; the hash is what counts
    clip_sha256 TEXT NOT NULL,
    shot INTEGER NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('keep', 'set_aside', 'undecide', 'note', 'relabel')),
    value TEXT NOT NULL,
    made_utc TEXT NOT NULL
);
CREATE INDEX decisions_by_shot ON decisions (clip_sha256, shot);
CREATE TRIGGER decisions_stay BEFORE DELETE ON decisions
    BEGIN SELECT RAISE(ABORT, 'decisions are never deleted'); END;
CREATE TRIGGER decisions_stand BEFORE UPDATE ON decisions
    BEGIN SELECT RAISE(ABORT, 'decisions are never changed'); END;
"""

_TOGETHER = """
CREATE TABLE together (            -- when shots were last measured together; one row at most
    id INTEGER PRIMARY KEY CHECK (id = 1),
    inputs_sha256 TEXT NOT NULL,   -- of the calibration, the settings and the sightings of all shots
    made_utc TEXT NOT NULL,
    version TEXT NOT NULL
);
"""

_SCHEMA = f"""
CREATE TABLE calibrations (
    id INTEGER PRIMARY KEY,
    inputs_sha256 TEXT NOT NULL,   -- of marks.csv and the settings that it was solved with
    made_utc TEXT NOT NULL,
    frame TEXT NOT NULL,           -- the clip or picture that the marks were clicked in
    version TEXT NOT NULL,         -- of railread
    body TEXT NOT NULL,            -- JSON: camera, table, lane, ball, scale, covariance, residuals; SI units
    picture BLOB                   -- PNG: the picture that the marks were clicked in; NULL in layout 1
);
CREATE TABLE clips (
    clip TEXT PRIMARY KEY,         -- path below clips/, forward slashes
    sha256 TEXT NOT NULL,
    size_bytes INTEGER NOT NULL,
    inputs_sha256 TEXT NOT NULL,   -- of the calibration and the settings that it was measured with
    measured_utc TEXT NOT NULL,
    version TEXT NOT NULL,
    kept_when_gone INTEGER NOT NULL DEFAULT 0  -- whether its results count after the file was taken away
);
CREATE TABLE shots (
    clip TEXT NOT NULL REFERENCES clips (clip) ON DELETE CASCADE,
    shot INTEGER NOT NULL,
    status TEXT NOT NULL,
    reason TEXT NOT NULL,          -- slug; empty where there is none
    detail TEXT NOT NULL,
    frames INTEGER NOT NULL,
    swerve_seen INTEGER NOT NULL,
    {", ".join(f"{name} REAL" for name in QUANTITIES)},
    budget TEXT NOT NULL,          -- JSON: [source, quantity, sd]
    path TEXT NOT NULL,            -- JSON: [[x_m, y_m, time_s], ...] of the fitted path
    note TEXT NOT NULL DEFAULT '', -- what the tester should know besides
    camera TEXT NOT NULL DEFAULT 'marks', -- which camera it was measured with
    sightings TEXT NOT NULL DEFAULT '',   -- JSON: what it was measured from; empty when it failed
    measured_with TEXT NOT NULL DEFAULT '', -- JSON: camera and what else it was measured with, where not the marks'
    cue TEXT NOT NULL DEFAULT '',   -- JSON: the cue at the strike, or why it was not seen; empty before layout 7
    place TEXT NOT NULL DEFAULT '', -- which camera place it was recorded from; empty for that of marks.csv
    PRIMARY KEY (clip, shot)
);
{_TOGETHER}{_DECISIONS}PRAGMA user_version = {SCHEMA_VERSION};
"""

# What brings a database of an earlier layout up to the next, by the layout that it is in.
_STEPS = {
    1: "ALTER TABLE calibrations ADD COLUMN picture BLOB; "
    "ALTER TABLE shots ADD COLUMN note TEXT NOT NULL DEFAULT ''; "
    "PRAGMA user_version = 2;",
    2: "ALTER TABLE shots ADD COLUMN camera TEXT NOT NULL DEFAULT 'marks'; "
    "ALTER TABLE shots ADD COLUMN sightings TEXT NOT NULL DEFAULT ''; "
    "PRAGMA user_version = 3;",
    # A kind more: the check of a column cannot be changed, so the log is copied into a new table, entry by entry.
    3: "ALTER TABLE decisions RENAME TO decisions_before; DROP INDEX IF EXISTS decisions_by_shot; DROP TRIGGER IF "
    f"EXISTS decisions_stay; DROP TRIGGER IF EXISTS decisions_stand; {_DECISIONS}INSERT INTO decisions SELECT id, "
    "clip, clip_sha256, shot, kind, value, made_utc FROM decisions_before; DROP TABLE decisions_before; PRAGMA "
    "user_version = 4;",
    4: "ALTER TABLE clips ADD COLUMN kept_when_gone INTEGER NOT NULL DEFAULT 0; PRAGMA user_version = 5;",
    5: f"ALTER TABLE shots ADD COLUMN measured_with TEXT NOT NULL DEFAULT ''; {_TOGETHER} PRAGMA user_version = 6;",
    6: "ALTER TABLE shots ADD COLUMN cue TEXT NOT NULL DEFAULT ''; PRAGMA user_version = 7;",
    7: "ALTER TABLE shots ADD COLUMN place TEXT NOT NULL DEFAULT ''; PRAGMA user_version = 8;",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipRecord:
    """What identifies a clip and the way it was measured.

    Attributes
    ----------
    sha256 : str
        Of the whole file.
    size_bytes : int
        Length of the file.
    inputs_sha256 : str
        Of the calibration and the settings that it was measured with.
    """

    sha256: str
    size_bytes: int
    inputs_sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredShot:
    """A shot as measured, with what was decided about it.

    Attributes
    ----------
    clip : str
        Path below clips/.
    clip_sha256 : str
        Of the clip when it was measured.
    shot : Shot
        The measurement.
    decision : Decision
        What a person said.
    problem : str
        Why it cannot be counted whatever was said: its label names a condition that session.toml does not know.
    """

    clip: str
    clip_sha256: str
    shot: Shot
    decision: Decision
    problem: str = ""

    @property
    def kept(self) -> bool:
        """Whether it counts: decided, or measured at all where nobody decided."""
        measured = self.shot.status is not Status.FAILED and not self.problem
        return measured if self.decision.kept is None else measured and self.decision.kept

    def doubted(self, doubt: NotMeasured) -> "StoredShot":
        """Return it as doubtful for a reason that its session gives; one with a reason of its own as it is."""
        if self.shot.status is not Status.MEASURED:
            return self
        shot = replace(self.shot, status=Status.DOUBTFUL, reason=doubt.reason, detail=doubt.detail)
        return replace(self, shot=shot)

    @property
    def needs_a_person(self) -> bool:
        """Whether it failed, is doubtful or belongs nowhere, and nobody has decided about it yet."""
        return (self.shot.status is not Status.MEASURED or self.problem != "") and self.decision.kept is None


class Store:
    """The database of one session, open; use it as a context manager.

    Parameters
    ----------
    path : Path
        The file; made when it does not exist.

    Raises
    ------
    StoreError
        If it cannot be opened, is damaged or was written by a newer version.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        with self._translated():
            self._db = sqlite3.connect(path, isolation_level=None)
        try:
            with self._translated():
                self._db.execute("PRAGMA foreign_keys = ON")
                self._prepare()
        except StoreError:
            self._db.close()
            raise

    def __enter__(self) -> Self:
        """Return the store itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """Close the database."""
        self._db.close()

    def _prepare(self) -> None:
        found = int(self._db.execute("PRAGMA user_version").fetchone()[0])
        tables = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if found == 0 and tables == 0:
            self._db.executescript(f"BEGIN; {_SCHEMA} COMMIT;")
            return
        while found in _STEPS:
            self._db.executescript(f"BEGIN; {_STEPS[found]} COMMIT;")
            found = int(self._db.execute("PRAGMA user_version").fetchone()[0])
        if found != SCHEMA_VERSION:
            raise StoreError(
                f"{self._path}: written in layout {found}, and this railread knows layout {SCHEMA_VERSION}; "
                "use the version of railread that wrote it"
            )

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.OperationalError as error:
            raise StoreError(
                f"{self._path}: the database cannot be read or written ({error}); is the folder writable, and no "
                "other railread at work in it?"
            ) from error
        except (sqlite3.DatabaseError, json.JSONDecodeError) as error:
            raise StoreError(
                f"{self._path}: the database is damaged ({error}); move the file away and measure again, decisions "
                "made in it must then be made again"
            ) from error

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._translated():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    def calibration(self, inputs_sha256: str) -> Calibration | None:
        """Return the newest calibration made from these inputs, or None."""
        with self._translated():
            row = self._db.execute(
                "SELECT body FROM calibrations WHERE inputs_sha256 = ? ORDER BY id DESC LIMIT 1", (inputs_sha256,)
            ).fetchone()
            return None if row is None else calibration_from_text(row[0])

    def picture(self, inputs_sha256: str) -> bytes | None:
        """Return the picture of the newest calibration made from these inputs, as PNG; None where none was kept."""
        with self._translated():
            row = self._db.execute(
                "SELECT picture FROM calibrations WHERE inputs_sha256 = ? ORDER BY id DESC LIMIT 1",
                (inputs_sha256,),
            ).fetchone()
            return None if row is None else row[0]

    def clicked_picture(self, clicks: Sequence[Click]) -> tuple[str, bytes] | None:
        """Return frame and picture of the newest calibration with these clicks, whatever the settings; or None."""
        wanted = {(click.name, click.u_px, click.v_px) for click in clicks}
        with self._translated():
            rows = self._db.execute(
                "SELECT frame, picture, body FROM calibrations WHERE picture IS NOT NULL ORDER BY id DESC"
            )
            for frame, picture, body in rows:
                if {(mark.name, *mark.click_px) for mark in calibration_from_text(body).residuals} == wanted:
                    return frame, picture
        return None

    def calibrated_frame(self) -> str:
        """Return the clip or picture that the newest calibration was made from; empty before the first."""
        with self._translated():
            row = self._db.execute("SELECT frame FROM calibrations ORDER BY id DESC LIMIT 1").fetchone()
        return "" if row is None else str(row[0])

    def save_calibration(
        self, calibration: Calibration, *, inputs_sha256: str, frame: str, picture: bytes | None = None
    ) -> None:
        """Add a calibration; earlier ones stay.

        Parameters
        ----------
        calibration : Calibration
            As solved.
        inputs_sha256 : str
            Of the marks and settings that it was solved with.
        frame : str
            The clip or picture that the marks belong to.
        picture : bytes, optional
            That picture, as PNG.
        """
        with self._transaction() as db:
            db.execute(
                "INSERT INTO calibrations (inputs_sha256, made_utc, frame, version, body, picture) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (
                    inputs_sha256,
                    _now_utc(),
                    frame,
                    version("railread"),
                    text_from_calibration(calibration),
                    picture,
                ),
            )

    def clip_records(self) -> dict[str, ClipRecord]:
        """Clips measured so far, by name."""
        with self._translated():
            rows = self._db.execute("SELECT clip, sha256, size_bytes, inputs_sha256 FROM clips").fetchall()
        return {
            clip: ClipRecord(sha256=sha256, size_bytes=size, inputs_sha256=inputs)
            for clip, sha256, size, inputs in rows
        }

    def save_clip(self, clip: str, record: ClipRecord, shots: Sequence[Shot]) -> None:
        """Put down what a clip gave, in place of what it gave before.

        Parameters
        ----------
        clip : str
            Path below clips/.
        record : ClipRecord
            What was measured, and with which inputs.
        shots : sequence of Shot
            At least one: a clip without a shot gives one that failed.
        """
        with self._transaction() as db:
            db.execute("DELETE FROM clips WHERE clip = ?", (clip,))
            db.execute(
                "INSERT INTO clips (clip, sha256, size_bytes, inputs_sha256, measured_utc, version) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (
                    clip,
                    record.sha256,
                    record.size_bytes,
                    record.inputs_sha256,
                    _now_utc(),
                    version("railread"),
                ),
            )
            db.executemany(_INSERT_SHOT, [(clip, *_row_from_shot(shot)) for shot in shots])
            # What is new has the marks' camera until shots are measured together again.
            db.execute("DELETE FROM together")

    def together_inputs(self) -> str:
        """Return the hash of what shots were last measured together from; empty where they never were."""
        with self._translated():
            row = self._db.execute("SELECT inputs_sha256 FROM together").fetchone()
        return "" if row is None else str(row[0])

    def save_together(self, inputs_sha256: str, shots: Sequence[tuple[str, Shot]]) -> None:
        """Put down what measuring together gave, in place of the shots of the same clips and numbers; all or none.

        Parameters
        ----------
        inputs_sha256 : str
            Of what it was measured from.
        shots : sequence of (str, Shot)
            Clip, and what it gave.
        """
        with self._transaction() as db:
            db.executemany(
                "DELETE FROM shots WHERE clip = ? AND shot = ?", [(clip, shot.shot) for clip, shot in shots]
            )
            db.executemany(_INSERT_SHOT, [(clip, *_row_from_shot(shot)) for clip, shot in shots])
            db.execute(
                "INSERT OR REPLACE INTO together VALUES (1, ?, ?, ?)",
                (inputs_sha256, _now_utc(), version("railread")),
            )

    def forget_clip(self, clip: str) -> None:
        """Drop the measurements under a name that no clip has any more; decisions stay."""
        with self._transaction() as db:
            db.execute("DELETE FROM clips WHERE clip = ?", (clip,))

    def keep_when_gone(self, clips: Iterable[str]) -> None:
        """Put down that the results of recordings count although their files were taken away."""
        with self._transaction() as db:
            db.executemany("UPDATE clips SET kept_when_gone = 1 WHERE clip = ?", [(clip,) for clip in clips])

    def kept_when_gone(self) -> frozenset[str]:
        """Return the recordings whose results count although their files may be gone."""
        with self._translated():
            rows = self._db.execute("SELECT clip FROM clips WHERE kept_when_gone").fetchall()
        return frozenset(clip for (clip,) in rows)

    def shots(self, clips_folder: Path) -> tuple[StoredShot, ...]:
        """All shots measured, in reading order of the clips and by number.

        Parameters
        ----------
        clips_folder : Path
            Where the clips lie, for the `clip` of each Shot.

        Returns
        -------
        tuple of StoredShot
            Also those of clips that are no longer in the folder.
        """
        with self._translated():
            rows = self._db.execute(
                f"SELECT shots.clip, sha256, {', '.join(_SHOT_COLUMNS)} FROM shots JOIN clips USING (clip) "
                "ORDER BY shot"
            ).fetchall()
            rows.sort(key=lambda row: reading_order(row[0]))
            decisions = self._decisions()
            return tuple(
                StoredShot(
                    clip=clip,
                    clip_sha256=sha256,
                    shot=_shot_from_row(clips_folder / clip, values),
                    decision=decisions.get((sha256, values[0]), Decision()),
                )
                for clip, sha256, *values in rows
            )

    def decide(self, shot: StoredShot, kind: DecisionKind, value: str = "") -> None:
        """Put down what a person says about one shot; as `decide_all`."""
        self.decide_all([(shot, kind, value)])

    def decide_all(self, said: Sequence[tuple[StoredShot, DecisionKind, str]]) -> None:
        """Put down what a person says about shots, all of it or nothing; nothing said before is lost.

        Parameters
        ----------
        said : sequence of (StoredShot, DecisionKind, str)
            The shot as the person saw it, what is said, and the value: see `Entry`.

        Raises
        ------
        ValueError
            If a shot is set aside without a reason, or relabelled without ``condition/shooter``.
        DecisionOvertakenError
            If somebody has decided about one of the shots since it was read.
        """
        for _, kind, value in said:
            check_entry(kind, value)
        with self._transaction() as db:
            for shot in {(one.clip_sha256, one.shot.shot): one for one, _, _ in said}.values():
                self._check_stamp(db, shot)
            db.executemany(
                "INSERT INTO decisions (clip, clip_sha256, shot, kind, value, made_utc) VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (one.clip, one.clip_sha256, one.shot.shot, str(kind), value, _now_utc())
                    for one, kind, value in said
                ],
            )

    def _check_stamp(self, db: sqlite3.Connection, seen: StoredShot) -> None:
        newest = db.execute(
            "SELECT id, kind, value, made_utc FROM decisions WHERE clip_sha256 = ? AND shot = ? "
            "ORDER BY id DESC LIMIT 1",
            (seen.clip_sha256, seen.shot.shot),
        ).fetchone()
        if newest is not None and newest[0] != seen.decision.stamp:
            _, kind, value, made_utc = newest
            said = str(kind).replace("_", " ") + (f": {value}" if value else "")
            raise DecisionOvertakenError(
                f"{seen.clip}, shot {seen.shot.shot}: somebody else has decided meanwhile ({made_utc}, {said}), so "
                "nothing was changed; look again and decide anew"
            )

    def history(self, shot: StoredShot) -> tuple[Entry, ...]:
        """All that was ever said about a shot, oldest first."""
        with self._translated():
            rows = self._db.execute(
                "SELECT kind, value, made_utc, clip FROM decisions WHERE clip_sha256 = ? AND shot = ? ORDER BY id",
                (shot.clip_sha256, shot.shot.shot),
            ).fetchall()
        return tuple(
            Entry(kind=DecisionKind(kind), value=value, made_utc=made_utc, clip=clip)
            for kind, value, made_utc, clip in rows
        )

    def _decisions(self) -> dict[tuple[str, int], Decision]:
        return taken_together(
            self._db.execute("SELECT id, clip_sha256, shot, kind, value FROM decisions ORDER BY id")
        )


_SHOT_COLUMNS = (
    "shot",
    "status",
    "reason",
    "detail",
    "frames",
    "swerve_seen",
    *QUANTITIES,
    "budget",
    "path",
    "note",
    "camera",
    "sightings",
    "measured_with",
    "cue",
    "place",
)
_INSERT_SHOT = (
    f"INSERT INTO shots (clip, {', '.join(_SHOT_COLUMNS)}) VALUES (?, {', '.join('?' * len(_SHOT_COLUMNS))})"
)


def _row_from_shot(shot: Shot) -> tuple[object, ...]:
    path = np.column_stack([shot.path_xy_m, shot.path_times_s]).tolist()
    budget = [[share.source, share.quantity, share.sd] for share in shot.budget]
    return (
        shot.shot,
        str(shot.status),
        "" if shot.reason is None else shot.reason.slug,
        shot.detail,
        shot.frames,
        int(shot.swerve_seen),
        *(getattr(shot, name) for name in QUANTITIES),
        json.dumps(budget),
        json.dumps(path),
        shot.note,
        shot.camera,
        "" if shot.sightings is None else text_from_sightings(shot.sightings),
        "" if shot.measured_with is None else text_from_measured_with(shot.measured_with),
        text_from_cue(shot.cue),
        shot.place,
    )


def _shot_from_row(clip: Path, values: Sequence[Any]) -> Shot:
    row = dict(zip(_SHOT_COLUMNS, values, strict=True))
    path = np.array(json.loads(row["path"]), dtype=np.float64).reshape(-1, 3)
    return Shot(
        clip=clip,
        shot=row["shot"],
        status=Status(row["status"]),
        reason=reason_from_slug(row["reason"]) if row["reason"] else None,
        detail=row["detail"],
        frames=row["frames"],
        swerve_seen=bool(row["swerve_seen"]),
        budget=tuple(
            BudgetShare(source=source, quantity=quantity, sd=sd)
            for source, quantity, sd in json.loads(row["budget"])
        ),
        path_xy_m=path[:, :2],
        path_times_s=path[:, 2],
        note=row["note"],
        camera=row["camera"],
        sightings=sightings_from_text(row["sightings"], clip, row["shot"]) if row["sightings"] else None,
        measured_with=measured_with_from_text(row["measured_with"]) if row["measured_with"] else None,
        cue=cue_from_text(row["cue"]),
        place=row["place"],
        **{name: row[name] for name in QUANTITIES},
    )


def _now_utc() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
