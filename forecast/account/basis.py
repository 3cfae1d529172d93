"""What rain the account's promise rests on, and that a design check may promise by another. Pure."""

from __future__ import annotations

from typing import Final

import numpy as np

from forecast.outlook.record import RainRecord
from forecast.sizing.years import years_of_record
from ingest.errors import RecordFileError
from ingest.saying import Saying, millimetres, name, say
from ingest.site import Site

#: Years of rain that differ by less are as good as the same. [share]
_ALIKE: Final = 0.005


def basis(site: Site, record: RainRecord | None) -> list[Saying]:
    """Which rain was promised, beside that of a design check. record: that such a check rests on, if there is one"""
    promised_mm = sum(site.design.rain_mm) if site.design is not None else 0.0
    promised = millimetres(promised_mm)
    rests = say(
        "The promise rests on the monthly means of the site file, {promised} in a year, laid on the hours in which it "
        "rained here.",
        promised=promised,
    )
    return [rests, _beside(site, record, promised_mm)]


def _beside(site: Site, record: RainRecord | None, promised_mm: float) -> Saying:
    if record is None:
        return say(
            "A design check without a rain record rests on the same means; one with a record rests on that, and "
            "promises another amount."
        )
    try:
        years = years_of_record(site, record).years
    except RecordFileError:
        return say(
            "The rain record {record} has no whole year, so no design check rests on it.", record=name(record.name)
        )
    its_mm = float(np.mean([year.rain_mm.sum() for year in years]))
    its = millimetres(its_mm)
    if abs(its_mm - promised_mm) <= _ALIKE * promised_mm:
        return say(
            "The design check rests on the rain record {record} instead, which has as much in a mean year, but dry and "
            "wet years: the two do not promise the same.",
            record=name(record.name),
        )
    if its_mm > promised_mm:
        return say(
            "The design check rests on the rain record {record} instead, {its} in a mean year, {more} more: the two "
            "do not promise the same.",
            record=name(record.name), its=its, more=millimetres(its_mm - promised_mm),
        )  # fmt: skip
    return say(
        "The design check rests on the rain record {record} instead, {its} in a mean year, {less} less: the two do not "
        "promise the same.",
        record=name(record.name), its=its, less=millimetres(promised_mm - its_mm),
    )  # fmt: skip
