"""Which outlook a site gets: the source of its settings, and the season wherever that fails."""

from __future__ import annotations

import logging
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from forecast.doubts import rain_stand_in
from forecast.facts import Facts
from forecast.outlook import met_norway, nws, open_meteo
from forecast.outlook.blend import blend, with_age
from forecast.outlook.ensemble import Floats, Outlook
from forecast.outlook.file import parse_document, read_document
from forecast.outlook.history import history_outlook
from forecast.outlook.limits import GUESSED_MONTH_MM
from forecast.outlook.monthly import monthly_outlook
from forecast.outlook.record import RainRecord
from forecast.outlook.resample import to_outlook
from ingest.errors import ForecastUnavailable, OutlookError, OutlookUnavailable, Problem, SettingsError
from ingest.instants import DAY_MS, HOUR_MS, floor_hour
from ingest.saying import Saying, millimetres, name, number, say, share
from ingest.site import Site

if TYPE_CHECKING:
    from forecast.outlook.fetch import Fetcher  # and with it httpx, where services are asked

log = logging.getLogger("ullage.outlook")

#: Courses of the season among which a blend finds those that join.
SEASON_COURSES: Final = 400
NONE: Final = "none"
#: What an outlook that somebody sent is called.
GIVEN: Final = "a document that was sent"
#: Chances of one to two tenths of running out, as a season of monthly means gave them, and how often it came so:
#: `python -m tests.reference.means_alone --forecasts`.
MEANS_CHANCE: Final = (0.14, 0.18)
SERVICES: Final = (open_meteo.NAME, met_norway.NAME, nws.NAME)
#: Services whose terms ask for somebody to write to.
NEED_CONTACT: Final = (met_norway.NAME, nws.NAME)
_BASES: Final = {open_meteo.NAME: open_meteo.BASE, met_norway.NAME: met_norway.BASE, nws.NAME: nws.BASE}
#: An e-mail or web address, in characters that a header may hold.
_CONTACT: Final = re.compile(r"[\x21-\x7e]*(@|://)[\x21-\x7e]+")


@dataclass(frozen=True)
class OutlookSettings:
    """Where a site's outlook comes from.

    source   `none`, `open-meteo`, `met-norway`, `nws`, or the path of an outlook document
    contact  e-mail or web address of the operator, sent to the service; needed by met-norway and nws
    base     address of the service instead of its public one; empty: the public one
    model    weather model to ask open-meteo for; empty: ours
    Raises SettingsError with every problem.
    """

    source: str = NONE
    contact: str = ""
    base: str = ""
    model: str = ""

    def __post_init__(self) -> None:
        problems = []
        if self.contact and not _CONTACT.fullmatch(self.contact):
            problems.append(Problem("outlook contact", repr(self.contact), "an e-mail or web address without spaces"))
        if self.source in NEED_CONTACT and not self.contact:
            expected = f"your e-mail or web address: {self.source} does not answer those it cannot write to"
            problems.append(Problem("outlook contact", "nothing", expected))
        if self.base and not re.fullmatch(r"https?://\S+", self.base):
            problems.append(Problem("outlook base", repr(self.base), "an address that begins with https:// or http://"))
        if self.source not in (NONE, *SERVICES) and not self.source.endswith(".json"):
            expected = f"{NONE}, {', '.join(SERVICES)}, or the path of an outlook document that ends in .json"
            problems.append(Problem("outlook source", repr(self.source), expected))
        if problems:
            raise SettingsError("\n".join(map(str, problems)))


