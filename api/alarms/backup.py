"""Whether the backup supply stands open, as far as anybody knows, and who says so. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from api.alarms.kinds import BackupStands
from ingest.site import Site
from ingest.store.records import LogEntry


def stands_by_log(site: Site | None, log: Mapping[tuple[str, str], LogEntry]) -> BackupStands | None:
    """What the site's log says; log: the newest entry of each kind and part. None: no backup, or nobody wrote it."""
    if site is None or site.backup is None:
        return None
    opened, closed = (log.get((kind, site.backup.id)) for kind in ("backup-opened", "backup-closed"))
    if opened is None and closed is None:
        return None
    is_open = opened is not None and (closed is None or closed.time_ms < opened.time_ms)
    return BackupStands(is_open, by_sensor=False)
