"""Set-up in a browser: listening to devices on the real broker, choosing, and the file beside; on a phone."""

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from daemon.config.load import load
from tests.support.broker import Client
from tests.support.looked import PHONE, Looked
from tests.support.page_house import PageHouse

pytestmark = pytest.mark.services
WITHIN_MS = 60_000


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory):  # type: ignore[no-untyped-def]
    with PageHouse(tmp_path_factory.mktemp("page"), days_before=1) as made:
        yield made


@pytest.mark.screen(PHONE, "light")
def test_listen_choose_and_write_beside(house: PageHouse, look: Looked, shots: Path) -> None:
    page = look.log_in("/set-up")
    with Client(house.address) as devices:
        devices.publish("house/meter", b'{"kw": 1.25, "t": "2026-06-10T12:00:00Z"}', retain=True)
        devices.publish("house/battery", b'{"charge_w": 0, "discharge_w": 420}', retain=True)
        page.select_option("#seconds", "15")
        page.get_by_role("button", name="Listen").click()
        expect(page.locator("[role=status]").first).to_contain_text("Listening")
        expect(page.get_by_role("button", name="See the tables")).to_be_visible(timeout=WITHIN_MS)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert Axe().run(page).violations_count == 0
    page.screenshot(path=shots / "set-up-heard-phone-light.png", full_page=True)
    page.select_option("#pick-battery_w", "0")
    page.get_by_role("button", name="See the tables").click()
    expect(page.locator("#tables")).to_have_value(
        "[signals.battery_w]   # house battery: + charging, − discharging\n"
        'topic = "house/battery"\npointer = "/charge_w"\nminus_pointer = "/discharge_w"\n\n'
    )
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert Axe().run(page).violations_count == 0
    page.screenshot(path=shots / "set-up-chosen-phone-light.png", full_page=True)
    page.get_by_role("button", name="Write it beside").click()
    expect(page.locator("h1")).to_have_text("Written: home.new.toml")
    new = load(house.file.with_name("home.new.toml"))
    assert new.signals["battery_w"].minus_pointer == "/discharge_w"
    assert "minus_pointer" not in house.file.read_text()
