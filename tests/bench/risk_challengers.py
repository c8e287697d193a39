"""Other ways to order the same systems, from the same records: in the study only, none of them is in the product."""

from __future__ import annotations

import duckdb
import numpy as np
import polars as pl
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.linear_model import LogisticRegression

from models import install_risk
from models.rate_cells import DAYS_A_YEAR, NOT_GOOD, UNKNOWN, RateCells, decode
from models.risk_chance import Systems, systems_of


def step_features(patterns: np.ndarray) -> np.ndarray:
    """[systems, 2 x steps] 1 where a step is not good, then where it is unknown."""
    levels = decode(patterns)
    return np.concatenate([np.isin(levels, NOT_GOOD), levels == UNKNOWN], axis=1).astype(float)


def gradient_boosting(counted: RateCells, model: install_risk.RiskModel, now: pl.DataFrame) -> np.ndarray:
    """[systems] rates by boosted trees with Poisson loss on the very cells that our model is fitted to."""
    years, events = counted.of_outcome(install_risk.OUTCOME)
    lean, factor = model.lean, np.append(model.fit.stratum_factor(model.shape), 1.0)
    middle = np.where(counted.to_years > 100, counted.from_years + 2, (counted.from_years + counted.to_years) / 2)
    cells_seen = np.column_stack([
        step_features(counted.pattern_codes)[counted.pattern], counted.is_visited, middle[counted.band],
        lean[counted.technician], factor[counted.technician], counted.group,
    ]).astype(float)  # fmt: skip
    there = years > 0
    trees = HistGradientBoostingRegressor(
        loss="poisson", max_leaf_nodes=6, learning_rate=0.06, max_iter=120, min_samples_leaf=200, l2_regularization=5.0,
        categorical_features=[cells_seen.shape[1] - 1], early_stopping=False, random_state=0,
    ).fit(cells_seen[there], events[there] / years[there], sample_weight=years[there])  # fmt: skip
    systems = systems_of(now, model)
    return trees.predict(
        np.column_stack([
            step_features(now["pattern"].to_numpy()), systems.is_visited, systems.age_years + 0.5,
            lean[systems.technician], factor[systems.technician],
            np.where(systems.group < 0, len(counted.groups), systems.group),
        ])
    )  # fmt: skip


def logistic_landmarks(con: duckdb.DuckDBPyConnection, model: install_risk.RiskModel, now: pl.DataFrame) -> np.ndarray:
    """[systems] log odds of a failure within a year, from every birthday on which a system was followed."""
    marks = con.sql(
        """
        select piece.pattern, piece.technician_id, piece.equipment_and_joints, piece.is_visited, mark.age,
            coalesce(event.age between mark.age and mark.age + 365.25, false) as has_failed
        from follow_up as piece
        join (select unnest(range(0, 21)) * 365.25::double as age) as mark
            on mark.age >= piece.from_age and mark.age < piece.to_age
        left join outcome_event as event on event.outcome = 'compressor_failure' and event.in_follow_up
            and event.system_id = piece.system_id and event.life_no = piece.life_no
        where piece.to_age >= mark.age + 365.25 or event.age between mark.age and mark.age + 365.25
        order by all
        """
    ).pl()
    fitted = LogisticRegression(C=0.5, max_iter=3000).fit(
        _landmark_design(marks, systems_of(marks, model), model), marks["has_failed"].to_numpy()
    )
    return fitted.decision_function(_landmark_design(now, systems_of(now, model), model))


def _landmark_design(frame: pl.DataFrame, systems: Systems, model: install_risk.RiskModel) -> np.ndarray:
    years = frame["age"].to_numpy() / DAYS_A_YEAR
    late, steps = (years >= 1.5)[:, None], step_features(frame["pattern"].to_numpy())
    last = len(model.layout.groups)
    factor = np.append(model.fit.stratum_factor(model.shape), 1.0)
    return np.column_stack([
        steps * ~late, steps * late, systems.is_visited, years, np.log1p(years), model.lean[systems.technician],
        np.log(factor)[systems.technician], np.eye(last + 1)[np.where(systems.group < 0, last, systems.group)],
    ])  # fmt: skip
