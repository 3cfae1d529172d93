"""The readers that the ingest bench compares, each as a process that tells its time and CPU."""

from __future__ import annotations

import json
import sqlite3
import sys
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from ingest.brokerurl import parse_url
from ingest.collector import Collector
from ingest.payload import Decoder
from ingest.quality import Checks
from ingest.sitefile import load_sites
from ingest.store.sqlite import SqliteStore

SITES = Path(__file__).parent.parent.parent / "deploy" / "sites" / "skerrow-head.toml"


def naive(url: str, client_id: str, file: str, messages: int, *, wal: bool) -> None:
    """What a user would write."""
    database = sqlite3.connect(file)
    if wal:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA synchronous = NORMAL")
    database.execute("CREATE TABLE reading (site TEXT, sensor TEXT, time REAL, value REAL)")
    stored = 0

    def on_message(client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        nonlocal stored
        site = message.topic.split("/")[1]
        for record in json.loads(message.payload):
            row = (site, record["bn"] + record["n"], record["t"], record["v"])
            database.execute("INSERT INTO reading VALUES (?, ?, ?, ?)", row)
        database.commit()
        stored += 1
        if stored == messages:
            client.disconnect()

    broker = parse_url(url)
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, clean_session=False)
    client.on_message = on_message
    client.username_pw_set(broker.user, broker.password)
    client.connect(broker.host, broker.port)
    client.loop_forever()


def ours(url: str, client_id: str, file: str, messages: int) -> None:
    """The collector."""
    sites = load_sites(SITES)
    store = SqliteStore(Path(file))
    stop = threading.Event()
    collector = Collector(parse_url(url), client_id, Decoder(sites), Checks(sites), store)

    def watch() -> None:
        while collector.counters.messages < messages:
            time.sleep(0.002)
        stop.set()

    threading.Thread(target=watch, daemon=True).start()
    collector.run(stop)
    assert store.counts()["readings"] == messages
    store.close()


def main() -> None:
    """`python -m tests.bench.readers READER URL CLIENT FILE MESSAGES`"""
    reader, url, client_id, file, messages = sys.argv[1:]
    begin, cpu = time.perf_counter(), time.process_time()
    if reader in ("each", "wal"):
        naive(url, client_id, file, int(messages), wal=reader == "wal")
    else:
        ours(url, client_id, file, int(messages))
    print(json.dumps({"wall_s": time.perf_counter() - begin, "cpu_s": time.process_time() - cpu}))


if __name__ == "__main__":
    main()
