"""Every error that this project raises on purpose.

    UllageError
    ├── SiteFileError        a site description is wrong; lists every problem at once
    ├── RecipientsFileError  the file of those who are told of alarms is wrong; lists every problem at once
    ├── SettingsError        an option or environment variable is wrong
    ├── PayloadError         one message from a device cannot be read
    ├── RecordFileError      a rain record (CSV) is wrong; names the row
    ├── OutlookError         there is no weather outlook from where one was to come
    │   ├── OutlookUnavailable    a weather service does not answer, or not as it documents
    │   └── OutlookDocumentError  an outlook document is wrong; lists every problem at once
    ├── BrokerError          a broker cannot be started or reached, refuses us, or was lost
    ├── StoreError           readings or records cannot be kept
    │   ├── StoreUnavailable     not now: keep the message unacknowledged and try again
    │   ├── StoreCorrupt         not ever: stop and let a person look
    │   └── StoreRefused         it does not know us, or not what we ask for: stop, and correct the settings
    ├── AsideError           work in a process of its own came to nothing
    ├── ForecastUnavailable  there is not enough to say anything; says what is missing
    └── ActionRefused        what somebody wants to do about an alarm cannot be done; says why
        ├── UnknownAlarm         there is no such alarm here
        └── NotActive            there is nothing to acknowledge or to end, maybe not any more

Anything else that escapes is a bug.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


class UllageError(Exception):
    """Root of the tree. The text is written for the person who has to act on it."""


#: What stands where a key is missing.
NOTHING: Final = "nothing"


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a file: where, what stands there, or NOTHING, what was expected."""

    key: str
    value: str
    expected: str

    def __str__(self) -> str:
        found = f"{self.key} is missing" if self.value == NOTHING else f"{self.key} = {self.value}"
        return f"{found}: expected {self.expected}"


class SiteFileError(UllageError):
    """A site description that cannot be used, with all its problems."""

    def __init__(self, file: str, problems: list[Problem]) -> None:
        self.file = file
        self.problems = problems
        super().__init__("\n".join(f"{file}: {problem}" for problem in problems))

    def __reduce__(self) -> tuple[type[SiteFileError], tuple[str, list[Problem]]]:
        return SiteFileError, (self.file, self.problems)


class RecipientsFileError(UllageError):
    """A file of recipients that cannot be used, with all its problems."""

    def __init__(self, file: str, problems: list[Problem]) -> None:
        self.file = file
        self.problems = problems
        super().__init__("\n".join(f"{file}: {problem}" for problem in problems))

    def __reduce__(self) -> tuple[type[RecipientsFileError], tuple[str, list[Problem]]]:
        return RecipientsFileError, (self.file, self.problems)


class SettingsError(UllageError):
    """A setting that cannot be used: its name, its value and what was expected."""


class PayloadError(UllageError):
    """A message that cannot be read. The text goes to the rejects table."""


class RecordFileError(UllageError):
    """A rain record that cannot be used; names the file, the row and the remedy."""


class OutlookError(UllageError):
    """No weather outlook from where one was to come; the season's weather stands in."""


class OutlookUnavailable(OutlookError):
    """A weather service does not answer, or answers something that cannot be used."""


class OutlookDocumentError(OutlookError):
    """An outlook document that cannot be used, with all its problems."""

    def __init__(self, source: str, problems: list[Problem]) -> None:
        self.source = source
        self.problems = problems
        super().__init__("\n".join(f"{source}: {problem}" for problem in problems))

    def __reduce__(self) -> tuple[type[OutlookDocumentError], tuple[str, list[Problem]]]:
        return OutlookDocumentError, (self.source, self.problems)


class BrokerError(UllageError):
    """A broker did not start or has stopped, cannot be reached, or refuses us; says which and what to do."""


class StoreError(UllageError):
    """Readings or records cannot be kept."""


class StoreUnavailable(StoreError):
    """The store cannot take or give anything now; trying again later may help."""


class StoreCorrupt(StoreError):
    """The store is damaged; trying again will not help."""


class StoreRefused(StoreError):
    """A database refuses our name, our rights or the database's name; trying again will not help."""


class AsideError(UllageError):
    """Work that was given to a process of its own came to nothing: it died, or took too long."""


class ForecastUnavailable(UllageError):
    """No forecast can be made; the text says which input is missing or too old."""


class ActionRefused(UllageError):
    """What somebody wants to do about an alarm cannot be done; the text says what is expected."""


class UnknownAlarm(ActionRefused):
    """The site cannot raise such an alarm; lists those that it can."""


class NotActive(ActionRefused):
    """There is nothing to acknowledge or to end: it never was so, or somebody was faster."""
