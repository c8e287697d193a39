"""How good is the list of slow fuses, judged by the chances that an invented fleet's systems truly have? Run by hand:

    .venv/bin/python -m tests.bench.risk --draws 30 --installs 20000 --world usual [--challengers]

The worlds are told in `risk_worlds`. Figures, each with its Monte-Carlo standard error over the fleets:

captured     true failures in the first 5 (2) % of the list, as a share of what the true order's first 5 (2) % hold
limit        the same for the best order that the recorded features allow, were there failures without end
slope        of true on said expected failures (Poisson regression on the log): 1 where high is as high as said
said / true  1 where as many will fail as was said
cover        how often the 95 % range of a system's chance holds its true chance; "what can be known": the chance that
             the limit gives it, where harm that no record shows is averaged out
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import polars as pl

from models import install_risk, rate_cells
from models.rate_cells import DAYS_A_YEAR, NOT_GOOD, UNKNOWN, decode
from models.risk_chance import systems_of
from tests.bench import risk_challengers
from tests.bench.risk_worlds import HORIZONS, WORLDS, World
from tests.models.invented_fleet import house_rules

FEW_JOBS = 40
COUNTED_AT_LEAST = 20


def captured(order_by: np.ndarray, true: np.ndarray, share: float) -> float:
    """True failures in the first places of an order, as a share of what the true order's hold."""
    top = max(round(len(true) * share), 1)
    order = np.argsort(-order_by, kind="stable")
    return float(true[order[:top]].sum() / np.sort(true)[::-1][:top].sum())


def calibration_slope(said: np.ndarray, true: np.ndarray) -> float:
    """Slope of the true on the said expected failures, both without chance in them."""
    log = np.log(said)
    design = np.stack([np.ones(len(log)), log - log.mean()], axis=1)
    b = np.array([np.log(true.mean()), 1.0])
    for _ in range(50):
        mean = np.exp(design @ b)
        step = np.linalg.solve(design.T @ (mean[:, None] * design), design.T @ (true - mean))
        b = b + np.clip(step, -1, 1)
        if np.abs(step).max() < 1e-9:
            break
    return float(b[1])


def judge(world: World, *, challengers: bool) -> dict[str, float]:
    """The figures of one fleet."""
    began = time.perf_counter()
    counted = rate_cells.read(world.con)
    model = install_risk.model_of(world.con, counted, world.day)
    assert model is not None, "an invented fleet has failures"
    table, _ = install_risk.install_risk_tables(world.con, model, house_rules(), 2400.0, world.day, seed=1)
    figures = {"failures": model.events, "seconds": time.perf_counter() - began}
    now = world.con.sql("select * from system_now where fate = 'in_service' order by system_id").pl()
    truth = now.select("system_id").join(world.truth, on="system_id", how="left", maintain_order="left")
    kinds = _kinds(world, now, model)
    for months in HORIZONS:
        part = table.filter(horizon_months=months).sort("system_id")
        unseen = {"ages not seen": now["age"].to_numpy() / DAYS_A_YEAR + months / 12 > world.seen_years}
        expected = truth[f"expected_{months}"].to_numpy()
        figures |= _one_horizon(part, expected, best_order(now, expected), kinds | unseen, months)
    twelve = -np.expm1(-truth["expected_12"].to_numpy())
    orders = {
        "oldest first": now["age"].to_numpy(),
        "count not good": np.isin(decode(now["pattern"].to_numpy()), NOT_GOOD).sum(axis=1),
    }
    if challengers:
        orders["gradient boosting"] = risk_challengers.gradient_boosting(counted, model, now)
        orders["logistic landmarks"] = risk_challengers.logistic_landmarks(world.con, model, now)
    return figures | {f"captured 5 % by {name}": captured(order, twelve, 0.05) for name, order in orders.items()}


def _kinds(world: World, now: pl.DataFrame, model: install_risk.RiskModel) -> dict[str, np.ndarray]:
    """[systems] truth values of the kinds that cover, and said against true, are told for."""
    lean = model.lean[systems_of(now, model).technician]
    low, high = np.quantile(lean, [1 / 3, 2 / 3])
    jobs = dict(world.con.sql("select technician_id, count(*) from system_now group by 1").fetchall())
    age = now["age"].to_numpy() / DAYS_A_YEAR
    return {
        "all": np.ones(len(age), dtype=bool),
        "under 2 years": age < 2,
        "2 to 5 years": (age >= 2) & (age < 5),
        "over 5 years": age >= 5,
        "few jobs": np.array([jobs[name] < FEW_JOBS for name in now["technician_id"]]),
        "a step unknown": (decode(now["pattern"].to_numpy()) == UNKNOWN).any(axis=1),
        "people whose steps are seldom not good": lean < low,
        "people whose steps are often not good": lean > high,
        "ductless": now["equipment_and_joints"].str.starts_with("ductless").to_numpy(),
        "visited": now["is_visited"].to_numpy(),
        "all known": ~(decode(now["pattern"].to_numpy()) == UNKNOWN).any(axis=1),
    }


