"""The newest outlook that somebody gave for each site, as the document that was sent."""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from ingest.store.records import Records
from ingest.store.schema import lock, outlook


class GivenOutlook(NamedTuple):
    """A document, when its giver made it and when it came here. [UTC ms]"""

    site: str
    issued_ms: int
    received_ms: int
    document: bytes


class GivenOutlooks:
    """Outlooks in the records store, one a site. Every method raises StoreUnavailable while it cannot be used."""

    def __init__(self, records: Records) -> None:
        self._records = records

    def put(self, given: GivenOutlook) -> bool:
        """Keep an outlook in the place of an older one. False: the one that is there was issued later, and stays."""
        of_site = outlook.c.site == given.site
        with self._records.transaction() as connection:
            lock(connection)
            there = connection.execute(sa.select(outlook.c.issued_ms).where(of_site)).scalar()
            if there is not None and there > given.issued_ms:
                return False
            connection.execute(sa.delete(outlook).where(of_site))
            connection.execute(sa.insert(outlook).values(given._asdict()))
        return True

    def of(self, site: str, since_ms: int = 0) -> GivenOutlook | None:
        """The outlook of a site, unless it was issued before `since_ms`."""
        wanted = sa.select(*(outlook.c[name] for name in GivenOutlook._fields)).where(
            outlook.c.site == site, outlook.c.issued_ms >= since_ms
        )
        with self._records.transaction() as connection:
            row = connection.execute(wanted).one_or_none()
        return None if row is None else GivenOutlook(*row)

    def sites(self, since_ms: int) -> set[str]:
        """The sites that have one issued since then."""
        with self._records.transaction() as connection:
            return set(connection.execute(sa.select(outlook.c.site).where(outlook.c.issued_ms >= since_ms)).scalars())
