"""Frame in, chart out: every picture of the pages, so that a test can read what it says.

Each chart carries its counts in the tooltip, shows the interval of every estimate, and tells states and series apart by
shape, dash or word before it does so by colour. None draws more than 2,000 marks.
"""

from __future__ import annotations

import math

import altair as alt
import polars as pl

from dashboard import shown, words
from dashboard.kept_charts import kept
from dashboard.looks import Look, Picture, dressed
from pipelines.contract import STEPS, TRACE_QUANTITY_UNIT

TOO_FEW = 20
CORNERS_AT_MOST = 100
FOLLOWED_AT_LEAST = 10  # beyond, one failure throws a curve up that says nothing
RATE_CLASSES = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
RATIO_TICKS = [0.125, 0.25, 0.5, 1, 2, 4, 8, 16]
RATIO_LABEL = "datum.value < 1 ? '1/' + round(1 / datum.value) : datum.value"
# a telephone has room for one column of a legend
NARROW_COLUMNS = alt.ExprRef("width < 420 ? 1 : 3")
FLAG_SHAPE = {"usual": "circle", "below": "triangle-down", "above": "triangle-up", "too_few": "cross"}
SPIKE_S = 45  # the valve's spike: samples before it say nothing about the system


def _from_share(*shares: pl.Series) -> float:
    """Where an axis of shares begins: the tenth below the lowest one."""
    lowest = min((value for series in shares for value in series.drop_nulls().to_list()), default=0.0)
    return max(0.0, math.floor(lowest * 10) / 10)


def _steps_in(frame: pl.DataFrame) -> list[str]:
    present = set(frame["step"].to_list())
    return [words.step(step) for step in STEPS if step in present]


