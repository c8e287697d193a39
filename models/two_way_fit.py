"""Change of a share good, with an effect for each technician in each stack and for each quarter of each stack.

A binomial logit on good among known jobs. The technicians' effects are conditioned out: with few jobs for each, a logit
with a free effect for everybody overstates a change (by half with two jobs each, by 2 to 3 % with forty). The
conditional likelihood, given each technician's count of good jobs, is taken from its saddlepoint form: the profile
likelihood plus half the log of the technician's information (Barndorff-Nielsen and Cox 1979). The linear model of shares
is here too: plain difference-in-differences in points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

ROUNDS_AT_MOST = 60
# a quarter with less information than this part of the fullest one holds nobody's jobs, only rounding
EMPTY = 1e-10
CLOSE = 1e-8
FARTHEST = 8.0  # log odds: beyond, all jobs are good or none


@dataclass(frozen=True)
class Moments:
    """What the units of one stack say at given coefficients.

    effect : [units] of the technicians. rate, weight : [units, quarters] chance of a good job; variance of their count.
    total : [units] sum of the weights. score : [units, quarters] derivative of the log likelihood by the predictor.
    """

    effect: np.ndarray
    rate: np.ndarray
    weight: np.ndarray
    total: np.ndarray
    score: np.ndarray


@dataclass
class TwoWayFit:
    """What was estimated.

    coefficients : [columns]. information : [columns, columns] of them, quarters and technicians taken out.
    effect : [units] of the technicians. quarter : for each stack [quarters], the first with jobs at nought.
    linear : [units, quarters] log odds (or shares) with everything in; NaN for units that say nothing.
    score, weight : [units, quarters] derivative of the log likelihood by the predictor, and the jobs' variance.
    """

    coefficients: np.ndarray
    information: np.ndarray
    effect: np.ndarray
    quarter: list[np.ndarray]
    linear: np.ndarray
    score: np.ndarray
    weight: np.ndarray
    has_converged: bool
    stacks: list[_Block]


@dataclass
class _Block:
    """One stack's part of the information, and what solves it."""

    units: np.ndarray
    design: np.ndarray  # [units, quarters, columns]
    quarter_solved: np.ndarray  # [quarters, columns] information of quarters \ cross information
    information: np.ndarray
    by_unit: np.ndarray  # [units, quarters, quarters]


def _technician_effects(good: np.ndarray, known: np.ndarray, linear: np.ndarray, start: np.ndarray) -> np.ndarray:
    """[units] where the expected count of good jobs equals the count seen; Newton, kept within what it has bracketed."""
    low = np.full(len(good), -40.0) - linear.max(axis=1)
    high = np.full(len(good), 40.0) - linear.min(axis=1)
    effect = np.clip(start, low, high)
    seen = good.sum(axis=1)
    for _ in range(ROUNDS_AT_MOST):
        rate = special.expit(effect[:, None] + linear)
        gap = (known * rate).sum(axis=1) - seen
        low, high = np.where(gap < 0, effect, low), np.where(gap > 0, effect, high)
        slope = (known * rate * (1 - rate)).sum(axis=1)
        step = effect - gap / np.maximum(slope, 1e-300)
        inside = (step > low) & (step < high)
        new = np.where(inside, step, (low + high) / 2)
        if np.max(np.abs(gap), initial=0.0) < 1e-11 * max(float(seen.max(initial=1.0)), 1.0):
            break
        effect = np.where(gap == 0, effect, new)
    return effect


def _moments(
    good: np.ndarray, known: np.ndarray, linear: np.ndarray, start: np.ndarray, is_linear: bool, is_conditional: bool
) -> Moments:
    if is_linear:
        total = known.sum(axis=1)
        effect = (good - known * linear).sum(axis=1) / total
        rate = effect[:, None] + linear
        return Moments(effect, rate, known, total, good - known * rate)
    effect = _technician_effects(good, known, linear, start)
    rate = special.expit(effect[:, None] + linear)
    weight = known * rate * (1 - rate)
    total = weight.sum(axis=1)
    score = good - known * rate
    if is_conditional:
        third = weight * (1 - 2 * rate)
        score = score + 0.5 * (third - third.sum(axis=1, keepdims=True) * weight / total[:, None]) / total[:, None]
    return Moments(effect, rate, weight, total, score)


def _unit_information(moments: Moments, is_conditional: bool) -> np.ndarray:
    """[units, quarters, quarters] second derivatives of each unit's log likelihood, sign turned."""
    weight, total = moments.weight, moments.total
    quarters = weight.shape[1]
    diagonal = np.eye(quarters)
    share = weight / total[:, None]
    found = weight[:, :, None] * diagonal - weight[:, :, None] * share[:, None, :]
    if not is_conditional:
        return found
    rate = moments.rate
    third = weight * (1 - 2 * rate)
    fourth = weight * (1 - 6 * rate * (1 - rate))
    all_third, all_fourth = third.sum(axis=1), fourth.sum(axis=1)
    first = third - all_third[:, None] * share  # of the total, by each quarter's predictor
    moved = diagonal - share[:, None, :]  # how predictor p moves with quarter r's
    second = (
        fourth[:, :, None] * moved
        - (fourth - all_fourth[:, None] * share)[:, None, :] * share[:, :, None]
        - (all_third / total)[:, None, None] * third[:, :, None] * moved
        + (all_third / total)[:, None, None] * share[:, :, None] * first[:, None, :]
    )
    extra = 0.5 * (second / total[:, None, None] - first[:, :, None] * first[:, None, :] / total[:, None, None] ** 2)
    return found - (extra + extra.transpose(0, 2, 1)) / 2


