"""The tables that a fit writes, with their columns and types, so that an empty answer still has its columns."""

from __future__ import annotations

import duckdb
import polars as pl

_COUNTS = dict.fromkeys(("applicable", "known", "good", "failed", "ticked_only", "not_done", "skipped", "unknown", "disputed"), "bigint")  # fmt: skip
_RATES = dict.fromkeys(("rate", "rate_if_unknown_bad", "rate_if_unknown_good"), "double")
_PROOF = {"proof_checked": "bigint", "proof_agrees": "bigint", "proof_low": "double", "proof_high": "double"}
_FUNNEL = dict.fromkeys(("limit_low_95", "limit_high_95", "limit_low_998", "limit_high_998"), "double")

_CHANGE = {
    "step": "varchar", "technicians_trained": "bigint", "technicians_compared": "bigint", "change_in_rate": "double",
    "low": "double", "high": "double", "change_in_log_odds": "double", "log_odds_low": "double",
    "log_odds_high": "double", "placebo_change": "double", "placebo_low": "double", "placebo_high": "double",
    "placebo_step": "varchar", "pre_trend_p": "double", "pre_trend_p_kept": "double", "evidence": "varchar",
    "p_value": "double", "q_value": "double", "interval_method": "varchar", "people_sent": "bigint",
    "good_before": "bigint", "known_before": "bigint", "good_after": "bigint", "known_after": "bigint",
    "change_first_6_months": "double", "first_6_months_low": "double", "first_6_months_high": "double",
    "change_after_6_months": "double", "after_6_months_low": "double", "after_6_months_high": "double",
    "change_with_choosing_months": "double", "with_choosing_months_low": "double",
    "with_choosing_months_high": "double", "change_choosing_months": "double", "choosing_months_low": "double",
    "choosing_months_high": "double", "change_linear": "double", "trained_needed": "bigint", "note": "varchar",
}  # fmt: skip

