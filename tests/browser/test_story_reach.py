"""How far the live service's pages reach: paper, a narrow phone, Spanish with US gallons, each page that a reader has.

They are of the day that `test_story.py` tells, and of a month of which four days were measured.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime

import pytest
from babel.dates import get_month_names
from babel.messages.pofile import read_po
from playwright.sync_api import Browser, Page

from api.languages.language import HERE
from ingest.instants import DAY_MS
from ingest.sitefile import load_site
from tests.browser.live import NOTE, SITE, Live
from tests.browser.looking import all_words, open_all, width_beyond
from tests.browser.paper import Paper, printed
from tests.conftest import SITES

HERE_SITE = f"/sites/{SITE}"
#: What is there for a finger, not for an eye.
USELESS = (
    "Write down what was done", "Shelve", "I know", "Sign out", "Español", "For programs", "All sites",
    "To the content", "Figures of this picture", "Read the picture", "Report of the last month",
)  # fmt: skip
_WORD = re.compile(r"[^\W\d_]{2,}")
_NO_WORDS = re.compile(r"ullage [\w /-]+|\{[^}]*\}|`[^`]*`|--[\w-]+|\w+[._]\w+|\[[^\]]*\]")


@pytest.fixture(scope="module")
def page(live: Live, browser: Browser) -> Iterator[Page]:
    """A narrow phone at which Ada is signed in, once the tank has spilled."""
    context = browser.new_context(storage_state=live.signed_in(), viewport={"width": 320, "height": 568})
    live.be_full()
    yield context.new_page()
    context.close()


@pytest.fixture(scope="module")
def paths(live: Live) -> dict[str, str]:
    month = datetime.fromtimestamp((live.begin_ms - 2 * DAY_MS) / 1000, UTC).strftime("%Y-%m")
    return {
        "overview": "/",
        "site": HERE_SITE,
        "report": f"{HERE_SITE}/report?month={month}",
        "unmeasured": f"{HERE_SITE}/report?month=2020-02",
        "account": f"{HERE_SITE}/account",
        "design": f"{HERE_SITE}/design",
        "commissioning": f"{HERE_SITE}/commissioning",
        "handover": f"{HERE_SITE}/handover",
        "password": "/password",
        "people": "/people",
    }


@pytest.mark.parametrize(
    ("name", "sheets", "said"),
    [
        ("overview", 1, ("Tank main: ", " % full", "To do today:", "Forecast made")),
        ("site", 5, ("Tank main: ", " % full", "brim 1.80 m", "has run over", "cut-off 11.60 V", "Newest values")),
        ("report", 1, ("the design promised", "The shortfall by cause", "Made ")),
        ("account", 5, ("the design promised", "By month")),
        ("handover", 6, ("What stands here", "clean-gutters: every 180 days")),
    ],
)
def test_a_page_on_paper(
    name: str, sheets: int, said: tuple[str, ...], page: Page, paths: dict[str, str], live: Live
) -> None:
    page.goto(f"{live.url}{paths[name]}")
    paper = printed(page)
    text = _ligatures_apart(paper)
    assert [words for words in said if words not in text] == []
    assert paper.sheets <= sheets
    # Cautions belong on paper. Forms, links and what opens at a click do not.
    assert "Rain water is not for drinking unless treated" in text
    assert "Local codes and licensed practice come first." in text
    assert [words for words in USELESS if words in text] == []


def test_on_paper_a_figure_stands_beside_its_name(page: Page, paths: dict[str, str], live: Live) -> None:
    page.goto(f"{live.url}{paths['report']}")
    text = _ligatures_apart(printed(page))
    assert re.search(r"Into the first flush -?\d", text)
    assert re.search(r"Was drawn \d+ \d", text)


def test_the_level_is_drawn_on_paper(page: Page, live: Live) -> None:
    """The picture is lines, not a grey box: without it there are far fewer strokes on the sheets."""
    page.goto(f"{live.url}{HERE_SITE}")
    whole = printed(page).strokes
    page.evaluate("() => document.querySelector('figure:has([aria-labelledby^=level-main]) svg').remove()")
    assert whole - printed(page).strokes > 200


def test_no_page_is_wider_than_a_narrow_phone(page: Page, paths: dict[str, str], live: Live) -> None:
    for name, path in paths.items():
        for language in ("es", "en"):
            page.goto(_with(f"{live.url}{path}", f"lang={language}"))
            open_all(page)
            assert width_beyond(page) <= 0, (name, language)


def test_no_english_and_no_litre_is_left_for_who_reads_spanish_and_gallons(
    page: Page, paths: dict[str, str], live: Live
) -> None:
    english = _english_alone()
    assert {"tank", "rain", "draw", "measured", "within"} <= english
    for name, path in paths.items():
        page.goto(_with(f"{live.url}{path}", "lang=es&units=us-gallon"))
        open_all(page)
        said = [_without_names(words) for words in all_words(page)]
        left = {
            word: words for words in said for word in _WORD.findall(_NO_WORDS.sub("", words.lower())) if word in english
        }
        assert left == {}, name
        text = "\n".join(said)
        assert not re.search(r"\d[\s\u00a0]L\b", text), name
        # 1.234 is a thousand and more, 1,23 a fraction: a point never stands before fewer figures than three.
        assert not re.search(r"\d\.\d{1,2}\b|\d,\d{3}[\s\u00a0]gal", text), name
        assert name in ("password", "people") or re.search(r"\d[\s\u00a0]gal\b", text), name
    page.goto(f"{live.url}/?lang=en&units=litre")


def _ligatures_apart(paper: Paper) -> str:
    return paper.text.replace("ﬁ", "fi").replace("ﬂ", "fl").replace("ﬀ", "ff").replace("\N{NO-BREAK SPACE}", " ")


def _with(url: str, query: str) -> str:
    return f"{url}{'&' if '?' in url else '?'}{query}"


def _english_alone() -> set[str]:
    """Words of our English texts that no Spanish one has."""
    words: dict[str, set[str]] = {"en": set(), "es": set()}
    for path in sorted((HERE / "es").glob("*.po")):
        with path.open("rb") as file:
            for message in read_po(file, locale="es"):
                if message.id:
                    words["en"] |= _words(message.id)
                    words["es"] |= _words(message.string or "") if message.string != message.id else set()
    months = {name.strip(".").lower() for name in get_month_names("abbreviated", locale="es").values()}
    return words["en"] - words["es"] - months


def _words(texts: str | list[str] | tuple[str, ...]) -> set[str]:
    """The words of a text, without figures, commands, options and keys."""
    one = [texts] if isinstance(texts, str) else texts
    return {word for text in one for word in _WORD.findall(_NO_WORDS.sub("", text.lower()))}


def _without_names(words: str) -> str:
    """Without what stands in the site file, and what somebody noted: nobody translates these."""
    site = load_site(SITES / f"{SITE}.toml")
    names = {*_strings(site.model_dump()), *(sensor.id for sensor in site.sensor), "{time}", NOTE}
    for name in sorted(names, key=len, reverse=True):
        words = words.replace(name, "")
    return words


def _strings(value: object) -> Iterator[str]:
    """Every text in a tree of mappings and lists, however deep."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        yield from (text for one in value.values() for text in _strings(one))
    elif isinstance(value, list | tuple):
        yield from (text for one in value for text in _strings(one))
