"""What a person does by the page, in a browser, against the real daemon, a real broker and the demo's devices."""

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from daemon.simulation.house.simulated import ORDER_TOPIC
from tests.support.broker import Client
from tests.support.looked import PHONE, Looked
from tests.support.page_house import PASSWORD, PageHouse

pytestmark = pytest.mark.services


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory):  # type: ignore[no-untyped-def]
    """One at the hour at which the diverter takes surplus."""
    with PageHouse(tmp_path_factory.mktemp("page"), days_before=2) as made:
        made.live_until("surplus")
        yield made


@pytest.mark.screen(PHONE, "light")
def test_stop_at_full_is_set_in_the_form_and_the_order_changes(house: PageHouse, look: Looked, shots: Path) -> None:
    with Client(house.address, ORDER_TOPIC) as heater:
        page = look.log_in("/rules/full")
        level = house.level_pct
        page.fill("#stop_at_pct", f"{int(level)}")
        page.fill("#resume_below_pct", f"{int(level) - 10}")
        page.get_by_role("button", name="Try it").click()
        # Old and new, and what the recorded minutes say, before anything is changed.
        expect(page.locator(".changes")).to_contain_text("stop_at_pct")
        expect(page.locator(".changes tr", has_text="stop_at_pct")).to_contain_text("95")
        expect(page.locator("#trial")).to_contain_text("recorded minutes")
        expect(page.locator("#trial")).to_contain_text("no energy")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        expect(page.locator("#state")).to_have_text("All is well")
        assert Axe().run(page).violations_count == 0
        page.screenshot(path=shots / "trial-phone-light.png", full_page=True)
        cut = "[...document.querySelectorAll('.trial')].filter((one) => one.scrollWidth > one.clientWidth).length"
        assert page.evaluate(cut) == 0, "what would change is seen whole"
        assert "stop_at_pct = 95" in house.file.read_text()
        assert not [m for m in heater.inbox.items if getattr(m, "payload", b"") == b"no"]
        page.get_by_role("button", name="Change it").click()
        heater.hears(ORDER_TOPIC, b"no")
        expect(page.locator("[role=status]")).to_contain_text("The rule full is changed")
    text = house.file.read_text()
    assert f"stop_at_pct = {int(level)}" in text
    assert "# In a real house the control thermostat and the manual-reset cut-out stay in charge" in text
    look.go("/")
    expect(page.locator("h1")).to_contain_text("Heater off: tank")
    expect(page.locator(".decides")).to_contain_text("full")
    look.go("/timeline?kind=setting")
    expect(page.locator("main")).to_contain_text(f"Rules.full: stop_at_pct 95 → {int(level)}")
    house.ask("rule", rule="full", set={"stop_at_pct": "95", "resume_below_pct": "88"})


def test_a_value_that_does_not_fit_is_refused_as_the_home_file_refuses_it(house: PageHouse, look: Looked) -> None:
    look.refusals = (400,)
    page = look.log_in("/rules/full")
    page.fill("#stop_at_pct", "950")
    page.get_by_role("button", name="Try it").click()
    expect(page.locator(".alarm")).to_contain_text("rules.full.stop_at_pct: expected 1–100 %, got 950 (home.toml)")
    assert page.input_value("#stop_at_pct") == "950"
    assert "stop_at_pct = 95\n" in house.file.read_text()


def test_a_raised_limit_is_cautioned_before_it_is_saved(house: PageHouse, look: Looked) -> None:
    page = look.log_in("/rules/limit")
    expect(page.locator(".caution").first).to_contain_text("burns in about three seconds")
    page.fill("#maximum_c", "80")
    page.get_by_role("button", name="Try it").click()
    expect(page.locator(".caution")).to_contain_text("rules.limit.maximum_c is 80 °C, above the usual 70 °C")


def test_an_override_is_set_counted_down_and_ends(house: PageHouse, look: Looked) -> None:
    with Client(house.address, ORDER_TOPIC) as heater:
        house.live_until("surplus")
        page = look.log_in()
        expect(page.locator("h1")).to_contain_text("Taking surplus")
        expect(page.get_by_role("button", name="End the override")).to_be_hidden()
        page.select_option("#minutes", "30")
        page.get_by_role("button", name="Heater off", exact=True).click()
        heater.hears(ORDER_TOPIC, b"no")
        expect(page.locator("#live-override")).to_contain_text("Override: heater off")
        left = page.locator("[data-left]")
        assert 1700 < float(left.get_attribute("data-left") or 0) <= 1800
        said = len(heater.inbox.items)
        house.live(181)  # half an hour: it ends by itself
        house.live_until("surplus")
        heater.hears(ORDER_TOPIC, b"yes", skip=said)
        # The page learns of it without being loaded again.
        expect(page.locator("#live-override")).not_to_contain_text("Override:")
        expect(page.locator("h1")).to_contain_text("Taking surplus")
        page.get_by_role("button", name="Heater off", exact=True).click()
        expect(page.locator("#live-override")).to_contain_text("Override:")
        page.click("text=End the override")
        expect(page.locator("#live-override")).not_to_contain_text("Override:")


