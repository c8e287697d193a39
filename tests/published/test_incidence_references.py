"""Shares that have had an event by an age, on real data, against R survival, lifelines and scikit-survival.

lung, heart, mgus2: as R's survival package ships them. heart: patients enter late and change state when they get their
transplant. mgus2: progression, where death competes.
"""

import numpy as np
import pandas as pd
import pytest
from lifelines import KaplanMeierFitter
from lifelines.datasets import load_lung, load_stanford_heart_transplants
from scipy import stats
from sksurv.datasets import load_veterans_lung_cancer
from sksurv.nonparametric import cumulative_incidence_competing_risks, kaplan_meier_estimator

from models import incidence
from pipelines import cells
from pipelines.contract import STEPS
from tests.models.invented_fleet import house_rules
from tests.published.real_cells import mgus2_store


def _lung():
    lung = load_lung()
    died = lung["status"] == lung["status"].max()
    return np.zeros(len(lung)), lung["time"].to_numpy(float), died.to_numpy().astype(int)


def _heart():
    heart = load_stanford_heart_transplants()
    return (heart[name].to_numpy() for name in ("start", "stop", "event"))


def _mgus2(records: pd.DataFrame):
    """Months to progression or death, whichever came first, and which (1, 2; 0: neither)."""
    progressed = records["pstat"] == 1
    months = np.where(progressed, records["ptime"], records["futime"]).astype(float)
    return months, np.where(progressed, 1, 2 * records["death"]).astype(int)


@pytest.mark.parametrize(("data", "figure"), [(_lung, "lung.km"), (_heart, "heart.km")])
def test_survival_its_error_and_its_interval_are_those_of_survfit(r, data, figure):
    # R survfit, conf.type = "log-log"; heart: start, stop, so with late entry
    curve = incidence.aalen_johansen(*data())
    low, high = incidence.interval(curve.incidence, curve.variance)
    np.testing.assert_allclose(curve.time, r[f"{figure}.time"], rtol=1e-12)
    np.testing.assert_array_equal(curve.at_risk, r[f"{figure}.at_risk"])
    np.testing.assert_allclose(curve.incidence, r[f"{figure}.share"], atol=1e-12)
    np.testing.assert_allclose(np.sqrt(curve.variance), r[f"{figure}.se"], atol=1e-12)
    np.testing.assert_allclose(low, r[f"{figure}.low"], atol=1e-9)
    np.testing.assert_allclose(high, r[f"{figure}.high"], atol=1e-9)


@pytest.mark.parametrize("data", [_lung, _heart])
def test_survival_is_that_of_lifelines_and_scikit_survival(data):
    entry, leave, died = data()
    curve = incidence.aalen_johansen(entry, leave, died)
    fitted = KaplanMeierFitter().fit(leave, died, entry=entry)
    theirs = fitted.survival_function_.iloc[:, 0].reindex(curve.time)
    np.testing.assert_allclose(1 - curve.incidence, theirs, atol=1e-12)
    time, survival, interval = kaplan_meier_estimator(died.astype(bool), leave, time_enter=entry, conf_type="log-log")
    place = np.searchsorted(time, curve.time)
    low, high = incidence.interval(curve.incidence, curve.variance)
    np.testing.assert_allclose(1 - curve.incidence, survival[place], atol=1e-12)
    np.testing.assert_allclose(np.stack([1 - high, 1 - low]), interval[:, place], atol=1e-9)


def test_progression_where_death_competes_is_0_0637222_at_120_months_and_0_0998137_at_240(r):
    # R survival 3.5.3, survfit of mgus2; one less Kaplan-Meier would say 0.0952 and 0.2096
    months, what = _mgus2(r.data("mgus2"))
    curve = incidence.aalen_johansen(np.zeros(len(months)), months, what)
    by_then = np.searchsorted(curve.time, [120, 240], side="right") - 1
    np.testing.assert_allclose(curve.incidence[by_then], [0.0637222, 0.0998137], atol=5e-8)
    plain = incidence.aalen_johansen(np.zeros(len(months)), months, (what == 1).astype(int))
    by_then = np.searchsorted(plain.time, [120, 240], side="right") - 1
    np.testing.assert_allclose(plain.incidence[by_then], [0.0952, 0.2096], atol=5e-5)
    np.testing.assert_allclose(plain.incidence[by_then], r["mgus2.wrong"], atol=1e-12)


