"""The tables of a design check, in the reader's language and units."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from api import words
from api.charts.words import UNKNOWN, cell
from api.pages.design_pictures import volume, with_unit
from api.pages.tables import Table
from api.speech import Speaker
from forecast.sizing.batch import Lever
from forecast.sizing.methods import METHODS
from forecast.sizing.result import Curve, Figures, SimpleMethod
from ingest.saying import Saying, litres, say, share

_LEVERS: Final[dict[Lever, Saying]] = {
    "tank": say("Usable tank"),
    "roof": say("Roof, m²"),
    "first_flush": say("First flush"),
    "coefficient": say("Runoff coefficient"),
    "draw": say("Mean use a day"),
}
_VOLUMES: Final = ("tank", "first_flush", "draw")
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
        say("Rain, mm"), say("Fell on the roofs"), say("Wetted the roofs"), say("Splashed or seeped away"),
        say("Over the gutter"), say("Into the first flush"), say("Captured"),
    )  # fmt: skip
    yield Table(
        with_unit(say("What falls and what is lost in a mean month"), speaker),
        [month, *map(speaker.say, lost)],
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
    heads = (say("Year"), say("Rain, mm"), say("Of the volume"), say("Of the days"), say("Days short"))
    rows = [
        [
            year.label, cell(year.rain_mm, 0, speaker), _share(year.reliable_volume, speaker),
            _share(year.reliable_days, speaker), cell(year.short_days, 0, speaker),
            cell(volume(year.spilled_l, speaker), 0, speaker),
        ]
        for year in figures.by_year
    ]  # fmt: skip
    spilled = with_unit(say("Run over"), speaker)
    return Table(speaker.say(say("Year by year")), [*map(speaker.say, heads), spilled], rows)


def storm_table(figures: Figures, speaker: Speaker) -> Table:
    """Overflow by return period; what a record cannot say is marked."""
    unit = words.SYMBOLS[speaker.units]
    heads = (say("Once in years"), say("Overflow"), say("From full tanks"))
    rows = [
        [
            f"{level.years}{' ?' if level.beyond_record else ''}",
            cell(volume(level.overflow_l_min, speaker), 1, speaker),
            cell(volume(level.all_roofs_l_min, speaker), 1, speaker),
        ]
        for level in figures.storms.levels
    ]
    caption = say("Overflow, mean of the hardest hour; with a question mark: rarer than the record can say")
    return Table(f"{speaker.say(caption)}, {unit}/min", [*map(speaker.say, heads)], rows)


def outlet_table(figures: Figures, speaker: Speaker) -> Iterator[Table]:
    """Head at each outlet whose pipe is described."""
    if not figures.outlets:
        return
    unit = f"{words.SYMBOLS[speaker.units]}/min"
    heads = (
        say("Outlet"), say("Wanted flow"), say("Lost to friction, m"), say("Flow, tank full"), say("Flow at the end"),
        say("Lowest level, m"),
    )  # fmt: skip
    rows = [
        [
            one.draw,
            cell(volume(one.flow_l_min, speaker), 1, speaker), cell(one.loss_m, 2, speaker),
            cell(volume(one.flow_full_l_min, speaker), 1, speaker),
            cell(volume(one.flow_low_l_min, speaker), 1, speaker),
            UNKNOWN if one.level_needed_m is None else cell(one.level_needed_m, 2, speaker),
        ]
        for one in figures.outlets
    ]  # fmt: skip
    yield Table(f"{speaker.say(say('Head and flow at the outlets'))}, {unit}", [*map(speaker.say, heads)], rows)


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
    rows = []
    for point in curve.points:
        size = volume(point.size, speaker) if curve.lever in _VOLUMES else point.size
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
    shown = with_unit(called, speaker) if curve.lever in _VOLUMES else speaker.say(called)
    return Table(shown, heads, rows)


def _amount(one: SimpleMethod, speaker: Speaker) -> str:
    if one.amount is None:
        return speaker.say(say("no tank holds it"))
    if one.unit == "1":
        return _share(one.amount, speaker)
    said = speaker.figure(litres(one.amount))
    return speaker.say(say("{volume} a year", volume=litres(one.amount))) if one.unit == "L/a" else said


def _value(key: str, value: float, speaker: Speaker) -> str:
    return cell(volume(value, speaker) if key.endswith("_l") else value, 0, speaker)


def _share(of_one: float, speaker: Speaker) -> str:
    return speaker.figure(share(of_one))
