"""In which half hours the grid heats."""

from rules.planning.course import Course
from rules.planning.runs import runs_of


def test_what_few_scenarios_heat_is_no_run_where_most_must() -> None:
    played = [(share, Course(grid_wh=[1500.0 * (share < 0.5)] * 3)) for share in (0.4, 0.6)]
    assert runs_of(played) == [(0, 3)]
    assert runs_of(played, 0.5) == []


def test_a_half_hour_with_hardly_any_heat_parts_two_runs() -> None:
    assert runs_of([(1.0, Course(grid_wh=[0.0, 1500.0, 400.0, 40.0, 900.0]))]) == [(1, 3), (4, 5)]
