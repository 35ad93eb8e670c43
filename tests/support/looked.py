"""One browser page that keeps account of itself: what it asked for, what it logged, what broke."""

from dataclasses import dataclass, field

from playwright.sync_api import Page

from tests.support.page_house import PASSWORD

PHONE, DESK = {"width": 390, "height": 844}, {"width": 1280, "height": 800}


@dataclass(slots=True)
class Looked:
    """A page open in the browser. requests: every address it asked for; troubles: what it logged or what broke;
    refusals: the statuses that the test provokes, which the browser logs too."""

    page: Page
    address: str
    requests: list[str] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)
    refusals: tuple[int, ...] = ()

    def go(self, path: str) -> Page:
        """Open a room."""
        self.page.goto(self.address + path)
        return self.page

    def log_in(self, then: str = "/") -> Page:
        """Say the password."""
        self.go("/login")
        self.page.fill("#password", PASSWORD)
        self.page.click("main button")
        self.page.wait_for_url(f"{self.address}/")
        return self.page if then == "/" else self.go(then)
