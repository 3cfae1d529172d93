"""What monthly means alone are worth, beside the records that they are of: for a design check, and for a forecast.

Seven open records of five climates, one roof, tanks of ten, twenty and forty days of use. Of forecasts, issued
every 40 days: of what was given a chance to run out, how much did.

    .venv/bin/python -m tests.reference.means_alone [--forecasts] [--json]
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from forecast.backtest import HOURS, OURS, Issue, RainMaker, Way, backtest
from forecast.cases import Floats
from forecast.outlook.monthly import monthly_outlook
from forecast.outlook.record import RainRecord
from forecast.score import Tenth
from forecast.sizing.check import design_check
from forecast.sizing.years import years_of_record
from forecast.skill import skill
from ingest.site import Site
from ingest.sitefile import parse_site
from tests.reference.rain_records import all_records
from tests.reference.skill import house
from tests.reference.telling import parser, tell

#: Days of use that the tanks hold, and share of what the roof catches that is wanted.
TANKS_D: Final = (10, 20, 40)
WANTED: Final = 0.7
#: Days between two forecasts, and their members.
EVERY_D: Final = 40
MEMBERS: Final = 50


class Beside(NamedTuple):
    """One record and tank, by the record and by its monthly means.

    days, means_days    share of days with enough
    worst, means_worst  the same of the worst year
    dry, means_dry      longest dry spell [d]
    """

    record: str
    years: int
    tank_d: int
    days: float
    means_days: float
    worst: float
    means_worst: float
    dry: int
    means_dry: int


def beside(record: RainRecord, tank_d: int) -> Beside:
    """The two checks of one tank."""
    site = _site(_months_mm(record), tank_d)
    by_record, by_means = design_check(site, record).figures, design_check(site, None).figures
    return Beside(
        record.name,
        by_record.years,
        tank_d,
        round(by_record.reliable_days, 3),
        round(by_means.reliable_days, 3),
        round(min(year.reliable_days for year in by_record.by_year), 3),
        round(min(year.reliable_days for year in by_means.by_year), 3),
        by_record.dry_spells.longest_days,
        by_means.dry_spells.longest_days,
    )


def run() -> list[Beside]:
    """All records and tanks."""
    return [beside(record, tank_d) for record in all_records() for tank_d in TANKS_D]


def chances(records: Sequence[RainRecord]) -> list[Tenth]:
    """Chances of running out within 1 to 16 days by a season of monthly means, and how often it came so."""
    parts = [
        backtest(house(record), record, every_d=EVERY_D, members=MEMBERS, ways={OURS: Way(_season(record))})
        for record in records
    ]
    return skill(parts).reliability


def _season(record: RainRecord) -> RainMaker:
    months_mm = _months_mm(record)

    def rain(_: RainRecord, issue: Issue, members: int, rng: np.random.Generator) -> Floats:
        return monthly_outlook(months_mm, issue.start_ms, HOURS, members, rng).rain_mm

    return rain


def _months_mm(record: RainRecord) -> list[float]:
    """Mean months of the whole years of a record. [mm]"""
    years = years_of_record(_site([50.0] * 12, 10), record).years
    sums = np.zeros(12)
    for year in years:
        times = np.datetime64(year.start_ms, "ms") + np.arange(len(year.rain_mm)) * np.timedelta64(1, "h")
        sums += np.bincount(times.astype("datetime64[M]").astype(int) % 12, year.rain_mm, 12)
    return [float(mm) for mm in sums / len(years)]


def _site(months_mm: list[float], tank_d: int) -> Site:
    """A roof of 60 m² and a tank that holds so many days of use."""
    litres = round(WANTED * 60 * 0.85 * sum(months_mm) / 365, 1)
    return parse_site(
        {
            "id": "beside", "name": "Made up", "latitude": 50.0, "longitude": 0.0, "timezone": "UTC",
            "roof": [{"id": "r", "plan_area_m2": 60.0, "runoff_coefficient": 0.85, "wetting_loss_mm": 0.4,
                      "tank": "t"}],
            "tank": [{"id": "t", "shape": "rectangular", "length_m": tank_d * litres / 1000, "width_m": 1.0,
                      "outlet_height_m": 0.1, "overflow_height_m": 1.1}],
            "draw": [{"id": "d", "tank": "t", "feed": "gravity", "litres_per_day": litres}],
            "design": {"rain_mm": months_mm},
        },
        "beside",
    )  # fmt: skip


def main() -> None:
    """Print every pair, or what chances came true."""
    asked = parser("Monthly means beside the records that they are of.")
    asked.add_argument("--forecasts", action="store_true", help="what chances of a forecast came true")
    options = asked.parse_args()
    tell({"rows": chances(all_records()) if options.forecasts else run()}, as_json=options.json)


if __name__ == "__main__":
    main()
