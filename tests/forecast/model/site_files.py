"""Site files that nobody would draw: any roofs, tanks, draws, backup and battery that the checks allow."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from ingest.site import Site
from ingest.sitefile import parse_site

Table = dict[str, Any]


def _number(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_subnormal=False)


def _yes(draw: st.DrawFn) -> bool:
    return draw(st.booleans())


@st.composite
def tanks(draw: st.DrawFn, place: int) -> Table:
    """A tank of any shape, without its neighbours."""
    shape = draw(st.sampled_from(["vertical_cylinder", "horizontal_cylinder", "rectangular", "strapping_table"]))
    height = draw(_number(0.3, 3.0))
    brim = height * draw(_number(0.5, 1.0))
    table: Table = {
        "id": f"tank-{place}",
        "shape": shape,
        "overflow_height_m": brim,
        "outlet_height_m": brim * draw(_number(0.0, 0.6)),
    }
    match shape:
        case "vertical_cylinder":
            table |= {"diameter_m": draw(_number(0.3, 5.0))}
        case "horizontal_cylinder":
            ends = draw(st.sampled_from(["flat", "elliptical", "dished"]))
            table |= {"diameter_m": height, "length_m": draw(_number(0.5, 6.0)), "ends": ends}
        case "rectangular":
            table |= {"length_m": draw(_number(0.3, 5.0)), "width_m": draw(_number(0.3, 5.0))}
        case "strapping_table":
            rises = draw(st.lists(_number(5.0, 2_000.0), min_size=2, max_size=6))
            volumes = [sum(rises[:count]) for count in range(len(rises) + 1)]
            table |= {"volumes_l": volumes, "levels_m": [height * (row / len(rises)) for row in range(len(volumes))]}
    if shape != "horizontal_cylinder":
        table["open_top"] = draw(st.booleans())
    return table


@st.composite
def _joined(draw: st.DrawFn, count: int) -> list[Table]:
    """Tanks in a row: each may be joined with the first of a group further up, or spill further down."""
    made = [draw(tanks(place)) for place in range(count)]
    firsts: list[str] = []
    for table in made:
        if firsts and _yes(draw):
            table["joined_with"] = draw(st.sampled_from(firsts))
        else:
            firsts.append(table["id"])
    for place, table in enumerate(made):
        own = table.get("joined_with", table["id"])
        later = firsts[firsts.index(own) + 1 :]
        below = [other["id"] for other in made[place + 1 :] if other.get("joined_with", other["id"]) in later]
        if below and _yes(draw):
            table["overflow_to"] = draw(st.sampled_from(below))
    return made


@st.composite
def sites(draw: st.DrawFn) -> Site:
    """A site that passes all checks."""
    made = draw(_joined(draw(st.integers(1, 4))))
    ids = [table["id"] for table in made]
    roofs = []
    for place in range(draw(st.integers(1, 3))):
        roof: Table = {
            "id": f"roof-{place}",
            "plan_area_m2": draw(_number(1.0, 400.0)),
            "runoff_coefficient": draw(_number(0.3, 1.0)),
            "wetting_loss_mm": draw(_number(0.0, 2.0)),
            "tank": draw(st.sampled_from(ids)),
        }
        if _yes(draw):
            roof["gutter_capacity_l_min"] = draw(_number(1.0, 200.0))
        if _yes(draw):
            flush: Table = {"volume_l": draw(_number(0.0, 200.0)), "drip_l_h": draw(_number(0.0, 10.0))}
            if _yes(draw):
                flush["empties_after_dry_h"] = draw(_number(1.0, 48.0))
            roof["first_flush"] = flush
        roofs.append(roof)
    draws = [
        {
            "id": f"draw-{place}",
            "tank": draw(st.sampled_from(ids)),
            "feed": draw(st.sampled_from(["gravity", "pumped"])),
            "litres_per_day": draw(_number(0.0, 3_000.0)),
            "reserve_l": draw(_number(0.0, 500.0)),
        }
        for place in range(draw(st.integers(0, 3)))
    ]
    data: Table = {
        "id": "made",
        "name": "Made up",
        "latitude": draw(_number(-60.0, 60.0)),
        "longitude": draw(_number(-180.0, 180.0)),
        "timezone": "UTC",
        "rain_peak_factor": draw(_number(1.0, 10.0)),
        "roof": roofs,
        "tank": made,
        "draw": draws,
        "pump": {"power_w": draw(_number(10.0, 500.0)), "flow_l_min": draw(_number(1.0, 60.0))},
    }
    if _yes(draw):
        opens = draw(_number(0.0, 300.0))
        data["backup"] = {
            "id": "old-supply", "changeover": "by itself", "tank": draw(st.sampled_from(ids)),
            "opens_below_l": opens, "closes_above_l": opens + draw(_number(1.0, 300.0)),
            "flow_l_min": draw(_number(0.5, 50.0)),
        }  # fmt: skip
    if _yes(draw):
        data["battery"] = {
            "chemistry": draw(st.sampled_from(["flooded", "agm", "gel", "lifepo4"])), "nominal_v": 12.0,
            "capacity_ah": draw(_number(10.0, 400.0)), "low_v": 12.0, "cutoff_v": 11.5, "panel_w": 100.0,
        }  # fmt: skip
    return parse_site(data, "made")
