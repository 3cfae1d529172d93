"""The whole design check of a site: rain, one run with all sizes, and what follows from it. Pure."""

from __future__ import annotations

from forecast.model.balance import BACKUP, DRAWN
from forecast.model.plan import Plan, plan_of
from forecast.outlook.record import RainRecord
from forecast.sizing import on_storms, on_water, on_works
from forecast.sizing.batch import batch_of, present
from forecast.sizing.curves import buys, curves, points_of
from forecast.sizing.electric import power_check
from forecast.sizing.finding import Finding, ordered
from forecast.sizing.pipes import outlet_check
from forecast.sizing.result import DesignCheck, Figures
from forecast.sizing.simple import simple_methods
from forecast.sizing.storms import first_flush, gutter, rains_of, storms
from forecast.sizing.sweep import Tally, sweep
from forecast.sizing.years import Years, years_of_means, years_of_record
from forecast.sizing.yields import by_year, dry_spells, months, share
from ingest.errors import SettingsError
from ingest.site import Site


def design_check(site: Site, record: RainRecord | None) -> DesignCheck:
    """Check a site over a rain record, or over its monthly means where there is none.

    Raises RecordFileError on a record without a whole year, SettingsError where there is neither.
    """
    if record is not None:
        years = years_of_record(site, record)
    elif site.design is not None:
        years = years_of_means(site, site.design.rain_mm)
    else:
        raise SettingsError(f"{site.id}: no rain: give a record with --rain, or [design] rain_mm in the site file")
    if site.rain_peak_factor is None and years.peak_factor is not None:
        site = site.model_copy(update={"rain_peak_factor": years.peak_factor})
    plan = plan_of(site)
    figures = _figures(site, plan, years)
    return DesignCheck(figures, ordered(_findings(site, plan, figures)))


def _figures(site: Site, plan: Plan, years: Years) -> Figures:
    now = present(site, plan, _mean_use_l_day(site))
    sizes = batch_of(now)
    tally = sweep(site, plan, years, sizes)
    points = points_of(sizes, tally)
    rows, yearly, spells = months(site, plan, years, tally), by_year(years, tally), dry_spells(site, plan, tally)
    number = len(years.years)
    rains = rains_of(years)
    return Figures(
        site=site.id,
        source=years.source,
        stand_in=years.stand_in,
        daily=years.daily,
        years=number,
        left_out=years.left_out,
        filled_h=years.filled_h,
        edge_h=years.edge_h,
        usable_l=round(now["tank"], 1),
        roof_area_m2=round(now["roof"], 1),
        total=rows[0],
        months=rows[1:],
        by_year=yearly,
        worst_year=min(yearly, key=lambda year: year.reliable_days).label,
        reliable_volume=points[0].reliable_volume,
        reliable_days=points[0].reliable_days,
        pessimistic_volume=_volume(sweep(site, plan, years, sizes[:1], spill_first=True)),
        dry_spells=spells,
        curves=curves(sizes, points, now),
        buys=buys(sizes, points, float(tally.days.sum()) / number, rows[0].wanted_l),
        storms=storms(site, years, tally),
        gutters=[gutter(site, roof) for roof in site.roof],
        first_flushes=[flush for roof in site.roof if (flush := first_flush(roof, rains)) is not None],
        outlets=[one for draw in site.draw if (one := outlet_check(site, draw)) is not None],
        power=power_check(site, years, float(tally.cutoff_days.sum()) / number),
        simple=simple_methods(plan, now["coefficient"], tally, rows, spells),
    )


def _findings(site: Site, plan: Plan, figures: Figures) -> list[Finding]:
    return [
        *on_water.promise(site, figures),
        *on_water.sizes(site, plan, figures),
        *on_water.bought(figures),
        *on_storms.gutters(figures),
        *on_storms.first_flushes(site, figures),
        *on_storms.overflow(site, figures),
        *on_works.outlets(site, figures),
        *on_works.power(figures.power),
        *on_water.basis(site, figures),
        *on_works.cautions(site),
    ]


def _mean_use_l_day(site: Site) -> float:
    """Mean of all draws over the year. [L/d]"""
    return sum(draw.litres_per_day * (12 if draw.months is None else len(set(draw.months))) / 12 for draw in site.draw)


def _volume(tally: Tally) -> float:
    drawn = tally.ledger[:, DRAWN, 0] - tally.ledger[:, BACKUP, 0]
    return share(float(drawn.sum()), float(tally.wanted_l.sum()))
