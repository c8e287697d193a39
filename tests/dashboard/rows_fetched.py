"""Watching the one place where the pages' queries run: how many rows each fetches, how long it takes, who asked."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

import polars as pl

from dashboard import data


@dataclass(frozen=True)
class Fetched:
    """One query that reached the store."""

    function: str
    rows: int
    ms: float


def _who_asked() -> str:
    """The function of data*.py that holds the SQL."""
    frame = sys._getframe(2)
    while frame is not None:
        file = Path(frame.f_code.co_filename)
        is_of_data = file.name.startswith("data") and file.parent.name == "dashboard"
        if is_of_data and frame.f_code.co_name not in ("fetch", "ask", "ask_table", "<lambda>"):
            return frame.f_code.co_name
        frame = frame.f_back
    return ""


@contextmanager
def watched() -> Iterator[list[Fetched]]:
    """Every query that runs within, with nothing kept from before: the real ones, on the real store."""
    found: list[Fetched] = []
    real = data.fetch

    def counting(sql: str, parameters: dict[str, Any], con: Any) -> pl.DataFrame:
        began = time.perf_counter()
        answer = real(sql, parameters, con)
        found.append(Fetched(_who_asked(), answer.height, (time.perf_counter() - began) * 1000))
        return answer

    data.forget_answers()
    with patch.object(data, "fetch", counting):
        yield found
