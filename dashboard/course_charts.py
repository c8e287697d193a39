"""Pictures of what courses changed: each course beside a step it did not teach, and the half years around it."""

from __future__ import annotations

import altair as alt
import polars as pl

from dashboard import course_words, words
from dashboard.charts import NARROW_COLUMNS
from dashboard.kept_charts import kept
from dashboard.looks import Look, Picture, dressed

COURSES_AT_MOST = 12
TAUGHT, NOT_TAUGHT = "the step taught", "a step not taught"
PERIOD = {"before": "before", "choosing": "when people were chosen: left out", "after": "after"}
BREAK = "|"
POINTS = alt.Axis(format="+.0f", tickCount=6, labelExpr="datum.value == 0 ? '0' : replace(datum.label, '-', '−')")


def changes_long(courses: pl.DataFrame) -> pl.DataFrame:
    """One row for each course and kind of step (taught or not), in points. courses : told rows of course_effect."""
    shared = courses.sort("held_on", "course", "step", descending=[True, False, False]).head(COURSES_AT_MOST)
    shared = shared.with_columns(
        # a list: Polars calls a function of ours in threads of its own, where nobody has said how dates are written
        label=pl.Series([_label(row) for row in shared.iter_rows(named=True)], dtype=pl.String),
        evidence_word=pl.col("evidence").map_elements(course_words.evidence, return_dtype=pl.String),
    )
    kept = ("label", "held_on", "technicians_trained", "technicians_compared", "known_after", "evidence_word")
    parts = [
        shared.select(
            *kept,
            kind=pl.lit(kind),
            about=pl.col(step).replace_strict(words.STEP, default=pl.col(step)),
            change=100 * pl.col(value).cast(pl.Float64),
            low=100 * pl.col(low).cast(pl.Float64),
            high=100 * pl.col(high).cast(pl.Float64),
        )
        for kind, step, value, low, high in (
            (TAUGHT, "step", "change_in_rate", "low", "high"),
            (NOT_TAUGHT, "placebo_step", "placebo_change", "placebo_low", "placebo_high"),
        )
    ]
    return pl.concat(parts).filter(pl.col("change").is_not_null())


def _label(row: dict) -> str:
    return f"{course_words.course(row['course'], row['step'])}{BREAK}{words.month(row['held_on'], short=True)}"


def _key() -> alt.Legend:
    """The same key for all layers and for colour and shape, so that they become one: sign and word."""
    return alt.Legend(title=None, columns=NARROW_COLUMNS, symbolOpacity=1)


@kept
def course_changes(courses: pl.DataFrame, look: Look) -> Picture:
    """Change of the share good after each course, with its interval; below it the same people on a step not taught."""
    frame = changes_long(courses)
    labels = frame["label"].unique(maintain_order=True).to_list()
    kinds = [TAUGHT, NOT_TAUGHT]
    tone = alt.Scale(domain=kinds, range=[look.good, look.quiet])
    key = _key()
    y = alt.Y(
        "label:N",
        sort=labels,
        title=None,
        scale=alt.Scale(paddingInner=0.3),
        axis=alt.Axis(
            domain=False,
            ticks=False,
            grid=True,
            labelLimit=190,
            bandPosition=1,
            labelExpr=f"split(datum.value, '{BREAK}')",
        ),
    )
    base = alt.Chart(frame).encode(
        y=y,
        yOffset=alt.YOffset("kind:N", sort=kinds),
        tooltip=[
            alt.Tooltip("about:N", title="Step"),
            alt.Tooltip("kind:N", title="It is"),
            alt.Tooltip("change:Q", title="Change, points", format="+.0f"),
            alt.Tooltip("low:Q", title="from", format="+.0f"),
            alt.Tooltip("high:Q", title="to", format="+.0f"),
            alt.Tooltip("technicians_trained:Q", title="Trained"),
            alt.Tooltip("technicians_compared:Q", title="Compared with"),
            alt.Tooltip("known_after:Q", title="Known jobs after", format=","),
            alt.Tooltip("evidence_word:N", title="Evidence of the course"),
        ],
    )
    nought = alt.Chart(pl.DataFrame({"nought": [0.0]})).mark_rule(color=look.ink).encode(x=alt.X("nought:Q"))
    span = base.mark_rule(strokeWidth=2.4, strokeCap="round").encode(
        x=alt.X("low:Q", title="Change of the share good, points", axis=POINTS),
        x2=alt.X2("high:Q"),
        color=alt.Color("kind:N", scale=tone, legend=key),
    )
    point = base.mark_point(filled=True, size=80, opacity=1).encode(
        x=alt.X("change:Q"),
        color=alt.Color("kind:N", scale=tone, legend=key),
        shape=alt.Shape("kind:N", scale=alt.Scale(domain=kinds, range=["circle", "diamond"]), legend=key),
    )
    return dressed(alt.layer(nought, span, point).properties(height=52 * len(labels) + 70), look)


