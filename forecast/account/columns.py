"""The columns of everything that is exported: stable names, units, meanings. A test holds DEVELOPERS.md to them.

A figure's unit stands in its name. A `value` of any sensor has none there: the column `unit` says it.
"""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

from forecast.account.result import CAUSES
from ingest.store.readings import Aggregate

Kind = Literal["time", "text", "number", "count"]


class Column(NamedTuple):
    """One column. kind: time (RFC 3339, UTC), text, number or count; unit: None where there is none"""

    name: str
    kind: Kind
    unit: str | None
    meaning: str


def part_column(cause: str) -> str:
    """Name of the column of a cause's part."""
    return f"by_{cause.replace('-', '_')}_l"


_SENSOR: Final = (
    Column("site", "text", None, "id of the site"),
    Column("sensor", "text", None, "device/name"),
    Column("time", "time", None, "when it was measured; of hours their start"),
    Column("measures", "text", None, "what it measures"),
    Column("unit", "text", None, "unit of the figures in this row"),
)
#: Figures of an hour.
FIGURES: Final[tuple[Aggregate, ...]] = ("mean", "min", "max", "first", "last")
_MEANT: Final = {
    "rain": "rain below the design's",
    "coefficient": "coefficient below the design's",
    "gutter": "over the gutter's side, beyond the design",
    "first-flush": "into the first flush, beyond the design",
    "full": "ran over, or still in the tank, beyond the design",
    "not-drawn": "wanted by the design, there, and not drawn",
    "leak": "leaked, or past no meter",
    "missing": "in hours that tell the draw, and not all else",
    "unexplained": "the rest: roofs, meters and levels disagree",
}
_LEVELS: Final = ("p05", "p25", "p50", "p75", "p95")

COLUMNS: Final[dict[str, tuple[Column, ...]]] = {
    "readings": (
        *_SENSOR,
        Column("value", "number", "that of the row", "the reading"),
        Column("flags", "count", None, "quality bits; 0 is good"),
    ),
    "hourly": (
        *_SENSOR,
        Column("readings", "count", None, "usable readings in the hour"),
        *(Column(name, "number", "that of the row", f"{name} of them") for name in FIGURES),
    ),
    "account": (
        Column("site", "text", None, "id of the site"),
        Column("month", "text", None, "local month, year-month"),
        Column("start", "time", None, "start of the month, or of what was measured"),
        Column("end", "time", None, "end of it, not included"),
        Column("span_h", "count", "h", "hours of it"),
        Column("drawn_h", "count", "h", "hours that tell what was drawn"),
        Column("told_h", "count", "h", "hours in which everything was measured"),
        Column("design_rain_mm", "number", "mm", "the design's rain, in hours with rain measured"),
        Column("rain_mm", "number", "mm", "rain that was measured"),
        Column("designed_yield_l", "number", "L", "rain water drawn by the design, in hours that tell the draw"),
        Column("untold_yield_l", "number", "L", "rain water drawn by the design in the other hours"),
        Column("actual_yield_l", "number", "L", "rain water drawn, in hours that tell it"),
        Column("yield_sd_l", "number", "L", "its standard deviation"),
        Column("inflow_l", "number", "L", "came into the tanks, in hours told"),
        Column("inflow_sd_l", "number", "L", "its standard deviation"),
        Column("spilled_l", "number", "L", "ran off the site, in hours told"),
        Column("spilled_sd_l", "number", "L", "its standard deviation"),
        Column("lost_l", "number", "L", "leaked, or past no meter, in hours told"),
        Column("stored_l", "number", "L", "more in the tanks at the end than at the start"),
        Column("closure_l", "number", "L", "how far meters and levels disagree; empty: no meter at the inlet"),
        Column("shortfall_l", "number", "L", "designed less actual yield; the parts below add up to it"),
        *(Column(part_column(cause), "number", "L", _MEANT[cause]) for cause in CAUSES),
    ),
    "forecasts": (
        Column("site", "text", None, "id of the site"),
        Column("issued", "time", None, "when the forecast was made"),
        Column("tank", "text", None, "id of the tank"),
        Column("lead_h", "count", "h", "hours after the issue"),
        Column("time", "time", None, "what time that is"),
        *(Column(f"level_{point}_m", "number", "m", f"level, {point} point of the members") for point in _LEVELS),
        *(Column(f"volume_{point}_l", "number", "L", f"volume, {point} point of the members") for point in _LEVELS),
        Column("runs_out_chance", "number", "1", "chance that the rain water has run out by then"),
        Column("overflows_chance", "number", "1", "chance that the tank has run over by then"),
    ),
}  # fmt: skip

#: The columns whose values, of the last row that somebody has, say where to go on: the cursor.
KEYS: Final[dict[str, tuple[str, ...]]] = {
    "readings": ("sensor", "time"),
    "hourly": ("sensor", "time"),
    "account": ("month",),
    "forecasts": ("issued", "tank", "lead_h"),
}


def units(table: str) -> dict[str, str]:
    """Unit of each column that has one."""
    return {column.name: column.unit for column in COLUMNS[table] if column.unit is not None}