def test_the_whole_curve_of_progression_and_of_death_is_that_of_survfit(r):
    months, what = _mgus2(r.data("mgus2"))
    entry = np.zeros(len(months))
    progression = incidence.aalen_johansen(entry, months, what)
    death = incidence.aalen_johansen(entry, months, (3 - what) % 3)
    np.testing.assert_allclose(progression.time, r["mgus2.aj.time"])
    np.testing.assert_array_equal(progression.at_risk, r["mgus2.aj.at_risk"])
    np.testing.assert_allclose(progression.incidence, r["mgus2.aj.progression"], atol=1e-12)
    np.testing.assert_allclose(death.incidence, r["mgus2.aj.death"], atol=1e-12)
    # R's error is an infinitesimal jackknife, ours the delta method: one and the same where nobody enters late
    np.testing.assert_allclose(np.sqrt(progression.variance), r["mgus2.aj.progression_se"], atol=1e-12)


def test_the_variance_where_something_competes_is_that_of_scikit_survival(r):
    # Dinse and Larson 1986, equation 6. Ended at 300 months, since scikit-survival cannot go on to an empty risk set.
    months, what = _mgus2(r.data("mgus2"))
    months, what = np.minimum(months, 300), np.where(months > 300, 0, what)
    curve = incidence.aalen_johansen(np.zeros(len(months)), months, what)
    time, theirs, interval = cumulative_incidence_competing_risks(
        what, months, conf_type="log-log", var_type="Dinse_Approx"
    )
    place = np.searchsorted(time, curve.time)[curve.incidence > 0]
    share, low = theirs[1][place], interval[1][0, place]
    # its interval stands at share ^ exp(+-1.96 error / (share log share)), which gives the error back
    error = np.log(np.log(low) / np.log(share)) * share * np.abs(np.log(share)) / stats.norm.ppf(0.975)
    np.testing.assert_allclose(curve.incidence[curve.incidence > 0], share, atol=1e-12)
    np.testing.assert_allclose(np.sqrt(curve.variance[curve.incidence > 0]), error, rtol=1e-9)


def test_late_entry_with_a_competing_event_is_that_of_survfit(r):
    # mgus2 by age in months: each patient is followed from the age of the diagnosis on
    records = r.data("mgus2")
    months, what = _mgus2(records)
    entry = 12.0 * records["age"].to_numpy()
    curve = incidence.aalen_johansen(entry, entry + months, what)
    np.testing.assert_allclose(curve.time, r["mgus2.by_age.time"])
    np.testing.assert_array_equal(curve.at_risk, r["mgus2.by_age.at_risk"])
    np.testing.assert_allclose(curve.incidence, r["mgus2.by_age.progression"], atol=1e-12)
    # with late entry jackknife and delta method part: ours is the wider by at most 3.5 %
    theirs = r["mgus2.by_age.progression_se"]
    ratio = np.sqrt(curve.variance)[theirs > 0] / theirs[theirs > 0]
    assert 1.0 <= ratio.min() <= ratio.max() < 1.035


def test_the_table_of_a_store_that_holds_mgus2_says_the_same(r):
    # each patient a system, death its retirement, progression a callback; by month of age, out of the store's own pieces
    con = mgus2_store(r.data("mgus2"))
    cells.make_cells(con, house_rules())
    table = incidence.incidence_table(con)
    everybody = table.filter(outcome="callback", step=STEPS[-1], arm="good")
    found = dict(everybody.select("age_months", "incidence").iter_rows())
    assert found[120] == pytest.approx(0.0637222, abs=5e-8)
    assert found[240] == pytest.approx(0.0998137, abs=5e-8)


def test_veteran_by_cell_type_is_that_of_scikit_survival():
    who, outcome = load_veterans_lung_cancer()
    for cell_type in who["Celltype"].unique():
        chosen = (who["Celltype"] == cell_type).to_numpy()
        died, days = outcome["Status"][chosen], outcome["Survival_in_days"][chosen]
        curve = incidence.aalen_johansen(np.zeros(chosen.sum()), days, died.astype(int))
        time, survival = kaplan_meier_estimator(died, days)
        np.testing.assert_allclose(1 - curve.incidence, survival[np.searchsorted(time, curve.time)], atol=1e-12)
