"""What a person sees: every room, on a phone and a desk, light and dark; live, readable, usable without a pointer."""

import json
import re
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from click.testing import CliRunner
from playwright.sync_api import Page, Response, expect

from daemon.cli.main import commands
from tests.support.looked import DESK, PHONE, Looked
from tests.support.page_house import PASSWORD, PageHouse

pytestmark = pytest.mark.services
ROOMS = {
    "now": "/",
    "tonight": "/tonight",
    "value": "/value",
    "verdict": "/verdict",
    "history": "/verdict/history",
    "what-if": "/what-if",
    "rules": "/rules",
    "rule": "/rules/full",
    "health": "/health",
    "timeline": "/timeline",
    "day": "/timeline/2026-06-10",
    "set-up": "/set-up",
}
AXE = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]}}


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory):  # type: ignore[no-untyped-def]
    """One whose tank has become full and been stopped, with forty days in its books."""
    with PageHouse(tmp_path_factory.mktemp("page")) as made:
        made.live_until("withhold", "full")
        made.live_hours(0.6)
        yield made


def _look_at_all(look: Looked, shots: Path, screen: str, *, axe: bool = False) -> None:
    page = look.log_in()
    for name, path in ROOMS.items():
        look.go(path)
        expect(page.locator("h1")).to_be_visible()
        if name == "value":
            expect(page.locator(".value-chart")).to_be_visible()
        page.screenshot(path=shots / f"{name}-{screen}.png", full_page=True)
        # One column that never scrolls sideways: tables that are wider scroll by themselves.
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name
        if axe:  # each size and each scheme once
            found = Axe().run(page, options=AXE)
            assert found.violations_count == 0, f"{name}: {found.generate_report()}"


@pytest.mark.screen(PHONE, "light")
def test_every_room_on_a_phone(look: Looked, shots: Path) -> None:
    _look_at_all(look, shots, "phone-light", axe=True)
    for width in (320, 345, 375):  # 320: 1280 zoomed four times, WCAG 2.1, 1.4.10
        look.page.set_viewport_size({"width": width, "height": 640})
        for name, path in ROOMS.items():
            page = look.go(path)
            page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (name, width)
    size = look.go("/").evaluate("parseFloat(getComputedStyle(document.body).fontSize)")
    said = look.page.evaluate("parseFloat(getComputedStyle(document.querySelector('h1')).fontSize)")
    assert 18 <= size < said


@pytest.mark.screen(PHONE, "light")
def test_the_verdicts_charts_fit_a_phone(house: PageHouse, look: Looked, shots: Path, tmp_path: Path) -> None:
    """In the room and in the report: they do not scroll, and their letters are no smaller than 11 px."""
    report = tmp_path / "verdict.html"
    asked = ["verdict", "--home", str(house.file), "--report", str(report)]
    assert CliRunner().invoke(commands, asked).exit_code == 0
    letters = """[...document.querySelectorAll('svg')]
        .filter((one) => one.checkVisibility() && one.viewBox.baseVal.width)
        .map((one) => 12 * one.getBoundingClientRect().width / one.viewBox.baseVal.width)"""
    scrolled = "[...document.querySelectorAll('.drawn')].filter((one) => one.scrollWidth > one.clientWidth).length"
    room, page = look.log_in("/verdict"), look.page.context.new_page()
    page.set_content(report.read_text())
    for name, shown in (("room", room), ("report", page)):
        for width in (360, 1200):
            shown.set_viewport_size({"width": width, "height": 740})
            shown.screenshot(path=shots / f"verdict-{name}-{width}.png", full_page=True)
            sizes = shown.evaluate(letters)
            assert sizes, name
            assert min(sizes) >= 11, (name, width)
            assert shown.evaluate("document.documentElement.scrollWidth") <= width, (name, width)
            assert shown.evaluate(scrolled) == 0, (name, width)


@pytest.mark.screen(PHONE, "dark")
def test_every_room_on_a_phone_at_night(look: Looked, shots: Path) -> None:
    _look_at_all(look, shots, "phone-dark")


@pytest.mark.screen(DESK, "light")
def test_every_room_on_a_desk(look: Looked, shots: Path) -> None:
    _look_at_all(look, shots, "desk-light")


@pytest.mark.screen(DESK, "dark")
def test_every_room_on_a_desk_at_night(look: Looked, shots: Path) -> None:
    _look_at_all(look, shots, "desk-dark", axe=True)


