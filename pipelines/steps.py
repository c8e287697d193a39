"""The nine steps in the order in which the trade does them, in plain words, and the cautions that stand beside them."""

from __future__ import annotations

import csv
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True)
class Caution:
    """A usual caution: which steps it belongs beside (`all` where it belongs everywhere) and its words."""

    number: int
    title: str
    steps: tuple[str, ...]
    text: str


@dataclass(frozen=True)
class Step:
    """One step.

    name : its code in the contract.
    plain_name, short_name : for a page or a narrow table.
    proves : what a good reading says, in one sentence.
    proof : the readings that prove it, in words.
    if_left_out : what tends to follow where it is left out.
    cautions : numbers of the cautions that belong beside it.
    """

    name: str
    number: int
    plain_name: str
    short_name: str
    proves: str
    proof: str
    if_left_out: str
    cautions: tuple[int, ...]


def _data(name: str) -> str:
    return resources.files("pipelines").joinpath("data", name).read_text(encoding="utf-8")


@cache
def steps() -> list[Step]:
    """The nine steps in order, from data/steps.csv."""
    return [
        Step(
            name=row["step"],
            number=int(row["number"]),
            plain_name=row["plain_name"],
            short_name=row["short_name"],
            proves=row["proves"],
            proof=row["proof"],
            if_left_out=row["if_left_out"],
            cautions=tuple(int(number) for number in row["cautions"].split(";")),
        )
        for row in csv.DictReader(_data("steps.csv").splitlines())
    ]


@cache
def cautions() -> list[Caution]:
    """The cautions to show beside the work, from data/cautions.toml."""
    return [
        Caution(entry["number"], entry["title"], tuple(entry["steps"]), entry["text"])
        for entry in tomllib.loads(_data("cautions.toml"))["caution"]
    ]


def cautions_of(step: str) -> list[Caution]:
    """The cautions that belong beside one step, those of every page included."""
    numbers = next(entry.cautions for entry in steps() if entry.name == step)
    return [caution for caution in cautions() if caution.number in numbers or "all" in caution.steps]