def test_a_note_is_added_and_withdrawn_and_both_stay_on_record(house: PageHouse, look: Looked) -> None:
    page = look.log_in("/timeline")
    page.click("summary")
    page.fill("#text", "New <b>diverter</b> fitted")
    page.fill("#day", "2026-06-02")
    assert page.input_value("#kind") == "", "no kind is taken for granted"
    page.select_option("#kind", "hardware")
    page.click("main button:has-text('Add')")
    note = page.locator(".note", has_text="diverter")
    expect(note).to_contain_text("hardware · New <b>diverter</b> fitted.")
    expect(note).to_contain_text("2 Jun")
    note.get_by_role("link", name="Withdraw").click()
    expect(page.locator("h1")).to_have_text("Withdraw the note?")
    expect(page.locator("main")).to_contain_text("New <b>diverter</b> fitted")
    page.get_by_role("button", name="Withdraw it").click()
    expect(page.locator("h1")).to_have_text("What happened")
    expect(page.locator(".note", has_text="diverter")).to_have_count(0)
    kept = [event.sentence for event in house.events() if event.name.startswith("owner.")]
    assert kept == ["New <b>diverter</b> fitted", "withdrawn: New <b>diverter</b> fitted"]


def test_an_expired_login_keeps_what_was_entered_until_it_is_sent(house: PageHouse, look: Looked) -> None:
    look.refusals = (401,)
    page = look.log_in("/rules/full")
    page.fill("#stop_at_pct", "91")
    page.context.clear_cookies()
    page.get_by_role("button", name="Try it").click()
    expect(page.locator("h1")).to_have_text("Log in")
    expect(page.locator("[role=alert]")).to_contain_text("What you entered is kept")
    assert str(house.file.parent) not in page.content(), "no path of the server"
    page.fill("#password", "not the password")
    page.click("main button")
    expect(page.locator("[role=alert]")).to_contain_text("not the house password")
    page.fill("#password", PASSWORD)
    page.click("main button")
    expect(page.locator("h1")).to_have_text("Send it now?")
    expect(page.locator("main table")).to_contain_text("91")
    page.get_by_role("button", name="Send it").click()
    expect(page.locator(".changes tr", has_text="stop_at_pct")).to_contain_text("91")
    assert "stop_at_pct = 95\n" in house.file.read_text()


def test_every_path_of_a_form_can_be_loaded_and_a_trial_reloaded(house: PageHouse, look: Looked) -> None:
    page = look.log_in("/rules/full")
    page.fill("#stop_at_pct", "91")
    page.get_by_role("button", name="Try it").click()
    expect(page.locator("#trial")).to_contain_text("recorded minutes")
    page.reload()
    expect(page.locator("#trial")).to_contain_text("recorded minutes")
    for path, room in (
        ("/rules/full/try", "/rules/full"),
        ("/rules/full/save", "/rules/full"),
        ("/rules/full/trial/0123456789abcdef", "/rules/full"),
        ("/override", "/"),
        ("/timeline/note", "/timeline"),
        ("/logout", "/"),
        ("/unsent", "/"),
    ):
        look.go(path)
        assert page.url == f"{house.page}{room}", path


def test_who_has_not_logged_in_changes_nothing(house: PageHouse, look: Looked) -> None:
    look.refusals = (401, 403)
    page = look.go("/")
    assert page.locator("main form").count() == 0
    page.click("main >> text=enter the house password")
    page.fill("#password", "not the password")
    page.click("main button")
    expect(page.locator("[role=alert]")).to_be_visible()
    page.fill("#password", PASSWORD)
    page.click("main button")
    page.wait_for_url(f"{house.page}/")
    token = page.locator("main input[name=form_token]").first.get_attribute("value")
    assert token
    # A form that another page made: the browser sends the cookie of this login, but not its token.
    forged = page.evaluate(
        "fetch('/override', {method: 'POST', body: new URLSearchParams({order: 'withhold', minutes: '60'})})"
        ".then(answer => answer.status)"
    )
    assert forged == 403
    page.click("text=Log out")
    page.wait_for_url(f"{house.page}/")
    assert page.locator("main form").count() == 0
    after = page.evaluate(
        "token => fetch('/override', {method: 'POST', body: new URLSearchParams({form_token: token, clear: '1'})})"
        ".then(answer => answer.status)",
        token,
    )
    assert after == 401
    assert house.ask("why")["override"] is None
