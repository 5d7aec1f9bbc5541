"""The powers of a plan as a table for the terminal."""

from rich.table import Table as TextTable

from analyze.plan.power import Goal
from analyze.plan.size import Plan
from analyze.statistics.question import Scope

_WHOM = {Scope.THESE: "these shooters", Scope.GENERAL: "in general"}


def power_table(plan: Plan) -> TextTable:
    """Return the power of several numbers of shots, the planned one marked and simulated.

    Parameters
    ----------
    plan : Plan
        The plan.
    """
    table = TextTable(title="power, by formula (exact)", title_justify="left")
    table.add_column("shots each", justify="right")
    for need in plan.needs:
        table.add_column(f"{need.goal},\n{_WHOM[need.scope]}", justify="right")
    for shots, powers in plan.powers.items():
        planned = shots == plan.size.shots
        mark = "planned " if planned else ""
        table.add_row(f"{mark}{shots}", *(_share(power) for power in powers), style="bold" if planned else None)
    if any(need.simulated is not None for need in plan.needs):
        tests = next(need.simulated.tests for need in plan.needs if need.simulated is not None)
        cells = [
            "" if need.simulated is None else f"{need.simulated.share:.2f} ± {need.simulated.uncertainty:.2f}"
            for need in plan.needs
        ]
        table.add_row(f"{tests} simulated", *cells)
    if plan.aim.margin_mm is None:
        table.caption = f"Without a margin no test ends in '{Goal.SAME}'."
    return table


def _share(power: float | None) -> str:
    return "" if power is None else f"{power:.2f}"
