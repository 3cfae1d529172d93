"""What the bundled broker is told at each start: where it listens, what it keeps and how, who may do what."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from ingest.continuity import subject_of, subjects_of
from ingest.devices import read_devices, users_of
from ingest.keeper import ANSWERS, KEEPER, KEEPER_MAY
from ingest.site import ALARM_LEVEL

if TYPE_CHECKING:
    from ingest.broker import Broker

COLLECTOR: Final = "collector"
DEVICE: Final = "device"
#: Shows the state of the alarms, and who looks at it.
ALARMS: Final = "alarms"
DISPLAY: Final = "display"


def configuration(broker: Broker, passwords: dict[str, str]) -> str:
    """The server's configuration file.

    Devices may publish and nothing else, and so may who shows the alarms; a display sees these.
    The collector may subscribe and publishes nothing: the server itself handles the JetStream
    traffic behind an MQTT session (tried with 2.15).
    """
    allowed = json.dumps([subject for topic in broker.topics for subject in subjects_of(topic)])
    collector = json.dumps(passwords[COLLECTOR])
    known = read_devices(broker.folder)
    shared = [(DEVICE, passwords[DEVICE], list(broker.topics))] if known.shared else []
    shown = [f"{topic.removesuffix('#')}+/{ALARM_LEVEL}/+" for topic in broker.topics if topic.endswith("/#")]
    alarms = (ALARMS, passwords[ALARMS], shown)
    # The state of the alarms is nothing that a device may tell.
    devices = "".join(_publisher(*user, deny=shown) for user in (*shared, *users_of(known, broker.device_topics)))
    publishers = devices + _publisher(*alarms)
    display, seen = json.dumps(passwords[DISPLAY]), json.dumps([subject_of(topic) for topic in shown])
    keeper, keeper_may = json.dumps(passwords[KEEPER]), json.dumps(KEEPER_MAY)
    listen = json.dumps(f"[{broker.host}]:{broker.port}" if ":" in broker.host else f"{broker.host}:{broker.port}")
    return f"""# Written anew at every start: changes made here are lost.
server_name: "ullage"
listen: "127.0.0.1:-1"
http: "127.0.0.1:-1"
ports_file_dir: {json.dumps(str(broker.folder))}
jetstream {{
  store_dir: {json.dumps(str(broker.folder / "messages"))}
  sync_interval: always
  max_mem: 64MB
  max_file: {broker.max_file_bytes}
}}
mqtt {{
  listen: {listen}
  ack_wait: "{broker.ack_wait_s}s"
  max_ack_pending: 1000
}}
authorization {{
  users: [
    {{ user: "{COLLECTOR}", password: {collector},
      permissions: {{ publish: {{ deny: [">"] }}, subscribe: {{ allow: {allowed[:-1]}, "$MQTT.sub.>"] }} }} }}
    {{ user: "{DISPLAY}", password: {display},
      permissions: {{ publish: {{ deny: [">"] }}, subscribe: {{ allow: {seen[:-1]}, "$MQTT.sub.>"] }} }} }}
{publishers}    {{ user: "{KEEPER}", password: {keeper},
      permissions: {{ publish: {{ allow: {keeper_may} }}, subscribe: {{ allow: ["{ANSWERS}"] }} }} }}
  ]
}}
"""


def _publisher(user: str, password: str, topics: list[str], *, deny: Sequence[str] = ()) -> str:
    """A user who publishes to these topics, but for some, and does nothing else."""
    allow, denied = (
        json.dumps([subject for topic in some for subject in subjects_of(topic)]) for some in (topics, deny)
    )
    return f"""    {{ user: {json.dumps(user)}, password: {json.dumps(password)},
      permissions: {{ publish: {{ allow: {allow}, deny: {denied} }}, subscribe: {{ deny: [">"] }} }} }}
"""