def choose_outlook(
    site: Site,
    facts: Facts,
    record: RainRecord | None,
    timeline: tuple[int, int],
    members: int,
    rng: np.random.Generator,
    settings: OutlookSettings | None = None,
    *,
    fetcher: Fetcher | None = None,
    past: Path | None = None,
    without_year: int | None = None,
    given: bytes | None = None,
) -> Outlook:
    """The outlook of a site over the whole `timeline`. Never raises for what a source of weather does.

    An outlook that somebody gave comes before the source of the settings, and that before the season.

    timeline  start [UTC ms] and hours, as `predict.timeline` gives them
    fetcher   asks the weather services; needed by those sources alone
    past      folder of past outlooks, from which a correction is learnt; None: none is
    without_year  a calendar year of the record to leave out: for honest forecasts of the past
    given     an outlook document that somebody sent for this site
    """
    settings = settings or OutlookSettings()
    start_ms, hours = timeline
    so_far = facts.rain_mm[: (floor_hour(facts.now_ms) - facts.rain_start_ms) // HOUR_MS]
    notes: list[Saying] = []
    for source in (*((GIVEN,) if given is not None else ()), *((settings.source,) if settings.source != NONE else ())):
        try:
            said = _given(settings, site, fetcher, facts.now_ms) if source != GIVEN else _sent(given or b"")
            said, corrected = _corrected(said, source, site, facts, past, rng)
            season = season_outlook(site, record, start_ms, hours, SEASON_COURSES, rng, without_year)
            return blend(said, season, facts.now_ms, members, rng, corrected=corrected).noting(*notes)
        except OutlookError as error:
            why = " ".join(str(error).split())
            log.warning("%s: no outlook from %s: %s", site.id, source, why)
            note = say("No weather outlook from {source}: {problem}", source=name(source), problem=name(why[:300]))
            notes.append(note)
    return season_outlook(site, record, start_ms, hours, members, rng, without_year, so_far).noting(*notes)


def season_outlook(
    site: Site,
    record: RainRecord | None,
    start_ms: int,
    hours: int,
    members: int,
    rng: np.random.Generator,
    without_year: int | None = None,
    measured_mm: Floats | None = None,
) -> Outlook:
    """Windows of the rain record where there is one for this season, else monthly means, else a guess that says so.

    measured_mm  rain of the first hours, up to now: windows alike in their last days come more often [mm]
    """
    if record is not None:
        try:
            return history_outlook(
                record, start_ms, hours, members, rng, without_year=without_year, measured_mm=measured_mm
            )
        except ForecastUnavailable as error:
            log.warning("%s: %s; %s", site.id, error, rain_stand_in(site))
    if site.design is not None:
        return monthly_outlook(site.design.rain_mm, start_ms, hours, members, rng).noting(_means_alone())
    guessed = monthly_outlook([GUESSED_MONTH_MM] * 12, start_ms, hours, members, rng)
    rain = millimetres(GUESSED_MONTH_MM)
    source = say("a guess of {rain} in every month: no rain record, no monthly means", rain=rain)
    note = say(
        "How much it rains here nobody has said: {rain} in every month are a guess. The site file should have the rain "
        "of twelve mean months, or the service a rain record.",
        rain=rain,
    )
    return replace(guessed, source=source).noting(note)


def _means_alone() -> Saying:
    """What a season of monthly means is worth."""
    said_chance, came = MEANS_CHANCE
    return say(
        "The coming rain is made around monthly means, which hide dry spells: beside seven rain records of other "
        "places, tanks that were given a chance of {said} to run out did so in {came} of the cases.",
        said=share(said_chance), came=share(came),
    )  # fmt: skip


def _sent(document: bytes) -> Outlook:
    """A document that somebody sent, on hours. Raises OutlookError."""
    return to_outlook(parse_document(document, GIVEN))


def _given(settings: OutlookSettings, site: Site, fetcher: Fetcher | None, now_ms: int) -> Outlook:
    """What the source says, on hours. Raises OutlookError."""
    if settings.source not in SERVICES:
        return to_outlook(read_document(Path(settings.source)))
    if fetcher is None:
        raise OutlookUnavailable("nothing here can ask a weather service")
    base = settings.base or _BASES[settings.source]
    contact = settings.contact
    place = (round(site.latitude, 4), round(site.longitude, 4))
    match settings.source:
        case open_meteo.NAME:
            path, parameters = open_meteo.query(*place, settings.model)
            answer = fetcher.get(base, path, parameters, now_ms, lambda body: open_meteo.parse(body, now_ms), contact)
            delivery = open_meteo.parse(answer.body, answer.fetched_ms)
        case met_norway.NAME:
            path, parameters = met_norway.query(*place)
            answer = fetcher.get(base, path, parameters, now_ms, met_norway.parse, contact)
            delivery = met_norway.parse(answer.body)
        case _:
            cell = fetcher.get(base, nws.query(*place), {}, now_ms, nws.parse_point, contact)
            answer = fetcher.get(base, nws.parse_point(cell.body), {}, now_ms, nws.parse, contact)
            delivery = nws.parse(answer.body)
    outlook = to_outlook(delivery)
    if answer.problem:
        return outlook.noting(
            say(
                "{source} failed when last asked ({problem}): its last answer is used.",
                source=name(settings.source),
                problem=name(answer.problem),
            )
        )
    return outlook


def _corrected(
    given: Outlook,
    source: str,
    site: Site,
    facts: Facts,
    past: Path | None,
    rng: np.random.Generator,
) -> tuple[Outlook, bool]:
    """The outlook with its bias corrected, where its own past at this site says enough, and whether it is."""
    if past is None or given.members == 1:
        return given, False
    from forecast.outlook.emos import correct  # noqa: PLC0415 - SciPy's optimiser, 38 MB, only where it is used
    from forecast.outlook.past import PastOutlooks  # noqa: PLC0415

    kept = PastOutlooks(past / f"{site.id}.{source if source in SERVICES else 'document'}.past.json")
    if not with_age(given, facts.now_ms).stale:
        kept.note(given, facts.rain_start_ms, facts.rain_mm, facts.now_ms)
    fits = kept.fits(given.members)
    if not fits:
        return given, False
    tomorrow_ms = (facts.now_ms // DAY_MS + 1) * DAY_MS
    cases = min(emos.cases for emos in fits.values())
    corrected = correct(given, fits, tomorrow_ms, rng)
    note = say("The weather outlook is corrected by its own past here, {cases} cases or more.", cases=number(cases))
    return corrected.noting(note), True
