"""What skipping does: is the link between a step and later failures real, how strong is it, how sure are we."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard import charts, components, data, event_section, links, looks, words
from dashboard.data import JobFilter
from pipelines.contract import STEPS

HOW_RATIO = (
    "How many times as often the outcome comes, in the same stretch of a system's life, where the step was not good as "
    "where it was good. **Adjusted**: all steps at once, within each technician (so that a person's general way of "
    "working does not count for each step), by equipment and age. **Crude**: without any of that. **Control**: the same "
    "comparison for an outcome that no step can cause; where it strays from 1, something other than the step is at work, "
    "and **calibrated** takes that out. Systems are followed only as long as we know that they were in service."
)
HOW_CURVE = (
    "The share of systems that have had the outcome by each age, counting those that were retired for another reason "
    "as gone, not as healthy (Aalen-Johansen). The shading is a 95 % interval. Not adjusted for anything. A "
    f"curve is drawn as long as {charts.FOLLOWED_AT_LEAST} systems are still followed."
)
HOW_SERVICE = (
    "Average years in service within so many years, counted up to a compressor failure or a retirement because of the "
    "compressor (the area under the survival curve), not adjusted for anything. It is told as far as at least 10 systems "
    "on each side are still followed."
)
HOW_OTHERWISE = (
    "The same fit with one thing chosen otherwise. A ratio that leaves its own 95 % interval hangs on that choice. "
    "Without telling technicians apart, a person's general way of working counts for each step: where that line stands "
    "far above the others, the person explains part of the difference."
)
HOW_COST = (
    "Extra events a year: for every job not good and still followed, what is predicted less what would be predicted had "
    "the step been good; times the cost of such an event. Only links that are clear or leaning are counted."
)

COLUMN_MEANING = {
    "Adjusted (95 %)": "All steps at once, within each technician, by equipment and age; with the range that holds the truth "
    "19 times in 20",
    "Calibrated (95 %)": "The same, less what the outcome that no step can cause shows to come from elsewhere",
    "Crude": "As counted, with nothing taken into account",
    "Drawn in, for small fleets (95 %)": "Drawn toward 1 as far as few failures call for",
    "Control": "The same comparison for an outcome that no step can cause: 1 if nothing else is at work",
    "q": "The share of false alarms to expect among all that look as good as this one",
    "E-value": "How strongly an unseen cause would have to go with both step and outcome to explain the whole ratio",
    "E-value of the limit": "The same, for the end of the range that lies nearest to 1",
}

# with fewer failures than this in an age band the answer drawn toward 1 is said too
SMALL_FLEET_EVENTS = 150


def page() -> None:
    outcomes = data.effect_outcomes()
    if not outcomes:
        components.not_fitted("What goes with a step that is not good")
        return
    first = [code for code in ("compressor_failure", "callback") if code in outcomes]
    options = first + sorted(code for code in outcomes if code not in first)
    slot = st.container()
    with st.container(horizontal=True, vertical_alignment="bottom"):
        outcome = (
            links.select("What happened later", options, "outcome", default=options[0], format_func=words.outcome)
            or options[0]
        )
        contrasts = [code for code in words.CONTRAST if code in data.effect_contrasts(outcome)] or ["not_good"]
        contrast = (
            links.select(
                "Compared",
                contrasts,
                "contrast",
                default=contrasts[0],
                format_func=lambda c: words.CONTRAST[c],
                width=340,
            )
            or contrasts[0]
        )
    effects = data.step_effect(outcome, contrast)
    with slot:
        _answer(effects, outcome)
        components.how_counted(HOW_RATIO, "ratio")
    if effects.is_empty():
        return
    for text in data.fit_notes("unknown")["text"]:
        components.note(words.escaped(text))
    if outcome == data.house_rules().negative_control:
        components.note("This is the control itself: no step can cause it, so every ratio here should lie near 1.")
    elif outcome not in ("compressor_failure", "callback"):
        components.note(
            "An exploratory outcome: with so many findings some ratios look strong by chance; read *q*, not the line alone."
        )
    _pictures(effects, outcome)
    _table(effects)
    components.heading("One step, over the years")
    with st.container(horizontal=True, vertical_alignment="bottom"):
        best = _strongest(effects)
        step = components.pick_step(best["step"] if best else None)
    _open_question(outcome, step)
    _curve(outcome, step)
    event_section.show(outcome, step)
    _years_in_service(step)
    _otherwise(effects, outcome, step)
    _cost()
    _notes()
    components.jobs_behind(JobFilter(step=step), "effects", "of this step")
    components.cautions(words.STEP_CAUTIONS.get(step, ()))


def _strongest(effects: pl.DataFrame) -> dict | None:
    """The best-founded row: clear before leaning, then the largest lower limit."""
    rows = effects.filter(pl.col("evidence").is_in(["clear", "leaning"]) & pl.col("age_band").is_in(["early", "late"]))
    if rows.is_empty():
        return None
    return (
        rows.with_columns(is_clear=pl.col("evidence") == "clear")
        .sort(["is_clear", "low"], descending=[True, True])
        .row(0, named=True)
    )


def _answer(effects: pl.DataFrame, outcome: str) -> None:
    if effects.is_empty():
        components.answer(f"Nothing can be said about {words.outcomes(outcome)} yet: there are too few to compare.")
        return
    by_step = effects.filter(pl.col("age_band") != "all").group_by("step").agg(pl.col("events").sum())
    events = max(by_step["events"].to_list(), default=0)
    best = _strongest(effects)
    if best is None:
        components.answer(
            f"Not settled yet: {words.counted(events, 'failure' if outcome == 'compressor_failure' else 'event')} on jobs with "
            f"a known step cannot tell whether any step that was not good goes with more {words.outcomes(outcome)}; that is not the "
            "same as no effect."
        )
        return
    houses = best.get("houses") or 1
    calibrated = best.get("hazard_ratio_calibrated")
    extra = ""
    if best["evidence"] == "leaning":
        extra = "; leaning that way, not settled"
    when = {"early": "in the first 2 years", "late": "after the first 2 years"}[best["age_band"]]
    sentence = (
        f"Where {words.step(best['step']).lower()} was not good, {words.outcomes(outcome)} came "
        f"{words.times(best['hazard_ratio'])} times as often {when} ({words.times_range(best['low'], best['high'])}; "
        f"{words.count(best['events_skipped'])} of the {words.count(best['events'])} counted then){extra}"
    )
    if calibrated is not None and abs(calibrated - best["hazard_ratio"]) > 0.005:
        sentence += (
            f", and {words.times(calibrated)} times ({words.times_range(best['low_calibrated'], best['high_calibrated'])}) "
            "after the check on an outcome no step can cause"
        )
    if best["events"] < SMALL_FLEET_EVENTS and best.get("hazard_ratio_shrunk") is not None:
        sentence += (
            f". With so few failures a ratio that stands out tends to be too high: drawn in, "
            f"{words.times(best['hazard_ratio_shrunk'])} times "
            f"({words.times_range(best['low_shrunk'], best['high_shrunk'])})"
        )
    components.answer(sentence + ".")
    if houses > 1:
        components.note(
            f"The records of {houses - 1} other {'contractor' if houses == 2 else 'contractors'} are counted with ours: "
            f"{words.count(best['events_own'])} of these {words.count(best['events'])} are our own, and only those open "
            "our jobs below."
        )


def _kinds_at_first(effects: pl.DataFrame) -> list[str]:
    """What tells most: calibrated only where the control strays, drawn in only where there is little to go by."""
    strays = "control_rejects" in effects.columns and bool(effects["control_rejects"].any())
    is_small = max(effects["events"].to_list(), default=0) < SMALL_FLEET_EVENTS
    kinds = {"calibrated": strays, "drawn_in": is_small}
    return [kind for kind in charts.ESTIMATES if kinds.get(kind, True)]


def _pictures(effects: pl.DataFrame, outcome: str) -> None:
    kinds = links.several(
        "Shown",
        charts.ESTIMATES,
        "shown",
        default=_kinds_at_first(effects),
        format_func=lambda kind: f"{charts.ESTIMATE_SIGN[kind]} {charts.ESTIMATE_WORD[kind]}",
    ) or ["adjusted"]
    bands = [band for band in ("early", "late") if band in set(effects["age_band"].to_list())]
    side_by_side = st.grid(max(1, len(bands)), min_column_width=420, gap="large")
    for band in bands:
        with side_by_side.cell():
            st.header(words.AGE_BAND[band], anchor=False)
            st.altair_chart(
                charts.effects_with_interval(effects, band, looks.current(), tuple(kinds)),
                alt=f"{words.outcome(outcome)}, {words.AGE_BAND[band].lower()}: ratios by step with 95 % intervals",
            )
    control = effects["control_p_value"].drop_nulls() if "control_p_value" in effects.columns else pl.Series([])
    if len(control):
        p = float(control[0])
        name = words.outcome(data.house_rules().negative_control).lower()
        if "control_rejects" in effects.columns and effects["control_rejects"].any():
            components.note(
                f"**The control strays from 1** ({name} calls; {words.by_chance(p)}). Part of the difference "
                "comes from something other than the steps. Read the calibrated ratios; they take out as much as the "
                "control can show, and may leave some."
            )
        else:
            components.note(
                f"The control holds: {name} calls, which no step can cause, do not differ between good and not good "
                f"({words.by_chance(p)})."
            )
    components.note("Both scales are the same; a line that reaches the edge goes on beyond it.")


def _table(effects: pl.DataFrame) -> None:
    rows = effects
    has = set(rows.columns)

    def ratio(value: str, low: str | None = None, high: str | None = None) -> list[str]:
        if value not in has:
            return ["–"] * rows.height
        if low is None:
            return [words.times(v) for v in rows[value]]
        return [
            "–" if v is None else f"{words.times(v)} ({words.times_range(lo, hi)})"
            for v, lo, hi in zip(rows[value], rows[low], rows[high or low], strict=True)
        ]

    table = pl.DataFrame(
        {
            "Step": [words.step(step) for step in rows["step"]],
            "When": [words.AGE_BAND.get(band, band) for band in rows["age_band"]],
            "Evidence": [f"{words.EVIDENCE_SIGN.get(e, '')} {words.EVIDENCE.get(e, e)}" for e in rows["evidence"]],
            "Adjusted (95 %)": ratio("hazard_ratio", "low", "high"),
            "Calibrated (95 %)": ratio("hazard_ratio_calibrated", "low_calibrated", "high_calibrated"),
            "Crude": ratio("hazard_ratio_crude"),
            "Drawn in, for small fleets (95 %)": ratio("hazard_ratio_shrunk", "low_shrunk", "high_shrunk"),
            "Control": ratio("negative_control_ratio"),
            "Events": rows["events"],
            "of them not good": rows["events_skipped"],
            "System years": [words.count(years) for years in rows["system_years"]],
            "of them not good ": [words.count(years) for years in rows["system_years_skipped"]],
            "Jobs used": rows["jobs_used"],
            "Jobs left out": rows["jobs_left_out"],
            "q": [words.p_value(q) for q in rows["q_value"]],
            "E-value": ratio("e_value"),
            "E-value of the limit": ratio("e_value_limit"),
        }
    )
    with st.expander("Every ratio with its counts", icon=":material/table:", key="effects_table"):
        st.dataframe(
            table,
            hide_index=True,
            placeholder="–",
            height="content",
            column_config={
                "Step": st.column_config.TextColumn(pinned=True),
                **{name: st.column_config.TextColumn(help=meaning) for name, meaning in COLUMN_MEANING.items()},
            },
            alt="How many times as often, by step and age, with ranges, counts and evidence",
        )
        components.note(
            "*E-value*: how strongly an unseen cause would have to go with both the step and the outcome to explain the "
            "whole ratio (VanderWeele and Ding 2017). *q*: the share of false alarms to expect among all that look as "
            "good as this one."
        )


def _open_question(outcome: str, step: str) -> None:
    """Where a ratio is not settled: how much more it takes."""
    needed = data.evidence_needed_for(outcome, step)
    for text in needed["text"].to_list() if needed.height else []:
        st.markdown(f"- {words.escaped(text)}")


def _years_in_service(step: str) -> None:
    rows = data.years_in_service(step)
    texts = list(dict.fromkeys(text for text in rows["text"].to_list() if text)) if rows.height else []
    if texts:
        components.note(" ".join(texts))
        components.how_counted(HOW_SERVICE, "service")


def _otherwise(effects: pl.DataFrame, outcome: str, step: str) -> None:
    """The ratio of the step under other choices, and how many ratios of the outcome hang on one."""
    if "contrast" not in effects.columns or effects["contrast"][0] != "not_good":
        return
    rows = data.sensitivity(outcome)
    if rows.is_empty():
        return
    outside = rows.filter(pl.col("is_outside") & (pl.col("variant") != "without_technicians"))
    own = rows.filter(pl.col("step") == step)
    with st.expander(
        "Would it be another ratio, had we counted otherwise?", icon=":material/compare:", key="otherwise"
    ):
        components.note(
            f"Of {words.counted(rows.filter(pl.col('variant') != 'without_technicians').height, 'ratio')} counted "
            f"otherwise for {words.outcomes(outcome)}, {words.count(outside.height)} "
            f"{'leaves' if outside.height == 1 else 'leave'} the 95 % interval of the one shown above; a few do so by "
            "chance."
        )
        if own.is_empty():
            components.note(f"{words.step(step)}: too few events to count it otherwise.")
        else:
            st.dataframe(
                pl.DataFrame(
                    {
                        "Counted": [words.VARIANT.get(v, v) for v in own["variant"]],
                        "When": [words.AGE_BAND.get(band, band) for band in own["age_band"]],
                        "Ratio (95 %)": [
                            f"{words.times(v)} ({words.times_range(lo, hi)})"
                            for v, lo, hi in zip(own["hazard_ratio"], own["low"], own["high"], strict=True)
                        ],
                        "As shown above": [words.times(v) for v in own["hazard_ratio_main"]],
                        "Outside its interval": ["yes" if out else "no" for out in own["is_outside"]],
                        "Events": own["events"],
                        "of them not good": own["events_not_good"],
                    }
                ),
                hide_index=True,
                placeholder="–",
                height="content",
                column_config={"Counted": st.column_config.TextColumn(pinned=True)},
                alt=f"{words.step(step)}: ratios under other choices, with intervals and counts",
            )
        components.how_counted(HOW_OTHERWISE, "otherwise")


def _curve(outcome: str, step: str) -> None:
    known = data.incidence_outcomes(step)
    shown = outcome if outcome in known else (known[0] if known else None)
    curves = data.incidence(shown, step) if shown else pl.DataFrame()
    if curves.is_empty():
        st.info(f"{words.step(step)}: too few systems on either side to draw a curve.")
        return
    latest = curves.filter(pl.col("at_risk") >= 30).sort("age_months").group_by("arm").last()
    parts = [
        f"{words.share(row['incidence'], 1)} ({words.share_range(row['low'], row['high'], 1)}) of those "
        f"{words.ARM.get(row['arm'], row['arm'])} by {row['age_months'] / 12:.0f} years "
        f"({words.counted(row['events'], 'event')}, {words.count(row['at_risk'])} still followed)"
        for row in latest.sort("arm", descending=True).iter_rows(named=True)
    ]
    if parts:
        components.note(f"{words.outcome(shown)}: {words.joined(parts)}.")
    st.altair_chart(
        charts.incidence_curves(curves, looks.current()),
        alt=f"{words.outcome(shown)} by years in service, after {words.step(step).lower()} good and not good",
    )
    components.how_counted(HOW_CURVE, "curve")


def _cost() -> None:
    costs = data.step_cost()
    if costs.is_empty():
        return
    rules = data.house_rules()
    components.heading("What it costs a year")
    total = costs.filter(pl.col("step") == "all")
    single = costs.filter(pl.col("step").is_in(list(STEPS)) & (pl.col("extra_cost_per_year").fill_null(0) != 0))
    if single.is_empty():
        components.note(
            "No link is clear or leaning yet, so no cost is put on any step. That is not the same as no cost."
        )
        return
    if total.height:
        row = total.row(0, named=True)
        components.note(
            f"All together about **{words.money(row['extra_cost_per_year'], rules.currency)}** a year "
            f"({words.money_range(row['low'], row['high'], rules.currency)})."
        )
    table = pl.DataFrame(
        {
            "Step": [words.step(step) for step in single["step"]],
            "Cost a year": [words.money(v, rules.currency) for v in single["extra_cost_per_year"]],
            "95 % range": [
                words.money_range(lo, hi, rules.currency) for lo, hi in zip(single["low"], single["high"], strict=True)
            ],
            "Extra compressor failures a year": [words.number(v) for v in single["extra_compressor_failures_per_year"]],
            "Extra callbacks a year": [words.number(v) for v in single["extra_callbacks_per_year"]],
            "Jobs a year not done or ticked only": [words.count(v) for v in single["skipped_jobs_per_year"]],
        }
    )
    st.dataframe(
        table,
        hide_index=True,
        placeholder="–",
        height="content",
        column_config={"Step": st.column_config.TextColumn(pinned=True)},
        alt="Cost a year of each step that is not good",
    )
    components.how_counted(HOW_COST, "cost")


def _notes() -> None:
    notes = data.fit_notes()
    run = data.fit_run()
    if notes.is_empty() and not run:
        return
    with st.expander("What could not be worked out, and what was left out", icon=":material/info:", key="fit_notes"):
        for row in notes.iter_rows(named=True):
            where = f"{words.step(row['step'])}: " if row.get("step") else ""
            text = row["text"] or ""
            for code, plain in words.OUTCOME.items():
                if "_" in code:
                    text = text.replace(code, plain.lower())
            st.markdown(f"- {words.escaped(where + text)}")
        if run:
            components.note(
                f"Worked out to {words.date(run.get('as_of'))}, random draws from seed {run.get('seed', '–')}."
            )


if __name__ == "__main__":
    page()
