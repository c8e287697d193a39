"""Gauge logs: how a vacuum rises when the pump is shut off, how it falls while the pump pulls, how nitrogen is held.

A tight, dry system rises a little and stops; moisture boils off and flattens out, with more than one time constant and a
slow tail; a leak rises in a straight line for as long as one looks. Samples come every 2 to 20 seconds, with noise, in
the gauge's own steps, and shutting the valve makes the first seconds jump.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

CURVE_KINDS = ("tight", "moisture", "leak", "both")
TIGHT, MOISTURE, LEAK, BOTH = range(4)
RISE_TEST_S = 600.0


@dataclass
class Samples:
    """Samples of many logs: which log, seconds since the step began, value."""

    log: np.ndarray
    elapsed_s: np.ndarray
    value: np.ndarray


def irregular_times(rng: np.random.Generator, duration_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sampling times of many logs: each log keeps near its own interval of 2 to 20 s. Returns log places and seconds."""
    interval = np.exp(rng.uniform(np.log(2.5), np.log(18), len(duration_s)))
    counts = (duration_s / interval).astype(np.int64) + 1
    log = np.repeat(np.arange(len(duration_s)), counts)
    step = np.clip(interval[log] * rng.uniform(0.75, 1.25, len(log)), 2, 20)
    total = np.cumsum(step)
    first = np.cumsum(counts) - counts
    elapsed = np.round(total - (total - step)[first][log], 1)
    keep = elapsed <= duration_s[log]
    return log[keep], elapsed[keep]


def _moisture_shape(t: np.ndarray, tau_s: np.ndarray) -> np.ndarray:
    return 0.72 * (1 - np.exp(-t / tau_s)) + 0.18 * (1 - np.exp(-t / (4 * tau_s))) + 0.10 * np.sqrt(t / RISE_TEST_S)


def rise_level(kind: np.ndarray, start_micron, end_micron, tau_s, leak_share, t: np.ndarray) -> np.ndarray:
    """The level without noise: `start_micron` at 0 s, `end_micron` at 600 s, bent as its kind bends. Broadcasts."""
    flattening = _moisture_shape(t, tau_s) / _moisture_shape(np.full_like(t, RISE_TEST_S), tau_s)
    straight = t / RISE_TEST_S
    part = np.where(kind == LEAK, 1.0, np.where(kind == BOTH, leak_share, 0.0))
    return start_micron + (end_micron - start_micron) * (part * straight + (1 - part) * flattening)


def as_gauge_shows(rng: np.random.Generator, micron: np.ndarray, noise_share: float = 0.008) -> np.ndarray:
    """With the gauge's noise, in its steps: 1 micron below 1,000, 5 to 10,000, then 100."""
    noisy = micron * (1 + rng.normal(0, noise_share, len(micron)))
    step = np.where(noisy < 1000, 1.0, np.where(noisy < 10_000, 5.0, 100.0))
    return np.maximum(np.round(noisy / step) * step, 1.0)


def choose_kind(
    rng: np.random.Generator, start_micron: np.ndarray, end_micron: np.ndarray, failed: np.ndarray
) -> np.ndarray:
    """A cause that fits the figures: failed tests by moisture, leak or both; the others tight or a little moist."""
    draw = rng.random(len(failed))
    bad = np.where(draw < 0.45, MOISTURE, np.where(draw < 0.8, LEAK, BOTH))
    return np.where(failed, bad, np.where(end_micron - start_micron > 150, MOISTURE, TIGHT))


def rise_logs(rng, start_micron, end_micron, kind, duration_s) -> Samples:
    """Rise curves through the figures written on the form. All arguments: one place for each log."""
    log, elapsed = irregular_times(rng, duration_s)
    tau_s = rng.uniform(90, 380, len(kind))
    leak_share = rng.uniform(0.4, 0.7, len(kind))
    level = rise_level(kind[log], start_micron[log], end_micron[log], tau_s[log], leak_share[log], elapsed)
    # shutting the valve pushes gas towards the gauge for some seconds
    level = level + rng.uniform(20, 140, len(kind))[log] * np.exp(-elapsed / rng.uniform(6, 12, len(kind))[log])
    return Samples(log, elapsed, as_gauge_shows(rng, level))


def pump_down_logs(rng, end_micron, duration_s) -> Samples:
    """Pulling down from atmosphere: steep at first, then slowly towards the last level."""
    log, elapsed = irregular_times(rng, duration_s)
    tau_s = (duration_s / rng.uniform(6, 9, len(end_micron)))[log]
    slow = np.exp(-elapsed / (3 * tau_s)) - np.exp(-duration_s[log] / (3 * tau_s))
    quick = np.exp(-1.6 * elapsed / tau_s) - np.exp(-1.6 * duration_s[log] / tau_s)
    level = end_micron[log] * (1 + 0.6 * slow) + 750_000 * quick
    return Samples(log, elapsed, as_gauge_shows(rng, np.minimum(level, 760_000)))


def pressure_logs(rng, start_psig, end_psig, start_degf, end_degf, duration_s) -> tuple[Samples, Samples]:
    """A nitrogen test: pressure and pipe temperature move from the first figure to the last."""
    log, elapsed = irregular_times(rng, duration_s)
    part = elapsed / duration_s[log]
    psig = start_psig[log] + (end_psig - start_psig)[log] * part
    degf = start_degf[log] + (end_degf - start_degf)[log] * part
    return (
        Samples(log, elapsed, np.round(psig + rng.normal(0, 0.15, len(psig)), 1)),
        Samples(log, elapsed, np.round(degf + rng.normal(0, 0.1, len(degf)), 1)),
    )
