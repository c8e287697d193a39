"""Are honest people left alone, and copies found? Invented houses with and without people who copy. Run by hand:

    .venv/bin/python -m tests.bench.doubts --houses 300

Honest people have their own level and spread, round to 1, 5 or 10 (some only at times, some to 50), share gauges with
steps, and work through weeks of quiet weather in which readings are alike; some readings follow others. Printed are the
share of houses in which anybody is told (limit: 1 %) and the share of copying people that are found, each with its
Monte-Carlo standard error. The bar is that of a house of 60 people with `--questions` questions in all.
"""

from __future__ import annotations

import argparse

import numpy as np

from models.repeats import favourites, repeats

PEOPLE, COPYING = 60, 5
STEPS = np.array([1, 5, 10])


def _weather(rng: np.random.Generator, jobs: int) -> np.ndarray:
    slow, found = rng.choice([0.0, 0.9, 0.98]), np.zeros(jobs)
    shock = np.sqrt(1 - slow**2) * rng.normal(size=jobs)
    for job in range(1, jobs):
        found[job] = slow * found[job - 1] + shock[job]
    return found


def _rounded(rng: np.random.Generator, level: np.ndarray, heaps: float) -> np.ndarray:
    """To the person's own step; now and then to the gauge's own, or to fifties."""
    own = np.broadcast_to(rng.choice(STEPS, level.shape[1]), level.shape)
    if rng.random() < 0.4:
        own = np.where(rng.random(level.shape) < 0.4, 1, own)
    if rng.random() < heaps:
        own = np.where(rng.random(level.shape) < 0.3, 50, own)
    return np.round(level / own) * own


def person(rng: np.random.Generator, jobs: int, readings: int, follows: bool, heaps: float) -> np.ndarray:
    """[jobs, readings] of an honest one."""
    common = rng.uniform(0, 0.95, readings) * (rng.random(readings) < 0.5)
    own = rng.normal(size=(jobs, readings))
    if rng.random() < 0.5:
        own = rng.laplace(0, 0.7, (jobs, readings))
    spread = common * _weather(rng, jobs)[:, None] + np.sqrt(1 - common**2) * own
    level = rng.normal(320, 50, readings) + rng.uniform(8, 90, readings) * spread
    found = _rounded(rng, np.maximum(level, 20), heaps)
    if follows and readings > 2:
        found[:, 1] = found[:, 0] + rng.choice([0, 0, 0, 1], jobs)
    return found


def house(
    rng: np.random.Generator, jobs: int, readings: int, copied: float, way: str, follows: bool, heaps: float
) -> tuple[np.ndarray, np.ndarray]:
    """Unit and values; the first five copy that share of their jobs, by `way`."""
    units, values = [], []
    for number in range(PEOPLE):
        own = person(rng, int(rng.poisson(jobs)) + 5, readings, follows, heaps)
        if number < COPYING:
            for job in np.flatnonzero(rng.random(len(own)) < copied):
                source = {"any": rng.integers(0, max(job, 1)), "last": max(job - 1, 0), "favourite": 0}[way]
                own[job] = own[source]
        units.append(np.full(len(own), number))
        values.append(own)
    return np.concatenate(units), np.concatenate(values)


def _line(name: str, values: list[float]) -> str:
    found = np.asarray(values, dtype=float)
    error = found.std(ddof=1) / np.sqrt(len(found)) if len(found) > 1 else float("nan")
    return f"| {name} | {found.mean():.3f} ({error:.3f}) |"


def study(houses: int, questions: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    # all of a house's questions share 1 %
    bar = 0.01 / questions
    print(f"{houses} houses of {PEOPLE} people, a doubt is told below {bar:.1e}\n")
    print("| sets of readings | share |\n|---|---|")
    for readings, jobs, follows in ((3, 200, False), (4, 60, False), (4, 200, True), (6, 200, True)):
        what = f"{readings} readings, {jobs} jobs{', one follows another' if follows else ''}"
        honest = [repeats(*house(rng, jobs, readings, 0.0, "any", follows, 0.3)).probability for _ in range(houses)]
        # as if these were all the questions asked: the strictest reading of 1 %
        alarms = [float((one < 0.01 / PEOPLE).any()) for one in honest]
        print(_line(f"{what}: houses with a false one", alarms))
        for way in ("any", "last", "favourite"):
            found = [
                (repeats(*house(rng, jobs, readings, 0.15, way, follows, 0.3)).probability[:COPYING] < bar).mean()
                for _ in range(max(houses // 5, 2))
            ]
            print(_line(f"{what}: found at 15 % copies of {way}", found))
    print("\n| one reading | share |\n|---|---|")
    for jobs, heaps in ((60, 0.0), (200, 0.0), (200, 0.3)):
        what = f"{jobs} jobs{', some round to fifties' if heaps else ''}"
        alarms, found = [], {0.15: [], 0.5: []}
        for _ in range(houses):
            unit, values = house(rng, jobs, 1, 0.0, "any", follows=False, heaps=heaps)
            told = favourites(unit, values[:, 0], 1.0)
            alarms.append(float(min(one.probability for one in told) < 0.01 / PEOPLE))
        for copied, shares in found.items():
            for _ in range(max(houses // 5, 2)):
                unit, values = house(rng, jobs, 1, copied, "favourite", follows=False, heaps=heaps)
                told = favourites(unit, values[:, 0], 1.0)[:COPYING]
                shares.append(float(np.mean([one.probability < bar for one in told])))
        print(_line(f"{what}: houses with a false one", alarms))
        for copied, shares in found.items():
            print(_line(f"{what}: found at {100 * copied:.0f} % of a favourite", shares))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--houses", type=int, default=300)
    parser.add_argument("--questions", type=int, default=1200, help="questions asked of a house in all")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    study(options.houses, options.questions, options.seed)


if __name__ == "__main__":
    main()
