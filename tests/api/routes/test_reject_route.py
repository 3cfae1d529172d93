"""Refused messages: whoever sets a device up sees why."""

from __future__ import annotations

from ingest.payload import Decoder
from ingest.reading import Reject
from ingest.site import Site
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, MemoryReadings

TOPIC = "ullage/skerrow-head/post-1/senml"
OWN = Reject(NOW_MS - 60_000, TOPIC, "unit 'l/min' is not in the registry: send l/s", b'[{"u":"l/min"}]')
FOREIGN = Reject(NOW_MS - 90_000, "ullage/elsewhere/post-1/senml", "site 'elsewhere' is unknown", b"\xff<b>")
OLD = Reject(NOW_MS - 2 * 86_400_000, TOPIC, "not JSON", b"")


def test_the_newest_come_first_with_reason_and_bytes(client: Client, heard: MemoryReadings) -> None:
    heard.refused = [OWN, FOREIGN, OLD]
    found = client.get("/api/v1/rejects").json()["rejects"]
    assert [entry["reason"] for entry in found] == [OWN.reason, FOREIGN.reason, OLD.reason]
    assert found[0]["time"] == "2026-11-25T12:03:00Z"
    assert found[1]["payload"] == "\\xff<b>"
    assert len(client.get("/api/v1/rejects?limit=1").json()["rejects"]) == 1


def test_the_page_of_a_site_shows_its_own_of_the_last_day(client: Client, heard: MemoryReadings) -> None:
    assert "Refused messages" not in client.get("/sites/skerrow-head").text
    heard.refused = [OWN, FOREIGN, OLD]
    page = client.get("/sites/skerrow-head").text.split("Refused messages")[1].split("<table")[0]
    assert "send l/s" in page
    assert "elsewhere" not in page
    assert "not JSON" not in page


def test_the_older_follow_by_cursor(client: Client, readings: MemoryReadings) -> None:
    readings.refused = [OWN._replace(id=3), FOREIGN._replace(id=2), OLD._replace(id=1)]
    first = client.get("/api/v1/rejects?limit=2").json()
    rest = client.get("/api/v1/rejects", params={"limit": 2, "cursor": first["next"]}).json()
    assert [entry["reason"] for entry in first["rejects"] + rest["rejects"]] == [OWN.reason, FOREIGN.reason, OLD.reason]
    assert rest["next"] is None


def test_on_the_day_of_commissioning_a_topic_that_names_no_site_is_shown_too(
    client: Client, heard: MemoryReadings, skerrow_head: Site
) -> None:
    decoder = Decoder({skerrow_head.id: skerrow_head})
    topics = (TOPIC, "ullage/skerow-head/post-1/senml", "ullage/post-1")
    heard.refused = [decoder.decode(topic, b"[", NOW_MS - 60_000).rejects[0] for topic in topics]
    heard.refused.append(OWN._replace(topic="ullage/tarn-orchard/lower-post/senml"))
    page = client.get("/sites/skerrow-head/commissioning").text.split("Refused messages")[1]
    assert all(f"<li>{topic}: " in page for topic in topics)
    assert "tarn-orchard/lower-post" not in page
    assert "no site is called" not in client.get("/sites/skerrow-head").text
