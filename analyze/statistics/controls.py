"""Control shots: the zero of each shooter, taken off, with its uncertainty."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyze.statistics.shots_table import check_shots, counted_shots, listed, sd_column, unit_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Zero:
    """Mean of the control shots of one shooter in one session; in the unit of the quantity.

    Attributes
    ----------
    shooter, session : str
        Whose.
    n : int
        Control shots.
    mean : float
        What is taken off.
    se : float or None
        Its standard error; from one shot its measuring uncertainty, or None.
    """

    shooter: str
    session: str
    n: int
    mean: float
    se: float | None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ControlOutcome:
    """A table of shots counted from each shooter's own zero.

    Attributes
    ----------
    table : DataFrame
        Copy of the table with the zeros taken off `quantity` (control shots too). A shooter's zero is common to all
        his shots, so it cancels between conditions and is not in the shots' own sd; see `zeros`.
    quantity : str
        Column.
    zeros : tuple of Zero
        One per shooter and session that has control shots.
    notes : tuple of str
        Who has none, whose readings then still count from the scale's zero.
    """

    table: pd.DataFrame
    quantity: str
    zeros: tuple[Zero, ...]
    notes: tuple[str, ...]

    @property
    def zero_sd(self) -> float | None:
        """Uncertainty of a mean over the shooters that comes from their zeros; None when one is not known."""
        errors = [zero.se for zero in self.zeros]
        known = [error for error in errors if error is not None]
        return (
            float(np.sqrt(np.sum(np.square(known)))) / len(errors) if errors and len(known) == len(errors) else None
        )


def subtract_controls(frame: pd.DataFrame, *, quantity: str = "reading_mm") -> ControlOutcome:
    """Take each shooter's control mean off, session by session.

    Parameters
    ----------
    frame : DataFrame
        Table of shots; control shots have the role ``control``.
    quantity : str
        Column.

    Returns
    -------
    ControlOutcome
        Shots of shooters without controls keep their values, and the notes say so.

    Examples
    --------
    >>> import pandas as pd
    >>> shots = pd.DataFrame({"condition": list("AAABBB"), "shooter": "S1", "reading_mm": [50, 52, 54, 60, 61, 65]})
    >>> zeroed = subtract_controls(shots.assign(role=["control"] * 3 + ["test"] * 3))
    >>> zeroed.table["reading_mm"].tolist()[-3:]
    [8.0, 9.0, 13.0]
    """
    shots = check_shots(frame, quantity=quantity)
    counted, _ = counted_shots(shots, quantity)
    controls = counted[counted["role"] == "control"]
    zeros = []
    offset = np.zeros(len(shots))
    for (shooter, session), values in controls.groupby(["shooter", "session"], sort=False)[quantity]:
        n = len(values)
        se = float(values.std()) / np.sqrt(n) if n > 1 else None
        if n == 1 and sd_column(quantity) in controls.columns:
            own = float(controls.loc[values.index[0], sd_column(quantity)])
            se = own if np.isfinite(own) else None
        zero = Zero(
            shooter=str(shooter),
            session=str(session),
            n=n,
            mean=float(values.mean()),
            se=None if se is None else float(se),
        )
        zeros.append(zero)
        mine = (shots["shooter"] == shooter) & (shots["session"] == session)
        offset[mine.to_numpy()] = zero.mean
    have = {(zero.shooter, zero.session) for zero in zeros}
    tested = counted.loc[counted["role"] == "test", ["shooter", "session"]].drop_duplicates()
    missing = [
        f"{shooter} ({session})" if session else str(shooter)
        for shooter, session in tested.itertuples(index=False)
        if (shooter, session) not in have
    ]
    notes = []
    if missing:
        notes.append(
            f"No control shots by {listed(missing)}: counted from the scale's zero, the shooter's aim included."
        )
    few = [f"{zero.shooter} ({zero.se:.3g} {unit_of(quantity)})" for zero in zeros if zero.se is not None]
    if few:
        notes.append(f"Standard errors of the zeros taken off, by shooter: {listed(few)}.")
    return ControlOutcome(
        table=shots.assign(**{quantity: shots[quantity] - offset}),
        quantity=quantity,
        zeros=tuple(zeros),
        notes=tuple(notes),
    )
