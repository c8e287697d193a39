"""Answers of the store, kept for all readers: the last ones asked for, by number and by size."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock

import polars as pl


class KeptAnswers:
    """A bounded store of frames by what was asked; one question is worked out once, even if several ask it at once.

    entries_at_most, bytes_at_most : beyond either the one that nobody has asked for the longest goes.
    """

    def __init__(self, entries_at_most: int, bytes_at_most: int) -> None:
        self.entries_at_most = entries_at_most
        self.bytes_at_most = bytes_at_most
        self._lock = Lock()
        self._kept: OrderedDict[Hashable, pl.DataFrame] = OrderedDict()
        self._bytes = 0
        self._asked_now: dict[Hashable, Lock] = {}

    def __len__(self) -> int:
        return len(self._kept)

    def answer(self, asked: Hashable, ask: Callable[[], pl.DataFrame]) -> pl.DataFrame:
        """The frame kept for `asked`, else the one that `ask` brings."""
        with self._lock:
            found = self._kept.get(asked)
            if found is not None:
                self._kept.move_to_end(asked)
                return found
            turn = self._asked_now.setdefault(asked, Lock())
        with turn:
            with self._lock:
                found = self._kept.get(asked)
            if found is not None:
                return found
            try:
                found = ask()
                self._keep(asked, found)
            finally:
                with self._lock:
                    self._asked_now.pop(asked, None)
        return found

    def forget(self) -> None:
        with self._lock:
            self._kept.clear()
            self._bytes = 0

    def _keep(self, asked: Hashable, found: pl.DataFrame) -> None:
        with self._lock:
            self._kept[asked] = found
            self._bytes += _size(found)
            while self._kept and (len(self._kept) > self.entries_at_most or self._bytes > self.bytes_at_most):
                _, oldest = self._kept.popitem(last=False)
                self._bytes -= _size(oldest)


def _size(frame: pl.DataFrame) -> int:
    return int(frame.estimated_size())
