"""The page in German: every room whole, on the narrowest phone and on a desk, with nothing cut off."""

import re
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, expect

from tests.browser.test_looking import AXE, ROOMS
from tests.support.looked import Looked
from tests.support.page_house import PageHouse

pytestmark = pytest.mark.services
NARROW, WIDE = {"width": 360, "height": 740}, {"width": 1200, "height": 800}
BEYOND = """() => [...document.querySelectorAll('.lane text, .plot > text, nav a, button, summary')].filter((one) => {
    if (getComputedStyle(one).display === 'none') return false;
    const room = (one.closest('svg.lane svg') ?? document.documentElement).getBoundingClientRect();
    return one.getBoundingClientRect().right > Math.ceil(room.right) + 1;
}).map((one) => one.textContent)"""
"""Words of a lane beyond their stretch, and those of a picture, links and buttons beyond the page."""
SPOKEN = """() => {
    document.querySelectorAll('code').forEach((one) => one.remove());
    return document.body.innerText;
}"""
ENGLISH = re.compile(r"\b(?:the|of|and|with|heater|tank|is|no)\b")


def test_every_room_in_german(browser: Browser, house: PageHouse, shots: Path) -> None:
    house.live_until("withhold", "full")
    context = browser.new_context(viewport=WIDE, locale="de-AT", timezone_id="Europe/Dublin")
    page = context.new_page()
    broken: list[str] = []
    english: list[str] = []
    page.on("pageerror", lambda error: broken.append(str(error)))
    Looked(page, house.page).log_in()
    for screen in (WIDE, NARROW):
        page.set_viewport_size(screen)  # type: ignore[arg-type]
        for name, path in ROOMS.items():
            answer = page.goto(house.page + path)
            assert answer is not None
            assert answer.status == 200, name
            assert answer.headers["content-language"] == "de"
            expect(page.locator("html")).to_have_attribute("lang", "de")
            page.screenshot(path=shots / f"{name}-german-{screen['width']}.png", full_page=True)
            page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
            assert page.evaluate("document.documentElement.scrollWidth") <= screen["width"], (name, screen)
            assert page.evaluate(BEYOND) == [], (name, screen)
            found = Axe().run(page, options=AXE)
            assert found.violations_count == 0, f"{name}: {found.generate_report()}"
            english += [f"{name}: {line}" for line in page.evaluate(SPOKEN).splitlines() if ENGLISH.search(line)]
    page.goto(f"{house.page}/rules/full")
    page.fill("#stop_at_pct", "90")
    page.get_by_role("button", name="Ausprobieren").click()
    expect(page.locator("#trial")).to_contain_text("Minuten, von")  # fetched by the script
    page.goto(house.page)
    expect(page.locator("nav")).to_contain_text("Jetzt")
    expect(page.locator(".facts")).to_contain_text("Heizstab")
    clock = page.locator("[data-clock]").inner_text()
    house.live(12)
    expect(page.locator("[data-clock]")).not_to_have_text(clock)  # by the live stream
    expect(page.locator("[data-clock]")).to_contain_text("Juni 2026")
    page.evaluate("unheard()")
    expect(page.locator("#offline")).to_contain_text("kommt vom Dienst nichts mehr")
    assert page.evaluate("duration(200000)") == "2 Tage 8 h"
    context.close()
    assert broken == []
    assert english == []
