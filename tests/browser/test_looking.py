"""What a person sees: every room, on a phone and a desk, light and dark; live, readable, usable without a pointer."""

import json
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from click.testing import CliRunner
from playwright.sync_api import Page, Response, expect

from daemon.cli.main import commands
from tests.support.looked import DESK, PHONE, Looked
from tests.support.page_house import PageHouse

pytestmark = pytest.mark.services
ROOMS = {
    "now": "/",
    "value": "/value",
    "verdict": "/verdict",
    "rules": "/rules",
    "rule": "/rules/full",
    "health": "/health",
    "timeline": "/timeline",
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
            expect(page.locator("#chart canvas")).to_be_visible()
        page.screenshot(path=shots / f"{name}-{screen}.png", full_page=True)
        # One column that never scrolls sideways: tables that are wider scroll by themselves.
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name
        if axe:  # each size and each scheme once
            found = Axe().run(page, options=AXE)
            assert found.violations_count == 0, f"{name}: {found.generate_report()}"


@pytest.mark.screen(PHONE, "light")
def test_every_room_on_a_phone(look: Looked, shots: Path) -> None:
    _look_at_all(look, shots, "phone-light", axe=True)
    look.page.set_viewport_size({"width": 320, "height": 640})  # 1280 zoomed four times: WCAG 2.1, 1.4.10
    for name, path in ROOMS.items():
        assert look.go(path).evaluate("document.documentElement.scrollWidth") <= 320, name
    size = look.go("/").evaluate("parseFloat(getComputedStyle(document.body).fontSize)")
    said = look.page.evaluate("parseFloat(getComputedStyle(document.querySelector('h1')).fontSize)")
    assert 18 <= size < said


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
    told = why["sentence"].removesuffix(f"; {why['change']}")
    expect(page.locator("h1")).to_have_text(f"{told}.")
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


def test_the_chart_tells_exact_values_by_keyboard_and_pointer_and_zooms(look: Looked) -> None:
    page = look.go("/value?by=day&from=2026-05-20")
    told, chart = page.locator("#chart-now"), page.locator("#chart")
    rows = page.locator("table.value tbody tr")

    def as_in_row(at: int) -> str:
        name = rows.nth(at).get_attribute("data-name")
        net, avoided, given_up = rows.nth(at).locator("td").all_inner_texts()[1:4]
        return f"{name}: avoided {avoided}, given up {given_up}, net {net.replace('+', '')} EUR"

    chart.focus()
    page.keyboard.press("Home")
    expect(told).to_have_text(as_in_row(0))
    page.keyboard.press("ArrowRight")
    expect(told).to_have_text(as_in_row(1))
    labels = page.evaluate("document.querySelector('#chart canvas').toDataURL()")
    page.keyboard.press("+")
    page.wait_for_function("was => document.querySelector('#chart canvas').toDataURL() !== was", arg=labels)
    page.keyboard.press("0")
    page.wait_for_function("was => document.querySelector('#chart canvas').toDataURL() === was", arg=labels)
    over = page.locator("#chart .u-over")
    box = over.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] - 8, box["y"] + 40)
    expect(told).to_have_text(as_in_row(rows.count() - 1))


def test_a_keyboard_alone_reaches_everything(look: Looked) -> None:
    page = look.go("/")
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("To the content")
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
    assert not [url for url in sizes if "uPlot" in url]


@pytest.fixture
def bare(house: PageHouse, browser) -> Page:  # type: ignore[no-untyped-def]
    """A browser that runs no script."""
    context = browser.new_context(java_script_enabled=False)
    yield context.new_page()
    context.close()


def test_the_rooms_can_be_read_without_script(house: PageHouse, bare: Page) -> None:
    bare.goto(house.page)
    expect(bare.locator("h1")).to_contain_text("tank")
    assert bare.locator("noscript meta[http-equiv=refresh]").count() or "http-equiv" in bare.content()
    bare.goto(f"{house.page}/value")
    expect(bare.locator("table.value")).to_be_visible()


def test_a_silent_sensor_shows_within_its_limit(house: PageHouse, look: Looked) -> None:
    """The last of this house: its tank falls silent."""
    page = look.go("/")
    expect(page.locator("#live-inputs tr", has_text="tank level")).not_to_have_class("stale")
    house.silence("house/tank")
    house.live(61)  # its limit is 600 s, a step 10 s
    expect(page.locator("h1")).to_contain_text("Heater off")
    expect(page.locator("#live-inputs tr.stale", has_text="tank level")).to_contain_text("too old")
    expect(page.locator(".decides")).to_contain_text("no temperature sensor of the tank tells anything believable")
    expect(page.locator("#live-alarms")).to_contain_text("No level heard for more than 10 min")
    look.go("/health")
    expect(page.locator("h1")).to_contain_text("need")
    expect(page.locator("#again-headline")).to_contain_text("Silent: ")
    expect(page.locator("#again-signals tr.stale", has_text="tank level")).to_be_visible()
