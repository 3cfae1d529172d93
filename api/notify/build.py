"""The outbox of an installation, put together."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from api.alarms.backup import stands_by_log
from api.notify.channels import channels_of
from api.notify.compose import Composer
from api.notify.digest import Digester, read_report
from api.notify.outbox import Outbox
from api.notify.recipients import Recipients
from api.settings import Settings
from ingest.site import Site
from ingest.store.readings import ReadingStore
from ingest.store.records import Records


def outbox_of(
    sites: Mapping[str, Site],
    readings: ReadingStore,
    records: Records,
    recipients: Recipients,
    clock: Callable[[], int],
    settings: Settings,
) -> Outbox:
    """Everything that messages are made from, and the ways that they go. Raises SettingsError."""
    composer = Composer(
        sites, recipients.page or "", lambda site: stands_by_log(site, records.last_log(site.id) if site.backup else {})
    )
    digester = Digester(sites, composer, lambda site, now_ms: read_report(site, readings, records, now_ms, settings))
    return Outbox(records, recipients, channels_of(recipients), composer, digester, clock)