def _one_horizon(
    part: pl.DataFrame, expected: np.ndarray, limit: np.ndarray, kinds: dict[str, np.ndarray], months: int
) -> dict[str, float]:
    true, said = -np.expm1(-expected), part["probability"].to_numpy()
    held = ((part["low"].to_numpy() <= true) & (true <= part["high"].to_numpy())).astype(float)
    found = {f"slope, {months} months": calibration_slope(-np.log1p(-said), expected)}
    for percent in (5, 2):
        found[f"captured {percent} %, {months} months"] = captured(said, true, percent / 100)
        found[f"limit {percent} %, {months} months"] = captured(limit, true, percent / 100)
    knowable = -np.expm1(-limit)
    held_knowable = (part["low"].to_numpy() <= knowable) & (knowable <= part["high"].to_numpy())
    found[f"cover, what can be known of all known, {months} months"] = float(held_knowable[kinds["all known"]].mean())
    for name, which in kinds.items():
        if which.sum() >= COUNTED_AT_LEAST:
            found[f"cover, {name}, {months} months"] = float(held[which].mean())
            found[f"said / true, {name}, {months} months"] = float(said[which].mean() / true[which].mean())
    return found


def best_order(now: pl.DataFrame, expected: np.ndarray) -> np.ndarray:
    """[systems] true expected failures regressed on everything recorded: no order from the records can do much better.

    expected : [systems] true expected failures. A Poisson regression without any chance in it, each technician and group
    with a coefficient of its own.
    """
    age = now["age"].to_numpy() / DAYS_A_YEAR
    log_age, late = np.log1p(age)[:, None], (age >= 2)[:, None]
    steps = risk_challengers.step_features(now["pattern"].to_numpy())
    parts = [steps * ~late, steps * late, now["is_visited"].to_numpy()[:, None], log_age]
    parts.append(np.maximum(log_age - np.log1p([0.5, 1, 2, 3.5, 5, 7, 10]), 0))
    for name in ("equipment_and_joints", "technician_id"):
        codes = now[name].to_numpy()
        parts.append(codes[:, None] == np.unique(codes)[None, :])
    design = np.concatenate([part.astype(float) for part in parts], axis=1)
    offset, b = np.log(expected.mean()), np.zeros(design.shape[1])
    ridge = 1e-6 * expected.sum() * np.eye(len(b))
    for _ in range(15):
        mean = np.exp(np.clip(offset + design @ b, -30, 5))
        information = (design.T * mean) @ design + ridge
        b = b + np.clip(np.linalg.solve(information, design.T @ (expected - mean) - ridge @ b), -1.0, 1.0)
    return np.exp(offset + design @ b)


def study(world: str, draws: int, installs: int, first_seed: int, *, challengers: bool) -> pl.DataFrame:
    """One row for each fleet."""
    rows = []
    for draw in range(draws):
        made = WORLDS[world](installs, first_seed + draw)
        rows.append(judge(made, challengers=challengers))
        made.con.close()
    return pl.DataFrame(rows, infer_schema_length=None)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=30)
    parser.add_argument("--installs", type=int, default=20_000)
    parser.add_argument("--world", choices=[*WORLDS, "all"], default="usual")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--challengers", action="store_true", help="fit gradient boosting and a logistic model too")
    asked = parser.parse_args()
    for world in WORLDS if asked.world == "all" else [asked.world]:
        began = time.perf_counter()
        rows = study(world, asked.draws, asked.installs, asked.first_seed, challengers=asked.challengers)
        print(f"{world}: {asked.draws} fleets of {asked.installs:,} installs, {time.perf_counter() - began:.0f} s")
        for name in rows.columns:
            values = rows[name].drop_nulls().to_numpy()
            error = values.std(ddof=1) / np.sqrt(len(values)) if len(values) > 1 else float("nan")
            print(f"  {name:64s} {values.mean():10.4f} +- {error:.4f}")


if __name__ == "__main__":
    main()