def test_now_says_what_the_daemon_says(house: PageHouse, look: Looked) -> None:
    page = look.go("/")
    why = house.ask("why")
    assert why["change"]
    (decisive,) = [found for found in why["findings"] if found["guard"] == why["guard"]]
    expect(page.locator("h1")).to_have_text(f"Heater off: {decisive['sentence']}.")
    expect(page.locator(".change")).to_have_text(f"{why['change'][0].upper()}{why['change'][1:]}.")
    rows = page.locator(".findings tbody tr")
    expect(rows).to_have_count(len(why["findings"]))
    # The last stop, by the diverter's own meter: it was at this level, and its power fell to nothing.
    expect(page.locator("#live-stop")).to_contain_text("tank 95 %, full since")
    expect(page.locator("#live-stop")).to_contain_text("Its meter showed 0 W")


def test_the_value_table_equals_the_command_to_the_cent(house: PageHouse, look: Looked) -> None:
    for by in ("day", "month"):
        page = look.go(f"/value?by={by}&from=2026-05-20&to=2026-06-11")
        asked = ["value", "--home", str(house.file), "--by", by, "--from", "2026-05-20", "--to", "2026-06-11", "--json"]
        told = json.loads(CliRunner().invoke(commands, asked).stdout)
        shown = page.locator("table.value tbody tr").all()
        assert len(shown) == len(told["rows"]) > 1
        pairs = [*zip(shown, told["rows"], strict=True), (page.locator("table.value tfoot tr"), told["total"])]
        for row, figures in pairs:
            cells = [text.replace("−", "-").replace("+", "") for text in row.locator("td").all_inner_texts()]
            wanted = [f"{figures['diverted_kwh']:.3f}"]
            wanted += [f"{figures[key]:.2f}" for key in ("net", "avoided", "given_up", "net_kg")]
            assert cells[:5] == wanted
    expect(page.locator("h1")).to_contain_text(f"{abs(told['total']['net']):.2f} EUR")
    with page.expect_download() as got:
        page.click("text=The same as CSV")
    asked = [*asked[:-1], "--csv"]
    assert Path(got.value.path()).read_text() == CliRunner().invoke(commands, asked).stdout


def test_the_values_picture_has_a_bar_for_each_row_and_its_net_above(look: Looked) -> None:
    page = look.go("/value?by=day&from=2026-05-20&to=2026-06-01")
    rows = page.locator("table.value tbody tr")
    titles = page.locator(".value-chart g > title").all_text_contents()
    nets = [row.locator("td").nth(1).inner_text() for row in rows.all()]
    assert titles == [
        f"{row.get_attribute('data-name')}: net {net} EUR" for row, net in zip(rows.all(), nets, strict=True)
    ]
    shown = page.locator(".value-chart text.net:visible").all_text_contents()
    assert shown == nets
    assert page.locator(".value-chart .bar-lost").count() == sum(net.startswith("−") for net in nets) + 1  # the key
    # One tap to another span; the headline names it.
    page.get_by_role("link", name="7 days").click()
    expect(page.locator("h1")).to_contain_text("From 4 June to 10 June 2026")
    expect(rows).to_have_count(7)


def test_a_tap_in_the_days_lane_gives_the_why_of_that_instant(look: Looked) -> None:
    page = look.go("/")
    picture = page.locator("figure.day")
    expect(picture.locator("svg.plot")).to_have_attribute("aria-label", re.compile("confirmed stop at"))
    assert picture.locator("circle.ring").count() == 2  # it and its key
    lane = picture.locator(".lane a")
    words = {str(name).partition(",")[0] for name in lane.evaluate_all("links => links.map(one => one.ariaLabel)")}
    assert {"battery first", "sun to the tank", "tank full"} <= words
    lane.last.click()
    expect(page.locator("h1")).to_have_text("Wednesday 10 June 2026")
    expect(page.locator("main")).to_contain_text("Heater off: tank 95 %")
    expect(page.locator(".decides")).to_contain_text("full")
    # The table leads to the same.
    page.get_by_role("link", name="sun to the tank").first.click()
    expect(page.locator("main")).to_contain_text("Taking surplus: ")
    expect(page.locator(".decides")).to_contain_text("surplus")
    page.click("text=the day before")
    expect(page.locator("h1")).to_have_text("Tuesday 9 June 2026")
    expect(page.locator("main")).to_contain_text("not recorded")


def test_the_house_is_well_by_one_word_in_every_room(look: Looked) -> None:
    for path in (*ROOMS.values(), "/timeline/2026-06-10", "/login"):
        expect(look.go(path).locator("#state")).to_have_text("All is well")


