"""A rule is changed in the file without losing a comment, and a change that does not fit leaves the file as it was."""

import os
import stat
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from daemon.config import replacing
from daemon.config.edit import KeyChange, preview_rule, rules_shown, set_rule
from daemon.config.load import ConfigError, load
from rules.model.errors import BrimfulError
from tests.support.homes import EXAMPLE, SMALL, home


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "home.toml"
    path.write_bytes(EXAMPLE.read_bytes())
    return path


def lines_changed(path: Path) -> tuple[list[str], list[str]]:
    """Lines taken out of the example, and lines put in."""
    was, now = EXAMPLE.read_text().splitlines(), path.read_text().splitlines()
    return [line for line in was if line not in now], [line for line in now if line not in was]


def test_a_value_changes_and_every_other_line_stays(path: Path) -> None:
    change = set_rule(path, "full", {"stop_at_pct": "92"})
    assert change.keys == (KeyChange("stop_at_pct", 94, 92),)
    assert change.home.rules.full.stop_at_pct == 92
    assert lines_changed(path) == (["stop_at_pct = 94"], ["stop_at_pct = 92"])
    assert load(path).rules.full.stop_at_pct == 92


def test_the_comment_behind_a_value_stays(path: Path) -> None:
    set_rule(path, "worth", {"margin": "0.025", "enabled": "off"})
    assert "margin = 0.025                       # by at least this much per kWh" in path.read_text()


def test_a_new_key_stands_at_the_end_of_its_table(path: Path) -> None:
    set_rule(path, "full", {"retry_after_s": "1800"})
    assert "resume_below_pct = 86\nretry_after_s = 1800\n\n[rules.surplus]" in path.read_text()


def test_a_new_table_stands_below_the_rules_and_above_the_next_heading(path: Path) -> None:
    change = set_rule(path, "tracking", {"margin_w": "40"})
    assert change.keys == (KeyChange("margin_w", 50, 40),)
    assert "]\n\n[rules.tracking]\nmargin_w = 40\n\n# The whole tank hot often enough" in path.read_text()


def test_a_first_rule_stands_at_the_end(path: Path) -> None:
    path.write_text(SMALL.rstrip("\n"))
    set_rule(path, "rest", {"minimum_on_s": "60"})
    assert path.read_text() == SMALL + "\n[rules.rest]\nminimum_on_s = 60\n"


def test_an_empty_text_takes_a_key_out_and_its_default_holds(path: Path) -> None:
    change = set_rule(path, "limit", {"resume_below_c": ""})
    assert change.keys == (KeyChange("resume_below_c", 64, 65),)
    assert lines_changed(path) == (["resume_below_c = 64"], [])
    assert set_rule(path, "limit", {"resume_below_c": " "}).keys == ()


def test_absences_and_names_are_lists(path: Path) -> None:
    set_rule(path, "away", {"periods": "2027-03-01/2027-03-08, 2027-05-01T12:00/2027-05-02"})
    set_rule(path, "heaters", {"prefer": "main"})
    shown = rules_shown(load(path))
    assert shown["away"]["periods"].value == [
        {"from": "2027-03-01", "to": "2027-03-08"},
        {"from": "2027-05-01T12:00:00", "to": "2027-05-02"},
    ]
    assert shown["heaters"]["prefer"].value == ["main"]


def test_a_calendar_is_named_by_its_file(path: Path) -> None:
    (path.parent / "away.ics").write_text("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nEND:VCALENDAR\r\n")
    change = set_rule(path, "away", {"calendar_file": "away.ics"})
    assert change.keys == (KeyChange("calendar_file", None, "away.ics"),)
    assert load(path).rules.away.calendar_file == "away.ics"
    assert set_rule(path, "away", {"calendar_file": ""}).keys == (KeyChange("calendar_file", "away.ics", None),)


def test_line_ends_of_another_system_stay(path: Path) -> None:
    path.write_bytes(EXAMPLE.read_bytes().replace(b"\n", b"\r\n"))
    set_rule(path, "full", {"stop_at_pct": "92", "idle_w": "20"})
    set_rule(path, "tracking", {"margin_w": "40"})
    assert path.read_bytes().count(b"\n") == path.read_bytes().count(b"\r\n")


@pytest.mark.parametrize(
    "rules",
    [
        "rules.full.stop_at_pct = 90\n",
        "rules = { full = { stop_at_pct = 90 } }\n",
        "rules.full = { stop_at_pct = 90 } # why\n",
        "[rules]\nfull.stop_at_pct = 90\n",
        "[ rules . full ] # a table\n  stop_at_pct = 90 # indented\n",
        "[rules]\nrest = { minimum_on_s = 5 }\n[rules.full]\nstop_at_pct = 90\n[tank]\nvolume_l = 100\n[rules.worth]\n",
        "",
    ],
)
def test_every_layout_of_the_rules_can_be_changed(path: Path, rules: str) -> None:
    text = rules + SMALL if "[" not in rules.split("=")[0] else SMALL + rules
    path.write_text(text)
    before = tomllib.loads(text)
    set_rule(path, "full", {"stop_at_pct": "91", "idle_w": "12.5"})
    after = tomllib.loads(path.read_text())
    assert after["rules"].pop("full") == {"stop_at_pct": 91, "idle_w": 12.5}
    before.setdefault("rules", {}).pop("full", None)
    assert after == before
    for comment in ("# why", "# a table", "# indented"):
        assert (comment in path.read_text()) == (comment in text)


