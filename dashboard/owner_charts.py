"""The pictures of the Owner's page: the control chart of whole jobs, and a year's cost by step."""

from __future__ import annotations

import math

import altair as alt
import polars as pl

from dashboard import words
from dashboard.kept_charts import kept
from dashboard.looks import Look, Picture, dressed

LIMITS = ("limit_low_95", "limit_high_95", "limit_low_998", "limit_high_998")


@kept
def control_chart(months: pl.DataFrame, look: Look) -> Picture:
    """Share of jobs good in every known step by month, in the band that chance would fill; each marked change named.

    months : month, rate, known, good, centre, LIMITS, change, is_part; 24 rows at most.
    """
    frame = months.with_columns(
        pl.col(*LIMITS, "centre").cast(pl.Float64),
        change=pl.col("change").cast(pl.String).fill_null(""),
        word=pl.when(pl.col("is_part")).then(pl.lit("month not ended")).otherwise(pl.lit("whole month")),
    ).with_columns(
        mark=pl.col("change").replace_strict({"better": "▲ better", "worse": "▼ worse"}, default=""),
        until=pl.col("month").dt.offset_by("1mo"),
    )
    highest = max(
        value
        for column in ("rate", "limit_high_998", "limit_high_95")
        for value in (frame[column].drop_nulls().to_list() or [0.0])
    )
    scale = alt.Scale(domain=[0, min(1.0, math.ceil(10 * highest + 0.3) / 10)])
    x = alt.X(
        "month:T",
        title=None,
        axis=alt.Axis(format=words.month_axis(), tickCount={"interval": "month", "step": 3}, grid=False),
    )
    y_axis = alt.Axis(format=".0%", tickCount=5)

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", title="Jobs good in every known step", axis=y_axis, scale=scale)

    base = alt.Chart(frame)
    limited = base.transform_filter("isValid(datum.limit_low_95)")
    layers: list[alt.Chart] = []
    if frame["limit_low_95"].drop_nulls().len():
        layers.append(
            limited.mark_area(color=look.band, interpolate="step-after").encode(
                x=x, y=y("limit_low_95"), y2=alt.Y2("limit_high_95:Q")
            )
        )
        layers += [
            limited.mark_line(color=look.quiet, strokeDash=[4, 4], strokeWidth=1, interpolate="step-after").encode(
                x=x, y=y(limit)
            )
            for limit in ("limit_low_998", "limit_high_998")
        ]
        layers.append(
            limited.mark_line(color=look.quiet, strokeWidth=1.2, interpolate="step-after").encode(x=x, y=y("centre"))
        )
    tooltip = [
        alt.Tooltip("month:T", title="Month", format=words.month_tooltip()),
        alt.Tooltip("rate:Q", title="Good", format=".0%"),
        alt.Tooltip("good:Q", title="Jobs good", format=","),
        alt.Tooltip("known:Q", title="Jobs known", format=","),
        alt.Tooltip("limit_low_95:Q", title="Band from", format=".0%"),
        alt.Tooltip("limit_high_95:Q", title="to", format=".0%"),
        alt.Tooltip("word:N", title=" "),
    ]
    layers.append(base.mark_line(color=look.good, strokeWidth=1.8).encode(x=x, y=y("rate")))
    layers.append(
        base.mark_point(color=look.good, size=46, opacity=1, strokeWidth=1.6).encode(
            x=x,
            y=y("rate"),
            # a hollow point is a month that has not ended
            fill=alt.condition("datum.is_part", alt.value(look.paper), alt.value(look.good)),
            tooltip=tooltip,
        )
    )
    marked = frame.filter(pl.col("mark") != "")
    if marked.height:
        at = alt.Chart(marked)
        layers.append(at.mark_rule(color=look.ink, strokeDash=[2, 3]).encode(x=x))
        layers.append(
            at.mark_text(align="left", dx=5, baseline="top", fontSize=13, fontWeight=600, color=look.ink).encode(
                x=x, y=alt.value(0), text=alt.Text("mark:N"), tooltip=tooltip
            )
        )
    return dressed(alt.layer(*layers).properties(height=300), look)


@kept
def cost_by_step(steps: pl.DataFrame, currency: str, look: Look) -> Picture:
    """A year's cost of each step with its range, the largest first.

    steps : step, extra_cost_per_year, low, high [money].
    """
    frame = steps.with_columns(
        step_word=pl.col("step").cast(pl.String).replace_strict(words.STEP, default=pl.col("step").cast(pl.String)),
        cost_text=pl.col("extra_cost_per_year").map_elements(
            lambda v: words.money(v, currency), return_dtype=pl.String
        ),
        range_text=pl.struct("low", "high").map_elements(
            lambda r: words.money_range(r["low"], r["high"], currency), return_dtype=pl.String
        ),
    )
    order = frame["step_word"].to_list()
    base = alt.Chart(frame).encode(
        y=alt.Y("step_word:N", sort=order, title=None, axis=alt.Axis(domain=False, ticks=False, labelLimit=150)),
        tooltip=[
            alt.Tooltip("step_word:N", title="Step"),
            alt.Tooltip("cost_text:N", title="A year's cost"),
            alt.Tooltip("range_text:N", title="95 % range"),
        ],
    )
    x_axis = alt.Axis(format=",~f", tickCount=4)
    span = base.mark_rule(color=look.good, strokeWidth=2.4, strokeCap="round").encode(
        x=alt.X("low:Q", title=f"{currency} a year", axis=x_axis, scale=alt.Scale(zero=True)), x2=alt.X2("high:Q")
    )
    point = base.mark_point(filled=True, color=look.good, size=85, opacity=1).encode(x=alt.X("extra_cost_per_year:Q"))
    return dressed(alt.layer(span, point).properties(height=36 * frame.height + 70), look)