SCHEMA: dict[str, dict[str, str]] = {
    "technician_step": {
        "technician_id": "varchar", "crew": "varchar", "branch": "varchar", "step": "varchar",
        **_COUNTS, **_RATES,
        "credited_by_step": "bigint", "expected_rate": "double",
        "rate_adjusted": "double", "rate_low": "double", "rate_high": "double", "fleet_rate": "double",
        "target": "double", **_FUNNEL, "flag": "varchar", "proof_missing": "boolean", "recent_known": "bigint",
        "recent_rate": "double", "recent_low": "double", "recent_high": "double",
        "change": "varchar", "changed_on": "date", "change_seen_on": "date", "change_with": "varchar",
        "new_form_on": "date",
        "known_before": "bigint", "rate_before": "double", "rate_before_low": "double", "rate_before_high": "double",
        "known_since": "bigint", "rate_since": "double", "rate_since_low": "double", "rate_since_high": "double",
        "chance_below": "double", "chance_above": "double", **_PROOF,
    },
    "group_step": {
        "group_kind": "varchar", "group": "varchar", "step": "varchar", **_COUNTS, **_RATES,
        "low": "double", "high": "double", "expected_rate": "double",
        "rate_adjusted": "double", "rate_low": "double", "rate_high": "double", "fleet_rate": "double",
        "same_people_known": "bigint", "same_people_rate": "double", "same_people_low": "double",
        "same_people_high": "double", **_PROOF,
    },
    "month_step": {
        "month": "date", "crew": "varchar", "step": "varchar", **_COUNTS, **_RATES,
        "low": "double", "high": "double", "expected_rate": "double", "centre": "double", **_FUNNEL, "change": "varchar",
    },
    "step_spread": {
        "step": "varchar", "group_kind": "varchar", "groups": "bigint", "people": "bigint", "spread_people": "double",
        "spread_within": "double", "share_between": "double", "share_by_chance": "double", "p_value": "double",
    },
    "inspection_check": {
        "job_id": "varchar", "step": "varchar", "technician_id": "varchar", "inspected_on": "date",
        "inspector_id": "varchar", "quantity": "varchar", "value": "double", "at_least": "double", "at_most": "double",
        "unit": "varchar", "limit_id": "varchar", "state": "varchar", "is_within": "boolean", "agrees": "boolean",
    },
    "inspection_draw": {
        "month": "date", "job_id": "varchar", "technician_id": "varchar", "jobs": "bigint", "chance": "double",
        "is_measured_again": "boolean",
    },
    "step_effect": {
        "outcome": "varchar", "step": "varchar", "age_band": "varchar", "contrast": "varchar",
        "hazard_ratio": "double", "low": "double", "high": "double", "hazard_ratio_crude": "double",
        "hazard_ratio_calibrated": "double", "low_calibrated": "double", "high_calibrated": "double",
        "hazard_ratio_shrunk": "double", "low_shrunk": "double", "high_shrunk": "double",
        "events": "bigint", "system_years": "double", "events_good": "bigint", "system_years_good": "double",
        "events_skipped": "bigint", "system_years_skipped": "double", "houses": "integer", "events_own": "bigint",
        "events_skipped_own": "bigint", "jobs_used": "bigint",
        "jobs_left_out": "bigint", "e_value": "double", "e_value_limit": "double",
        "negative_control_ratio": "double", "control_p_value": "double", "control_rejects": "boolean", "p_value": "double",
        "p_value_calibrated": "double", "q_value": "double", "events_an_effect": "double",
        "evidence": "varchar",
    },
    "step_effect_sensitivity": {
        "outcome": "varchar", "step": "varchar", "variant": "varchar", "age_band": "varchar",
        "hazard_ratio": "double", "low": "double", "high": "double", "events": "bigint", "events_not_good": "bigint",
        "hazard_ratio_main": "double", "is_outside": "boolean",
    },
    "incidence": {
        "outcome": "varchar", "step": "varchar", "arm": "varchar", "age_months": "integer", "at_risk": "bigint",
        "events": "bigint", "incidence": "double", "low": "double", "high": "double",
    },
    "years_in_service": {
        "step": "varchar", "arm": "varchar", "horizon_years": "double", "years": "double", "low": "double",
        "high": "double", "systems": "bigint", "events": "bigint", "reaches_20": "boolean", "difference": "double",
        "difference_low": "double", "difference_high": "double", "text": "varchar",
    },
    "step_cost": {
        "step": "varchar", "skipped_jobs_per_year": "double", "not_good_jobs_per_year": "double",
        "extra_callbacks_per_year": "double", "extra_compressor_failures_per_year": "double",
        "extra_cost_per_year": "double", "low": "double", "high": "double", "effects_used": "varchar",
    },
    "install_risk": {
        "system_id": "varchar", "job_id": "varchar", "site_id": "varchar", "area": "varchar", "as_of": "date",
        "horizon_months": "integer", "last_seen_on": "date", "warranty_until": "date", "probability": "double",
        "low": "double", "high": "double", "probability_if_good": "double", "if_good_low": "double",
        "if_good_high": "double", "expected_loss": "double",
        "visit_benefit": "double", "rank": "bigint", "rank_by_probability": "bigint", "reasons": "varchar",
        "reason_shares": "varchar", "unknown_steps": "varchar", "check_on_visit": "varchar",
    },
    "risk_total": {
        "horizon_months": "integer", "area": "varchar", "warranty_months": "integer", "first": "bigint",
        "systems": "bigint", "expected": "double", "low": "double", "high": "double", "avoided": "double",
        "avoided_low": "double", "avoided_high": "double",
    },
    "training_effect": _CHANGE,
    "course_effect": {"course": "varchar", "held_on": "date", **_CHANGE},
    "training_path": {
        "step": "varchar", "from_month": "integer", "to_month": "integer", "kind": "varchar", "change_in_rate": "double",
        "low": "double", "high": "double", "technicians_trained": "bigint", "technicians_compared": "bigint",
        "good": "bigint", "known": "bigint",
    },
    "training_need": {
        "technician_id": "varchar", "crew": "varchar", "step": "varchar", "rate_adjusted": "double", "target": "double",
        "gap": "double", "gap_cannot": "double", "gap_not_done": "double", "gap_not_recorded": "double",
        "gap_no_tool": "double", "jobs_per_year": "double", "saving_per_year": "double", "low": "double",
        "high": "double", "priority": "varchar", "known": "bigint", "failed": "bigint", "not_done": "bigint",
        "ticked_only": "bigint", "unknown": "bigint", "rate_low": "double", "rate_high": "double",
        "last_taught_on": "date",
    },
    "visit_value": {
        "system_id": "varchar", "horizon_months": "integer", "probability_without": "double", "avoided": "double",
        "value": "double",
    },
    "model_card": {
        "outcome": "varchar", "horizon_months": "integer", "cutoff": "date", "systems": "bigint", "events": "bigint",
        "auc": "double", "auc_low": "double", "auc_high": "double", "calibration_slope": "double",
        "calibration_intercept": "double", "brier": "double", "brier_of_base_rate": "double",
        "captured_top_2pct": "double", "captured_top_5pct": "double", "said": "double", "seen": "double",
    },
    "calibration": {
        "cutoff": "date", "horizon_months": "integer", "group": "varchar", "systems": "bigint", "said": "double",
        "seen": "double", "low": "double", "high": "double", "said_low": "double", "said_high": "double",
    },
    "fit_run": {
        "as_of": "date", "made_at": "timestamp", "seed": "bigint", "heard_back_months": "double",
        "negative_control": "varchar", "jobs": "bigint", "jobs_used": "bigint", "jobs_left_out": "bigint",
        "systems": "bigint", "systems_in_service": "bigint", "system_years": "double",
        "compressor_failures": "bigint", "callbacks": "bigint",
        "failures_outside_follow_up": "bigint", "callbacks_outside_follow_up": "bigint",
        "failure_rate_per_year": "double", "callback_rate_per_year": "double",
        "system_years_to_as_of": "double", "failure_rate_to_as_of": "double", "callback_rate_to_as_of": "double",
        "failure_cost": "double", "callback_cost": "double", "failure_cost_is_guess": "boolean",
        "callback_cost_is_guess": "boolean", "technician_spread": "double",
    },
    "record_doubt": {
        "technician_id": "varchar", "step": "varchar", "kind": "varchar", "jobs": "bigint", "of_jobs": "bigint",
        "expected_jobs": "double", "probability": "double", "example_job_ids": "varchar", "quantity": "varchar",
        "value": "double",
    },
    "evidence_needed": {
        "topic": "varchar", "outcome": "varchar", "step": "varchar", "age_band": "varchar", "technician_id": "varchar",
        "lacks": "varchar", "is_too_early": "boolean", "counted": "varchar", "have": "bigint", "need": "bigint",
        "target_ratio": "double", "ratio_shown_now": "double", "rate_reckoned": "double", "years_at_todays_pace": "double",
        "years_for_ratio_2": "double", "from_on": "date", "installs": "bigint", "text": "varchar",
    },
    "fit_note": {"topic": "varchar", "step": "varchar", "text": "varchar", "jobs": "bigint"},
}  # fmt: skip


def write(con: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame | None) -> None:
    """Replace a result table by the frame; a figure that could not be estimated is stored as empty, never as NaN."""
    columns = SCHEMA[table]
    listed = ", ".join(f'"{name}" {kind}' for name, kind in columns.items())
    con.execute(f"create or replace table {table} ({listed})")
    if frame is None or frame.is_empty():
        return
    missing = [name for name in columns if name not in frame.columns]
    if missing:
        raise ValueError(f"{table}: the columns {', '.join(missing)} were not worked out")
    frame = frame.select(list(columns)).with_columns(
        pl.col(pl.Float64, pl.Float32).fill_nan(None).replace([float("inf"), float("-inf")], [None, None])
    )
    con.register("fitted_frame", frame)
    try:
        names = ", ".join(f'"{name}"' for name in columns)
        con.execute(f"insert into {table} ({names}) select {names} from fitted_frame")
    finally:
        con.unregister("fitted_frame")
