"""Rises of a vacuum with a known cause, as gauges log them: what `gauge_curves.py` judges the classifier by.

Two families of curves that share no shape. `tuning`: one or two time constants with a root tail, leaks in a straight line.
`judging`: three time constants, stretched exponentials, a surface that fills (second order), diffusion out of a film
(rate as 1/sqrt of time), leaks behind a hose that delays them or that change as the gas warms. Hard logs add noise up to
5 %, gauge steps of 10 and 50 micron, gaps, drift, a gauge's top, a valve that was shut after the log began, a pump left
on and logs of three minutes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

LIMIT_MICRON = 1000.0
ASKED_S = 600.0
Shape = Callable[[np.ndarray], np.ndarray]


@dataclass
class Curve:
    """One log: seconds and micron of its samples, what was put in, and which verdicts are right."""

    t: np.ndarray
    p: np.ndarray
    truth: str
    right: frozenset[str]
    shape: str
    hardness: tuple[str, ...]
    slope_micron_per_min: float
    is_ambiguous: bool = field(default=False)


# --- shapes: rise as a share of that at 10 min, s seconds after the valve was shut


def _one(f: Shape) -> Shape:
    return lambda s: f(s) / f(np.array([ASKED_S]))[0]


def _moisture_tuning(rng: np.random.Generator) -> tuple[str, Shape]:
    tau = float(np.exp(rng.uniform(np.log(60), np.log(420))))
    if rng.random() < 0.3:
        return "one exponential", _one(lambda s: 1 - np.exp(-s / tau))
    slow, second, tail = rng.uniform(3, 6), rng.uniform(0.1, 0.3), rng.uniform(0.05, 0.15)
    return "two exponentials and a root", _one(
        lambda s: (
            (1 - second - tail) * (1 - np.exp(-s / tau))
            + second * (1 - np.exp(-s / (slow * tau)))
            + tail * np.sqrt(s / ASKED_S)
        )
    )


def _moisture_judging(rng: np.random.Generator) -> tuple[str, Shape]:
    kind = rng.integers(5)
    tau = float(np.exp(rng.uniform(np.log(60), np.log(380))))
    if kind == 0:
        part = rng.dirichlet([6, 3, 1.5])
        return "three exponentials", _one(
            lambda s: np.sum(
                [w * (1 - np.exp(-s / (tau * k))) for w, k in zip(part, (0.6, 1.6, 5.0), strict=True)], axis=0
            )
        )
    if kind == 1:
        beta = rng.uniform(0.6, 0.95)
        return "stretched exponential", _one(lambda s: 1 - np.exp(-((s / tau) ** beta)))
    if kind == 2:
        return "second order", _one(lambda s: s / (s + tau))
    if kind == 3:
        film = rng.uniform(200, 900)
        return "diffusion out of a film", _one(lambda s: np.tanh(1.13 * np.sqrt(s / film)))
    begin = rng.uniform(2, 40)
    share = rng.uniform(0.5, 0.8)
    return "root tail", _one(
        lambda s: (
            share * (1 - np.exp(-s / tau)) + (1 - share) * (np.sqrt(s + begin) - np.sqrt(begin)) / np.sqrt(ASKED_S)
        )
    )


def _leak_tuning(rng: np.random.Generator) -> tuple[str, Shape]:
    return "straight leak", _one(lambda s: s)


def _leak_judging(rng: np.random.Generator) -> tuple[str, Shape]:
    kind = rng.integers(3)
    if kind == 0:
        lag = rng.uniform(4, 20)
        return "leak behind a hose", _one(lambda s: s - lag * (1 - np.exp(-s / lag)))
    if kind == 1:
        change = rng.uniform(-0.04, 0.04)
        return "leak that changes as it warms", _one(lambda s: s * (1 + change * s / 1800))
    # sonic first; as the pocket behind the leak empties its flow falls by a few percent in the log
    fall = rng.uniform(0.01, 0.05)
    return "leak from sonic to viscous flow", _one(lambda s: (1 - np.exp(-fall * s / ASKED_S)) / fall)


# --- the gauge


def _shown(rng: np.random.Generator, level: np.ndarray, noise: float, step: float, top: float) -> np.ndarray:
    seen = np.minimum(level * (1 + rng.normal(0, noise, len(level))), top)
    steps = np.maximum(step, np.where(seen < 1000, 1.0, np.where(seen < 10_000, 5.0, 100.0)))
    return np.minimum(np.maximum(np.round(seen / steps) * steps, 1.0), top)


def _times(rng: np.random.Generator, duration_s: float, hard: bool) -> np.ndarray:
    every = float(np.exp(rng.uniform(np.log(2), np.log(20 if hard else 12))))
    spread = 0.5 if hard else 0.1
    t = np.cumsum(np.clip(every * rng.uniform(1 - spread, 1 + spread, int(duration_s / every) + 2), 2, 20))
    return np.round(t[t <= duration_s] - t[0], 1)


def _with_gap(rng: np.random.Generator, t: np.ndarray) -> np.ndarray:
    length = rng.uniform(0.08, 0.2) * t[-1]
    begin = rng.uniform(0.1, 0.75) * t[-1]
    return t[(t < begin) | (t > begin + length)]


@dataclass
class _Plan:
    """What one log is to show."""

    kind: str
    moisture: Shape
    leak: Shape
    leak_share: float
    start_micron: float
    rise_micron: float
    valve_s: float
    duration_s: float
    noise: float
    step: float
    top: float
    drift: float

    def level(self, s: np.ndarray) -> np.ndarray:
        rise = self.leak_share * self.leak(s) + (1 - self.leak_share) * self.moisture(s)
        return self.start_micron + self.rise_micron * rise

    def slope_micron_per_min(self) -> float:
        return 60 * self.rise_micron * self.leak_share / ASKED_S


def _departure(plan: _Plan, seen_s: float) -> float:
    """The furthest that the true curve stands above its own chord, as a share of its rise."""
    s = np.linspace(45, max(seen_s, 60), 200)
    level = plan.level(s)
    chord = level[0] + (level[-1] - level[0]) * (s - s[0]) / (s[-1] - s[0])
    return float(np.max(level - chord) / max(level[-1] - level[0], 1e-9))


def _right(plan: _Plan, t: np.ndarray) -> tuple[str, frozenset[str], bool]:
    """What was put in, the verdicts that are right, and whether `cannot_tell` is among them."""
    level10 = float(plan.level(np.array([ASKED_S]))[0])
    truth = "tight" if level10 < LIMIT_MICRON else plan.kind
    s = t - plan.valve_s
    s = s[s >= 45]
    under_top = s[plan.level(s) < 0.98 * plan.top]
    watched_s = float(s[-1]) + float(np.median(np.diff(t))) if len(s) else 0.0
    seen_s = float(under_top[-1]) if len(under_top) else 0.0
    near = max(int(np.sum(np.abs(s - ASKED_S) <= 60)), 1)
    is_whole = watched_s >= ASKED_S
    margin = 0.02 + abs(plan.drift) + 2.5 * plan.noise / np.sqrt(near) + plan.step / 2 / LIMIT_MICRON
    margin = margin if is_whole else max(margin, 0.15)
    unsure = abs(level10 / LIMIT_MICRON - 1) < margin
    unsure |= len(s) < 8 or watched_s < 300 or (watched_s < 420 and plan.noise >= 0.03)
    right = {truth}
    if truth != "tight":
        span = float(plan.level(np.array([max(seen_s, 60)]))[0] - plan.level(np.array([45.0]))[0])
        spread = (plan.noise * (plan.start_micron + span) + plan.step / 2) / np.sqrt(max(len(under_top), 4) / 6)
        unsure |= seen_s < 300 or spread > 0.06 * span
        bend = _departure(plan, seen_s)
        unsure |= truth == "moisture" and bend < 0.06 + 1.5 * spread / span
        unsure |= truth == "leak" and bend > 0.03
        if truth == "moisture_and_leak":
            leak_part = plan.rise_micron * plan.leak_share * seen_s / ASKED_S / max(span, 1)
            unsure |= seen_s < 1200 or not 0.25 <= leak_part <= 0.8
            # the sentence of `moisture` leaves a leak open in short logs, that of `leak` a little moisture
            right |= {"moisture"} if leak_part <= 0.5 and seen_s < 1200 else set()
            right |= {"moisture"} if leak_part <= 0.25 else set()
            right |= {"leak"} if leak_part >= 0.8 else set()
    if unsure:
        right.add("cannot_tell")
    return truth, frozenset(right), bool(unsure)


def _plan(rng: np.random.Generator, judging: bool, hard: bool) -> tuple[_Plan, str]:
    kind = str(rng.choice(["tight", "moisture", "leak", "moisture_and_leak"], p=[0.25, 0.3, 0.25, 0.2]))
    name, moisture = (_moisture_judging if judging else _moisture_tuning)(rng)
    leak_name, leak = (_leak_judging if judging else _leak_tuning)(rng)
    share = {"tight": float(rng.random()), "moisture": 0.0, "leak": 1.0}.get(kind, float(rng.uniform(0.35, 0.7)))
    start = float(rng.uniform(150, 500))
    rise = float(rng.uniform(20, 850 - start)) if kind == "tight" else float(np.exp(rng.uniform(6.9, 9.2)))
    minutes = float(rng.choice([10.2, 12, 15, 20.5, 25, 30]))
    if kind == "moisture_and_leak":
        minutes = float(rng.choice([10.2, 15, 21, 25, 30]))
    plan = _Plan(
        kind, moisture, leak, share, start, rise, 0.0, 60 * minutes, float(rng.uniform(0.002, 0.01)), 1.0, 25_000.0, 0.0
    )
    if hard:
        plan.noise = float(rng.uniform(0.0, 0.05))
        plan.step = float(rng.choice([1.0, 10.0, 50.0]))
        plan.drift = float(rng.uniform(-0.03, 0.03))
        plan.duration_s = 60 * float(rng.choice([6.0, 8.0, 10.2, 12.0, 15.0, 20.5, 25.0, 30.0]))
    return plan, leak_name if kind == "leak" else name


def curve(rng: np.random.Generator, judging: bool, hard: bool) -> Curve:
    """One log of the tuning or the judging family."""
    plan, name = _plan(rng, judging, hard)
    hardness = []
    special = rng.random() if hard else 1.0
    if special < 0.08:
        plan.duration_s = 180.0
        hardness.append("three minutes")
    elif special < 0.18:
        plan.valve_s = float(rng.uniform(60, 240))
        plan.duration_s += plan.valve_s
        hardness.append("valve shut late")
    elif special < 0.26:
        plan.top = float(rng.choice([5_000.0, 12_000.0, 20_000.0]))
        plan.rise_micron *= 1 if plan.kind == "tight" else 2
        hardness.append("gauge's top")
    elif special < 0.32:
        return _pump_left_on(rng, plan)
    t = _times(rng, plan.duration_s, hard)
    if hard and special >= 0.32 and rng.random() < 0.25:
        t = _with_gap(rng, t)
        hardness.append("gap")
    s = np.maximum(t - plan.valve_s, 0)
    level = plan.level(s)
    spike = rng.uniform(20, 150) * np.exp(-s / rng.uniform(5, 14))
    before = plan.start_micron * (1 + rng.uniform(0, 0.5) * (np.exp(-t / 80) - np.exp(-plan.valve_s / 80)))
    level = np.where(t < plan.valve_s, before, level + spike)
    level = level * (1 + plan.drift * t / max(plan.duration_s, 1))
    truth, right, unsure = _right(plan, t)
    shown = _shown(rng, level, plan.noise, plan.step, plan.top)
    hardness += [f"noise {plan.noise:.0%}"] if plan.noise >= 0.03 else []
    hardness += [f"step {plan.step:.0f}"] if plan.step > 1 else []
    return Curve(t, shown, truth, right, name, tuple(hardness), plan.slope_micron_per_min(), unsure)


def _pump_left_on(rng: np.random.Generator, plan: _Plan) -> Curve:
    t = _times(rng, plan.duration_s, True)
    level = plan.start_micron * (1 - rng.uniform(0.12, 0.7) * (1 - np.exp(-t / rng.uniform(60, 250))))
    noise, step = min(plan.noise, 0.02), min(plan.step, 10.0)
    shown = _shown(rng, level, noise, step, plan.top)
    # a level that hardly falls once the first 45 s are over cannot be told from a tight system
    after = level[t >= 45]
    right = frozenset({"cannot_tell"} | ({"tight"} if after[-1] > 0.94 * after[0] else set()))
    return Curve(t, shown, "cannot_tell", right, "pump left on", ("pump left on",), 0.0, True)


def curves(seed: int, count: int, *, judging: bool, hard: bool) -> list[Curve]:
    """`count` logs drawn from one family."""
    rng = np.random.default_rng([seed, judging, hard])
    return [curve(rng, judging, hard) for _ in range(count)]
