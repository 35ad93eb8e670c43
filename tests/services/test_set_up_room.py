"""The room Set-up over HTTP: listening, choosing, and a home file written beside the one that runs; and who may."""

import html
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from argon2 import PasswordHasher

import tests.support.served as served
from daemon.config.load import load
from daemon.mqtt.address import BrokerAddress
from daemon.setup.examine import examined
from daemon.setup.survey import Survey
from daemon.web.page import listening
from tests.support.heard import listened
from tests.support.homes import SMALL

pytestmark = pytest.mark.services

PASSWORD = "four words are enough"
HASH = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(PASSWORD)


def _heard() -> Survey:
    survey = Survey()
    for second in range(5):
        payloads = {"cupboard/meter": b'{"power": {"kw": -0.42}}', "hut/tank": b"61", "drive/<b>": b"<script>"}
        listened(survey, second, payloads)
    return survey


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "home.toml"
    path.write_text(f"# as it was\n{SMALL}")
    return path


@pytest.fixture
def page(file: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[served.Served]:
    def hear(broker: BrokerAddress | None, seconds: float, begun: listening.Listened) -> None:
        found = _heard()
        begun.known = examined(found.readable())
        begun.found = found

    monkeypatch.setattr(listening, "_hear", hear)
    with served.Served(password_hash=HASH, home=load(file)) as made:
        yield made


class _Owner:
    """Somebody who is logged in."""

    def __init__(self, page: served.Served) -> None:
        self.page = page
        self.cookie = page.form("/login", {"password": PASSWORD, "then": "/"}).cookie
        self.form_token = self.found("form_token")

    def look(self) -> str:
        answer = self.page.http("GET", "/set-up", headers={"Cookie": self.cookie})
        assert answer.status == 200
        return answer.text

    def found(self, name: str) -> str:
        match = re.search(rf'name="{name}" value="([^"]*)"', self.look())
        assert match is not None, name
        return match.group(1)

    def post(self, path: str, **fields: str) -> served.Answer:
        return self.page.form(f"/set-up/{path}", {"form_token": self.form_token, **fields}, self.cookie)

    def listens(self) -> str:
        """Listen; the name of what was heard."""
        answer = self.post("listen", seconds="15")
        assert (answer.status, answer.headers["Location"]) == (303, "/set-up")
        give_up = 200
        while "Listening," in self.look():
            give_up -= 1
            assert give_up
        return self.found("token")


def test_listen_choose_and_have_it_written_beside(page: served.Served, file: Path) -> None:
    owner = _Owner(page)
    token = owner.listens()
    text = owner.look()
    assert "cupboard/meter /power/kw × 1000, now -420 W" in html.unescape(text)
    assert "as the home file has it: hut/meter" in html.unescape(text)
    assert "Doubtful." in text
    assert "drive/&lt;b&gt;" in text
    assert "<script>" not in text.replace("<script src", "")

    chosen = {"token": token, "pick-grid_w": "0", "scale-grid_w": "-1000", "place-car_w": "drive/<b>"}
    shown = owner.post("choose", **chosen)
    assert shown.status == 200
    tables = html.unescape(shown.text)
    assert "scale = -1000" in tables
    assert 'topic = "cupboard/meter"' in tables
    assert 'topic = "drive/<b>"' in tables
    before = file.read_text()
    assert not file.with_name("home.new.toml").exists(), "nothing is written yet"

    done = owner.post("write", **chosen)
    assert "Written: home.new.toml" in done.text
    assert file.read_text() == before
    new = tomllib.loads(file.with_name("home.new.toml").read_text())
    assert new["signals"]["grid_w"] == {"topic": "cupboard/meter", "pointer": "/power/kw", "scale": -1000}
    assert new["signals"]["car_w"] == {"topic": "drive/<b>"}
    assert new["signals"]["tank_level_pct"] == {"topic": "hut/tank"}
    assert file.with_name("home.new.toml").read_text().startswith("# as it was")
    file.chmod(0o600)
    assert "Written: home.new-2.toml" in owner.post("write", **chosen).text, "none is overwritten"
    assert file.with_name("home.new-2.toml").stat().st_mode & 0o077 == 0, "as private as the one that runs"
    file.chmod(0o640)
    owner.post("write", **chosen)
    assert file.with_name("home.new-3.toml").stat().st_mode & 0o037 == 0, "not for more eyes than the one that runs"


def test_choices_that_cannot_be_are_refused_in_words_and_kept(page: served.Served, file: Path) -> None:
    owner = _Owner(page)
    token = owner.listens()
    answer = owner.post("choose", token=token, **{"pick-tank_level_pct": "none"})
    assert answer.status == 400
    assert "tank_level_pct" in answer.text
    assert '<option value="none" selected>' in answer.text
    assert "no signal that changes" not in answer.text
    for fields in ({"pick-grid_w": "9"}, {"pick-grid_w": "keep"}, {"place-car_w": "nowhere"}):
        assert owner.post("choose", token=token, **fields).status == 400
    assert "listen again" in owner.post("choose", token="0" * 16, **{"pick-grid_w": "0"}).text
    for seconds in ("100000", "x", "-1"):
        assert "expected 1 to 600 s" in owner.post("listen", seconds=seconds).text
    assert [path.name for path in file.parent.iterdir()] == ["home.toml"]


def test_who_is_not_logged_in_hears_nothing_and_writes_nothing(page: served.Served, file: Path) -> None:
    owner = _Owner(page)
    token = owner.listens()
    stranger = page.http("GET", "/set-up")
    assert stranger.status == 200
    assert "cupboard/meter" not in stranger.text
    assert "/set-up/listen" not in stranger.text
    for path in ("listen", "choose", "write"):
        fields = {"token": token, "pick-grid_w": "0", "seconds": "15"}
        assert page.form(f"/set-up/{path}", fields).status == 401
        assert page.form(f"/set-up/{path}", {**fields, "form_token": "x"}, owner.cookie).status == 403
        strange = page.form(
            f"/set-up/{path}", {**fields, "form_token": owner.form_token}, owner.cookie, Origin="http://x.example"
        )
        assert strange.status == 403
        lead = page.http("GET", f"/set-up/{path}")
        assert (lead.status, lead.headers["Location"]) == (303, "/set-up")
    assert [one.name for one in file.parent.iterdir()] == ["home.toml"]


def test_a_broker_that_lets_nothing_be_read_is_named(
    page: served.Served, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def hear(broker: BrokerAddress | None, seconds: float, begun: listening.Listened) -> None:
        begun.known = examined({})
        begun.found = Survey(faults=["the broker refuses the subscription to # (not authorised)"])

    monkeypatch.setattr(listening, "_hear", hear)
    with served.Served(password_hash=HASH) as made:
        owner = _Owner(made)
        owner.listens()
        text = owner.look()
    assert "the broker refuses the subscription to #" in text
    assert "nothing was heard" in text
