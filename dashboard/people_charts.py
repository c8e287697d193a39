"""Pictures of rates with their intervals, one below the other: steps of the fleet, and the groups of one step.

Each line carries its share and its count in figures, so that a telephone's width shows what a wide screen shows.
"""

from __future__ import annotations

import textwrap

import altair as alt
import polars as pl

from dashboard import words
from dashboard.charts import TOO_FEW, _from_share, _steps_in, _with_step_words
from dashboard.kept_charts import kept
from dashboard.looks import Look, Picture, dressed

ROW_HEIGHT = 38
LABEL_WIDTH = 16
OVER_THE_LINE, ON_THE_LINE = -11, 0


@kept
def steps_with_interval(fleet: pl.DataFrame, look: Look) -> Picture:
    """Each step over the whole fleet: share good on its interval; thin: as far as the unknown jobs could move it.

    fleet : step, good, known, unknown, rate, low, high, rate_if_unknown_bad, rate_if_unknown_good. Choosing a line selects
    `line` (step).
    """
    frame = _with_step_words(fleet.filter(pl.col("known") > 0))
    unknown = [
        alt.Tooltip("unknown:Q", title="Jobs unknown", format=","),
        alt.Tooltip("rate_if_unknown_bad:Q", title="if all unknown were not good", format=".0%"),
        alt.Tooltip("rate_if_unknown_good:Q", title="if all unknown were good", format=".0%"),
    ]
    bounds = {"x": "rate_if_unknown_bad:Q", "x2": "rate_if_unknown_good:Q"}
    return _lines(frame, "step_word", _steps_in(frame), "step", "Step", look, unknown, bounds)


@kept
def groups_with_interval(groups: pl.DataFrame, group_word: str, look: Look) -> Picture:
    """Each group at one step: share good on its interval; hollow: the same people's other jobs, or such jobs on average.

    groups : group, good, known, rate, low, high, other_rate, other_low, other_high (may be null), fleet_rate. Choosing a
    line selects `line` (group).
    """
    frame = groups.filter(pl.col("known") > 0)
    order = sorted(frame["group"].unique().to_list())
    more = [
        alt.Tooltip("other_rate:Q", title="To compare", format=".0%"),
        alt.Tooltip("fleet_rate:Q", title="Fleet", format=".0%"),
    ]
    return _lines(frame, "group", order, "group", group_word, look, more, None)


def _lines(
    frame: pl.DataFrame,
    name: str,
    order: list[str],
    chosen: str,
    name_word: str,
    look: Look,
    more: list[alt.Tooltip],
    bounds: dict[str, str] | None,
) -> Picture:
    frame = frame.with_columns(
        # a long name takes two lines, so that a telephone's width is left to the lines
        shown=pl.col(name).map_elements(_in_two, return_dtype=pl.String),
        said=pl.struct("rate", "known").map_elements(
            lambda r: (
                f"{words.share(r['rate'])} of {words.count(r['known'])}"
                if r["known"] >= TOO_FEW
                else f"too few: {words.count(r['known'])}"
            ),
            return_dtype=pl.String,
        ),
        enough=pl.col("known") >= TOO_FEW,
    )
    tooltip = [
        alt.Tooltip(f"{name}:N", title=name_word),
        alt.Tooltip("rate:Q", title="Good", format=".0%"),
        alt.Tooltip("low:Q", title="from", format=".0%"),
        alt.Tooltip("high:Q", title="to", format=".0%"),
        alt.Tooltip("good:Q", title="Jobs good", format=","),
        alt.Tooltip("known:Q", title="Jobs known", format=","),
        *more,
    ]
    lowest = [frame["low"], *([frame["rate_if_unknown_bad"]] if bounds else [])]
    lowest += [frame["other_rate"]] if "other_rate" in frame.columns else []
    scale = alt.Scale(domain=[_from_share(*lowest), 1], zero=False)
    x_axis = alt.Axis(format=".0%", orient="top", tickCount=5)
    y = alt.Y(
        "shown:N",
        sort=[_in_two(one) for one in order],
        title=None,
        axis=alt.Axis(
            labelExpr="split(datum.label, '\\n')",
            labelLimit=130,
            labelLineHeight=15,
            labelOverlap=False,
            domain=False,
            ticks=False,
            grid=True,
        ),
    )
    base = alt.Chart(frame).encode(y=y, tooltip=tooltip)
    x = alt.X("rate:Q", title="Share good", axis=x_axis, scale=scale)
    layers = []
    if bounds:
        layers.append(base.mark_rule(strokeWidth=1, color=look.quiet, yOffset=ON_THE_LINE).encode(**bounds))
    if "fleet_rate" in frame.columns:
        fleet = alt.Chart(frame.select(pl.col("fleet_rate").max()))
        layers.append(
            fleet.mark_rule(strokeDash=[5, 4], color=look.ink, strokeWidth=1).encode(
                x=alt.X("fleet_rate:Q", axis=x_axis, scale=scale),
                tooltip=[alt.Tooltip("fleet_rate:Q", title="Fleet", format=".0%")],
            )
        )
    enough = "datum.enough"
    layers.append(
        base.transform_filter(enough)
        .mark_rule(strokeWidth=5, strokeCap="round", color=look.good, opacity=0.45, yOffset=ON_THE_LINE)
        .encode(x=alt.X("low:Q", title="Share good", axis=x_axis, scale=scale), x2=alt.X2("high:Q"))
    )
    if frame.get_column("other_rate", default=pl.Series([None])).is_not_null().any():
        layers.append(
            base.transform_filter("isValid(datum.other_rate)")
            .mark_point(shape="diamond", filled=False, size=70, strokeWidth=1.6, color=look.ink, yOffset=ON_THE_LINE)
            .encode(x=alt.X("other_rate:Q", scale=scale))
        )
    layers.append(
        base.transform_filter(enough)
        .mark_point(filled=True, size=75, opacity=1, color=look.good, yOffset=ON_THE_LINE)
        .encode(x=x)
    )
    layers.append(
        base.mark_text(align="right", baseline="middle", dy=OVER_THE_LINE, fontSize=13, color=look.ink).encode(
            x=alt.value("width"), text=alt.Text("said:N")
        )
    )
    line = alt.selection_point(name="line", fields=[chosen], on="click", empty=False)
    layers.append(base.mark_rect(fillOpacity=0, strokeOpacity=0, cursor="pointer").add_params(line))
    # the room on the right is for the axis's last figure, which stands half outside
    chart = alt.layer(*layers).properties(height=ROW_HEIGHT * len(order) + 56, padding={"right": 20, "bottom": 4})
    return dressed(chart, look)


def _in_two(name: str) -> str:
    return "\n".join(textwrap.wrap(name, LABEL_WIDTH, max_lines=2, placeholder=" …")) or name