class TwoWay:
    """The counts of some stacks, ready to be fitted with any columns.

    good, known : [units, quarters]. stack : [units].
    """

    def __init__(self, good: np.ndarray, known: np.ndarray, stack: np.ndarray, *, is_linear: bool = False,
                 is_conditional: bool = True) -> None:  # fmt: skip
        self.is_linear = is_linear
        self.is_conditional = is_conditional and not is_linear
        self.shape = good.shape
        seen, all_known = good.sum(axis=1), known.sum(axis=1)
        # who did every job well, or none, says nothing of a change in log odds
        self.tells = (all_known > 0) if is_linear else (seen > 0) & (seen < all_known)
        self.seen, self.all_known = seen, all_known
        self.places = [
            place
            for number in np.unique(stack)
            if len(place := np.flatnonzero((stack == number) & self.tells))
        ]  # fmt: skip
        self.good, self.known = good, known

    def fit(
        self,
        design: np.ndarray,
        offset: np.ndarray | float = 0.0,
        *,
        near: TwoWayFit | None = None,
        close: float = CLOSE,
    ) -> TwoWayFit:
        """design : [units, quarters, columns]. offset : [units, quarters] added to the linear predictor.

        near : a fit of the same counts to begin from. close : the largest step that counts as none.
        """
        columns = design.shape[2]
        units, quarters = self.shape
        offset = np.broadcast_to(np.asarray(offset, dtype=float), self.shape)
        coefficients = np.zeros(columns)
        quarter = [np.zeros(quarters) for _ in self.places] if near is None else list(near.quarter)
        effect = np.zeros(units) if near is None else near.effect.copy()
        has_converged = False
        for _ in range(ROUNDS_AT_MOST):
            information, slope, solved = np.zeros((columns, columns)), np.zeros(columns), []
            for number, place in enumerate(self.places):
                here = design[place]
                linear = quarter[number] + here @ coefficients + offset[place]
                moments = _moments(
                    self.good[place], self.known[place], linear, effect[place], self.is_linear, self.is_conditional
                )
                effect[place] = moments.effect
                own, own_slope, parts = _eliminated(moments, here)
                information += own
                slope += own_slope
                solved.append(parts)
            step = np.linalg.lstsq(information, slope, rcond=None)[0] if columns else slope
            step = np.clip(step, -2, 2)
            largest = float(np.max(np.abs(step), initial=0.0))
            for number, (by_slope, by_column) in enumerate(solved):
                move = np.clip(by_slope - by_column @ step, -2, 2)
                quarter[number] = quarter[number] + move
                largest = max(largest, float(np.max(np.abs(move), initial=0.0)))
            coefficients = coefficients + step
            if np.max(np.abs(coefficients), initial=0.0) > FARTHEST and not self.is_linear:
                coefficients = np.clip(coefficients, -FARTHEST, FARTHEST)
                break
            if largest < close:
                has_converged = True
                break
        return self._result(design, offset, coefficients, quarter, effect, has_converged)

    def _result(self, design, offset, coefficients, quarter, effect, has_converged) -> TwoWayFit:
        columns = design.shape[2]
        linear = np.full(self.shape, np.nan)
        score, weight, effect = np.zeros(self.shape), np.zeros(self.shape), effect.copy()
        information, blocks = np.zeros((columns, columns)), []
        for number, place in enumerate(self.places):
            here = design[place]
            plain = quarter[number] + here @ coefficients + offset[place]
            moments = _moments(
                self.good[place], self.known[place], plain, effect[place], self.is_linear, self.is_conditional
            )
            linear[place] = moments.effect[:, None] + plain
            score[place], weight[place], effect[place] = moments.score, moments.weight, moments.effect
            if not columns:
                continue
            by_unit = _unit_information(moments, self.is_conditional)
            own, solved = _block(by_unit, here)
            information += own
            blocks.append(_Block(place, here, solved, own, by_unit))
        return TwoWayFit(coefficients, information, effect, quarter, linear, score, weight, has_converged, blocks)