@kept
def half_years(path: pl.DataFrame, look: Look) -> Picture:
    """Half years before and after a step's courses: those trained against the others, beside the time before.

    path : rows of training_path of one step.
    """
    frame = path.filter(pl.col("change_in_rate").is_not_null()).with_columns(
        middle=(pl.col("from_month") + pl.col("to_month")) / 2,
        change=100 * pl.col("change_in_rate"),
        low=100 * pl.col("low"),
        high=100 * pl.col("high"),
        period=pl.col("kind").replace_strict(PERIOD),
    )
    present = [word for kind, word in PERIOD.items() if kind in set(frame["kind"].to_list())]
    tones = dict(zip(PERIOD.values(), (look.quiet, look.not_good, look.good), strict=True))
    shapes = dict(zip(PERIOD.values(), ("diamond", "cross", "circle"), strict=True))
    tone = alt.Scale(domain=present, range=[tones[word] for word in present])
    key = _key()
    months = path["from_month"].to_list() + path["to_month"].to_list()
    x = alt.X(
        "middle:Q",
        title="Months from the course",
        scale=alt.Scale(domain=[min(months), max(months)], nice=False),
        axis=alt.Axis(values=sorted(set(months)), format="+.0f", grid=False, labelOverlap=True,
                      labelExpr="datum.value == 0 ? 'course' : replace(datum.label, '-', '−')"),
    )  # fmt: skip
    base = alt.Chart(frame).encode(
        x=x,
        tooltip=[
            alt.Tooltip("from_month:Q", title="From month"),
            alt.Tooltip("to_month:Q", title="to month"),
            alt.Tooltip("change:Q", title="Against the others, points", format="+.0f"),
            alt.Tooltip("low:Q", title="from", format="+.0f"),
            alt.Tooltip("high:Q", title="to", format="+.0f"),
            alt.Tooltip("technicians_trained:Q", title="Trained"),
            alt.Tooltip("technicians_compared:Q", title="Compared with"),
            alt.Tooltip("known:Q", title="Known jobs of the trained", format=","),
        ],
    )
    day = alt.Chart(pl.DataFrame({"day": [0.0]})).mark_rule(color=look.ink, strokeDash=[4, 3]).encode(x=alt.X("day:Q"))
    nought = (
        alt.Chart(pl.DataFrame({"nought": [0.0]}))
        .mark_rule(color=look.line, strokeWidth=1.5)
        .encode(y=alt.Y("nought:Q"))
    )
    span = base.mark_rule(strokeWidth=2.4, strokeCap="round").encode(
        y=alt.Y("low:Q", title="Against the others, points", axis=POINTS),
        y2=alt.Y2("high:Q"),
        color=alt.Color("period:N", scale=tone, legend=key),
    )
    point = base.mark_point(filled=True, size=80, opacity=1).encode(
        y=alt.Y("change:Q"),
        color=alt.Color("period:N", scale=tone, legend=key),
        shape=alt.Shape(
            "period:N", scale=alt.Scale(domain=present, range=[shapes[word] for word in present]), legend=key
        ),
    )
    return dressed(alt.layer(nought, day, span, point).properties(height=260), look)
