"""What a site file may lack without being wrong, and what that costs its forecasts. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from forecast.outlook.limits import GUESSED_MONTH_MM
from ingest.site import Site


def lacking(site: Site) -> list[str]:
    """A sentence each, in English: for the terminal of whoever writes the file."""
    return [*_rain(site), *_levels(site)]


def rain_stand_in(site: Site) -> str:
    """What the season's rain is taken from where no record is."""
    if site.design is not None:
        return "the monthly means of its file stand in"
    return (
        f"its file has no [design] rain_mm either, so a guess of {GUESSED_MONTH_MM:.0f} mm in every month stands in, "
        "which may be far from the truth"
    )


def _rain(site: Site) -> Iterator[str]:
    if site.design is None:
        yield (
            "no [design] rain_mm, the rain of twelve mean months: there is no account, without a rain record no design "
            f"check, and a forecast rests on a guess of {GUESSED_MONTH_MM:.0f} mm in every month"
        )


def _levels(site: Site) -> Iterator[str]:
    seen = {tank.id for tank in site.tank if site.sensors_of(f"tank.{tank.id}.level")}
    if not seen:
        yield "no sensor measures the level of a tank: there will be no forecast"
        return
    for tank in site.tank:
        joined = {other.id for other in site.tank if (other.joined_with or other.id) == (tank.joined_with or tank.id)}
        if not joined & seen:
            yield f"no sensor measures tank.{tank.id}.level: how full it is will be guessed"
