"""Setting up, signing in, tokens and sessions: every decision about who comes in is taken here.

Nothing is open before somebody has set the service up with the code of the first start. What was
found good is remembered for a second, so that a busy client does not cost a query each time: a
token revoked by another process is refused within that second.
"""

from __future__ import annotations

import threading
import unicodedata
from collections import OrderedDict
from collections.abc import Callable
from typing import Final

from api.access import password as passwords
from api.access import secret
from api.access.attempts import LONGEST_FOR_A_NAME_MS, Attempts
from api.access.scope import CONFIGURE, Caller, ScopeName, scope_of
from api.problems import ProblemError, refused
from ingest.instants import DAY_MS, MINUTE_MS, SECOND_MS
from ingest.saying import number, say
from ingest.store.access import AccessStore, Person, Token

#: A session ends when it was not used for so long, and at any rate after so long.
IDLE_MS: Final = 7 * DAY_MS
ABSOLUTE_MS: Final = 30 * DAY_MS
#: When something was last used is written down no more often than this.
_TOUCH_MS: Final = 10 * MINUTE_MS
_REMEMBERED_MS: Final = SECOND_MS
_MOST_REMEMBERED: Final = 10_000
_LONGEST_SECRET: Final = 200


class Access:
    """Who may come in. Safe to share between threads. clock: UTC now [ms]"""

    def __init__(self, store: AccessStore, clock: Callable[[], int]) -> None:
        self._store = store
        self._clock = clock
        self._ready = False
        self._by_name = Attempts(LONGEST_FOR_A_NAME_MS)
        self._by_address = Attempts()
        self._known: OrderedDict[tuple[bool, bytes], tuple[int, Caller]] = OrderedDict()
        self._lock = threading.Lock()

    @property
    def ready(self) -> bool:
        """Whether somebody has set the service up."""
        self._ready = self._ready or bool(self._store.people())
        return self._ready

    def offer_setup(self) -> str | None:
        """A fresh setup code, the only one that holds from now on; None: the service is set up."""
        if self.ready:
            return None
        code = secret.new_setup_code()
        self._store.put_setup_code(secret.code_digest(code), self._clock())
        return code

    def set_up(self, code: str, name: str, password: str, address: str) -> str:
        """Trade the setup code for the first person; the secret of their session. Raises ProblemError."""
        if self.ready:
            raise ProblemError(409, "set-up-already", "Set up already", "This service has been set up: sign in.")
        self._hold_back(self._by_address, address)
        new = self._person(name, password, CONFIGURE)
        if not self._store.use_setup_code(secret.code_digest(code[:_LONGEST_SECRET]), new):
            detail = "This is not the code that the service printed when it last started. A restart prints a new one."
            raise ProblemError(403, "wrong-setup-code", "Wrong setup code", detail)
        self._by_address.forget(address)
        return self._open_session(new.folded)

    def sign_in(self, name: str, password: str, address: str) -> str:
        """Name and password for the secret of a session. Raises ProblemError, for an unknown name the same."""
        folded = _folded(name[:_LONGEST_SECRET])
        self._hold_back(self._by_address, address)
        self._hold_back(self._by_name, folded)
        found = self._store.person_named(folded)
        if not passwords.fits(password, None if found is None else found.password) or found is None:
            detail = "Name or password is wrong. Whoever can log in to the machine itself can set a new password there."
            raise ProblemError(401, "sign-in-failed", "Not signed in", detail)
        self._by_address.forget(address)
        self._by_name.forget(folded)
        if passwords.outdated(found.password):
            self._store.rehash(found.id, found.password, passwords.hash_of(password))
        return self._open_session(folded)

    def sign_out(self, session: bytes) -> None:
        """End a session."""
        self._store.close_session(session)
        self._forget()

    def change_password(self, name: str, old: str, new: str, address: str) -> str:
        """A new password for somebody who knows the old one; all their sessions end, and one begins."""
        folded = _folded(name)
        self._hold_back(self._by_address, address)
        found = self._store.person_named(folded)
        if found is None or not passwords.fits(old, found.password):
            raise ProblemError(403, "wrong-password", "Wrong password", "The old password is not right.")
        self._by_address.forget(address)
        self.reset_password(name, new)
        return self._open_session(folded)

    def reset_password(self, name: str, password: str) -> None:
        """A new password for somebody, whoever asks. Raises ProblemError."""
        found = self._store.person_named(_folded(name))
        if found is None:
            raise ProblemError(404, "unknown-person", "No such person", "Nobody has this name.")
        trouble = passwords.trouble_with(password)
        if trouble is not None:
            raise refused(("password", trouble))
        self._store.set_password(found.id, passwords.hash_of(password))
        self._forget()

    def add_person(self, name: str, password: str, scope: ScopeName) -> Person:
        """Somebody more. Raises ProblemError."""
        new = self._person(name, password, scope)
        if not self._store.add_person(new):
            raise ProblemError(409, "name-taken", "Name taken", "Somebody has this name already: choose another.")
        return new

    def remove_person(self, name: str) -> None:
        """Forget somebody; not the last one who may configure. Raises ProblemError."""
        everybody = self._store.people()
        found = next((one for one in everybody if one.folded == _folded(name)), None)
        if found is None:
            raise ProblemError(404, "unknown-person", "No such person", "Nobody has this name.")
        if not any(one.scope == CONFIGURE for one in everybody if one.id != found.id):
            detail = "Nobody else may configure this service: add somebody first."
            raise ProblemError(409, "last-person", "The last one", detail)
        self._store.remove_person(found.id)
        self._forget()

    def people(self) -> list[Person]:
        """Everybody."""
        return self._store.people()

    def issue(self, name: str, scope: ScopeName, created_by: str, days: float | None = None) -> tuple[str, Token]:
        """A new token: its secret, to be shown once, and what is kept of it. [d]"""
        now_ms = self._clock()
        expires_ms = None if days is None else now_ms + round(days * DAY_MS)
        kept = Token(0, _name(name), scope, now_ms, created_by, expires_ms, None, None)
        shown = secret.new_token()
        return shown, self._store.put_token(secret.digest_of(shown), kept)

    def tokens(self) -> list[Token]:
        """All tokens, revoked and expired ones too."""
        return list(self._store.tokens())

    def revoke(self, token_id: int) -> None:
        """End a token. Raises ProblemError."""
        if not self._store.revoke_token(token_id, self._clock()):
            raise ProblemError(404, "unknown-token", "No such token", "No token in force has this id.")
        self._forget()

    def bearer(self, token: str) -> Caller | None:
        """Whose token this is; None: nobody's, or not any more."""
        return self._by_token(secret.digest_of(token[:_LONGEST_SECRET]))

    def visitor(self, session: str) -> Caller | None:
        """Whose session this is; None: nobody's, or not any more."""
        return self._by_session(secret.digest_of(session[:_LONGEST_SECRET]), session)

    def remembered(self, shown: str, *, session: bool) -> Caller | None:
        """What `bearer`, or `visitor` for a session, found a moment ago, without asking the store."""
        with self._lock:
            until_ms, caller = self._known.get((session, secret.digest_of(shown[:_LONGEST_SECRET])), (0, None))
        now_ms = self._clock()
        return caller if until_ms - _REMEMBERED_MS <= now_ms < until_ms else None

    def _by_token(self, digest: bytes) -> Caller | None:
        now_ms, found = self._clock(), self._store.token(digest)
        if found is None or found.revoked_ms is not None or not _before(now_ms, found.expires_ms):
            return None
        if found.used_ms is None or now_ms - found.used_ms >= _TOUCH_MS:
            self._store.touch_token(found.id, now_ms)
        caller = Caller(f"token {found.name}", scope_of(found.scope), f"token {found.id}")
        return self._remember((False, digest), caller, found.expires_ms)

    def _by_session(self, digest: bytes, session: str) -> Caller | None:
        now_ms, found = self._clock(), self._store.session(digest)
        if found is None:
            return None
        ends_ms = min(found.created_ms + ABSOLUTE_MS, found.used_ms + IDLE_MS)
        if not _before(now_ms, ends_ms):
            self._store.close_session(digest)
            return None
        if now_ms - found.used_ms >= _TOUCH_MS:
            self._store.touch_session(digest, now_ms)
        who = found.person
        caller = Caller(who.name, scope_of(who.scope), f"person {who.id}", digest, secret.form_token(session))
        return self._remember((True, digest), caller, ends_ms)

    def _open_session(self, folded: str) -> str:
        found = self._store.person_named(folded)
        if found is None:  # removed in this very moment
            raise ProblemError(401, "sign-in-failed", "Not signed in", "Nobody has this name any more.")
        shown, now_ms = secret.new_session(), self._clock()
        self._store.open_session(secret.digest_of(shown), found.id, now_ms, (now_ms - ABSOLUTE_MS, now_ms - IDLE_MS))
        return shown

    def _hold_back(self, attempts: Attempts, key: str) -> None:
        """Count a try, or refuse it while the last failures are too fresh."""
        wait_ms = attempts.wait_ms(key, self._clock())
        if wait_ms:
            wait_s = -(-wait_ms // SECOND_MS)
            detail = say("Too many failures: try again in {seconds} seconds.", seconds=number(wait_s))
            raise ProblemError(429, "too-many-tries", "Wait a moment", detail, headers={"Retry-After": str(wait_s)})
        attempts.failed(key, self._clock())

    def _person(self, name: str, password: str, scope: ScopeName) -> Person:
        trouble = passwords.trouble_with(password)
        if trouble is not None:
            raise refused(("password", trouble))
        shown = _name(name)
        return Person(0, shown, _folded(shown), passwords.hash_of(password), scope, self._clock())

    def _remember(self, digest: tuple[bool, bytes], caller: Caller, ends_ms: int | None) -> Caller:
        until_ms = self._clock() + _REMEMBERED_MS
        with self._lock:
            self._known[digest] = (until_ms if ends_ms is None else min(until_ms, ends_ms), caller)
            self._known.move_to_end(digest)
            if len(self._known) > _MOST_REMEMBERED:
                self._known.popitem(last=False)
        return caller

    def _forget(self) -> None:
        with self._lock:
            self._known.clear()


def _before(now_ms: int, end_ms: int | None) -> bool:
    return end_ms is None or now_ms < end_ms


def _name(name: str) -> str:
    """A name of a person or a token, as it is shown. Raises ProblemError."""
    shown = unicodedata.normalize("NFC", name).strip()
    if not 1 <= len(shown) <= 80 or not shown.isprintable():
        raise refused(("name", say("a name of 1 to 80 characters that can be printed")))
    return shown


def _folded(name: str) -> str:
    """A name as it is compared."""
    return unicodedata.normalize("NFKC", name).strip().casefold()[:160]
