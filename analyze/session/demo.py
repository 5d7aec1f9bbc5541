"""The sample session that ships with railread: copied out, and its measurements held against the exact truth."""

import csv
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import as_file, files
from pathlib import Path

import numpy as np
import pandas as pd

from calibrate.errors import SessionError

DEFAULT_FOLDER = Path("railread-demo")
TRUTH_NAME = "truth.csv"


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainstTruth:
    """One quantity of one condition: mean of its shots as measured and in truth.

    Attributes
    ----------
    measured : float
        Mean of the measured values.
    sd : float
        Standard uncertainty of measuring, taken as common to all shots, so that it does not average out.
    truth : float
        Mean of the true values of the same shots.
    """

    measured: float
    sd: float
    truth: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionComparison:
    """A condition of the sample session, measured and true.

    Attributes
    ----------
    condition : str
        Its name.
    shots : int
        Shots that were measured.
    reading_mm, squirt_deg, swerve_offset_mm : AgainstTruth
        The means.
    """

    condition: str
    shots: int
    reading_mm: AgainstTruth
    squirt_deg: AgainstTruth
    swerve_offset_mm: AgainstTruth


@dataclass(frozen=True, slots=True, kw_only=True)
class CueComparison:
    """What was seen of the cue, beside the truth.

    Attributes
    ----------
    shots, seen : int
        Shots measured, and those of them in which the cue was seen.
    direction_deg, contact_mm : float
        Root mean square errors of its direction, the mean error of the shooter's control shots taken out, and of
        the contact to the side.
    held : int
        How many of the 95 % intervals of the two hold the truth, of `2 * seen`.
    from_lane_deg, from_cue_deg : float
        Root mean square error of the squirt of a test shot, counted from the lane and from the cue.
    """

    shots: int
    seen: int
    direction_deg: float
    contact_mm: float
    held: int
    from_lane_deg: float
    from_cue_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The sample session, measured and true.

    Attributes
    ----------
    conditions : tuple of ConditionComparison
        In the order of the table of shots.
    reading_error_mm : tuple of float
        Measured reading minus true reading of every shot measured.
    launch_error_deg : tuple of float
        The same of the launch direction.
    missed : int
        Shots of the truth that were not measured.
    """

    conditions: tuple[ConditionComparison, ...]
    reading_error_mm: tuple[float, ...]
    launch_error_deg: tuple[float, ...]
    missed: int


def free_demo_folder(wanted: Path | None) -> Path:
    """Return a folder that the sample session may be copied into.

    Parameters
    ----------
    wanted : Path or None
        The folder asked for; None for `railread-demo` here, or the first free name after it.

    Raises
    ------
    SessionError
        If the folder asked for holds something.
    """
    if wanted is not None:
        if wanted.is_file() or (wanted.is_dir() and any(wanted.iterdir())):
            raise SessionError(f"{wanted}: there is something here already; give the name of a new folder")
        return wanted
    number = 1
    folder = DEFAULT_FOLDER
    while folder.exists():
        number += 1
        folder = DEFAULT_FOLDER.with_name(f"{DEFAULT_FOLDER.name}-{number}")
    return folder


def copy_sample(folder: Path) -> None:
    """Copy the sample session into a folder.

    Parameters
    ----------
    folder : Path
        Free, as `free_demo_folder` gives it.

    Raises
    ------
    SessionError
        If it cannot be written.
    """
    try:
        with as_file(files("sample_clips") / "session") as sample:
            shutil.copytree(sample, folder, dirs_exist_ok=True)
    except OSError as error:
        raise SessionError(f"{folder}: cannot be written ({error.strerror or error})") from error


def read_truth() -> dict[tuple[str, int], dict[str, float]]:
    """Return the true values of each shot of the sample session, by clip and number.

    Returns
    -------
    dict
        With `reading_mm`, `launch_deg`, `swerve_offset_mm`, and of the cue `aim_deg` and `tip_offset_mm`.
    """
    text = (files("sample_clips") / TRUTH_NAME).read_text(encoding="utf-8")
    truth = {}
    for row in csv.DictReader(text.splitlines()):
        clip = row["clip"].removeprefix("clips/")
        truth[clip, int(row.get("shot") or 1)] = {
            name: float(row[name])
            for name in ("reading_mm", "launch_deg", "swerve_offset_mm", "aim_deg", "tip_offset_mm")
        }
    return truth


def _beside_truth(shots: pd.DataFrame, truth: Mapping[tuple[str, int], Mapping[str, float]]) -> pd.DataFrame:
    """Shots that were measured and whose truth is known, with a column `true_...` for each number of it."""
    known = pd.Series([key in truth for key in zip(shots["clip"], shots["shot"], strict=True)], index=shots.index)
    here = shots[known & shots["reading_mm"].notna()]
    true = pd.DataFrame([truth[key] for key in zip(here["clip"], here["shot"], strict=True)], index=here.index)
    return here.assign(**{str(name): values for name, values in true.add_prefix("true_").items()})


def compare(shots: pd.DataFrame, truth: Mapping[tuple[str, int], Mapping[str, float]]) -> Comparison:
    """Hold measured shots against their truth.

    Parameters
    ----------
    shots : DataFrame
        Columns of `out/shots.csv`.
    truth : mapping
        As `read_truth` gives it.

    Returns
    -------
    Comparison
        Squirt is counted, in truth as in measuring, from the mean launch of the shooter's control shots.
    """
    table = _beside_truth(shots, truth)
    zeros = table[table["role"] == "control"].groupby("shooter")["true_launch_deg"].mean()
    table["true_squirt_deg"] = table["true_launch_deg"] - table["shooter"].map(zeros).fillna(0.0)
    return Comparison(
        conditions=tuple(
            ConditionComparison(
                condition=str(name),
                shots=len(rows),
                reading_mm=_against_truth(rows, "reading_mm", "reading_sd_mm"),
                squirt_deg=_against_truth(rows, "squirt_deg", "squirt_sd_deg"),
                swerve_offset_mm=_against_truth(rows, "swerve_offset_mm", "swerve_offset_sd_mm"),
            )
            for name, rows in table.groupby("condition", sort=False)
        ),
        reading_error_mm=tuple(float(x) for x in table["reading_mm"] - table["true_reading_mm"]),
        launch_error_deg=tuple(float(x) for x in table["launch_deg"] - table["true_launch_deg"]),
        missed=len(set(truth) - set(zip(table["clip"], table["shot"], strict=True))),
    )


def compare_cue(shots: pd.DataFrame, truth: Mapping[tuple[str, int], Mapping[str, float]]) -> CueComparison | None:
    """Hold what was seen of the cue against the truth.

    Parameters
    ----------
    shots : DataFrame
        Columns of `out/shots.csv`.
    truth : mapping
        As `read_truth` gives it.

    Returns
    -------
    CueComparison or None
        None where it was seen in no test shot whose shooter's control shots show it as well.
    """
    here = _beside_truth(shots, truth)
    seen = here[here["squirt_cue_deg"].notna() & here["cue_deg"].notna()].copy()
    seen["off"] = seen["cue_deg"] - seen["true_aim_deg"]
    seen["beside"] = seen["tip_side_mm"] - seen["true_tip_offset_mm"]
    seen["true_squirt"] = seen["true_launch_deg"] - seen["true_aim_deg"]
    zeros = seen[seen["role"] == "control"].groupby("shooter")[["off", "true_squirt"]].mean()
    tests = seen[(seen["role"] != "control") & seen["shooter"].isin(zeros.index)]
    if tests.empty:
        return None
    off = tests["off"] - tests["shooter"].map(zeros["off"])
    squirt = tests["true_squirt"] - tests["shooter"].map(zeros["true_squirt"])
    held = (seen["off"].abs() < 1.96 * seen["cue_sd_deg"]).sum() + (
        seen["beside"].abs() < 1.96 * seen["tip_side_sd_mm"]
    ).sum()
    return CueComparison(
        shots=len(here),
        seen=len(seen),
        direction_deg=_rms(off),
        contact_mm=_rms(seen["beside"]),
        held=int(held),
        from_lane_deg=_rms(tests["squirt_deg"] - squirt),
        from_cue_deg=_rms(tests["squirt_cue_deg"] - squirt),
    )


def _rms(errors: "pd.Series[float]") -> float:
    return float(np.sqrt(np.mean(np.square(errors.to_numpy(dtype=float)))))


def _against_truth(rows: pd.DataFrame, name: str, sd_name: str) -> AgainstTruth:
    return AgainstTruth(
        measured=float(rows[name].mean()), sd=float(rows[sd_name].mean()), truth=float(rows[f"true_{name}"].mean())
    )
