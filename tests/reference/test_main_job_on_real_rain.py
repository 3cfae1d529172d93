"""From rain that nobody here invented to "days until empty", over both brokers."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.conftest import RunningBroker
from tests.reference.real_rain_chain import MONTHS, run_month


def test_the_90_percent_band_of_day_3_holds_the_level_that_came(any_broker: RunningBroker, tmp_path: Path) -> None:
    device_url = f"mqtt://{any_broker.device_user}:{any_broker.device_password}@{any_broker.host}:{any_broker.port}"
    months = {
        name: run_month(first, device_url, any_broker.collector_url, tmp_path / name) for name, first in MONTHS.items()
    }
    assert months["wet"].rain_mm > 200
    assert months["dry"].rain_mm < 10
    mornings = [morning for month in months.values() for morning in month.mornings]
    assert len(mornings) >= 30
    assert np.mean([morning.held for morning in mornings]) >= 0.8
    # A band that holds everything because it says nothing would pass too: the dry month's is narrow.
    assert np.median([morning.high_m - morning.low_m for morning in months["dry"].mornings]) < 0.9
    for month in months.values():
        assert month.stored == month.sent
