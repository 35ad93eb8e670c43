"""The demo's first day as the page draws it, in one SVG file for the documents.

`python -m daemon.cli.picture deploy/docs/pictures/day.svg` lives the day over a real broker, then draws it.
"""

import re
import sys
import tempfile
from html import escape
from importlib.resources import files
from pathlib import Path

from daemon.cli.run import FIRST_DAY, demo
from daemon.config.load import load
from daemon.web.languages.language import ENGLISH, language
from daemon.web.page.day_queries import day_record
from daemon.web.page.rendering import templates
from daemon.web.page.views.day_picture import DayPicture, day_picture
from daemon.web.page.views.house import home_facts

_WIDTH, _MARGIN, _GAP, _LANE, _LEGEND = 880, 16, 6, 34, 34
_DRAWN = (
    "label",
    "hair",
    "axis",
    "edge",
    "limit",
    "permitted",
    "frame",
    "level-line",
    "surplus",
    "ring",
    "block",
    "plot",
)
_A_DAY_AND_A_BIT_S = 90_000
_KEYS = (
    ('<line class="level-line" x2="26"/>', "tank level, %"),
    ('<line class="surplus" x2="26"/>', "surplus, 0 to {scale}"),
    ('<rect class="permitted" y="-6" width="26" height="12"/>', "heater permitted"),
    ('<circle class="ring" cx="13" r="7"/>', "stop confirmed by its meter"),
)


def main() -> None:
    """Write the picture into the file that is named."""
    with tempfile.TemporaryDirectory(prefix="brimful-picture-") as folder:
        demo.main(["--days", "1", "--headless", "--folder", folder], standalone_mode=False)
        home = load(Path(folder) / "home.toml")
        record = day_record(home, FIRST_DAY.date(), FIRST_DAY.timestamp() + _A_DAY_AND_A_BIT_S)
    facts = home_facts(home)
    Path(sys.argv[1]).write_text(drawn(day_picture(record, facts.timezone, facts.heaters)), encoding="utf-8")


def drawn(day: DayPicture) -> str:
    """The page's own drawing of a day with one heater, as an SVG document that has its colours in it."""
    figure = str(
        templates(language(ENGLISH))
        .from_string('{% from "day_picture.html" import picture %}{{ picture(day) }}')
        .render(day=day)
    )
    plot, lane = (part.strip() for part in re.split(r'(?=<svg class="(?:plot|lane)")|<figcaption>', figure)[1:3])
    plot_height = int(re.findall(r'height="(\d+)"', plot)[0])
    height = 2 * _MARGIN + plot_height + _GAP + _LANE + _LEGEND
    inner = _WIDTH - 2 * _MARGIN
    parts = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {height}" role="img">',
        f"<title>{escape(day.said)}</title>",
        f"<style>\n{_style()}</style>",
        '<rect class="ground" width="100%" height="100%"/>',
        f'<svg x="{_MARGIN}" y="{_MARGIN}" width="{inner}" overflow="visible">',
        plot,
        f'<svg y="{plot_height + _GAP}" width="100%">',
        re.sub(r"</?a\b[^>]*>\n?", "", lane),
        "</svg>",
        _legend(day, plot_height + _GAP + _LANE + _LEGEND - 8),
        "</svg>",
        "</svg>",
    )
    return "\n".join(parts) + "\n"


def _legend(day: DayPicture, y: int) -> str:
    placed, x = [], 0
    for mark, words in _KEYS:
        text = words.format(scale=day.scale)
        placed.append(
            f'<g transform="translate({x} {y})">{mark}<text class="label" x="34" y="5">{escape(text)}</text></g>'
        )
        x += 60 + 8 * len(text)
    return "\n".join(placed)


def _style() -> str:
    """The page's own colours and those of its rules that a day is drawn by."""
    sheet = files("daemon.web.page").joinpath("static/style.css").read_text(encoding="utf-8")
    light, dark = re.findall(r"(--paper:.*?)\}", sheet, flags=re.DOTALL)[:2]
    selected = (line for line in sheet.splitlines() if re.match(rf"\.({'|'.join(_DRAWN)})\b[^@]*\{{", line))
    return "\n".join(
        (
            f"svg {{ {' '.join(light.split())} font: 17px ui-serif, serif; }}",
            f"@media (prefers-color-scheme: dark) {{ svg {{ {' '.join(dark.split())} }} }}",
            ".ground { fill: var(--paper); }",
            ".label, .wide { font-size: 15px !important; } .wide { fill: var(--ink); } .narrow { display: none; }",
            *selected,
            "",
        )
    )


if __name__ == "__main__":
    main()
