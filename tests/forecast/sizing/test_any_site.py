"""Any site that passes the checks can be checked, whatever it lacks."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator

from hypothesis import HealthCheck, given, settings

from api.design_schema import design_out
from api.speech import Speaker
from forecast.sizing.check import design_check
from ingest.site import Site
from tests.forecast.model.site_files import sites
from tests.forecast.sizing.made import showers

RECORD = showers(1)


@settings(max_examples=15, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(site=sites())
def test_any_site_can_be_checked(site: Site) -> None:
    check = design_check(site, RECORD)
    figures = check.figures
    year = figures.total
    lost = year.wetting_loss_l + year.coefficient_loss_l + year.gutter_loss_l + year.first_flush_l
    assert math.isclose(year.roof_rain_l, lost + year.captured_l, rel_tol=1e-3, abs_tol=2.0)
    assert math.isclose(year.wanted_l, year.drawn_l + year.backup_l, rel_tol=1e-3, abs_tol=2.0)
    assert 0 <= figures.pessimistic_volume <= figures.reliable_volume + 1e-3
    assert all(level.overflow_l_min <= level.all_roofs_l_min for level in figures.storms.levels)
    document = json.loads(design_out(check, Speaker(site.zone)).model_dump_json())
    assert all(isinstance(number, int) or math.isfinite(number) for number in numbers(document))
    for sentence in document["findings"]:
        assert "nan" not in sentence["says"].split()
        assert "{" not in sentence["says"]
        assert sentence["saying"]["text"]


def numbers(document: object) -> Iterator[float]:
    match document:
        case dict():
            for value in document.values():
                yield from numbers(value)
        case list():
            for value in document:
                yield from numbers(value)
        case float() | int():
            yield document
