"""Who may come in: people, their sessions, tokens, and the setup code. No secret stands here as it is sent.

Digests are SHA-256 of random secrets of 128 bits and more; passwords are argon2 strings.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from ingest.store.records import Records
from ingest.store.schema import Key, metadata

person = sa.Table(
    "person",
    metadata,
    sa.Column("id", Key, primary_key=True),
    sa.Column("name", sa.String(80), nullable=False),
    sa.Column("folded", sa.String(160), nullable=False, unique=True),
    sa.Column("password", sa.String(200), nullable=False),
    sa.Column("scope", sa.String(20), nullable=False),
    sa.Column("created_ms", sa.BigInteger, nullable=False),
)
session = sa.Table(
    "session",
    metadata,
    sa.Column("digest", sa.LargeBinary(32), primary_key=True),
    sa.Column("person", Key, sa.ForeignKey("person.id", ondelete="CASCADE"), nullable=False, index=True),
    sa.Column("created_ms", sa.BigInteger, nullable=False),
    sa.Column("used_ms", sa.BigInteger, nullable=False),
)
token = sa.Table(
    "token",
    metadata,
    sa.Column("id", Key, primary_key=True),
    sa.Column("name", sa.String(80), nullable=False),
    sa.Column("digest", sa.LargeBinary(32), nullable=False, unique=True),
    sa.Column("scope", sa.String(20), nullable=False),
    sa.Column("created_ms", sa.BigInteger, nullable=False),
    sa.Column("created_by", sa.String(80), nullable=False),
    sa.Column("expires_ms", sa.BigInteger),
    sa.Column("used_ms", sa.BigInteger),
    sa.Column("revoked_ms", sa.BigInteger),
)
setup_code = sa.Table(
    "setup_code",
    metadata,
    sa.Column("digest", sa.LargeBinary(32), primary_key=True),
    sa.Column("created_ms", sa.BigInteger, nullable=False),
)


class Person(NamedTuple):
    """Somebody with a password. folded: the name as it is compared; password: an argon2 string."""

    id: int
    name: str
    folded: str
    password: str
    scope: str
    created_ms: int


class Token(NamedTuple):
    """A program's way in, without its secret. created_by: who made it. [UTC ms]"""

    id: int
    name: str
    scope: str
    created_ms: int
    created_by: str
    expires_ms: int | None
    used_ms: int | None
    revoked_ms: int | None


class OpenSession(NamedTuple):
    """A session and whose it is. [UTC ms]"""

    person: Person
    created_ms: int
    used_ms: int


_TOKEN_COLUMNS = [token.c[name] for name in Token._fields]