@pytest.mark.parametrize(
    ("rule", "values", "said"),
    [
        (
            "full",
            {"stop_at_pct": "ninety"},
            'rules.full.stop_at_pct: expected a number 1–100 %, got "ninety" (home.toml)',
        ),
        ("full", {"stop_at_pct": "nan"}, 'rules.full.stop_at_pct: expected a number 1–100 %, got "nan" (home.toml)'),
        (
            "full",
            {"stop_at_pct": "50"},
            "rules.full.resume_below_pct: expected less than stop_at_pct 50 %, got 86 (home.toml); "
            "there must be room to resume",
        ),
        (
            "full",
            {"stop": "50"},
            'rules.full.stop: expected a known key, got "stop" (home.toml); stop_at_pct is meant?',
        ),
        ("ful", {"stop_at_pct": "50"}, 'rules.ful: expected a known rule, got "ful" (home.toml); full is meant?'),
        ("worth", {"enabled": "maybe"}, 'rules.worth.enabled: expected true or false, got "maybe" (home.toml)'),
        (
            "away",
            {"periods": "2026-08-01"},
            "rules.away.periods: expected FROM/TO, several with commas, as 2026-08-01/2026-08-15, "
            'got "2026-08-01" (home.toml)',
        ),
        (
            "yield",
            {"signal": "pv_w", "above_w": "500"},
            "rules.yield.signal: expected a signal of the table [signals.pv_w], got no such table (home.toml); "
            "known here: grid_w, battery_w, diverted_w",
        ),
        ("tracking", {"reversals": "1e99"}, "rules.tracking.reversals: expected 1–100, got a number of 100 digits"),
        (
            "full",
            {"retry_after_s": "1e1000000000"},
            "rules.full.retry_after_s: expected 60–604800 s, got 1e+1000000000",
        ),
        ("full", {"retry_after_s": "1e-999999999"}, "rules.full.retry_after_s: expected 60–604800 s, got 1e-999999999"),
        ("rest", {"minimum_on_s": '1\n[api]\nport = 1\n"'}, "rules.rest.minimum_on_s: expected a number 0–7200 s"),
    ],
)
def test_a_change_that_does_not_fit_leaves_the_file_untouched(
    path: Path, rule: str, values: dict[str, str], said: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        set_rule(path, rule, values)
    assert str(caught.value).startswith(said)
    assert path.read_bytes() == EXAMPLE.read_bytes()
    assert [file.name for file in path.parent.iterdir()] == ["home.toml"]


def test_a_preview_tells_the_change_and_writes_nothing(path: Path) -> None:
    change = preview_rule(path, "full", {"stop_at_pct": "92"})
    assert change.keys == (KeyChange("stop_at_pct", 94, 92),)
    assert b"stop_at_pct = 92" in change.content
    assert path.read_bytes() == EXAMPLE.read_bytes()


def test_mode_and_link_stay(path: Path) -> None:
    path.chmod(0o640)
    link = path.parent / "link.toml"
    link.symlink_to(path)
    set_rule(link, "full", {"stop_at_pct": "92"})
    assert link.is_symlink()
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert load(path).rules.full.stop_at_pct == 92
    assert sorted(file.name for file in path.parent.iterdir()) == ["home.toml", "link.toml"]


def test_a_file_that_somebody_else_changed_meanwhile_is_not_overwritten(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    theirs = EXAMPLE.read_bytes() + b"# another hand\n"
    synced: Callable[[int], None] = os.fsync

    def meanwhile(handle: int) -> None:
        synced(handle)
        path.write_bytes(theirs)

    monkeypatch.setattr(replacing.os, "fsync", meanwhile)
    with pytest.raises(BrimfulError, match="somebody edits it; try again"):
        set_rule(path, "full", {"stop_at_pct": "92"})
    assert path.read_bytes() == theirs
    assert [file.name for file in path.parent.iterdir()] == ["home.toml"]


def test_a_full_disk_leaves_the_file_untouched(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(replacing.os, "fsync", full)
    with pytest.raises(BrimfulError, match="expected a file that can be written, got No space left on device"):
        set_rule(path, "full", {"stop_at_pct": "92"})
    assert path.read_bytes() == EXAMPLE.read_bytes()
    assert [file.name for file in path.parent.iterdir()] == ["home.toml"]


def test_every_rule_is_shown_with_what_holds_and_whether_it_is_set() -> None:
    shown = rules_shown(home(SMALL + "[rules.full]\nstop_at_pct = 90\n"))
    assert list(shown) == [
        "limit", "full", "surplus", "battery", "worth", "rest", "yield", "tracking", "away", "alternate", "hygiene",
        "heaters",
    ]  # fmt: skip
    assert (shown["full"]["stop_at_pct"].value, shown["full"]["stop_at_pct"].is_set) == (90, True)
    assert (shown["full"]["resume_below_pct"].value, shown["full"]["resume_below_pct"].is_set) == (83, False)
    assert (shown["yield"]["signal"].value, shown["yield"]["signal"].is_set) == (None, False)
    assert (shown["worth"]["margin"].value, shown["worth"]["enabled"].value) == (0, False)


def test_a_fair_comparison_is_set_by_its_first_day(tmp_path: Path) -> None:
    path = tmp_path / "home.toml"
    path.write_text(SMALL)
    change = set_rule(path, "alternate", {"from": "2026-06-01", "pairs": "5"})
    assert change.home.rules.alternate.from_ == date(2026, 6, 1)
    assert "from = 2026-06-01" in path.read_text()
    with pytest.raises(ConfigError, match=r"rules\.alternate\.from: expected a date such as"):
        set_rule(path, "alternate", {"from": "soon"})
    with pytest.raises(ConfigError, match=r"rules\.alternate\.settle_days: expected less than block_days, 4 days, got"):
        set_rule(path, "alternate", {"settle_days": "4"})
