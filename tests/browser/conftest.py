"""A browser, and the demo's house to look at. Whatever a page asks for, logs or breaks is kept and must be clean."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect, sync_playwright

from tests.support.looked import DESK, Looked
from tests.support.page_house import PageHouse

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
WITHIN_MS = 60_000
expect.set_options(timeout=WITHIN_MS)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One for a module: while it runs, so does its event loop, and no other test could run one."""
    found = shutil.which("chromium")
    assert found is not None, "chromium is missing; on Debian 12: apt-get install --no-install-recommends chromium"
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=found, args=FLAGS)
        yield started
        started.close()


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageHouse]:
    with PageHouse(tmp_path_factory.mktemp("page")) as made:
        yield made


@pytest.fixture
def look(browser: Browser, house: PageHouse, request: pytest.FixtureRequest) -> Iterator[Looked]:
    """A fresh browser without a login; its marker `screen` gives viewport and colour scheme."""
    marker = request.node.get_closest_marker("screen")
    viewport, scheme = marker.args if marker is not None else (DESK, "light")
    context = browser.new_context(viewport=viewport, color_scheme=scheme, timezone_id="Europe/Dublin")
    context.set_default_timeout(WITHIN_MS)
    page = context.new_page()
    looked = Looked(page, house.page)
    page.on("request", lambda asked: looked.requests.append(asked.url))
    page.on("pageerror", lambda error: looked.troubles.append(str(error)))
    page.on("console", lambda said: looked.troubles.append(said.text) if said.type in ("error", "warning") else None)
    yield looked
    context.close()
    foreign = [url for url in looked.requests if not url.startswith((f"{house.page}/", "blob:", "data:"))]
    assert foreign == []
    wanted = tuple(f"with a status of {status} " for status in looked.refusals)
    assert [told for told in looked.troubles if not any(words in told for words in wanted)] == []


@pytest.fixture(scope="session")
def shots() -> Path:
    """Where screenshots go, to be looked at."""
    folder = Path(os.environ.get("BRIMFUL_SHOTS", Path(__file__).parents[1] / ".cache" / "shots"))
    folder.mkdir(parents=True, exist_ok=True)
    return folder
