"""Who reads in which language, and how figures are said in it."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from api import words
from api.languages.language import language
from api.languages.reader import choices, reader_of
from api.speech import Speaker
from ingest import saying
from ingest.instants import HOUR_MS, MINUTE_MS
from ingest.saying import Figure, say
from tests.api.fakes import NOW_MS

LONDON = ZoneInfo("Europe/London")
SPANISH = Speaker(LONDON, language("es"))


@pytest.mark.parametrize(
    ("query", "cookies", "accepts", "expected"),
    [
        ({}, {}, "", "en_GB"),
        ({}, {}, "es", "es_ES"),
        ({}, {}, "fr, es-MX;q=0.8, en;q=0.9", "en_GB"),
        ({}, {}, "fr, es-MX;q=0.8, en;q=0.7", "es_MX"),
        ({}, {}, "es;q=0, de", "en_GB"),
        ({}, {}, "es;q=never", "en_GB"),
        ({}, {}, "es-419", "es_ES"),
        ({}, {}, "es-XX", "es_ES"),
        ({}, {"lang": "es"}, "en-US", "es_ES"),
        ({"lang": "en"}, {"lang": "es"}, "es", "en_GB"),
        ({"lang": "en"}, {}, "es, en-US", "en_US"),
        ({"lang": "tlh"}, {"lang": "../../etc"}, "es", "es_ES"),
    ],
)
def test_the_address_wins_over_the_cookie_and_that_over_the_browser(
    query: dict[str, str], cookies: dict[str, str], accepts: str, expected: str
) -> None:
    assert str(reader_of(query, cookies, accepts).language.locale) == expected


def test_units_are_chosen_likewise_and_only_known_choices_are_remembered() -> None:
    assert reader_of({}, {}, "en-US").units == "litre"
    assert reader_of({}, {"units": "us-gallon"}, "").units == "us-gallon"
    assert reader_of({"units": "litre"}, {"units": "us-gallon"}, "").units == "litre"
    assert choices({"lang": "es", "units": "firkin", "other": "x"}) == {"lang": "es"}


@pytest.mark.parametrize(
    ("figure", "english", "spanish"),
    [
        (saying.litres(2131.4), "2,130 L", "2130 L"),
        (saying.litres(84.4), "84 L", "84 L"),
        (saying.litres(12_346), "12,350 L", "12.350 L"),
        (saying.litres_a_day(95), "95 L a day", "95 L al día"),
        (saying.litres_a_minute(14.2), "14 L/min", "14 L/min"),
        (saying.metres(1.062), "1.06 m", "1,06 m"),
        (saying.millimetres(7.6), "8 mm", "8 mm"),
        (saying.volts(12.624), "12.62 V", "12,62 V"),
        (saying.celsius(-3), "-3 °C", "-3 °C"),
        (saying.share(0.589), "59 %", "59 %"),
        (saying.chance(0.1), "about 1 chance in 10", "1 de cada 10"),
        (saying.chance(0.043), "about 4 chances in 100", "4 de cada 100"),
        (saying.chance(0.0), "less than one chance in a hundred", "menos de 1 de cada 100"),
        (saying.number(1.25), "1.25", "1,25"),
        (saying.number(9), "9", "9"),
        (saying.days(1), "1 day", "1 día"),
        (saying.days(14), "14 days", "14 días"),
        (saying.hours(26), "26 hours", "26 horas"),
        (saying.duration(35 * MINUTE_MS), "35 minutes", "35 minutos"),
        (saying.duration(50 * HOUR_MS), "2 days", "2 días"),
        (saying.instant(NOW_MS), "Wed 25 Nov, 12:04", "mié 25 nov, 12:04"),
        (saying.day(NOW_MS), "Wednesday 25 November", "miércoles 25 de noviembre"),
        (saying.month(12), "December", "diciembre"),
        (saying.names(["a", "b", "c"]), "a, b and c", "a, b y c"),
        (saying.name("main"), "main", "main"),
    ],
)
def test_a_figure_is_said_in_the_forms_of_the_language(figure: Figure, english: str, spanish: str) -> None:
    assert Speaker(LONDON).figure(figure) == english
    assert SPANISH.figure(figure) == spanish


def test_a_country_has_its_own_forms() -> None:
    assert Speaker(LONDON, language("es", "MX")).figure(saying.volts(12.62)) == "12.62 V"


def test_gallons_for_whoever_wants_them() -> None:
    # 1 US gallon is 231 cubic inches: 3.785411784 L (NIST Handbook 44, appendix C).
    speaker = Speaker(LONDON, units="us-gallon")
    assert speaker.figure(saying.litres(2131.4)) == "563 gal"
    assert speaker.figure(saying.litres_a_day(378.54)) == "100 gal a day"
    assert speaker.figure(saying.litres_a_minute(37.854)) == "10 gal/min"


@pytest.mark.parametrize(
    ("figure", "metric", "us"),
    [
        # A little is not nothing: 1.1 L/min is 0.29 gal/min, a drip of 9 L/h 0.04.
        (saying.litres_a_minute(1.1), "1.1 L/min", "0.3 gal/min"),
        (saying.litres_a_minute(0.16), "0.2 L/min", "0.04 gal/min"),
        (saying.litres_a_minute(0.0), "0 L/min", "0 gal/min"),
        (saying.litres(13.0), "13 L", "3.4 gal"),
        (saying.litres(37.8), "38 L", "10 gal"),
        (saying.litres_a_day(11.4), "11 L a day", "3 gal a day"),
        # 1 in is 25.4 mm, 1 ft 12 of them, 0 °C is 32 °F (NIST Handbook 44, appendix C; from memory).
        (saying.metres(1.8), "1.80 m", "70.9 in"),
        (saying.millimetres(16.0), "16 mm", "0.63 in"),
        (saying.millimetres_fine(0.41), "0.41 mm", "0.016 in"),
        (saying.square_metres(84), "84 m²", "904 ft²"),
        (saying.celsius(25), "25 °C", "77 °F"),
        (saying.celsius_apart(10), "10 °C", "18 °F"),
        (saying.volts(12.0), "12.00 V", "12.00 V"),
    ],
)
def test_gallons_bring_inches_with_them_and_a_little_is_not_nothing(figure: Figure, metric: str, us: str) -> None:
    assert Speaker(LONDON).figure(figure) == metric
    assert Speaker(LONDON, units="us-gallon").figure(figure) == us
    assert Speaker(LONDON, language("es"), "us-gallon").figure(saying.metres(1.35)) == "53,1 pulg"


def test_what_has_no_translation_is_said_in_english_and_plain_text_as_it_is() -> None:
    assert SPANISH.say(say("Nobody has translated {this}.", this=saying.days(2))) == "Nobody has translated 2 días."
    assert SPANISH.say("An old document said this.") == "An old document said this."


@pytest.mark.parametrize(("value", "decimals", "shown"), [(-0.04, 1, "0.0"), (-0.3, 0, "0"), (-0.06, 1, "-0.1")])
def test_what_rounds_to_nothing_has_no_sign(value: float, decimals: int, shown: str) -> None:
    assert words.number(value, decimals) == shown
