"""The room What if: who may change something asks, follows the run without script, and gets table and picture."""

import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from accounting.ledger import Batch, LedgerWriter
from accounting.ledger.tape import pack
from daemon.assembly.endpoints import facts
from daemon.config.load import load
from tests.services.test_page_security import HASH, form_token, log_in
from tests.support import study_house
from tests.support.served import Served

pytestmark = pytest.mark.services
WITHIN_S = 120.0
DAYS = 8


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Served]:
    file = tmp_path / "home.toml"
    file.write_text(study_house.HOME + "[ledger]\npath = 'books.sqlite'\n")
    home = load(file)
    rows = [
        (round(row["at_s"]) + 60, {name: row[name] for name in ("house_w", "pv_w", "drawn_wh")})
        for row in study_house.rows(DAYS)
    ]
    with LedgerWriter.open(home.path_of(home.ledger.path), facts(home)) as ledger:
        ledger.commit(Batch(rows[-1][0], tape=pack(rows)))
    with Served(password_hash=HASH, home=home) as served:
        yield served


def test_a_change_is_tried_and_shown_as_table_and_picture(page: Served) -> None:
    asks = {"key1": "rules.full.stop_at_pct", "values1": "40", "key2": "", "values2": ""}
    assert page.form("/what-if/try", asks).status == 401
    cookie = log_in(page).cookie
    token = form_token(page, cookie)
    assert page.form("/what-if/try", {**asks, "form_token": "forged"}, cookie).status == 403

    room = page.http("GET", "/what-if", headers={"Cookie": cookie})
    assert "tank.topup.level_pct" in room.text
    refused = page.form("/what-if/try", {**asks, "values1": "4000", "form_token": token}, cookie)
    assert refused.status == 400
    assert "rules.full.stop_at_pct" in refused.text
    assert 'value="4000"' in refused.text

    begun = page.form("/what-if/try", {**asks, "form_token": token}, cookie)
    assert begun.status == 303
    path = begun.headers["Location"]
    give_up_s = time.monotonic() + WITHIN_S
    seen = page.http("GET", path)
    while seen.headers["X-Ended"] == "no":
        assert '<meta http-equiv="refresh"' in seen.text
        assert time.monotonic() < give_up_s
        time.sleep(0.2)
        seen = page.http("GET", path)
    assert 'role="img"' in seen.text
    assert "rules.full.stop_at_pct = 40" in seen.text
    anchors = re.findall(r'text-anchor="(\w+)"', seen.text)
    assert (anchors[0], anchors[-1]) == ("start", "end"), "the outer figures of the scale stay within the picture"
    rows = re.findall(r'<th scope="row">(.*?)</th><td class="n">([\d.]+)</td>', seen.text)
    assert [name for name, _ in rows] == ["as it is", "rules.full.stop_at_pct = 40"]
    more = float(rows[1][1]) - float(rows[0][1])
    assert f"{abs(more):.2f}" in seen.text
    assert "<svg" in page.http("GET", f"{path}?part=1").text
    assert page.asked == []  # the loop was asked nothing: no order, no setting has changed
    assert page.http("GET", "/what-if/0123").headers["Location"] == "/what-if"
