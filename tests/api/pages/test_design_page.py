"""The design check as a page: what it says, in both languages and units."""

from __future__ import annotations

import re

from tests.api.conftest import Client

PAGE = "/sites/skerrow-head/design"


def test_the_page_says_what_the_check_says(client: Client) -> None:
    html = client.get(PAGE).text
    for words in (
        "Design check: Skerrow Head bird observatory", "What it gives", "The promise is not held",
        "No rain record was given", "trained people", "this tank", "knee", "gives less than its own volume a year",
        "Simple methods beside the run", "DIN 1989-1, from memory", "Level it needs, m",
        "any above the tank&#39;s outlet", "as it is", "in the worst of 30 invented years on", "means hide dry spells",
        "holds the site to the same monthly",
        "of what it is rated for, at 5 °C", "Year by year; the years are invented",
    ):  # fmt: skip
        assert words in html.replace("\u00a0", " "), words
    assert html.count("<figure") == 3
    assert "nan" not in re.sub(r"[a-z]*nan[a-z]+|[a-z]+nan[a-z]*", "", html)


def test_a_site_without_pipes_or_battery_has_its_page_too(client: Client) -> None:
    html = client.get("/sites/tarn-orchard/design").text
    assert "Head and flow at hand-basin and tree-taps cannot be checked" in html
    assert "Level it needs, m" not in html


def test_it_speaks_the_readers_language_and_units(client: Client) -> None:
    html = client.get(f"{PAGE}?lang=es&units=us-gallon").text
    for words in ("No se cumple lo prometido", "Lo que da", "diciembre", "gal"):
        assert words in html
    assert "The promise" not in html
    assert re.search(r"\d L\b", html.replace("\u00a0", " ")) is None


def test_a_page_that_has_not_changed_is_not_sent_again(client: Client) -> None:
    first = client.get(PAGE)
    again = client.get(PAGE, headers={"If-None-Match": first.headers["ETag"]})
    assert (first.status_code, again.status_code) == (200, 304)


def test_the_site_links_to_its_design(client: Client) -> None:
    assert f'href="{PAGE}"' in client.get("/sites/skerrow-head").text
