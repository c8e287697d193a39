"""Answers kept for all readers: asked once, bounded, forgotten oldest first."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

import polars as pl
import pytest

from dashboard.kept_answers import KeptAnswers


def frame(number: int) -> pl.DataFrame:
    return pl.DataFrame({"n": [number] * 100})


def test_the_oldest_goes_first_and_what_is_asked_again_stays() -> None:
    kept = KeptAnswers(entries_at_most=3, bytes_at_most=10**6)
    for number in (1, 2, 3, 1, 4):
        kept.answer(number, lambda number=number: frame(number))
    asked: list[int] = []
    for number in (1, 3, 4, 2):
        kept.answer(number, lambda number=number: asked.append(number) or frame(number))
    assert asked == [2]
    assert len(kept) == 3


def test_large_answers_are_bounded_by_their_size() -> None:
    kept = KeptAnswers(entries_at_most=1000, bytes_at_most=10 * int(frame(0).estimated_size()))
    for number in range(50):
        kept.answer(number, lambda number=number: frame(number))
    assert len(kept) == 10


def test_one_question_of_many_at_once_is_worked_out_once() -> None:
    kept = KeptAnswers(entries_at_most=3, bytes_at_most=10**6)
    asked: list[int] = []

    def slowly() -> pl.DataFrame:
        asked.append(1)
        time.sleep(0.05)
        return frame(1)

    with ThreadPoolExecutor(5) as pool:
        found = list(pool.map(lambda _: kept.answer("same", slowly), range(5)))
    assert asked == [1]
    assert all(one is found[0] for one in found)


def test_a_question_that_failed_is_asked_again() -> None:
    kept = KeptAnswers(entries_at_most=3, bytes_at_most=10**6)

    def fails() -> pl.DataFrame:
        raise ValueError("no such column")

    with pytest.raises(ValueError, match="no such column"):
        kept.answer("same", fails)
    assert kept.answer("same", lambda: frame(2))["n"][0] == 2
