"""Monthly means promise more than the record they are of; in short: one record; all seven are a command."""

from __future__ import annotations

from forecast.outlook.choose import MEANS_CHANCE
from forecast.sizing.on_water import MEANS_TOO_ROSY
from tests.reference.means_alone import beside, chances
from tests.reference.rain_records import aquacrop, seattle


def test_a_design_check_on_means_finds_enough_on_too_many_days() -> None:
    found = beside(seattle(), 10)
    assert 0.05 < found.means_days - found.days <= MEANS_TOO_ROSY[0]
    assert found.means_worst - found.worst <= MEANS_TOO_ROSY[1]


def test_a_forecast_on_means_gives_too_small_a_chance_of_running_out() -> None:
    found = {round(tenth.low, 1): tenth for tenth in chances([aquacrop("brussels"), aquacrop("champion")])}
    said, came = MEANS_CHANCE
    assert 0.1 <= said < 0.2 < 2 * came
    for low in (0.0, 0.1, 0.2):
        assert found[low].cases > 100
        assert found[low].came > found[low].said