def _with_step_words(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(step_word=pl.col("step").replace_strict(words.STEP, default=pl.col("step")))


@kept
def heat_of_steps(groups: pl.DataFrame, group_word: str, look: Look) -> Picture:
    """Steps down, groups across: the share good as number and colour, its count below; too few jobs: dashed, no colour.

    groups : columns step, group, known, good, rate, low, high. Choosing a cell selects `cell` (step, group).
    """
    frame = _with_step_words(groups.filter(pl.col("known") > 0)).with_columns(
        enough=pl.col("known") >= TOO_FEW,
        rate_text=pl.when(pl.col("known") >= TOO_FEW)
        .then(pl.col("rate").map_elements(lambda r: words.share(r).replace(words.NARROW, ""), return_dtype=pl.String))
        .otherwise(pl.lit("too few")),
        n_text=pl.col("known").map_elements(lambda n: f"n {words.count(n)}", return_dtype=pl.String),
        range_text=pl.struct("low", "high").map_elements(
            lambda r: words.share_range(r["low"], r["high"]), return_dtype=pl.String
        ),
    )
    steps = _steps_in(frame)
    names = sorted(frame["group"].unique().to_list())
    cell = alt.selection_point(name="cell", fields=["step", "group"], on="click", empty=True)
    scale = alt.Scale(type="threshold", domain=list(RATE_CLASSES), range=list(look.low_to_high))
    dark_ends = f"datum.rate < {RATE_CLASSES[0]} || datum.rate >= {RATE_CLASSES[-1]}"
    tooltip = [
        alt.Tooltip("step_word:N", title="Step"),
        alt.Tooltip("group:N", title=group_word),
        alt.Tooltip("rate_text:N", title="Good"),
        alt.Tooltip("range_text:N", title="95 % range"),
        alt.Tooltip("good:Q", title="Jobs good", format=","),
        alt.Tooltip("known:Q", title="Jobs known", format=","),
    ]
    base = alt.Chart(frame).encode(
        x=alt.X(
            "group:N",
            sort=names,
            title=None,
            scale=alt.Scale(paddingInner=0.06, paddingOuter=0.02),
            axis=alt.Axis(
                orient="top",
                labelAngle=0 if len(names) <= 4 else -38,
                labelOverlap=False,
                # upright names stay within their column; slanted ones have room beside it
                labelLimit=alt.ExprRef("max(40, bandwidth('x') - 2)") if len(names) <= 4 else 110,
                domain=False,
                ticks=False,
            ),
        ),
        y=alt.Y(
            "step_word:N",
            sort=steps,
            title=None,
            scale=alt.Scale(paddingInner=0.08, paddingOuter=0.02),
            axis=alt.Axis(domain=False, ticks=False, labelLimit=150),
        ),
        tooltip=tooltip,
    )
    full = (
        base.transform_filter("datum.enough")
        .mark_rect(cornerRadius=3, cursor="pointer")
        .encode(
            color=alt.Color(
                "rate:Q",
                scale=scale,
                legend=alt.Legend(title="Share good", format=".0%", orient="bottom", gradientLength=260, offset=14),
            ),
            opacity=alt.condition(cell, alt.value(1), alt.value(0.45)),
        )
    )
    sparse = base.transform_filter("!datum.enough").mark_rect(
        cornerRadius=3, filled=False, stroke=look.unknown, strokeDash=[3, 3], strokeWidth=1.2, cursor="pointer"
    )
    number_ink = alt.condition(f"datum.enough && ({dark_ends})", alt.value(look.ink_on_ends), alt.value(look.ink))
    wide_enough = {"expr": "bandwidth('x') < 30 ? 0 : 1"}
    rate = (
        base.mark_text(dy=-6, fontSize=13, fontWeight=600, opacity=wide_enough)
        .transform_filter("datum.enough")
        .encode(text=alt.Text("rate_text:N"), color=number_ink)
    )
    too_few = base.mark_text(dy=-6, fontSize=11, fontStyle="italic", color=look.soft_ink, opacity=wide_enough)
    too_few = too_few.transform_filter("!datum.enough").encode(text=alt.Text("rate_text:N"))
    count = base.mark_text(dy=10, fontSize=11, opacity=wide_enough).encode(text=alt.Text("n_text:N"), color=number_ink)
    # on top of all, so that a click on a number is a click on its cell
    touch = base.mark_rect(fillOpacity=0, strokeOpacity=0, cursor="pointer").add_params(cell)
    # a layer without marks would be told to a screen reader as a picture without a name
    layers = [(full, True), (sparse, False), (rate, True), (too_few, False), (count, None), (touch, None)]
    there = [layer for layer, enough in layers if enough is None or enough in frame["enough"]]
    # the height holds the axis and the legend too
    chart = alt.layer(*there).properties(height=44 * len(steps) + 130)
    return dressed(chart, look)


@kept
def people_with_interval(rates: pl.DataFrame, look: Look) -> Picture:
    """One line for each technician in the order of crew and name: the adjusted share good on its 95 % interval.

    Choosing a line selects `who` (technician_id).
    """
    frame = rates.with_columns(
        who=pl.col("name") + pl.when(pl.col("crew").is_null()).then(pl.lit("")).otherwise("  ·  " + pl.col("crew")),
        flag_word=pl.col("flag").replace_strict(words.FLAG, default=pl.col("flag")),
    )
    order = frame["who"].to_list()
    shown = [flag for flag in FLAG_SHAPE if flag in set(frame["flag"].to_list())]
    tone = {"usual": look.quiet, "below": look.not_good, "above": look.good, "too_few": look.unknown}
    tooltip = [
        alt.Tooltip("name:N", title="Technician"),
        alt.Tooltip("crew:N", title="Crew"),
        alt.Tooltip("rate_adjusted:Q", title="Good, adjusted", format=".0%"),
        alt.Tooltip("rate_low:Q", title="from", format=".0%"),
        alt.Tooltip("rate_high:Q", title="to", format=".0%"),
        alt.Tooltip("good:Q", title="Jobs good", format=","),
        alt.Tooltip("known:Q", title="Jobs known", format=","),
        alt.Tooltip("unknown:Q", title="Jobs unknown", format=","),
        alt.Tooltip("flag_word:N", title="Against target"),
    ]
    y = alt.Y(
        "who:N", sort=order, title=None, axis=alt.Axis(labelLimit=170, labelOverlap=False, domain=False, ticks=False)
    )
    from_share = _from_share(frame["rate_low"], frame["target"])
    x_axis = alt.Axis(format=".0%", orient="top", tickCount=5)
    colour = alt.Color(
        "flag:N",
        scale=alt.Scale(domain=shown, range=[tone[flag] for flag in shown]),
        legend=None,
    )
    base = alt.Chart(frame).encode(y=y, tooltip=tooltip)
    span = base.mark_rule(strokeWidth=2, strokeCap="round").encode(
        x=alt.X(
            "rate_low:Q",
            title="Share good, adjusted for job mix",
            axis=x_axis,
            scale=alt.Scale(domain=[from_share, 1], zero=False),
        ),
        x2=alt.X2("rate_high:Q"),
        color=colour,
    )
    point = base.mark_point(filled=True, size=75, opacity=1).encode(
        x=alt.X("rate_adjusted:Q"),
        color=colour,
        shape=alt.Shape(
            "flag:N",
            scale=alt.Scale(domain=shown, range=[FLAG_SHAPE[flag] for flag in shown]),
            legend=None,
        ),
    )
    target = (
        alt.Chart(frame.select(pl.col("target").max()))
        .mark_rule(strokeDash=[5, 4], color=look.ink, strokeWidth=1)
        .encode(
            x=alt.X("target:Q", axis=x_axis, scale=alt.Scale(domain=[from_share, 1], zero=False)),
            tooltip=[alt.Tooltip("target:Q", title="Target", format=".0%")],
        )
    )
    who = alt.selection_point(name="who", fields=["technician_id"], on="click", empty=False)
    touch = base.mark_rect(fillOpacity=0, strokeOpacity=0, cursor="pointer").add_params(who)
    chart = alt.layer(target, span, point, touch).properties(height=22 * len(order) + 60)
    return dressed(chart, look)


@kept
def funnel(rates: pl.DataFrame, look: Look) -> Picture:
    """The picture of chance: each technician's plain share against the jobs behind it, inside what luck alone would do."""
    frame = rates.filter(pl.col("known") > 0).sort("known")
    shown = [flag for flag in FLAG_SHAPE if flag in set(frame["flag"].to_list())]
    tone = {"usual": look.quiet, "below": look.not_good, "above": look.good, "too_few": look.unknown}
    base = alt.Chart(frame)
    # what chance alone gives hangs on the number of jobs, not on the person: a curve of a hundred corners is smooth
    by_count = frame.unique("known", keep="first", maintain_order=True)
    corners = by_count.gather_every(max(1, by_count.height // CORNERS_AT_MOST))
    limits = alt.Chart(pl.concat([corners, by_count.tail(1)]).unique("known", maintain_order=True))
    x = alt.X("known:Q", title="Jobs known", axis=alt.Axis(tickCount=5, format=",d"))
    y_title = "Share good, as counted"
    from_share = _from_share(frame["rate"], frame["limit_low_998"])
    outer = limits.mark_area(color=look.band, opacity=0.9, interpolate="monotone").encode(
        x=x,
        y=alt.Y(
            "limit_low_998:Q",
            title=y_title,
            axis=alt.Axis(format=".0%", tickCount=5),
            scale=alt.Scale(domain=[from_share, 1], zero=False),
        ),
        y2=alt.Y2("limit_high_998:Q"),
    )
    inner_low = limits.mark_line(strokeDash=[4, 3], color=look.quiet, strokeWidth=1).encode(
        x=x, y=alt.Y("limit_low_95:Q")
    )
    inner_high = limits.mark_line(strokeDash=[4, 3], color=look.quiet, strokeWidth=1).encode(
        x=x, y=alt.Y("limit_high_95:Q")
    )
    middle = limits.mark_line(color=look.ink, strokeWidth=1).encode(x=x, y=alt.Y("fleet_rate:Q"))
    points = base.mark_point(filled=True, size=60, opacity=0.9).encode(
        x=x,
        y=alt.Y("rate:Q"),
        shape=alt.Shape(
            "flag:N", scale=alt.Scale(domain=shown, range=[FLAG_SHAPE[flag] for flag in shown]), legend=None
        ),
        color=alt.Color("flag:N", scale=alt.Scale(domain=shown, range=[tone[flag] for flag in shown]), legend=None),
        tooltip=[
            alt.Tooltip("name:N", title="Technician"),
            alt.Tooltip("rate:Q", title="Good, as counted", format=".0%"),
            alt.Tooltip("good:Q", title="Jobs good", format=","),
            alt.Tooltip("known:Q", title="Jobs known", format=","),
        ],
    )
    return dressed(alt.layer(outer, inner_low, inner_high, middle, points).properties(height=300), look)


@kept
def months(trend: pl.DataFrame, look: Look) -> Picture:
    """The share good month by month inside its control limits; the tooltip has the counts."""
    frame = trend.filter(pl.col("known") > 0)
    base = alt.Chart(frame)
    x = alt.X("month:T", title=None, axis=alt.Axis(format=words.month_axis(), tickCount=6, labelOverlap=True))
    layers = []
    if {"limit_low_95", "limit_high_95"} <= set(frame.columns):
        layers.append(
            base.mark_area(color=look.band, interpolate="step", opacity=0.9, clip=True).encode(
                x=x, y=alt.Y("limit_low_95:Q", title="Share good"), y2=alt.Y2("limit_high_95:Q")
            )
        )
    from_share = _from_share(frame["rate"], *(frame[name] for name in ("limit_low_95",) if name in frame.columns))
    y = alt.Y(
        "rate:Q",
        title="Share good",
        axis=alt.Axis(format=".0%", tickCount=4),
        scale=alt.Scale(domain=[from_share, 1], zero=False),
    )
    layers.append(base.mark_line(color=look.good, strokeWidth=1.6).encode(x=x, y=y))
    layers.append(
        base.mark_point(filled=True, color=look.good, size=34, opacity=1).encode(
            x=x,
            y=y,
            tooltip=[
                alt.Tooltip("month:T", title="Month", format=words.month_tooltip()),
                alt.Tooltip("rate:Q", title="Good", format=".0%"),
                alt.Tooltip("good:Q", title="Jobs good", format=","),
                alt.Tooltip("known:Q", title="Jobs known", format=","),
            ],
        )
    )
    return dressed(alt.layer(*layers).properties(height=230), look)


ESTIMATES = ("adjusted", "calibrated", "drawn_in", "crude", "control")
ESTIMATE_WORD = {
    "adjusted": "Adjusted",
    "calibrated": "Calibrated by the control",
    "drawn_in": "Drawn in, for small fleets",
    "crude": "Crude",
    "control": "Control: no step can cause it",
}
ESTIMATE_SIGN = {"adjusted": "●", "calibrated": "■", "drawn_in": "✚", "crude": "◆", "control": "▲"}
ESTIMATE_SHAPE = {
    "adjusted": "circle", "calibrated": "square", "drawn_in": "cross", "crude": "diamond", "control": "triangle-up",
}  # fmt: skip


def effects_long(effects: pl.DataFrame) -> pl.DataFrame:
    """One row for each step, age band and kind of estimate: ratio, low, high (null where it has no interval)."""
    parts = []
    for kind, value, low, high in (
        ("adjusted", "hazard_ratio", "low", "high"),
        ("calibrated", "hazard_ratio_calibrated", "low_calibrated", "high_calibrated"),
        ("drawn_in", "hazard_ratio_shrunk", "low_shrunk", "high_shrunk"),
        ("crude", "hazard_ratio_crude", None, None),
        ("control", "negative_control_ratio", None, None),
    ):
        if value not in effects.columns:
            continue
        parts.append(
            effects.select(
                "step",
                "age_band",
                "events",
                "events_skipped",
                "evidence",
                kind=pl.lit(kind),
                ratio=pl.col(value).cast(pl.Float64),
                low=(pl.col(low) if low else pl.lit(None)).cast(pl.Float64),
                high=(pl.col(high) if high else pl.lit(None)).cast(pl.Float64),
            )
        )
    return pl.concat(parts).filter(pl.col("ratio").is_not_null() & pl.col("ratio").is_finite())


def ratio_domain(long: pl.DataFrame) -> tuple[float, float]:
    """From which to which ratio the axes of all age bands run: what the estimates need, between 1/8 and 16."""
    shown = long.filter(pl.col("age_band").is_in(["early", "late"]))
    lows = [v for v in (*shown["low"].to_list(), *shown["ratio"].to_list()) if v]
    highs = [v for v in (*shown["high"].to_list(), *shown["ratio"].to_list()) if v]
    least = max(0.125, min(0.5, *(2.0 ** math.floor(math.log2(v)) for v in lows))) if lows else 0.5
    most = min(16.0, max(4.0, *(2.0 ** math.ceil(math.log2(v)) for v in highs))) if highs else 4.0
    return least, most


@kept
def effects_with_interval(
    effects: pl.DataFrame, age_band: str, look: Look, kinds: tuple[str, ...] = ESTIMATES
) -> Picture:
    """Hazard ratios of one age band on one log axis: adjusted, calibrated, crude and the control, step by step."""
    long = effects_long(effects).filter(pl.col("kind").is_in(list(kinds)))
    least, most = ratio_domain(long)
    frame = (
        _with_step_words(long)
        .filter(pl.col("age_band") == age_band)
        .with_columns(
            kind_word=pl.col("kind").replace_strict(ESTIMATE_WORD),
            evidence_word=pl.col("evidence").replace_strict(words.EVIDENCE, default=pl.col("evidence")),
            range_word=pl.struct("low", "high").map_elements(
                lambda r: words.times_range(r["low"], r["high"]), return_dtype=pl.String
            ),
            at=pl.col("ratio").clip(least, most),
            low_shown=pl.col("low").clip(least, most),
            high_shown=pl.col("high").clip(least, most),
        )
    )
    present = [kind for kind in kinds if kind in set(frame["kind"].to_list())]
    tone = {
        "adjusted": look.not_good, "calibrated": look.second, "drawn_in": look.third, "crude": look.quiet,
        "control": look.ink,
    }  # fmt: skip
    tones = alt.Scale(domain=[ESTIMATE_WORD[k] for k in present], range=[tone[k] for k in present])
    colour = alt.Color("kind_word:N", scale=tones, legend=None)
    shape = alt.Shape(
        "kind_word:N",
        scale=alt.Scale(domain=[ESTIMATE_WORD[k] for k in present], range=[ESTIMATE_SHAPE[k] for k in present]),
        legend=None,
    )
    y = alt.Y(
        "step_word:N",
        sort=_steps_in(frame),
        title=None,
        scale=alt.Scale(paddingInner=0.25),
        axis=alt.Axis(domain=False, ticks=False, grid=True, labelLimit=140, bandPosition=1, labelPadding=4),
    )
    offset = alt.YOffset("kind_word:N", sort=[ESTIMATE_WORD[k] for k in present])
    x = alt.X(
        "at:Q",
        title="times as often as after a good step",
        scale=alt.Scale(type="log", domain=[least, most], nice=False, clamp=True),
        # fractions are short enough for every label to find room: the 1 must never be the one left out
        axis=alt.Axis(
            values=[tick for tick in RATIO_TICKS if least <= tick <= most],
            labelExpr=RATIO_LABEL,
            labelOverlap=False,
            orient="bottom",
        ),
    )
    tooltip = [
        alt.Tooltip("step_word:N", title="Step"),
        alt.Tooltip("kind_word:N", title="Estimate"),
        alt.Tooltip("ratio:Q", title="Times as often", format=".2f"),
        alt.Tooltip("range_word:N", title="95 % range"),
        alt.Tooltip("events:Q", title="Failures, all", format=","),
        alt.Tooltip("events_skipped:Q", title="Failures, not good", format=","),
        alt.Tooltip("evidence_word:N", title="Evidence"),
    ]
    one = alt.Chart(pl.DataFrame({"one": [1.0]})).mark_rule(color=look.ink, strokeWidth=1).encode(x=alt.X("one:Q"))
    base = alt.Chart(frame).encode(y=y, yOffset=offset, tooltip=tooltip)
    span = (
        base.transform_filter("isValid(datum.low)")
        .mark_rule(strokeWidth=2.2, strokeCap="round")
        .encode(
            x=alt.X("low_shown:Q"), x2=alt.X2("high_shown:Q"), color=alt.Color("kind_word:N", legend=None, scale=tones)
        )
    )
    point = base.mark_point(filled=True, size=64, opacity=1).encode(x=x, color=colour, shape=shape)
    steps = frame["step"].n_unique()
    return dressed(alt.layer(one, span, point).properties(height=15 * len(present) * steps + 70), look)


@kept
def incidence_curves(curves: pl.DataFrame, look: Look) -> Picture:
    """Share of systems that have had the outcome, by age: after a good step, and after one that was not."""
    followed = curves.filter(pl.col("at_risk") >= FOLLOWED_AT_LEAST)
    frame = (curves if followed.is_empty() else followed).with_columns(
        years=pl.col("age_months") / 12,
        arm_word=pl.col("arm").replace_strict(
            {"good": "Step good", "not_good": "Step not good"}, default=pl.col("arm")
        ),
    )
    scale = alt.Scale(domain=["Step not good", "Step good"], range=[look.not_good, look.good])
    # the same key for both layers: a layer that asks for none takes it from the other
    key = alt.Legend(title=None, symbolType="stroke", symbolSize=300, symbolStrokeWidth=2.2, symbolOpacity=1)
    base = alt.Chart(frame)
    x = alt.X("years:Q", title="Years in service", axis=alt.Axis(tickMinStep=1, tickCount=8))
    y = alt.Y("incidence:Q", title="Had it by then", axis=alt.Axis(format=".0%", tickCount=5))
    band = base.mark_area(opacity=0.16, interpolate="step-after").encode(
        x=x,
        y=alt.Y("low:Q", title="Had it by then"),
        y2=alt.Y2("high:Q"),
        color=alt.Color("arm_word:N", scale=scale, legend=key),
    )
    line = base.mark_line(interpolate="step-after", strokeWidth=2.2).encode(
        x=x,
        y=y,
        color=alt.Color("arm_word:N", scale=scale, legend=key),
        strokeDash=alt.StrokeDash(
            "arm_word:N",
            scale=alt.Scale(domain=["Step not good", "Step good"], range=[[1, 0], [6, 4]]),
            legend=key,
        ),
    )
    hover = base.mark_point(size=60, opacity=0).encode(
        x=x,
        y=y,
        tooltip=[
            alt.Tooltip("arm_word:N", title="Step"),
            alt.Tooltip("years:Q", title="Years in service", format=".1f"),
            alt.Tooltip("incidence:Q", title="Had it by then", format=".1%"),
            alt.Tooltip("low:Q", title="from", format=".1%"),
            alt.Tooltip("high:Q", title="to", format=".1%"),
            alt.Tooltip("at_risk:Q", title="Systems still followed", format=","),
            alt.Tooltip("events:Q", title="Events", format=","),
        ],
    )
    return dressed(alt.layer(band, line, hover).properties(height=320), look)


@kept
def visits_and_failures_avoided(curve: pl.DataFrame, visits: int, look: Look) -> Picture:
    """Failures that visits avoid as they are added in the list's order, with its range; dashed: in no order."""
    # the first visits are what one decides about: far beyond them the picture would hide them
    curve = curve.filter(pl.col("visits") <= max(5 * visits, 150))
    base = alt.Chart(curve)
    x = alt.X(
        "visits:Q", title="Visits", axis=alt.Axis(format=",d", tickCount=6, tickMinStep=1), scale=alt.Scale(nice=False)
    )
    y_title = "Failures avoided"
    band = base.mark_area(color=look.good, opacity=0.15).encode(
        x=x, y=alt.Y("low:Q", title=y_title), y2=alt.Y2("high:Q")
    )
    line = base.mark_line(color=look.good, strokeWidth=2.4).encode(x=x, y=alt.Y("avoided:Q", title=y_title))
    random = base.mark_line(color=look.quiet, strokeDash=[5, 4], strokeWidth=1.5).encode(x=x, y=alt.Y("at_random:Q"))
    hover = base.mark_point(opacity=0, size=80).encode(
        x=x,
        y=alt.Y("avoided:Q"),
        tooltip=[
            alt.Tooltip("visits:Q", title="Visits", format=","),
            alt.Tooltip("avoided:Q", title="Avoided, in the list's order", format=".1f"),
            alt.Tooltip("low:Q", title="from", format=".1f"),
            alt.Tooltip("high:Q", title="to", format=".1f"),
            alt.Tooltip("at_random:Q", title="Avoided, in no order", format=".1f"),
        ],
    )
    chosen = curve.filter(pl.col("visits") >= visits).head(1)
    if chosen.is_empty():
        chosen = curve.tail(1)
    here = chosen.with_columns(
        label=pl.struct("visits", "avoided").map_elements(
            lambda r: f"{words.counted(r['visits'], 'visit')}: {words.tenths(r['avoided'])} avoided",
            return_dtype=pl.String,
        )
    )
    # at the head of the upright line, where no curve passes; on its inner side
    is_far = float(here["visits"][0]) > 0.6 * float(curve["visits"].max() or 1)  # type: ignore[arg-type]
    said = (
        alt.Chart(here)
        .mark_text(
            align="right" if is_far else "left", dx=-9 if is_far else 9, fontSize=13, fontWeight=600, color=look.ink
        )
        .encode(x=alt.X("visits:Q"), y=alt.value(10), text=alt.Text("label:N"))
    )
    mark = alt.Chart(here).mark_rule(color=look.ink, strokeWidth=1).encode(x=alt.X("visits:Q"))
    dot = (
        alt.Chart(here)
        .mark_point(filled=True, color=look.ink, size=70, opacity=1)
        .encode(x=alt.X("visits:Q"), y=alt.Y("avoided:Q"))
    )
    last = curve.tail(1).with_columns(label=pl.lit("in no order"))
    label = (
        alt.Chart(last)
        .mark_text(align="right", dy=-9, dx=-4, fontSize=12, color=look.soft_ink)
        .encode(x=alt.X("visits:Q"), y=alt.Y("at_random:Q"), text=alt.Text("label:N"))
    )
    return dressed(alt.layer(band, random, line, mark, dot, said, label, hover).properties(height=300), look)


@kept
def said_and_seen(groups: pl.DataFrame, look: Look) -> Picture:
    """What the list said against what then happened, group by group, with the range of what was seen."""
    top = float(max(groups["high"].max() or 0, groups["said"].max() or 0, 0.01)) * 1.05  # type: ignore[type-var]
    diagonal = (
        alt.Chart(pl.DataFrame({"said": [0.0, top], "seen": [0.0, top]}))
        .mark_line(color=look.quiet, strokeDash=[5, 4], strokeWidth=1)
        .encode(x=alt.X("said:Q"), y=alt.Y("seen:Q"))
    )
    base = alt.Chart(groups)
    axis = alt.Axis(format=".0%", tickCount=5)
    x = alt.X("said:Q", title="Said", axis=axis, scale=alt.Scale(domain=[0, top], nice=False))
    rule = base.mark_rule(color=look.good, strokeWidth=2).encode(
        x=x,
        y=alt.Y("low:Q", title="Seen", axis=axis, scale=alt.Scale(domain=[0, top], nice=False)),
        y2=alt.Y2("high:Q"),
    )
    point = base.mark_point(filled=True, color=look.good, size=60, opacity=1).encode(
        x=x,
        y=alt.Y("seen:Q"),
        tooltip=[
            alt.Tooltip("systems:Q", title="Systems", format=","),
            alt.Tooltip("said:Q", title="Said", format=".1%"),
            alt.Tooltip("seen:Q", title="Seen", format=".1%"),
            alt.Tooltip("low:Q", title="from", format=".1%"),
            alt.Tooltip("high:Q", title="to", format=".1%"),
        ],
    )
    return dressed(alt.layer(diagonal, rule, point).properties(height=280), look)


GAP_WORD = {
    "cannot": "training can close it",
    "not_recorded": "recording can",
    "no_tool": "a tool can",
}


@kept
def gap_by_step(needs: pl.DataFrame, look: Look) -> Picture:
    """Jobs a year short of the target, split into what training can close, what recording can, and what a tool can."""
    frame = (
        _with_step_words(needs)
        .unpivot(
            ["cannot", "not_recorded", "no_tool"], index=["step", "step_word"], variable_name="part", value_name="jobs"
        )
        .with_columns(part_word=pl.col("part").replace_strict(GAP_WORD), jobs=pl.col("jobs").fill_null(0).clip(0))
    )
    order = list(GAP_WORD.values())
    base = alt.Chart(frame)
    bars = base.mark_bar(stroke=look.paper, strokeWidth=1.5).encode(
        x=alt.X(
            "jobs:Q", title="Jobs a year short of the target", axis=alt.Axis(format=",~f", tickCount=5), stack="zero"
        ),
        y=alt.Y(
            "step_word:N", sort=_steps_in(frame), title=None, axis=alt.Axis(labelLimit=150, domain=False, ticks=False)
        ),
        color=alt.Color(
            "part_word:N",
            sort=order,
            scale=alt.Scale(domain=order, range=[look.not_good, look.unknown, look.second]),
            legend=alt.Legend(title="Part of the gap that", columns=NARROW_COLUMNS, symbolType="square"),
        ),
        order=alt.Order("part_rank:Q"),
        tooltip=[
            alt.Tooltip("step_word:N", title="Step"),
            alt.Tooltip("part_word:N", title="Part"),
            alt.Tooltip("jobs:Q", title="Jobs a year", format=",.0f"),
        ],
    )
    ranked = frame.with_columns(
        part_rank=pl.col("part").replace_strict({"cannot": 0, "not_recorded": 1, "no_tool": 2}, return_dtype=pl.Int64)
    )
    bars.data = ranked
    return dressed(bars.properties(height=30 * frame["step"].n_unique() + 140), look)


PROOF_STATES = ("passed", "failed", "cannot_tell", "ticked_only", "not_done", "no_record")


@kept
def proof(states: pl.DataFrame, look: Look) -> Picture:
    """For each step: the share of jobs in each state, so that one sees what the records can answer."""
    frame = _with_step_words(states.filter(pl.col("state").is_in(list(PROOF_STATES)))).with_columns(
        state_word=pl.col("state").replace_strict({s: words.state_with_sign(s) for s in PROOF_STATES}),
        state_rank=pl.col("state").replace_strict({s: i for i, s in enumerate(PROOF_STATES)}, return_dtype=pl.Int64),
        share=pl.col("n") / pl.col("n").sum().over("step"),
    )
    order = [words.state_with_sign(s) for s in PROOF_STATES]
    tone = [look.good, look.not_good, look.second, look.third, look.quiet, look.unknown]
    base = alt.Chart(frame)
    y = alt.Y(
        "step_word:N", sort=_steps_in(frame), title=None, axis=alt.Axis(labelLimit=150, domain=False, ticks=False)
    )
    bars = base.mark_bar(stroke=look.paper, strokeWidth=1.5).encode(
        x=alt.X(
            "share:Q", title="Share of the jobs it belongs to", axis=alt.Axis(format=".0%", tickCount=5), stack="zero"
        ),
        y=y,
        color=alt.Color(
            "state_word:N",
            sort=order,
            scale=alt.Scale(domain=order, range=tone),
            legend=alt.Legend(title=None, columns=NARROW_COLUMNS, symbolType="square"),
        ),
        order=alt.Order("state_rank:Q"),
        tooltip=[
            alt.Tooltip("step_word:N", title="Step"),
            alt.Tooltip("state_word:N", title="State"),
            alt.Tooltip("share:Q", title="Share", format=".1%"),
            alt.Tooltip("n:Q", title="Jobs", format=","),
        ],
    )
    return dressed(bars.properties(height=30 * frame["step"].n_unique() + 190), look)


@kept
def gauge_log(
    log: pl.DataFrame,
    quantity: str,
    limits: list[tuple[str, float]],
    look: Look,
    marks: list[tuple[str, float, float]] | None = None,
    shades_spike: bool = True,
) -> Picture:
    """One gauge log over its minutes; a vacuum on a log axis, with the valve's spike shaded and each limit named.

    log, limits, marks : in the contract's units; drawn in those that are shown now. marks : levels that explain the
    curve and are no limits, each with the share of the log from which on it holds.
    """
    marks = marks or []
    staged_unit = TRACE_QUANTITY_UNIT.get(quantity, "")
    change = shown.change_of(staged_unit)
    frame = log.with_columns(minutes=pl.col("elapsed_s") / 60)
    if change is not None:
        frame = frame.with_columns(value=pl.col("value") * change.factor + change.shift)
        limits = [(name, change.apply(value)) for name, value in limits]
        marks = [(name, change.apply(value), since) for name, value, since in marks]
    is_vacuum = quantity == "vacuum"
    if is_vacuum:
        frame = frame.filter(pl.col("value") > 0)
    unit = words.unit(shown.shown_unit(staged_unit))
    values = [*frame["value"].to_list(), *(value for _, value in limits), *(mark[1] for mark in marks)]
    least, most = (min(values), max(values)) if values else (1.0, 10.0)
    scale = (
        alt.Scale(type="log", domain=[max(least * 0.8, 1 if change is None else 0.1), most * 1.3], nice=False)
        if is_vacuum
        else alt.Scale(zero=False, padding=12)
    )
    x = alt.X(
        "minutes:Q", title="Minutes since the step began", axis=alt.Axis(tickCount=7), scale=alt.Scale(domainMin=0)
    )
    y = alt.Y(
        "value:Q", title=f"{words.quantity(quantity)}, {unit}", scale=scale, axis=alt.Axis(format=",~g", tickCount=6)
    )
    base = alt.Chart(frame)
    layers: list[alt.Chart | alt.LayerChart] = []
    if is_vacuum and shades_spike:
        spike = pl.DataFrame({"start": [0.0], "end": [SPIKE_S / 60]})
        layers.append(alt.Chart(spike).mark_rect(color=look.band).encode(x=alt.X("start:Q"), x2=alt.X2("end:Q")))
    layers.append(base.mark_line(color=look.good, strokeWidth=1.8).encode(x=x, y=y))
    layers.append(
        base.mark_point(opacity=0, size=40).encode(
            x=x,
            y=y,
            tooltip=[
                alt.Tooltip("minutes:Q", title="Minute", format=".1f"),
                alt.Tooltip(
                    "value:Q", title=f"{words.quantity(quantity)} [{unit}]", format=",.0f" if change is None else ",.1f"
                ),
            ],
        )
    )
    until = max(frame["minutes"].to_list(), default=1.0)
    named = [(*limit, 0.0, look.not_good, [6, 4]) for limit in limits]
    named += [(*mark, look.second, [2, 3]) for mark in marks]
    for label, value, since, color, dash in named:
        level = alt.Chart(pl.DataFrame({"level": [value], "label": [label], "from": [since * until], "to": [until]}))
        rule = level.mark_rule(color=color, strokeDash=dash, strokeWidth=1.4)
        if since:
            rule = rule.encode(x=alt.X("from:Q"), x2="to:Q")
        layers.append(rule.encode(y=alt.Y("level:Q")))
        layers.append(
            # a level of the end alone is named below it, where the curve of a tight system does not come
            level.mark_text(
                align="right", baseline="top" if since else "bottom", dy=4 if since else -3, color=color, fontSize=12
            ).encode(x=alt.value("width"), y=alt.Y("level:Q"), text=alt.Text("label:N"))
        )
    return dressed(alt.layer(*layers).properties(height=300), look)
