"""Style and script as they are written: what they name is there, and nothing of them comes from elsewhere."""

import re
from importlib.resources import files

import pytest

from daemon.cli import picture
from daemon.documents import verdict_page

STYLE = files("daemon.web.page").joinpath("static", "style.css").read_text(encoding="utf-8")
SHEETS = {
    "page": STYLE,
    "verdict": files(verdict_page.__package__).joinpath("verdict_page.py").read_text(encoding="utf-8"),
    "picture": files(picture.__package__).joinpath("picture.py").read_text(encoding="utf-8"),
}
GENERIC = {"ui-serif", "serif", "ui-monospace", "monospace", "inherit"}


def test_every_colour_that_the_style_uses_is_given() -> None:
    """One that is not leaves a shape black, which by night nobody sees."""
    used, given = set(re.findall(r"var\((--[\w-]+)", STYLE)), set(re.findall(r"(--[\w-]+):", STYLE))
    assert len(used) > 8
    assert used == given


@pytest.mark.parametrize("sheet", SHEETS)
def test_letters_are_the_systems_own_and_nothing_is_fetched_from_elsewhere(sheet: str) -> None:
    fonts = re.findall(r"\bfont(?:-family)?: ([^;}]*)", SHEETS[sheet])
    assert fonts
    for font in fonts:
        families = {family.strip().split(" ")[-1] for family in font.split(",")}
        assert families <= GENERIC, font
    assert not re.search(r"@import|@font-face|url\((?!#)|https?://(?!www\.w3\.org/)", SHEETS[sheet])


def test_templates_and_script_name_no_other_place() -> None:
    page = files("daemon.web.page")
    parts = [*page.joinpath("templates").iterdir(), *page.joinpath("static").iterdir()]
    assert len(parts) > 20
    for part in parts:
        text = part.read_text(encoding="utf-8")
        assert not re.search(r"https?:(?!//www\.w3\.org/)|[\"\'(]//", text), part.name