def test_what_is_read_aloud_is_the_state_and_not_each_figure(house: PageHouse, look: Looked) -> None:
    page = look.go("/")
    assert page.locator("[aria-live]").count() == 0
    expect(page.locator("#live-state")).to_have_text("Heater off, by the rule full. All is well.")
    page.evaluate(
        "window.said = 0; new MutationObserver(() => { window.said += 1; })"
        ".observe(document.getElementById('live-state'), { childList: true, characterData: true, subtree: true })"
    )
    told = page.locator("[data-clock]").inner_text()
    house.live(12)  # two minutes
    expect(page.locator("[data-clock]")).not_to_have_text(told)
    assert page.evaluate("window.said") == 0


def test_the_banner_of_silence_goes_by_the_homes_clock(house: PageHouse, look: Looked) -> None:
    page = look.go("/")
    clock = page.locator("[data-clock]").get_attribute("data-clock")
    page.evaluate("Date.now = () => 0; unheard()")
    expect(page.locator("#offline")).to_contain_text(f"since {clock}")


def test_the_override_stands_within_the_first_screen(look: Looked) -> None:
    page = look.log_in()
    for width, height in ((1280, 800), (390, 844), (360, 740)):
        page.set_viewport_size({"width": width, "height": height})
        for name in ("Heater off", "Take surplus"):
            box = page.get_by_role("button", name=name, exact=True).bounding_box()
            assert box is not None
            assert box["y"] + box["height"] <= height, (width, name)


def test_a_keyboard_alone_reaches_everything(look: Looked) -> None:
    page = look.go("/")
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("Skip to the content")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    landmarks = {"header": 1, "nav[aria-label]": 1, "main": 1}
    assert {name: page.locator(name).count() for name in landmarks} == landmarks
    assert page.locator("th:not([scope])").count() == 0


def test_the_first_visit_is_light_and_no_script_holds_it_up(look: Looked) -> None:
    got: list[Response] = []
    look.page.on("response", lambda answer: got.append(answer))
    page = look.go("/")
    expect(page.locator("h1")).to_be_visible()
    assert page.locator("script:not([defer]):not([src])").count() == 0
    assert page.locator("script:not([defer])").count() == 0
    sizes = {answer.url: len(answer.body()) for answer in got if not answer.url.endswith("/live")}
    assert sum(sizes.values()) < 60_000, sizes  # asked for: 300 kB before charts


@pytest.fixture
def bare(house: PageHouse, browser) -> Page:  # type: ignore[no-untyped-def]
    """A browser that runs no script."""
    context = browser.new_context(java_script_enabled=False)
    yield context.new_page()
    context.close()


def test_the_rooms_can_be_read_without_script(house: PageHouse, bare: Page) -> None:
    bare.goto(house.page)
    expect(bare.locator("h1")).to_contain_text("tank")
    assert "http-equiv" in bare.content()
    expect(bare.locator("figure.day svg.plot")).to_be_visible()
    bare.goto(f"{house.page}/value")
    expect(bare.locator("table.value")).to_be_visible()
    expect(bare.locator(".value-chart svg.plot").first).to_be_visible()
    assert bare.locator("main button:visible").count() == 0, "no button that does nothing"
    # Logged in there is a form: nothing loads itself over what is being filled in.
    bare.goto(f"{house.page}/login")
    bare.fill("#password", PASSWORD)
    bare.click("main button")
    bare.wait_for_url(f"{house.page}/")
    assert "http-equiv" not in bare.content()
    assert bare.get_by_role("button", name="Heater off").is_visible()


def test_a_silent_sensor_shows_within_its_limit(house: PageHouse, look: Looked) -> None:
    """The last of this house: its tank falls silent."""
    page = look.go("/")
    expect(page.locator("#live-inputs tr", has_text="tank level")).not_to_have_class("stale")
    house.silence("house/tank")
    house.live(61)  # its limit is 600 s, a step 10 s
    expect(page.locator("h1")).to_contain_text("Heater off: tank level last heard")
    expect(page.locator("#live-inputs tr.stale", has_text="tank level")).to_contain_text("too old")
    expect(page.locator("#live-top .alarm")).to_have_count(1)
    expect(page.locator("#live-top .alarm")).to_contain_text("Nothing heard on house/tank for 10 min: tank level")
    expect(page.locator("#state")).to_have_text("1 trouble")
    house.ask("override", order="surplus", for_s=3600)
    expect(page.locator("#live-override")).to_contain_text("It waits: tank level last heard")
    house.ask("override", clear=True)
    look.go("/rules")
    expect(page.locator("#state")).to_have_text("1 trouble")
    look.go("/health")
    expect(page.locator("h1")).to_have_text("1 trouble.")
    expect(page.locator("#again-top")).to_contain_text("Nothing heard on house/tank")
    expect(page.locator("#again-group-1 tr.stale", has_text="tank level")).to_be_visible()
