"""What is found of a sensor on the day of commissioning."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from api.commissioning.checks import Check, check
from api.commissioning.hand import compare, span_ms
from api.commissioning.handover import what_stands_here, within
from api.commissioning.words import what
from api.languages.language import language
from api.speech import Speaker
from ingest.instants import HOUR_MS, MINUTE_MS, SECOND_MS
from ingest.reading import OUT_OF_RANGE, QUANTITIES, TIME_OF_ARRIVAL, Reading
from ingest.site import Draw, Sensor, Site
from ingest.store.records import LogEntry

NOW_MS = 1_795_600_000_000
SPEAKER = Speaker(ZoneInfo("Europe/London"))


def sensor_of(site: Site, measures: str) -> Sensor:
    return site.sensors_of(measures)[0]


def heard(sensor: Sensor, count: int = 30, step: float = 0.01, flags: int = 0, every_s: float = 0.0) -> list[Reading]:
    every_ms = round(1_000 * (every_s or sensor.every_s))
    return [
        Reading("skerrow-head", NOW_MS - back * every_ms, sensor.id, 1.0 + (count - back) * step, flags)
        for back in reversed(range(count))
    ]


def by_hand(sensor: Sensor, value: float, ago_ms: int = 0) -> LogEntry:
    return LogEntry("skerrow-head", NOW_MS - ago_ms, "measured", sensor.id, "warden", "", value)


def text(found: Check) -> str:
    return " ".join(SPEAKER.say(sentence) for sentence in found.said)


def test_silence_says_what_must_be_sent_and_where(skerrow_head: Site) -> None:
    found = check(sensor_of(skerrow_head, "tank.main.level"), skerrow_head, [], None, NOW_MS)
    assert found.verdict == "silent"
    assert "with QoS 1 to ullage/skerrow-head/post-1/senml, with the name level and the unit m:" in text(found)
    assert "refused" not in text(found)
    level = sensor_of(skerrow_head, "tank.main.level")
    named = check(level, skerrow_head, [], None, NOW_MS, prefix="water/own", refused=True)
    assert " to water/own/skerrow-head/post-1/senml, " in text(named)
    assert text(named).endswith("Look at the refused messages below as well.")
    spanish = Speaker(ZoneInfo("UTC"), language("es"))
    assert "QoS 1 en water/own/skerrow-head/post-1/senml, con" in spanish.say(named.said[1])


@pytest.mark.parametrize(
    ("measures", "english", "spanish"),
    [
        ("battery.voltage", "by somebody trained for it, with insulated probes", "con puntas aisladas"),
        (
            "roof.bunkhouse.total",
            "into the gutter within an hour, from the ground or a safe place",
            "nunca desde el te",
        ),
        ("rain.total", "from firm ground and never from a roof", "desde suelo firme"),
        ("draw.taps.total", "into a bucket of known size", "a un cubo"),
    ],
)
def test_how_a_sensor_is_compared_by_hand_hurts_nobody(
    skerrow_head: Site, measures: str, english: str, spanish: str
) -> None:
    sensor = sensor_of(skerrow_head, measures)
    found = check(sensor, skerrow_head, heard(sensor), None, NOW_MS)
    assert english in text(found)
    assert spanish in " ".join(Speaker(ZoneInfo("UTC"), language("es")).say(one) for one in found.said)


@pytest.mark.parametrize(
    ("hours", "english", "spanish"),
    [
        (24, "Within 24 hours.", "En menos de 24 horas."),
        (72, "Within 3 days.", "En menos de 3 días."),
        (168, "Within a week.", "En menos de una semana."),
    ],
)
def test_the_sheet_says_how_soon_as_people_do(hours: int, english: str, spanish: str) -> None:
    assert SPEAKER.say(within(hours)) == english
    assert Speaker(ZoneInfo("UTC"), language("es")).say(within(hours)) == spanish


def test_the_silence_of_a_device_that_speaks_other_json_names_topic_and_pointer(tarn_orchard: Site) -> None:
    sensor = next(one for one in tarn_orchard.sensor if one.topic is not None)
    said = text(check(sensor, tarn_orchard, [], None, NOW_MS))
    assert str(sensor.topic) in said
    assert str(sensor.pointer) in said


def test_well_heard_is_not_yet_ready(skerrow_head: Site) -> None:
    level = sensor_of(skerrow_head, "tank.main.level")
    found = check(level, skerrow_head, heard(level), None, NOW_MS)
    assert found.verdict == "compare"
    assert "from firm ground and without climbing in, and close and secure the lid again" in text(found)


def test_compared_and_agreeing_is_ready(skerrow_head: Site) -> None:
    level = sensor_of(skerrow_head, "tank.main.level")
    readings = heard(level)
    found = check(level, skerrow_head, readings, compare(level, by_hand(level, 1.31), readings), NOW_MS)
    assert found.verdict == "ready"
    assert "1.30 m by the sensor and 1.31 m by hand" in text(found)


def test_one_level_is_said_to_tell_no_wrong_scale(skerrow_head: Site) -> None:
    level = sensor_of(skerrow_head, "tank.main.level")
    readings = heard(level)
    newest = compare(level, by_hand(level, 1.31), readings)
    one = check(level, skerrow_head, readings, newest, NOW_MS)
    assert (one.verdict, one.one_level) == ("ready", True)
    # A quarter of the brim's 1.80 m.
    assert "measure again when the water stands 0.45 m or more higher or lower" in text(one)
    two = check(level, skerrow_head, readings, newest, NOW_MS, another=newest._replace(hand=0.8, sensor=0.8))
    assert (two.verdict, two.one_level) == ("ready", False)
    assert "So did 0.80 m" in text(two)
    battery = sensor_of(skerrow_head, "battery.voltage")
    volts = [reading._replace(sensor=battery.id) for reading in readings]
    other = check(battery, skerrow_head, volts, compare(battery, by_hand(battery, 1.3), volts), NOW_MS)
    assert (other.verdict, other.one_level) == ("ready", False)


@pytest.mark.parametrize(("hand", "agrees"), [(1.32, True), (1.33, False), (1.27, False)])
def test_a_level_may_be_two_centimetres_apart(skerrow_head: Site, hand: float, agrees: bool) -> None:
    level = sensor_of(skerrow_head, "tank.main.level")
    readings = heard(level)
    compared = compare(level, by_hand(level, hand), readings)
    assert compared.agrees == agrees
    verdict = check(level, skerrow_head, readings, compared, NOW_MS).verdict
    assert verdict == ("ready" if agrees else "look")


def test_the_reading_nearest_to_the_measurement_is_the_one_compared(skerrow_head: Site) -> None:
    level = sensor_of(skerrow_head, "tank.main.level")
    readings = heard(level)
    ago_ms = round(10_000 * level.every_s)
    entry = by_hand(level, 1.2, ago_ms)
    start_ms, end_ms = span_ms(level, entry)
    near = [reading for reading in readings if start_ms <= reading.time_ms < end_ms]
    assert 1 <= len(near) < len(readings)
    assert compare(level, entry, near).sensor == pytest.approx(1.2)


def test_a_measurement_near_which_nothing_was_heard_says_so(skerrow_head: Site) -> None:
    level = sensor_of(skerrow_head, "tank.main.level")
    found = check(level, skerrow_head, heard(level), compare(level, by_hand(level, 1.3), []), NOW_MS)
    assert found.verdict == "look"
    assert "nothing usable was heard near that time" in text(found)


def test_a_total_is_compared_by_what_ran_through_within_the_hour(skerrow_head: Site) -> None:
    total = next(sensor for sensor in skerrow_head.sensor if sensor.quantity.counter and sensor.quantity.unit == "L")
    minutes = range(120)
    readings = [
        Reading("skerrow-head", NOW_MS - (119 - minute) * MINUTE_MS, total.id, 5_000.0 + min(20, max(0, minute - 80)))
        for minute in minutes
    ]
    assert compare(total, by_hand(total, 20.5), readings).sensor == pytest.approx(20.0)
    assert compare(total, by_hand(total, 20.5), readings).agrees
    assert not compare(total, by_hand(total, 22.0), readings).agrees


def test_a_rate_is_compared_by_what_ran_through(tarn_orchard: Site) -> None:
    rate = next(sensor for sensor in tarn_orchard.sensor if sensor.quantity.unit == "L/h")
    every_ms = round(1_000 * rate.every_s)
    readings = [
        Reading("tarn-orchard", NOW_MS - back * every_ms, rate.id, 60.0 if 1 <= back <= 2 else 0.0)
        for back in reversed(range(HOUR_MS // every_ms))
    ]
    wanted_l = 60.0 * 2 * every_ms / HOUR_MS
    compared = compare(rate, LogEntry("tarn-orchard", NOW_MS, "measured", rate.id, "warden", "", wanted_l), readings)
    assert compared.sensor == pytest.approx(wanted_l)
    assert compared.unit == "L"


def test_what_is_not_believed_is_said(skerrow_head: Site) -> None:
    level = sensor_of(skerrow_head, "tank.main.level")
    found = check(level, skerrow_head, heard(level, flags=OUT_OF_RANGE), None, NOW_MS)
    assert found.verdict == "look"
    assert "None of them is believed: outside the range that is possible here." in text(found)
    some = [*heard(level)[:-1], heard(level, flags=OUT_OF_RANGE)[-1]]
    one = text(check(level, skerrow_head, some, None, NOW_MS))
    assert "One of them is not believed: outside the range that is possible here." in one
    assert "This ends once all values of an hour are believed." in one


def test_a_device_that_fell_silent_today_is_looked_at(skerrow_head: Site) -> None:
    level = sensor_of(skerrow_head, "tank.main.level")
    later_ms = NOW_MS + 2 * HOUR_MS
    found = check(level, skerrow_head, heard(level), None, later_ms)
    assert found.verdict == "look"
    assert "Nothing more has come for 2 hours." in text(found)


def test_a_device_slower_than_the_file_says_is_looked_at(skerrow_head: Site) -> None:
    level = sensor_of(skerrow_head, "tank.main.level")
    readings = heard(level, every_s=4 * level.every_s)
    found = check(level, skerrow_head, readings, None, NOW_MS)
    assert found.verdict == "look"
    assert "correct the one or the other" in text(found)


def test_a_level_that_never_moves_is_looked_at(skerrow_head: Site) -> None:
    level = sensor_of(skerrow_head, "tank.main.level")
    assert check(level, skerrow_head, heard(level, step=0.0), None, NOW_MS).verdict == "look"


@pytest.mark.parametrize(
    ("measures", "why"),
    [
        ("rain.total", "right if it has not rained since"),
        ("roof.bunkhouse.total", "right if it has not rained since"),
        ("draw.taps.total", "right if nothing has run through since"),
    ],
)
def test_a_total_that_stands_still_is_no_fault(skerrow_head: Site, measures: str, why: str) -> None:
    total = sensor_of(skerrow_head, measures)
    found = check(total, skerrow_head, heard(total, step=0.0), None, NOW_MS)
    assert found.verdict == "compare"
    assert why in text(found)
    assert why not in text(check(total, skerrow_head, heard(total), None, NOW_MS))


def test_whatever_may_be_measured_has_words_for_people(skerrow_head: Site) -> None:
    for quantity in QUANTITIES:
        sensor = Sensor(device="post", name="x", measures=quantity.pattern.replace("*", "main"))
        assert SPEAKER.say(what(sensor))
    assert SPEAKER.say(what(sensor_of(skerrow_head, "tank.main.level"))) == "Water level in tank main"


@pytest.mark.parametrize(
    ("months", "said"),
    [
        (None, None),
        (list(range(1, 13)), None),
        ([5], "hose is used in May."),
        ([3, 4, 5], "hose is used from March to May."),
        ([11, 12, 1, 2], "hose is used from November to February."),
        ([3, 4, 9, 10, 11], "hose is used from March to April and from September to November."),
    ],
)
def test_the_sheet_says_in_which_months_a_draw_is_used(
    skerrow_head: Site, months: list[int] | None, said: str | None
) -> None:
    hose = Draw(id="hose", tank="main", feed="gravity", litres_per_day=10.0, months=months)
    stands = [SPEAKER.say(line) for line in what_stands_here(skerrow_head.model_copy(update={"draw": [hose]}))]
    assert [line for line in stands if "is used" in line] == ([said] if said else [])
    assert "Not for drinking: hose. Every such outlet has a sign." in stands


def test_a_device_without_a_clock_is_told(skerrow_head: Site) -> None:
    level = sensor_of(skerrow_head, "tank.main.level")
    found = check(level, skerrow_head, heard(level, flags=TIME_OF_ARRIVAL), None, NOW_MS)
    assert found.verdict == "compare"
    assert "dated by their arrival" in text(found)


def test_readings_are_looked_for_a_while_around_a_measurement(skerrow_head: Site) -> None:
    level = sensor_of(skerrow_head, "tank.main.level")
    start_ms, end_ms = span_ms(level, by_hand(level, 1.0))
    assert NOW_MS - start_ms == end_ms - NOW_MS
    assert NOW_MS - start_ms >= 10 * 60 * SECOND_MS
