"""What the servers of the tests have in common."""

from __future__ import annotations

from abc import ABC, abstractmethod
from types import TracebackType
from typing import Self


class Running(ABC):
    """A server that runs within a `with`."""

    @abstractmethod
    def start(self) -> None:
        """Start it, and return when it takes connections."""

    @abstractmethod
    def stop(self) -> None:
        """End it in order."""

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _tb: TracebackType | None
    ) -> None:
        self.stop()
