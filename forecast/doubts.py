"""What a site file may lack or contradict without being wrong, and what that costs. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from forecast.model.geometry import geometry_of
from forecast.model.storage import Storage, storages_of
from forecast.outlook.limits import GUESSED_MONTH_MM
from ingest.site import Site


def doubts(site: Site) -> list[str]:
    """A sentence each, in English: for the terminal of whoever writes the file."""
    return [*_rain(site), *_levels(site), *_twice(site), *_use(site), *_marks(site)]


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
    for storage in storages_of(site):
        tanks = [site.tank[place].id for place in storage.tanks]
        if not seen & set(tanks):
            yield f"no sensor measures tank.{tanks[0]}.level: how full it is will be guessed"


def _twice(site: Site) -> Iterator[str]:
    """Sensors of one quantity are not merged: which of them is believed is not the same everywhere."""
    for measures in dict.fromkeys(sensor.measures for sensor in site.sensor):
        ids = [sensor.id for sensor in site.sensors_of(measures)]
        if len(ids) > 1:
            yield (
                f"{' and '.join(ids)} measure the same, {measures}: of these the forecast may take another than the "
                "account; leave one in the file, or say what the other really measures"
            )


def _use(site: Site) -> Iterator[str]:
    if not any(draw.litres_per_day > 0 for draw in site.draw):
        yield "no [[draw]] wants water: how long it lasts and what a tank is worth cannot be told"


def _marks(site: Site) -> Iterator[str]:
    """Amounts that the tank they are held against can never give."""
    usable = {site.tank[place].id: _usable_l(storage) for storage in storages_of(site) for place in storage.tanks}
    brims = {
        site.tank[place].id: float(storage.geometry.levels_m[-1])
        for storage in storages_of(site) for place in storage.tanks
    }  # fmt: skip
    for tank in site.tank:
        geometry = geometry_of(tank)
        own_l = float(geometry.volume_l(min(tank.overflow_height_m, brims[tank.id]))) - geometry.dead_l
        if tank.low_l is not None and tank.low_l >= own_l:  # the alarm goes by this tank alone, joined or not
            yield f"tank {tank.id} low_l = {tank.low_l:g}: it gives {own_l:.0f} L at most, so it would always be low"
    for draw in site.draw:
        if draw.reserve_l >= usable[draw.tank]:
            yield (
                f"draw {draw.id} reserve_l = {draw.reserve_l:g}: tank {draw.tank} gives {usable[draw.tank]:.0f} L at "
                "most, so this draw never gets any"
            )
    backup = site.backup
    if backup is not None and backup.tank is not None and (backup.closes_above_l or 0) >= usable[backup.tank]:
        yield (
            f"backup closes_above_l = {backup.closes_above_l:g}: tank {backup.tank} gives {usable[backup.tank]:.0f} L "
            "at most, so it never closes"
        )


def _usable_l(storage: Storage) -> float:
    """Between outlet and brim. [L]"""
    return storage.geometry.capacity_l - storage.geometry.dead_l
