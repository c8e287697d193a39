"""Sentences about people: what a difference goes with, who changed, are the records true."""

import datetime as dt

import polars as pl

from dashboard import looks, people_charts, people_words


def _spread(share: float, p_value: float, by_chance: float = 0.1) -> pl.DataFrame:
    return pl.DataFrame({
        "step": ["airflow"], "group_kind": ["crew"], "groups": [5], "people": [20], "spread_people": [0.6],
        "spread_within": [0.3], "share_between": [share], "share_by_chance": [by_chance], "p_value": [p_value],
    })  # fmt: skip


def test_the_crew_is_named_only_where_a_lot_would_hardly_give_as_much():
    assert people_words.spread_sentences(_spread(0.74, 0.001))[0].startswith("**Mostly the crew:** 74")
    assert people_words.spread_sentences(_spread(0.3, 0.01))[0].startswith("**Partly the crew:**")
    (said,) = people_words.spread_sentences(_spread(0.3, 0.2))
    assert said.startswith("**Not seen to be the crew:**")
    assert "drawn by lot it would be 10" in said


def _form(rate: float, other: float, reach: float) -> pl.DataFrame:
    return pl.DataFrame({
        "group": ["new"], "known": [200], "good": [int(200 * rate)], "rate": [rate], "low": [rate - 0.05],
        "high": [rate + 0.05], "same_people_rate": [other], "same_people_low": [other - reach],
        "same_people_high": [other + reach],
    })  # fmt: skip


def test_a_form_is_named_where_the_same_people_do_clearly_otherwise_elsewhere():
    said = people_words.same_people_sentence(_form(0.41, 0.8, 0.1), "form")
    assert said is not None
    assert said.startswith("**Partly this form:** new: 41")
    unclear = people_words.same_people_sentence(_form(0.7, 0.8, 0.1), "form")
    assert unclear is not None
    # what is not seen is not said to be absent
    assert "less than about 15 points would not be seen" in unclear
    assert people_words.same_people_sentence(_form(0.7, 0.8, 0.1).drop("same_people_rate"), "form") is None


def _changed(**more) -> dict:
    return {
        "name": "A. *Bold*", "change": "worse", "changed_on": dt.date(2025, 3, 5), "change_seen_on": dt.date(2025, 6, 7),
        "known_before": 190, "rate_before": 0.88, "rate_before_low": 0.83, "rate_before_high": 0.92, "known_since": 61,
        "rate_since": 0.7, "rate_since_low": 0.58, "rate_since_high": 0.8, "change_with": "", **more,
    }  # fmt: skip


def test_a_change_is_told_with_its_day_its_delay_and_both_rates_with_count_and_range():
    said = people_words.changed_sentence(_changed())
    assert "worse since about 5 Mar 2025, seen on 7 Jun 2025" in said
    assert "good of the 190 before" in said
    assert "of the 61 since" in said
    assert "83 to 92" in said
    assert r"A. \*Bold\*" in said
    assert "form" not in said


def test_what_changed_with_a_person_is_told_as_the_first_thing_to_ask_about():
    said = people_words.changed_sentence(_changed(change_with="form, crew"))
    assert "are on a form that he had hardly used before and the rest of the crew changed likewise" in said
    assert said.endswith("ask about that first.")


def test_who_writes_on_a_new_form_is_told_and_that_it_counts_as_the_form_s():
    people = pl.DataFrame({"name": ["Ann", "Bob"], "new_form_on": [dt.date(2025, 1, 2), None]})
    said = people_words.new_form_sentence(people)
    assert said is not None
    assert said.startswith("Ann changed to a form that he had hardly used before (2 Jan 2025).")
    assert people_words.new_form_sentence(people.filter(name="Bob")) is None
    assert people_words.new_form_sentence(people.drop("new_form_on")) is None


def test_second_readings_are_told_with_their_range_and_ticks_apart():
    said = people_words.proof_sentence(
        {"checked": 40, "agrees": 37, "low": 0.8, "high": 0.97, "ticked": 9, "ticked_good": 1}
    )
    assert said.startswith("Of 40 records with a reading that somebody else measured again, 37 agree (80 to 97")
    assert "of 9 steps ticked with nothing measured, 1 was within the limit" in said
    assert "nothing can be said" in people_words.proof_sentence({"checked": 0, "agrees": 0, "ticked": 0})


def test_a_crew_far_below_with_mostly_ticks_is_asked_about_its_tools():
    crews = pl.DataFrame({
        "group": ["ash", "elm"], "known": [100, 100], "good": [20, 80], "high": [0.29, 0.87], "fleet_rate": [0.7, 0.7],
        "ticked_only": [70, 10],
    })  # fmt: skip
    said = people_words.without_proof_sentence(crews)
    assert said is not None
    assert "ash (70 of 80 not good" in said
    assert "elm" not in said


def test_every_line_carries_its_share_and_count_and_too_few_carry_no_dot():
    groups = pl.DataFrame({
        "group": ["a crew with a rather long name", "few"], "good": [40, 3], "known": [50, 4], "rate": [0.8, 0.75],
        "low": [0.67, 0.25], "high": [0.89, 0.98], "other_rate": [0.7, None], "fleet_rate": [0.75, 0.75],
    })  # fmt: skip
    spec = people_charts.groups_with_interval(groups, "Crew", looks.LIGHT).to_dict()
    rows = max(spec["datasets"].values(), key=len)
    assert [row["said"].replace("\u00a0", " ") for row in rows] == ["80 % of 50", "too few: 4"]
    assert rows[0]["shown"] == "a crew with a\nrather long name"
    assert [row["enough"] for row in rows] == [True, False]
    dots = [layer for layer in spec["layer"] if layer["mark"]["type"] == "point"]
    assert len(dots) == 2
    assert all(layer.get("transform") for layer in dots)
