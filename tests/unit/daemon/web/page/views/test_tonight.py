"""Tonight's plan as the page shows it."""

from typing import Any

import pytest
from jinja2 import ChoiceLoader, DictLoader, PackageLoader

from accounting.ledger import Ledger
from daemon.planning.answering import plan_answer
from daemon.planning.statement import against_sentence, basis
from daemon.web.api.ledger_schemas import Plan
from daemon.web.languages.language import ENGLISH, language
from daemon.web.page.rendering import templates
from daemon.web.page.views.tonight import tonight_room
from tests.support.planned_past import lived


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    made = lived(tmp_path_factory.mktemp("tonight"), 5, hours=21, level_pct=5.0)
    with Ledger.open_reader(made.home.path_of(made.home.ledger.path)) as ledger:
        return plan_answer(made.home, ledger, ledger.known_until_s() or 0.0)


def test_the_answer_has_the_published_shape(document: dict[str, Any]) -> None:
    shape = Plan.model_validate(document, strict=False)
    assert set(document) == {info.alias or name for name, info in Plan.model_fields.items()}
    assert shape.home == "Wren Hut"


def test_the_room_has_every_choice_with_its_price(document: dict[str, Any]) -> None:
    room = tonight_room(document)
    assert [row.name for row in room.choices] == ["as planned", "nothing", "to 38 %", "to 57 %", "to 76 %", "to 95 %"]
    assert [row.planned for row in room.choices] == [True, *[False] * 5]
    assert float(room.choices[-1].heat) > float(room.choices[2].heat) > 0
    assert room.headline.startswith("Heat ")
    assert "off in the home file" in room.mode
    assert room.cautions


def test_the_choices_are_explained_as_they_are_in_the_terminal(document: dict[str, Any]) -> None:
    """Without a boiler no cost of its heat is spoken of."""
    assert tonight_room(document).explained == (against_sentence(document), basis(document))
    loader = ChoiceLoader(
        [DictLoader({"base.html": "{% block main %}{% endblock %}"}), PackageLoader("daemon.web.page")]
    )
    template = templates(language(ENGLISH)).overlay(loader=loader).get_template("tonight.html")
    page = template.render(tonight=tonight_room(document), width=1, height=1)
    assert "Cold water costs nothing here" in page
    assert "Against no heat from the grid at all" in page
    assert "the boiler" not in page


def test_every_half_hour_of_the_picture_stands_in_the_table(document: dict[str, Any]) -> None:
    ahead = tonight_room(document).ahead
    assert ahead is not None
    assert len(ahead.rows) == 48
    assert ahead.rows[0].clock == "21:00"
    assert ahead.level.line.count("L") == 48
    assert ahead.level.band.endswith("Z")
    assert ahead.runs.count("M") == len(document["runs"])
    assert [mark.words for mark in ahead.hours] == ["00:00", "06:00", "12:00", "18:00"]
    assert ahead.scale in ("1 kWh", "2 kWh")


def test_no_plan_shows_no_picture(document: dict[str, Any]) -> None:
    none = {**document, "expected_cost": None, "runs": [], "choices": [], "half_hours": [], "reasons": ["No price."]}
    room = tonight_room(none)
    assert room.ahead is None
    assert room.headline == "No plan."
    assert room.reasons == ("No price.",)
