"""The role: a backlog, then the present, with progress and a clean end; and what the demonstration shows."""

from __future__ import annotations

import itertools
import json
import threading

import numpy as np
import pytest

from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_rfc3339
from ingest.site import Site
from simulator.plant import Plant
from simulator.role import DEMO_SEED, Progress, Story, accelerated, run_simulator
from simulator.weather import invented_weather
from tests.conftest import RunningBroker
from tests.simulator.listening import ALL_DEVICES, Listener, device_url, said_goodbye

NOW_MS = from_rfc3339("2026-06-28T12:03:20Z")


class SteppingClock:
    """Stands still until the present is reached, then goes on 20 ms whenever it is asked."""

    def __init__(self) -> None:
        self.time_ms = NOW_MS
        self.live = False

    def __call__(self) -> int:
        self.time_ms += 20 if self.live else 0
        return self.time_ms


def test_past_days_then_the_present(nats_broker: RunningBroker, skerrow_head: Site) -> None:
    """Two days of backlog; then the site lives an hour a second, until half an hour has passed."""
    stop, progress, clock = threading.Event(), list[Progress](), SteppingClock()

    def on_progress(step: Progress) -> None:
        progress.append(step)
        clock.live = step.live
        if step.until_ms >= NOW_MS + HOUR_MS // 2:
            stop.set()

    with Listener(nats_broker.collector_url, ALL_DEVICES) as listener:
        url = device_url(nats_broker)
        run_simulator(skerrow_head, url, "ullage", 2, DEMO_SEED, clock, 3600.0, stop, on_progress)
        assert listener.wait_until(said_goodbye)
        packs = [json.loads(message.payload) for message in listener.on("/senml")]

    times_s = [pack[0]["bt"] + record.get("t", 0) for pack in packs for record in pack]
    assert times_s == sorted(times_s)
    assert min(times_s) * 1000 == pytest.approx(NOW_MS - 2 * DAY_MS, abs=6 * MINUTE_MS)
    assert max(times_s) * 1000 == pytest.approx(NOW_MS + HOUR_MS // 2, abs=6 * MINUTE_MS)
    assert len(times_s) == pytest.approx(6 * (48.5 * 12), rel=0.02)
    assert max(map(len, packs)) == 100
    assert [step.live for step in progress[:3]] == [False, False, True]
    assert [step.live for step in progress] == sorted(step.live for step in progress)
    assert progress[-1].readings == len(times_s)
    first_live = next(step for step in progress if step.live)
    assert first_live.acknowledged == sum(-(-count // 100) for count in _daily_counts(progress))


def _daily_counts(progress: list[Progress]) -> list[int]:
    """Readings of each piece of the backlog."""
    totals = [0, *(step.readings for step in progress if not step.live)]
    return [later - sooner for sooner, later in itertools.pairwise(totals)]


def test_other_devices_tell_only_the_present(nats_broker: RunningBroker, tarn_orchard: Site) -> None:
    stop, clock, live = threading.Event(), SteppingClock(), list[Progress]()

    def on_progress(step: Progress) -> None:
        clock.live = step.live
        live.extend([step] if step.live else [])

    with Listener(nats_broker.collector_url, ALL_DEVICES, "orchard/+/+") as listener:
        thread = threading.Thread(
            target=run_simulator,
            args=(tarn_orchard, device_url(nats_broker), "ullage", 1, 1, clock, 3600.0, stop, on_progress),
        )
        thread.start()
        heard_it = listener.wait_until(lambda heard: any(m.topic.startswith("orchard") for m in heard))
        stop.set()
        thread.join(20)
        assert heard_it
        assert not thread.is_alive()
        states = listener.on("orchard/lower-post/state")
        assert len(states) < len(live)  # one each time the present is told, after its beginning; none of the past
        assert json.loads(states[0].payload) == {"flow": {"litres_per_second": pytest.approx(0, abs=0.2)}}


def test_a_story_is_the_same_for_whoever_begins_to_listen_within_the_month(skerrow_head: Site) -> None:
    early, late = (Story(skerrow_head, 5, NOW_MS - days * DAY_MS) for days in (4, 1))
    assert late.until_ms == NOW_MS - DAY_MS - NOW_MS % MINUTE_MS
    early.tell(late.until_ms)
    assert early.tell(NOW_MS) == [pytest.approx(reading, abs=0.11) for reading in late.tell(NOW_MS)]
    assert late.tell(NOW_MS) == []


def test_an_accelerated_clock() -> None:
    ticks = iter([1000, 1000, 3000])
    clock = accelerated(lambda: next(ticks), 60)
    assert (clock(), clock()) == (1000, 121_000)
    with pytest.raises(ValueError, match="expected more than 0"):
        accelerated(lambda: 0, 0)


def test_every_month_of_the_demonstration_has_something_to_show(skerrow_head: Site) -> None:
    """Thirty days from any month on: water moves, is seldom out for long, and the battery is never flat."""
    truth = Plant(skerrow_head, DEMO_SEED).run(
        invented_weather(skerrow_head, from_rfc3339("2025-10-01T00:00:00Z"), 485 * 1440, DEMO_SEED)
    )
    volume = truth.tanks["main"].volume_l
    assert truth.power
    for day in range(30, 485 - 30, 30):
        month = slice(day * 1440, (day + 30) * 1440)
        assert np.ptp(volume[month]) > 400
        assert np.mean(volume[month] < volume.min() + 5) < 0.3
        assert 11.9 < truth.power.volts[month].min() < 12.7
    assert 0.2 < np.mean([truth.spilled_l[d * 1440 : (d + 30) * 1440].sum() > 0 for d in range(30, 455, 30)]) < 0.8
