"""Cox's partial likelihood out of the profiled one: a stratum for each time of an event, holding who was at risk."""

import numpy as np

from models.profiled_rates import RateFit, Rows, Term, fit_rates


def cox(
    start: np.ndarray,
    stop: np.ndarray,
    died: np.ndarray,
    covariates: np.ndarray,
    stratum: np.ndarray | None = None,
    ties: str = "breslow",
) -> RateFit:
    """Our fit of Cox's model.

    start, stop, died, stratum : [records]; covariates : [records, columns]. ties: `breslow` gives all deaths of one time
    one risk set; `efron` gives each of d deaths its own, in which the d dead weigh 1, 1 - 1/d, 1 - 2/d ... and each death
    counts 1/d in each.
    """
    stratum = np.zeros(len(stop), dtype=int) if stratum is None else np.unique(stratum, return_inverse=True)[1]
    sets, records, weights, events = [], [], [], []
    number = 0
    for part in np.unique(stratum):
        for time in np.unique(stop[died & (stratum == part)]):
            at_risk = np.flatnonzero((stratum == part) & (start < time) & (stop >= time))
            dead = died[at_risk] & (stop[at_risk] == time)
            deaths = int(dead.sum())
            for place in range(deaths if ties == "efron" else 1):
                sets.append(np.full(len(at_risk), number))
                records.append(at_risk)
                weights.append(np.where(dead, 1 - place / deaths, 1.0))
                events.append(dead / deaths if ties == "efron" else dead.astype(float))
                number += 1
    centred = covariates - covariates.mean(axis=0)
    rows = Rows(np.concatenate(sets), number, [np.concatenate(records)], [len(stop)])
    return fit_rates(
        rows, [Term(centred, is_levels=False)], np.concatenate(weights), np.concatenate(events).astype(float)
    )
