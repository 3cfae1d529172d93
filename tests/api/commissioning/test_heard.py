"""What is said of wrong clocks, of values out of range, and of amounts that the sensor has not told yet."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from api.commissioning.checks import Check, check
from api.commissioning.hand import compare
from api.commissioning.reading import look
from api.languages.language import language
from api.speech import Speaker
from ingest.instants import HOUR_MS, MINUTE_MS, SECOND_MS, from_rfc3339
from ingest.quality import limits_of, plain_flags
from ingest.reading import AHEAD_OF_CLOCK, OUT_OF_RANGE, TIME_OF_ARRIVAL, Reading
from ingest.site import Sensor, Site
from ingest.store.records import LogEntry, Records
from tests.api.fakes import NOW_MS, MemoryReadings

EVERY_MS = 5 * MINUTE_MS


@pytest.fixture
def level(skerrow_head: Site) -> Sensor:
    return skerrow_head.sensors_of("tank.main.level")[0]


def sent(sensor: Sensor, values: list[float], newest_ms: int = NOW_MS, flags: int = 0) -> list[Reading]:
    """So many values, one every five minutes."""
    first_ms = newest_ms - (len(values) - 1) * EVERY_MS
    return [Reading("skerrow-head", first_ms + n * EVERY_MS, sensor.id, v, flags) for n, v in enumerate(values)]


def text(found: Check, code: str = "en") -> str:
    speaker = Speaker(ZoneInfo("Europe/London"), language(code))
    return " ".join(speaker.say(sentence) for sentence in found.said)


def rising(count: int) -> list[float]:
    return [1 + n / 100 for n in range(count)]


def test_a_clock_two_hours_ahead_is_no_silence(skerrow_head: Site, level: Sensor) -> None:
    # The newest was sent two minutes ago: how far ahead its clock is can only be told to an interval.
    readings = sent(level, rising(3), NOW_MS + 2 * HOUR_MS - 2 * MINUTE_MS, AHEAD_OF_CLOCK)
    found = check(level, skerrow_head, readings, None, NOW_MS)
    assert (found.verdict, found.newest) == ("look", readings[-1])
    assert text(found) == (
        "Heard, but dated 2 hours in the future (Wed 25 Nov, 14:02): the clock of post-1 is wrong, or it sends for how "
        "long it has been switched on. Set the clock, or leave out the times (bt and t)."
    )
    assert "con fecha 2 horas en el futuro" in text(found, "es")


def test_a_clock_that_went_ahead_today_is_told_beside_what_was_good(skerrow_head: Site, level: Sensor) -> None:
    readings = [
        *sent(level, rising(30), NOW_MS - HOUR_MS),
        *sent(level, rising(3), NOW_MS + 2 * HOUR_MS, AHEAD_OF_CLOCK),
    ]
    found = check(level, skerrow_head, readings, None, NOW_MS)
    assert found.verdict == "look"
    assert "Values in the last day: 30, the newest at Wed 25 Nov, 11:04. Heard, but dated 2 hours" in text(found)
    assert "Nothing more has come" not in text(found)


def test_a_clock_set_right_is_believed_at_once(skerrow_head: Site, level: Sensor) -> None:
    """What it dated in the future stands among its good values for hours, and after them."""
    ahead = [
        Reading("skerrow-head", NOW_MS + n * EVERY_MS - MINUTE_MS, level.id, 1.2, AHEAD_OF_CLOCK) for n in (-2, -1, 1)
    ]
    readings = sorted([*sent(level, rising(3)), *ahead], key=lambda reading: reading.time_ms)
    found = check(level, skerrow_head, readings, None, NOW_MS)
    assert found.verdict == "compare"
    assert "2 earlier values were not believed: dated in the future. Those since are." in text(found)


def test_a_clock_a_little_ahead_is_heard(skerrow_head: Site, level: Sensor) -> None:
    found = check(level, skerrow_head, sent(level, [1.0], NOW_MS + 3 * MINUTE_MS), None, NOW_MS)
    assert found.verdict == "compare"


@pytest.mark.parametrize("ahead_ms", [2 * HOUR_MS, 40_000 * HOUR_MS])
def test_the_store_is_asked_for_what_is_dated_in_the_future(
    skerrow_head: Site, level: Sensor, readings: MemoryReadings, records: Records, ahead_ms: int
) -> None:
    limits = limits_of(skerrow_head, level)
    flags = plain_flags(NOW_MS + ahead_ms, 1.2, limits, NOW_MS)
    readings.write([Reading("skerrow-head", NOW_MS + ahead_ms, level.id, 1.2, flags)])
    checks = look(skerrow_head, readings, records, NOW_MS, "ullage").checks
    assert [one.verdict for one in checks if one.sensor.id == level.id] == ["look"]
    assert {one.verdict for one in checks if one.sensor.id != level.id} == {"silent"}


def test_a_clock_that_was_never_set_is_no_silence(
    skerrow_head: Site, level: Sensor, readings: MemoryReadings, records: Records
) -> None:
    readings.write([Reading("skerrow-head", from_rfc3339("2000-01-01T00:10:00Z"), level.id, 1.2)])
    found = next(one for one in look(skerrow_head, readings, records, NOW_MS, "ullage").checks if one.sensor == level)
    assert found.verdict == "look"
    assert "Heard, but dated 1 January 2000: the clock of post-1 is not set." in text(found)


@pytest.mark.parametrize(("flags", "hinted"), [(0, True), (TIME_OF_ARRIVAL, False)])
def test_silence_may_be_a_clock_that_is_behind(skerrow_head: Site, level: Sensor, flags: int, hinted: bool) -> None:
    """Local time sent as UTC, west of Greenwich."""
    found = text(check(level, skerrow_head, sent(level, rising(4), NOW_MS - 6 * HOUR_MS, flags), None, NOW_MS))
    assert "Nothing more has come for 6 hours." in found
    assert ("If it does send, its clock is behind: it must send UTC" in found) == hinted


def test_metres_that_are_centimetres_are_told_with_what_to_send(skerrow_head: Site, level: Sensor) -> None:
    readings = sent(level, [131.0], flags=OUT_OF_RANGE)
    said = text(check(level, skerrow_head, readings, None, NOW_MS))
    # 1.80 m to the brim, and a tenth of that above it.
    assert "131.00 m at Wed 25 Nov, 12:04; possible is -0.05 m to 1.98 m." in said
    assert "Does the device count in centimetres? Then it must send 1.31 m." in said
    assert "¿Cuenta el aparato en centímetros? Entonces debe enviar 1.31 m." in text(
        check(level, skerrow_head, readings, None, NOW_MS), "es"
    )
    impossible = text(check(level, skerrow_head, sent(level, [-9.0], flags=OUT_OF_RANGE), None, NOW_MS))
    assert "Does the device count" not in impossible


@pytest.mark.parametrize(("good", "verdict"), [(2, "look"), (11, "look"), (12, "compare")])
def test_what_was_not_believed_is_past_after_an_hour_of_good_values(
    skerrow_head: Site, level: Sensor, good: int, verdict: str
) -> None:
    bad = sent(level, [131.0], NOW_MS - good * EVERY_MS, OUT_OF_RANGE)
    found = check(level, skerrow_head, [*bad, *sent(level, rising(good))], None, NOW_MS)
    assert found.verdict == verdict
    assert ("One earlier value was not believed" in text(found)) == (verdict == "compare")


def test_a_device_that_has_learnt_the_time_is_told_no_more(skerrow_head: Site, level: Sensor) -> None:
    readings = [*sent(level, rising(3), NOW_MS - EVERY_MS, TIME_OF_ARRIVAL), *sent(level, [1.03])]
    assert "dated by their arrival" not in text(check(level, skerrow_head, readings, None, NOW_MS))
    assert "dated by their arrival" in text(check(level, skerrow_head, readings[:-1], None, NOW_MS))


@pytest.mark.parametrize(
    ("measures", "hand", "said"), [("draw.taps.total", 20.0, "20 L"), ("rain.total", 5.5, "5.5 mm")]
)
def test_an_amount_waits_for_the_next_reading(skerrow_head: Site, measures: str, hand: float, said: str) -> None:
    meter = skerrow_head.sensors_of(measures)[0]
    readings = sent(meter, [100.0] * 12, NOW_MS - 2 * MINUTE_MS)
    entry = LogEntry("skerrow-head", NOW_MS - MINUTE_MS, "measured", meter.id, "warden", "", hand)

    def at(now_ms: int, heard: list[Reading]) -> Check:
        return check(meter, skerrow_head, heard, compare(meter, entry, heard), now_ms)

    waiting = at(NOW_MS, readings)
    assert waiting.verdict == "compare"
    assert f"{said} by hand at Wed 25 Nov, 12:03: wait for the next reading, within 5 minutes;" in text(waiting)
    assert "Measure again" not in text(waiting)
    # It came, and counted; or counted nothing; or never came.
    assert at(NOW_MS + EVERY_MS, [*readings, *sent(meter, [100.0 + hand], NOW_MS + EVERY_MS)]).verdict == "look"
    came = NOW_MS + 3 * MINUTE_MS
    assert at(came, [*readings, *sent(meter, [100.0 + hand], came)]).verdict == "ready"
    assert "Measure again" in text(at(came, [*readings, *sent(meter, [100.0], came)]))
    assert "Measure again" in text(at(NOW_MS + 20 * MINUTE_MS, readings))


def test_how_far_small_amounts_may_be_apart_is_not_rounded_away(skerrow_head: Site) -> None:
    for measures, said in (
        ("rain.total", "0 mm by the sensor and 5 mm by hand at Wed 25 Nov, 11:59: 5 mm apart, more than 0.25 mm."),
        ("draw.taps.total", "0 L by the sensor and 5 L by hand at Wed 25 Nov, 11:59: 5 L apart, more than 0.25 L."),
    ):
        sensor = skerrow_head.sensors_of(measures)[0]
        readings = sent(sensor, [100.0, 100.0], NOW_MS - 10 * SECOND_MS)
        entry = LogEntry("skerrow-head", NOW_MS - EVERY_MS, "measured", sensor.id, "warden", "", 5.0)
        assert said in text(check(sensor, skerrow_head, readings, compare(sensor, entry, readings), NOW_MS))
