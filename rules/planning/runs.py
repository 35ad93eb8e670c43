"""In which half hours the grid heats."""

from rules.planning.course import Played

LEAST_RUN_WH = 50.0
"""Mean grid heat below which a half hour is in no run: it only happens in few scenarios."""


def runs_of(played: Played, least_share: float = 0.0) -> list[tuple[int, int]]:
    """Half hours with enough grid heat, joined into runs without a break: first and end of each, from 0.

    least_share: of the scenarios, which must heat in a half hour.
    """
    runs: list[tuple[int, int]] = []
    for at in range(len(played[0][1].grid_wh)):
        bought = [(share, course.grid_wh[at]) for share, course in played if course.grid_wh[at]]
        if sum(share * wh for share, wh in bought) < LEAST_RUN_WH or sum(share for share, _ in bought) < least_share:
            continue
        if runs and runs[-1][1] == at:
            runs[-1] = (runs[-1][0], at + 1)
        else:
            runs.append((at, at + 1))
    return runs
