"""How sure a ratio is: the control outcome, the unseen cause it would take, many looks at once, and the word for it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

COMMON_OUTCOME = 0.15
FEW_EVENTS = 10
# with fewer events than this to each estimate of a fit, technicians' aside, ratios run away from 1 to both sides: in 150
# invented fleets without any effect 12 to 22 of 100 intervals missed 1 below 1.5 events an estimate, 3 to 7 of 100 above 2
EVENTS_AN_EFFECT = 2.0
CONTROL_LEVEL = 0.05
Z95 = float(stats.norm.ppf(0.975))


def e_value(ratio: np.ndarray | float, *, is_common: bool = False) -> np.ndarray:
    """How strongly an unseen cause must go with both the step and the outcome to explain a ratio away.

    Parameters
    ----------
    ratio : hazard or risk ratio, any shape. is_common : the outcome comes to 15 % of the systems or more.

    Returns
    -------
    Same shape, 1 and above; NaN where the ratio is not known.

    Source: VanderWeele and Ding 2017.
    """
    ratio = np.asarray(ratio, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(ratio < 1, 1 / ratio, ratio)
        if is_common:
            ratio = (1 - 0.5 ** np.sqrt(ratio)) / (1 - 0.5 ** np.sqrt(1 / ratio))
        return ratio + np.sqrt(ratio * (ratio - 1))


def e_value_of_limit(low: np.ndarray, high: np.ndarray, *, is_common: bool = False) -> np.ndarray:
    """The same for the interval's nearer end; 1 where the interval holds 1 already."""
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    nearer = np.where(low > 1, low, np.where(high < 1, high, 1.0))
    return np.where(np.isnan(low), np.nan, e_value(nearer, is_common=is_common))


def benjamini_hochberg(p_values: np.ndarray) -> np.ndarray:
    """q values of one family, in the order given; NaN where there is no p value, and those do not count."""
    p_values = np.asarray(p_values, dtype=float)
    q_values = np.full(p_values.shape, np.nan)
    known = np.flatnonzero(~np.isnan(p_values))
    order = known[np.argsort(p_values[known], kind="stable")]
    scaled = p_values[order] * len(order) / np.arange(1, len(order) + 1)
    q_values[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return q_values


@dataclass(frozen=True)
class Control:
    """What the outcome that no step can cause says of one contrast.

    effects, standard_errors : [effects] log ratios in the order of the tested outcome's; NaN where not estimated.
    p_value : of the joint chi-square; NaN where there was too little to test. mean_p_value : of their mean alone.
    """

    effects: np.ndarray
    standard_errors: np.ndarray
    p_value: float
    degrees: int
    mean_p_value: float = float("nan")

    @property
    def rejects(self) -> bool:
        """Whether it looks caused: by the joint test, or because all its effects lean one way.

        Hurry moves every step's effect a little in one direction, which the joint test with its many degrees of freedom
        misses one time in ten where the mean shows it. Two looks ring falsely in 8 fleets of 100; that costs only
        width, since calibration then adds the control's own doubt.
        """
        return bool(np.nanmin([self.p_value, self.mean_p_value, 1.0]) < CONTROL_LEVEL)


def joint_control(effects: np.ndarray, covariance: np.ndarray, events: float) -> Control:
    """The joint test that none of the effects on the control outcome is there."""
    known = np.flatnonzero(~np.isnan(effects))
    errors = np.where(np.isnan(effects), np.nan, np.sqrt(np.maximum(np.diag(covariance), 0.0)))
    if not len(known) or events < FEW_EVENTS:
        return Control(effects, errors, float("nan"), 0)
    part = effects[known]
    statistic = float(part @ np.linalg.pinv(covariance[np.ix_(known, known)], hermitian=True) @ part)
    weight = np.zeros(len(known))
    told = errors[known] > 0
    weight[told] = 1 / errors[known][told] ** 2
    mean_p_value = float("nan")
    if weight.sum() > 0:
        weight /= weight.sum()
        spread = float(np.sqrt(weight @ covariance[np.ix_(known, known)] @ weight))
        mean_p_value = float(2 * stats.norm.sf(abs(float(weight @ part)) / spread)) if spread > 0 else float("nan")
    return Control(effects, errors, float(stats.chi2.sf(statistic, len(known))), len(known), mean_p_value)


def calibrate(effects: np.ndarray, standard_errors: np.ndarray, control: Control) -> tuple[np.ndarray, np.ndarray]:
    """Log ratios less what the control outcome shows, and their standard errors.

    b - (c + w (b_nc - c)): c the inverse-variance mean of the control's effects, w = tau2 / (tau2 + se2) with tau2 the
    spread of the control's effects beyond chance. The variances add. A control that does not reject changes nothing.
    """
    if not control.rejects:
        return effects.copy(), standard_errors.copy()
    known = ~np.isnan(control.effects) & (control.standard_errors > 0)
    values, variances = control.effects[known], control.standard_errors[known] ** 2
    weights = 1 / variances
    mean = float(np.sum(weights * values) / np.sum(weights))
    excess = float(np.sum(weights * (values - mean) ** 2)) - (len(values) - 1)
    room = float(np.sum(weights) - np.sum(weights**2) / np.sum(weights))
    tau2 = max(excess / room, 0.0) if room > 0 else 0.0
    own_variance = np.where(known, control.standard_errors**2, np.inf)
    share = tau2 / (tau2 + own_variance) if tau2 > 0 else np.zeros(len(effects))
    own = np.where(known, control.effects, mean)
    shift = mean + share * (own - mean)
    shift_variance = share * np.where(known, own_variance, 0.0) + (1 - share) ** 2 / np.sum(weights)
    shift_variance = np.where(known, shift_variance, tau2 + 1 / np.sum(weights))
    return effects - shift, np.sqrt(standard_errors**2 + shift_variance)


def words(
    events_not_good: np.ndarray,
    events_good: np.ndarray,
    low: np.ndarray,
    q_value: np.ndarray,
    low_calibrated: np.ndarray,
    events_an_effect: np.ndarray | None = None,
) -> list[str]:
    """`clear`, `leaning`, `unclear` or `too_few` for each row. Few failures are never called "no effect".

    events_an_effect : events of the row's fit, less one for each technician who had any, to each of its estimates.
    """
    found = []
    each = np.full(len(low), np.inf) if events_an_effect is None else events_an_effect
    for bad, good, plain, q, calibrated, enough in zip(
        events_not_good, events_good, low, q_value, low_calibrated, each, strict=True
    ):
        if min(bad, good) < FEW_EVENTS or np.isnan(plain) or enough < EVENTS_AN_EFFECT:
            found.append("too_few")
        elif q < 0.05 and calibrated > 1:
            found.append("clear")
        elif plain > 1:
            found.append("leaning")
        else:
            found.append("unclear")
    return found
