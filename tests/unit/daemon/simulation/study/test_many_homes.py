"""A folder of homes: a row each, one failure that ends nothing, and a run that goes on where it was."""

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from daemon.documents.study_document import homes_answer
from daemon.simulation.study.many_homes import cluster_pool, pairs_in, study_homes
from rules.model.errors import BrimfulError
from tests.support import study_house

SETTINGS = [{}, {"diverter": "off"}]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    homes = tmp_path / "homes"
    homes.mkdir()
    for number in range(3):
        (homes / f"n{number}.toml").write_text(study_house.HOME.replace("Alder Bank", f"Alder {number}"))
        study_house.write(homes / f"n{number}.csv", study_house.rows(1.5, seed=number))
    (homes / "broken").mkdir()
    (homes / "broken" / "home.toml").write_text(study_house.HOME)
    (homes / "notes.txt").write_text("not a home")
    return homes


def test_a_row_for_each_home_and_a_summary(folder: Path) -> None:
    assert [pair.name for pair in pairs_in(folder)] == ["broken", "n0", "n1", "n2"]
    answer = homes_answer(study_homes(folder, SETTINGS, workers=2))
    assert (answer["studied"], answer["failed"]) == (3, 1)
    assert "readings.csv: expected a readable file" in answer["homes"][0]["error"]
    costs = sorted(row["variants"][1]["against_first"]["cost"] for row in answer["homes"][1:])
    off = next(each for each in answer["summary"] if each["set"] == {"diverter": "off"})
    assert off["homes"] == 3
    assert off["cost_against_first"] == {"p10": costs[0], "p50": costs[1], "p90": costs[2]}


def test_it_goes_on_where_it_was_and_does_anew_what_has_changed(folder: Path, tmp_path: Path) -> None:
    into = tmp_path / "rows.jsonl"
    with ThreadPoolExecutor(1) as pool:
        whole = study_homes(folder, SETTINGS, into=into, pool=pool)
    lines = into.read_text().splitlines()
    assert sorted(json.loads(line)["name"] for line in lines) == ["broken", "n0", "n1", "n2"]
    # A run that was ended within its third row.
    into.write_text("\n".join([*lines[:2], lines[2][:40]]) + "\n")
    done: list[float] = []
    assert study_homes(folder, SETTINGS, into=into, progress=lambda what, share: done.append(share)) == whole
    assert len(done) == 2
    # Another home file: its row alone is made anew.
    (folder / "n1.toml").write_text(study_house.HOME.replace("price = 0.32", "price = 0.50"))
    done.clear()
    again = study_homes(folder, SETTINGS, into=into, progress=lambda what, share: done.append(share))
    assert len(done) == 1
    assert [one == other for one, other in zip(again, whole, strict=True)] == [True, True, False, True]


def test_a_cluster_s_workers_give_the_same_rows(folder: Path) -> None:
    pytest.importorskip("distributed")
    with cluster_pool("local", 1) as pool:
        assert pool is not None
        there = study_homes(folder, SETTINGS, pool=pool)
    assert there == study_homes(folder, SETTINGS)


def test_a_scheduler_that_does_not_answer() -> None:
    pytest.importorskip("distributed")
    with pytest.raises(BrimfulError, match="--cluster nowhere"), cluster_pool("nowhere://:0", 1):
        pass


def test_a_folder_without_homes(tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "nowhere"):
        with pytest.raises(BrimfulError, match="expected homes, found none"):
            pairs_in(folder)
