"""How a rate runs with age: smooth where failures were seen, free to bend where nothing was seen yet.

The log rate is a straight line in log(1 + age) plus bends. A bend is a change of slope at one age; how large bends are is
estimated from those that lie at ages seen. Beyond them a bend is as likely up as down, so it moves no chance, but every
range there grows by what wear that has not begun yet could do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# bends stand this far apart in log(1 + age): at 3, 7, 13 months, 1.7, 2.5, 3.5, 4.8, 6.4 years ...
BEND_EVERY = 0.25
OLDEST_YEARS = 60.0
# an age is seen while at least so many failures are expected beyond it
EVENTS_BEYOND = 10.0


@dataclass(frozen=True)
class AgeCurve:
    """The columns of one fleet's curve.

    bends : [bends] in log(1 + years). is_seen : [bends] whether failures can tell of it.
    """

    bends: np.ndarray
    is_seen: np.ndarray

    @property
    def columns(self) -> int:
        return 2 + len(self.bends)

    def basis(self, years: np.ndarray) -> np.ndarray:
        """[ages, columns]: level, slope, bends."""
        x = np.log1p(np.asarray(years, dtype=float))
        bent = np.maximum(x[:, None] - self.bends[None, :], 0.0)
        return np.concatenate([np.ones((len(x), 1)), x[:, None] - 1.0, bent], axis=1)


def curve_for(
    band_from_years: np.ndarray, band_age_years: np.ndarray, band_years: np.ndarray, events: float
) -> AgeCurve:
    """Bends for a fleet followed for band_years in bands that begin at band_from_years; [bands] each.

    band_age_years : mean age at which each band's time was spent.
    """
    rate = events / max(band_years.sum(), 1e-12)
    beyond = np.cumsum((rate * band_years)[::-1])[::-1]
    place = np.flatnonzero(beyond >= min(EVENTS_BEYOND, beyond[0]))[-1]
    # inside the last band seen: as far as its time reaches, were it spread evenly
    reach = band_from_years[place] + 2 * max(band_age_years[place] - band_from_years[place], 0.0)
    seen_to = float(np.log1p(reach))
    seen = np.arange(BEND_EVERY, seen_to - BEND_EVERY / 2, BEND_EVERY)
    unseen = np.arange(seen_to, float(np.log1p(OLDEST_YEARS)), BEND_EVERY)
    return AgeCurve(np.concatenate([seen, unseen]), np.arange(len(seen) + len(unseen)) < len(seen))