class AccessStore:
    """People, sessions, tokens and the setup code, in the database of the records. Safe to share between threads.

    Every method raises StoreUnavailable while the database cannot be used.
    """

    def __init__(self, records: Records) -> None:
        self._records = records

    def put_setup_code(self, digest: bytes, now_ms: int) -> None:
        """Let this one code, and no earlier one, set the service up."""
        with self._records.transaction() as connection:
            connection.execute(sa.delete(setup_code))
            connection.execute(sa.insert(setup_code).values(digest=digest, created_ms=now_ms))

    def use_setup_code(self, digest: bytes, first: Person) -> bool:
        """Trade the code for the first person, in one commit. False: no such code (any more)."""
        with self._records.transaction() as connection:
            used = connection.execute(sa.delete(setup_code).where(setup_code.c.digest == digest))
            if used.rowcount != 1:
                return False
            connection.execute(sa.insert(person).values(_row(first)))
            return True

    def add_person(self, new: Person) -> bool:
        """Keep somebody, and drop a setup code that is now without use. False: the name is taken."""
        try:
            with self._records.transaction() as connection:
                connection.execute(sa.insert(person).values(_row(new)))
                connection.execute(sa.delete(setup_code))
        except sa.exc.IntegrityError:
            return False
        return True

    def people(self) -> list[Person]:
        """Everybody, by name."""
        with self._records.transaction() as connection:
            return [Person(*row) for row in connection.execute(sa.select(person).order_by(person.c.folded))]

    def person_named(self, folded: str) -> Person | None:
        """Whoever has this name, as it is compared."""
        with self._records.transaction() as connection:
            row = connection.execute(sa.select(person).where(person.c.folded == folded)).first()
        return None if row is None else Person(*row)

    def set_password(self, person_id: int, password: str) -> None:
        """A new password, which ends every session of that person, in one commit."""
        with self._records.transaction() as connection:
            connection.execute(sa.update(person).where(person.c.id == person_id).values(password=password))
            connection.execute(sa.delete(session).where(session.c.person == person_id))

    def rehash(self, person_id: int, old: str, new: str) -> None:
        """The same password under newer parameters, unless it was changed meanwhile; sessions stay."""
        same = sa.update(person).where(person.c.id == person_id, person.c.password == old)
        with self._records.transaction() as connection:
            connection.execute(same.values(password=new))

    def remove_person(self, person_id: int) -> None:
        """Forget somebody and end their sessions. What they wrote down keeps their name."""
        with self._records.transaction() as connection:
            connection.execute(sa.delete(session).where(session.c.person == person_id))
            connection.execute(sa.delete(person).where(person.c.id == person_id))

    def open_session(self, digest: bytes, person_id: int, now_ms: int, stale: tuple[int, int]) -> None:
        """Open a session, and clear away those created, or last used, before the two instants in `stale`."""
        created_ms, used_ms = stale
        with self._records.transaction() as connection:
            old = (session.c.created_ms < created_ms) | (session.c.used_ms < used_ms)
            connection.execute(sa.delete(session).where(old))
            row = {"digest": digest, "person": person_id, "created_ms": now_ms, "used_ms": now_ms}
            connection.execute(sa.insert(session).values(row))

    def session(self, digest: bytes) -> OpenSession | None:
        """The session of a secret, however old."""
        wanted = sa.select(person, session.c.created_ms.label("since_ms"), session.c.used_ms)
        wanted = wanted.join_from(session, person, session.c.person == person.c.id).where(session.c.digest == digest)
        with self._records.transaction() as connection:
            row = connection.execute(wanted).first()
        return None if row is None else OpenSession(Person(*row[:6]), row.since_ms, row.used_ms)

    def touch_session(self, digest: bytes, now_ms: int) -> None:
        """It was used."""
        self._update(session, session.c.digest == digest, used_ms=now_ms)

    def close_session(self, digest: bytes) -> None:
        """End it."""
        with self._records.transaction() as connection:
            connection.execute(sa.delete(session).where(session.c.digest == digest))

    def put_token(self, digest: bytes, new: Token) -> Token:
        """Keep a token; the answer has its id."""
        values = new._asdict() | {"digest": digest}
        del values["id"]
        with self._records.transaction() as connection:
            key = connection.execute(sa.insert(token).values(values).returning(token.c.id)).scalar_one()
        return new._replace(id=key)

    def token(self, digest: bytes) -> Token | None:
        """The token of a secret, revoked and expired ones too."""
        with self._records.transaction() as connection:
            row = connection.execute(sa.select(*_TOKEN_COLUMNS).where(token.c.digest == digest)).first()
        return None if row is None else Token(*row)

    def tokens(self) -> Sequence[Token]:
        """All of them, oldest first."""
        with self._records.transaction() as connection:
            return [Token(*row) for row in connection.execute(sa.select(*_TOKEN_COLUMNS).order_by(token.c.id))]

    def touch_token(self, token_id: int, now_ms: int) -> None:
        """It was used."""
        self._update(token, token.c.id == token_id, used_ms=now_ms)

    def revoke_token(self, token_id: int, now_ms: int) -> bool:
        """End it for good. False: there is none with this id that is not revoked."""
        return self._update(token, (token.c.id == token_id) & token.c.revoked_ms.is_(None), revoked_ms=now_ms) == 1

    def _update(self, table: sa.Table, which: sa.ColumnElement[bool], **values: Any) -> int:
        with self._records.transaction() as connection:
            return connection.execute(sa.update(table).where(which).values(values)).rowcount


def _row(entry: Person) -> dict[str, Any]:
    row = entry._asdict()
    del row["id"]
    return row
