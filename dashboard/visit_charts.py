"""The pictures of visits: where they are, what they found, and drawn by lot against not drawn."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboard import words
from dashboard.kept_charts import kept
from dashboard.looks import Look, Picture, dressed

DOTS_AT_MOST = 2000
HOME_SPANS = 2
CHOSEN = ("safety first", "by rank", "own choice", "by lot")
SHAPE = {
    "safety first": "triangle-up",
    "by rank": "circle",
    "own choice": "square",
    "by lot": "diamond",
    "not in this plan": "cross",
    "home base": "triangle-down",
}
FOUND = ("found and put right", "found, not put right", "already failing", "nothing found", "not recorded")


def chosen(row: dict[str, Any]) -> str:
    """Which of CHOSEN a planned visit is."""
    if row["is_unsafe"]:
        return CHOSEN[0]
    return {"rank": CHOSEN[1], "own_choice": CHOSEN[2], "lot": CHOSEN[3]}[row["chosen_by"]]


def is_near(home: tuple[float, float], stops: pl.DataFrame) -> bool:
    """Whether home base lies within so many spans of the stops that both can be told apart in one picture."""
    for at, name in zip(home, ("latitude", "longitude"), strict=True):
        values = stops[name].to_list()
        span = max(max(values) - min(values), 0.2)
        if not min(values) - HOME_SPANS * span <= at <= max(values) + HOME_SPANS * span:
            return False
    return True


@kept
def visit_map(stops: pl.DataFrame, others: pl.DataFrame, home: tuple[float, float] | None, look: Look) -> Picture:
    """Where the visits are, by latitude and longitude alone: no map is fetched. Shapes tell how each was chosen.

    stops : system_id, latitude, longitude, kind (of CHOSEN), when, area. others : system_id, latitude, longitude, area:
    systems worth a visit that are not in the plan; so many of them that DOTS_AT_MOST are drawn in all.
    """
    others = others.head(max(0, DOTS_AT_MOST - stops.height - 1))
    parts = [
        stops.select("system_id", "latitude", "longitude", "area", "kind", "when", size=pl.lit(150.0)),
        others.select(
            "system_id", "latitude", "longitude", "area", kind=pl.lit("not in this plan"), when=pl.lit("–"),
            size=pl.lit(28.0),
        ),
    ]  # fmt: skip
    if home is not None:
        parts.append(
            pl.DataFrame({
                "system_id": ["–"], "latitude": [home[0]], "longitude": [home[1]], "area": ["–"], "kind": ["home base"],
                "when": ["–"], "size": [240.0],
            })
        )  # fmt: skip
    frame = pl.concat(parts, how="vertical_relaxed")
    kinds = [kind for kind in SHAPE if kind in set(frame["kind"])]
    colour = {
        "safety first": look.not_good, "by rank": look.good, "own choice": look.third, "by lot": look.second,
        "not in this plan": look.quiet, "home base": look.ink,
    }  # fmt: skip
    legend = alt.Legend(columns=alt.ExprRef("width < 420 ? 2 : 6"), symbolSize=130, symbolStrokeWidth=0)
    dots = (
        alt.Chart(frame)
        .mark_point(filled=True, opacity=0.85, stroke=look.paper, strokeWidth=0.6)
        .encode(
            longitude="longitude:Q",
            latitude="latitude:Q",
            shape=alt.Shape(
                "kind:N", title=None, scale=alt.Scale(domain=kinds, range=[SHAPE[kind] for kind in kinds]),
                legend=legend,
            ),
            color=alt.Color("kind:N", title=None, scale=alt.Scale(domain=kinds, range=[colour[kind] for kind in kinds]), legend=legend),
            size=alt.Size("size:Q", scale=None, legend=None),
            order=alt.Order("size:Q"),
            tooltip=[
                alt.Tooltip("system_id:N", title="System"), alt.Tooltip("kind:N", title="Chosen"),
                alt.Tooltip("when:N", title="When"), alt.Tooltip("area:N", title="Area"),
            ],
        )
    )  # fmt: skip
    names = (
        frame.filter((pl.col("area") != "–") & pl.col("area").is_not_null())
        .group_by("area").agg(pl.col("latitude").max(), pl.col("longitude").mean()).sort("area").head(60)
    )  # fmt: skip
    labels = (
        alt.Chart(names)
        .mark_text(dy=-13, fontSize=11, color=look.soft_ink)
        .encode(longitude="longitude:Q", latitude="latitude:Q", text=alt.Text("area:N"))
    )
    return dressed(alt.layer(dots, labels).project(type="mercator").properties(height=440), look)


@kept
def visits_by_area(stops: pl.DataFrame, look: Look) -> Picture:
    """How many visits lie in each area: where no places are known. stops : area, kind."""
    frame = (
        stops.with_columns(pl.col("area").fill_null("not recorded"))
        .group_by("area")
        .agg(visits=pl.len(), lots=(pl.col("kind") == "by lot").sum())
        .sort("visits", "area", descending=[True, False])
        .with_columns(
            label=pl.struct("visits", "lots").map_elements(
                lambda r: f"{r['visits']}" + (f", {r['lots']} by lot" if r["lots"] else ""), return_dtype=pl.String
            )
        )
    )
    base = alt.Chart(frame)
    y = alt.Y("area:N", title=None, sort=frame["area"].to_list())
    bars = base.mark_bar(color=look.good, height=alt.RelativeBandSize(0.7)).encode(
        x=alt.X("visits:Q", title="Visits", axis=alt.Axis(format="d", tickMinStep=1)), y=y
    )
    text = base.mark_text(align="left", dx=5, color=look.ink).encode(x=alt.X("visits:Q"), y=y, text=alt.Text("label:N"))
    return dressed(alt.layer(bars, text).properties(height=max(90, 30 * frame.height)), look)


@kept
def shares_with_range(rows: pl.DataFrame, title: str, look: Look) -> Picture:
    """A share for each label with its range and count. rows : label, share, low, high, count (text beside it)."""
    base = alt.Chart(rows)
    order = rows["label"].to_list()
    y = alt.Y("label:N", title=None, sort=order, axis=alt.Axis(labelLimit=220))
    scale = alt.Scale(domain=[0, 1])
    axis = alt.Axis(format=".0%", tickCount=5)
    rule = base.mark_rule(color=look.good, strokeWidth=2).encode(
        x=alt.X("low:Q", title=title, scale=scale, axis=axis), x2=alt.X2("high:Q"), y=y
    )
    dot = base.mark_point(filled=True, color=look.good, size=90, opacity=1).encode(
        x=alt.X("share:Q", title=title, scale=scale, axis=axis), y=y,
        tooltip=[
            alt.Tooltip("label:N", title="Step"), alt.Tooltip("share:Q", title=title, format=".0%"),
            alt.Tooltip("low:Q", title="from", format=".0%"), alt.Tooltip("high:Q", title="to", format=".0%"),
            alt.Tooltip("count:N", title="Visits"),
        ],
    )  # fmt: skip
    # above the mark, where no range passes
    text = base.mark_text(dy=-11, color=look.soft_ink, fontSize=12).encode(
        x=alt.X("share:Q"), y=y, text=alt.Text("count:N")
    )
    return dressed(alt.layer(rule, dot, text).properties(height=max(120, 44 * rows.height)), look)


@kept
def two_sides(sides: pl.DataFrame, look: Look) -> Picture:
    """Failures in 100 systems a year of both sides of the lot, with ranges. sides : side, rate, low, high, count."""
    frame = sides.with_columns(pl.col("rate", "low", "high") * 100)
    base = alt.Chart(frame)
    title = "Compressor failures in 100 systems a year"
    y = alt.Y("side:N", title=None, sort=frame["side"].to_list())
    rule = base.mark_rule(color=look.good, strokeWidth=2.4).encode(
        x=alt.X("low:Q", title=title, scale=alt.Scale(zero=True), axis=alt.Axis(tickCount=6)), x2=alt.X2("high:Q"), y=y
    )
    dot = base.mark_point(filled=True, size=110, opacity=1, color=look.good).encode(
        x=alt.X("rate:Q"), y=y, shape=alt.Shape("side:N", legend=None, scale=alt.Scale(range=["diamond", "circle"])),
        tooltip=[
            alt.Tooltip("side:N", title="Side"), alt.Tooltip("rate:Q", title=title, format=".2f"),
            alt.Tooltip("low:Q", title="from", format=".2f"), alt.Tooltip("high:Q", title="to", format=".2f"),
            alt.Tooltip("count:N", title="Behind it"),
        ],
    )  # fmt: skip
    text = base.mark_text(dy=-14, align="left", color=look.soft_ink, fontSize=12).encode(
        x=alt.X("low:Q"), y=y, text=alt.Text("count:N")
    )
    return dressed(alt.layer(rule, dot, text).properties(height=150), look)


def when(day: Any, at: str) -> str:
    return f"{day:%a} {words.date(day)}, {at}"
