"""The tables of a design check, in the reader's language and units."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from api import words
from api.charts.words import cell
from api.measures import shown, symbol
from api.pages.design_pictures import depth_decimals, volume, with_unit
from api.pages.tables import Table
from api.speech import Speaker
from forecast.sizing.batch import Lever
from forecast.sizing.methods import METHODS
from forecast.sizing.result import Curve, Figures, OutletCheck, SimpleMethod
from ingest.saying import Saying, litres, say, share

_LEVERS: Final[dict[Lever, Saying]] = {
    "tank": say("Usable tank"),
    "roof": say("Roof"),
    "first_flush": say("First flush"),
    "coefficient": say("Runoff coefficient"),
    "draw": say("Mean use a day"),
}
#: What the size of each is kept in; the others have no unit.
_KEPT_IN: Final[dict[Lever, str]] = {"tank": "L", "roof": "m²", "first_flush": "L", "draw": "L"}
#: The tank's curve has its own picture and table; of the others all points are shown.
_NO_TANK: Final = ("roof", "first_flush", "coefficient", "draw")


def month_tables(figures: Figures, speaker: Speaker) -> Iterator[Table]:
    """What falls and is lost, and what is drawn and spilled, in a mean month."""

    def rows(*keys: str) -> list[list[str]]:
        found = []
        for row in (*figures.months, figures.total):
            called = words.month(row.month, speaker.language) if row.month else speaker.say(say("Year"))
            values = row.model_dump()
            found.append([called, *(_value(key, values[key], speaker) for key in keys)])
        return found

    month = speaker.say(say("Month"))
    lost = (
        say("Fell on the roofs"), say("Wetted the roofs"), say("Splashed or seeped away"),
        say("Over the gutter"), say("Into the first flush"), say("Captured"),
    )  # fmt: skip
    yield Table(
        with_unit(say("What falls and what is lost in a mean month"), speaker),
        [month, with_unit(say("Rain"), speaker, "mm"), *map(speaker.say, lost)],
        rows(
            "rain_mm", "roof_rain_l", "wetting_loss_l", "coefficient_loss_l", "gutter_loss_l", "first_flush_l",
            "captured_l",
        ),
    )  # fmt: skip
    drawn = (say("Captured"), say("Wanted"), say("Drawn"), say("Backup needed"), say("Run over"), say("Days short"))
    yield Table(
        with_unit(say("What is drawn in a mean month"), speaker),
        [month, *map(speaker.say, drawn)],
        rows("captured_l", "wanted_l", "drawn_l", "backup_l", "spilled_l", "short_days"),
    )


def year_table(figures: Figures, speaker: Speaker) -> Table:
    """Each year of the run."""
    heads = (say("Of the volume"), say("Of the days"), say("Days short"))
    rows = [
        [
            year.label, _rain(year.rain_mm, speaker), _share(year.reliable_volume, speaker),
            _share(year.reliable_days, speaker), cell(year.short_days, 0, speaker),
            cell(volume(year.spilled_l, speaker), 0, speaker),
        ]
        for year in figures.by_year
    ]  # fmt: skip
    first = speaker.say(say("Year")), with_unit(say("Rain"), speaker, "mm")
    spilled = with_unit(say("Run over"), speaker)
    caption = say("Year by year; the years are invented") if figures.stand_in else say("Year by year")
    return Table(speaker.say(caption), [*first, *map(speaker.say, heads), spilled], rows)


def storm_table(figures: Figures, speaker: Speaker) -> Table:
    """Overflow by return period; what a record cannot say is marked."""
    unit = symbol("L/min", speaker.units, speaker.language)
    heads = (say("Once in years"), say("Overflow"), say("From full tanks"))
    rows = [
        [
            f"{level.years}{' ?' if level.beyond_record else ''}",
            cell(volume(level.overflow_l_min, speaker), 1, speaker),
            cell(volume(level.all_roofs_l_min, speaker), 1, speaker),
        ]
        for level in figures.storms.levels
    ]
    caption = (
        say(
            "Overflow, mean of the hardest hour, of a daily record laid on three hours: real hours may be harder, and "
            "a forecast may show harder ones; with a question mark: rarer than the record can say"
        )
        if figures.daily
        else say("Overflow, mean of the hardest hour; with a question mark: rarer than the record can say")
    )
    return Table(f"{speaker.say(caption)}, {unit}", [*map(speaker.say, heads)], rows)


def outlet_table(figures: Figures, speaker: Speaker) -> Iterator[Table]:
    """Head at each outlet whose pipe is described."""
    if not figures.outlets:
        return
    unit = symbol("L/min", speaker.units, speaker.language)
    heads = [
        *map(speaker.say, (say("Outlet"), say("Wanted flow"))), with_unit(say("Lost to friction"), speaker, "m"),
        *map(speaker.say, (say("Flow, tank full"), say("Flow at the end"))),
        with_unit(say("Level it needs"), speaker, "m"),
    ]  # fmt: skip
    rows = [
        [
            one.draw,
            cell(volume(one.flow_l_min, speaker), 1, speaker), _length(one.loss_m, speaker),
            cell(volume(one.flow_full_l_min, speaker), 1, speaker),
            cell(volume(one.flow_low_l_min, speaker), 1, speaker),
            _level_needed(one, speaker),
        ]
        for one in figures.outlets
    ]  # fmt: skip
    caption = say(
        "Head and flow at the outlets; the level it needs is the lowest in the tank, above its floor, that still gives "
        "the wanted flow"
    )
    yield Table(f"{speaker.say(caption)}, {unit}", heads, rows)


def _level_needed(one: OutletCheck, speaker: Speaker) -> str:
    if one.level_needed_m is None:
        return speaker.say(say("none is enough"))
    if one.flow_low_l_min >= one.flow_l_min:  # the tank's outlet falls dry before the flow falls short
        return speaker.say(say("any above the tank's outlet"))
    return _length(one.level_needed_m, speaker)


def lever_tables(figures: Figures, speaker: Speaker) -> Iterator[Table]:
    """The other levers, all else as it is."""
    for curve in figures.curves:
        if curve.lever in _NO_TANK:
            yield _lever_table(curve, speaker)


def simple_table(figures: Figures, speaker: Speaker) -> Table:
    """Hand calculations beside the run, each with its source."""
    rows = []
    for one in figures.simple:
        called, source = METHODS[one.method]
        rows.append([speaker.say(called), _amount(one, speaker), speaker.say(source)])
    heads = (say("Method"), say("Says"), say("Source"))
    return Table(speaker.say(say("Simple methods beside the run")), [*map(speaker.say, heads)], rows)


def _lever_table(curve: Curve, speaker: Speaker) -> Table:
    heads = [
        *map(speaker.say, (say("Size"), say("Of the volume"), say("Of the days"))),
        *(with_unit(text, speaker) for text in (say("Drawn in a year"), say("Run over in a year"))),
    ]
    rows, inside = [], _KEPT_IN.get(curve.lever)
    for point in curve.points:
        size = point.size if inside is None else shown(point.size, inside, speaker.units)
        here = f" ({speaker.say(say('as it is'))})" if point == curve.now else ""
        rows.append(
            [
                f"{words.bare(round(size, 2), speaker.language)}{here}",
                _share(point.reliable_volume, speaker),
                _share(point.reliable_days, speaker),
                cell(volume(point.drawn_l, speaker), 0, speaker),
                cell(volume(point.spilled_l, speaker), 0, speaker),
            ]
        )
    called = _LEVERS[curve.lever]
    return Table(speaker.say(called) if inside is None else with_unit(called, speaker, inside), heads, rows)


def _amount(one: SimpleMethod, speaker: Speaker) -> str:
    if one.amount is None:
        return speaker.say(say("no tank holds it"))
    if one.unit == "1":
        return _share(one.amount, speaker)
    said = speaker.figure(litres(one.amount))
    return speaker.say(say("{volume} a year", volume=litres(one.amount))) if one.unit == "L/a" else said


def _value(key: str, value: float, speaker: Speaker) -> str:
    if key == "rain_mm":
        return _rain(value, speaker)
    return cell(volume(value, speaker) if key.endswith("_l") else value, 0, speaker)


def _rain(rain_mm: float, speaker: Speaker) -> str:
    return cell(shown(rain_mm, "mm", speaker.units), depth_decimals(speaker), speaker)


def _length(length_m: float, speaker: Speaker) -> str:
    """To a hundredth of a metre, or a tenth of an inch."""
    return cell(shown(length_m, "m", speaker.units), 2 if speaker.units == "litre" else 1, speaker)


def _share(of_one: float, speaker: Speaker) -> str:
    return speaker.figure(share(of_one))