def _eliminated(moments: Moments, design: np.ndarray):
    """A stack's information and slope of the columns with its quarters taken out, for a Newton step."""
    weight, share = moments.weight, moments.weight / moments.total[:, None]
    of_quarters = grounded(np.diag(weight.sum(axis=0)) - weight.T @ share)
    weighed = np.einsum("up,upc->uc", weight, design)
    cross = np.einsum("up,upc->pc", weight, design) - share.T @ weighed
    own = np.einsum("up,upc,upd->cd", weight, design, design) - (weighed / moments.total[:, None]).T @ weighed
    by_quarter = moments.score.sum(axis=0)
    by_column = np.einsum("up,upc->c", moments.score, design)
    by_slope = np.linalg.solve(of_quarters, by_quarter)
    solved = np.linalg.solve(of_quarters, cross)
    return own - cross.T @ solved, by_column - cross.T @ by_slope, (by_slope, solved)


def grounded(of_quarters: np.ndarray) -> np.ndarray:
    """[..., quarters, quarters] the quarters' information made solvable without changing any answer.

    The technicians' effects take up the quarters' level: of quarters that technicians link, the first with jobs is held
    at nought. Where nobody worked on both sides of a gap, either side has its own. A quarter without jobs stands alone.
    """
    diagonal = np.einsum("...pp->...p", of_quarters)
    fullest = diagonal.max(axis=-1, keepdims=True)
    is_empty = diagonal <= EMPTY * np.maximum(fullest, 1e-300)
    held = np.where(is_empty[..., :, None] | is_empty[..., None, :], 0.0, of_quarters)
    on = np.arange(of_quarters.shape[-1])
    linked = (np.abs(held) > EMPTY * np.maximum(fullest, 1e-300)[..., None]) | np.eye(len(on), dtype=bool)
    for _ in range(int(np.ceil(np.log2(max(len(on), 2))))):
        linked = (linked.astype(float) @ linked.astype(float)) > 0
    is_first = ~is_empty & (np.argmax(linked, axis=-1) == on)
    extra = is_empty + is_first * np.where(fullest > 0, fullest, 1.0)
    return held + extra[..., :, None] * np.eye(len(on))


def _block(by_unit: np.ndarray, design: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    of_quarters = grounded(by_unit.sum(axis=0))
    half = np.einsum("upq,uqc->upc", by_unit, design)
    cross = half.sum(axis=0)
    solved = np.linalg.solve(of_quarters, cross)
    return np.einsum("upc,upd->cd", design, half) - cross.T @ solved, solved


def cluster_covariance(fit: TwoWayFit, technician: np.ndarray, parameters: int | None = None) -> np.ndarray:
    """[columns, columns] sandwich with one cluster for each technician, over all his stacks.

    parameters : how many coefficients the model has in all (technicians' and quarters' too): the usual factor
    G / (G - 1) x (N - 1) / (N - K) with N cells is then applied; None for none.
    """
    columns = len(fit.coefficients)
    clusters = {name: number for number, name in enumerate(np.unique(technician))}
    by_cluster = np.zeros((len(clusters), columns))
    cells = 0
    for block in fit.stacks:
        score = fit.score[block.units]
        own = np.einsum("up,upc->uc", score, block.design) - score @ block.quarter_solved
        np.add.at(by_cluster, [clusters[name] for name in technician[block.units]], own)
        cells += int((fit.weight[block.units] > 0).sum())
    bread = np.linalg.inv(fit.information)
    found = bread @ (by_cluster.T @ by_cluster) @ bread
    if parameters is not None:
        groups = len(np.unique(technician[np.concatenate([block.units for block in fit.stacks])]))
        found *= groups / (groups - 1) * (cells - 1) / (cells - parameters)
    return found


def jackknife_covariance(fit: TwoWayFit, technician: np.ndarray) -> np.ndarray:
    """[columns, columns] from leaving out one technician at a time, with one Newton step for each.

    Wider than the sandwich where few technicians carry much, as it should be (MacKinnon, Nielsen and Webb 2023, CV3).
    """
    columns = len(fit.coefficients)
    names, place = np.unique(technician, return_inverse=True)
    information = np.repeat(fit.information[None], len(names), axis=0)
    slope = np.zeros((len(names), columns))
    for block in fit.stacks:
        total = block.by_unit.sum(axis=0)
        half = np.einsum("upq,uqc->upc", block.by_unit, block.design)
        own = np.einsum("upc,upd->ucd", block.design, half)
        score = fit.score[block.units]
        left = grounded(total[None] - block.by_unit)
        cross = half.sum(axis=0)[None] - half
        solved = np.linalg.solve(left, np.concatenate([cross, -score[:, :, None]], axis=2))
        without = own.sum(axis=0)[None] - own - np.einsum("upc,upd->ucd", cross, solved[:, :, :columns])
        by_column = -np.einsum("up,upc->uc", score, block.design)
        eliminated = by_column - np.einsum("upc,up->uc", cross, solved[:, :, columns])
        np.add.at(information, place[block.units], without - block.information[None])
        np.add.at(slope, place[block.units], eliminated)
    there = np.unique(place[np.concatenate([block.units for block in fit.stacks])])
    move = np.linalg.solve(information[there], slope[there][:, :, None])[:, :, 0]
    groups = len(there)
    return (groups - 1) / groups * move.T @ move
