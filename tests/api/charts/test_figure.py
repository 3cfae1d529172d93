from __future__ import annotations

from api.charts.figure import Figure, Row
from tests.api.charts.pictures import SPEAKER, rows


def figure(**changes: object) -> str:
    usual: dict[str, object] = {
        "id": "a",
        "title": "Rain < snow",
        "says": "It's all & more.",
        "height": 100,
        "parts": [],
        "heads": ["At", "mm"],
        "rows": [Row("now", ["< 1"], 70), Row("then", ["2"])],
        "key": ["Black.", (1, "less <rain>.")],
    }
    return str(Figure(**(usual | changes)).markup(SPEAKER))  # type: ignore[arg-type]


def test_every_word_is_escaped() -> None:
    html = figure()
    assert "Rain &lt; snow" in html
    assert "It&#39;s all &amp; more." in html
    assert "less &lt;rain&gt;." in html


def test_the_table_knows_where_in_the_picture_its_rows_lie() -> None:
    html = figure()
    assert "<tr data-x=70><th scope=row>now" in html
    assert rows(html) == [["now", "< 1"], ["then", "2"]]


def test_a_part_has_its_filling_before_its_name() -> None:
    assert '<path class="part1"' in figure()
    assert "swatch" not in figure(key=["Black."])
