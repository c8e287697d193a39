"""Pictures are worked out once: the same figures, looks and units give the same picture, to every reader.

A picture of a page takes 40 to 70 ms to build, to hold against Vega-Lite's schema and to turn into what the browser gets;
most pages have several, and most clicks change one of them or none. What was made is kept, the last ones asked for, and
not held against the schema again: tests do that.
"""

from __future__ import annotations

import pickle
from collections import OrderedDict
from collections.abc import Callable
from functools import wraps
from threading import Lock
from typing import Any, ParamSpec, cast

import altair as alt
import polars as pl

from dashboard import shown
from dashboard.looks import Picture

KEPT_AT_MOST = 256

P = ParamSpec("P")
_LOCK = Lock()
_KEPT: OrderedDict[Any, Drawn] = OrderedDict()


class Drawn:
    """A chart whose Vega-Lite, with its data in it, is made when it is first asked for."""

    def __init__(self, chart: Picture) -> None:
        self.chart = chart
        self._finished: bytes | None = None

    def __getattr__(self, name: str) -> Any:
        return getattr(self.chart, name)

    def to_dict(self, validate: bool = False) -> dict[str, Any]:
        """What the browser gets; a fresh copy, since whoever shows it takes it apart."""
        if validate:
            return self.chart.to_dict(validate=True)
        if self._finished is None:
            spec = self.chart.to_dict(validate=False)
            # Streamlit gathers the data beside the chart, in a dict that it gives as an option
            gathered = alt.data_transformers.options.get("datasets")
            if isinstance(gathered, dict):
                spec["datasets"] = {**spec.get("datasets", {}), **gathered}
            self._finished = pickle.dumps(spec)
        return pickle.loads(self._finished)


def kept(draw: Callable[P, Picture]) -> Callable[P, Picture]:
    """For a function from frames, words and a look to a chart: the last KEPT_AT_MOST charts of all of them are kept."""

    @wraps(draw)
    def drawn(*args: P.args, **kwargs: P.kwargs) -> Picture:
        key = _key(draw, args, kwargs)
        with _LOCK:
            found = _KEPT.get(key)
            if found is not None:
                _KEPT.move_to_end(key)
        if found is None:
            found = Drawn(draw(*args, **kwargs))
            with _LOCK:
                _KEPT[key] = found
                while len(_KEPT) > KEPT_AT_MOST:
                    _KEPT.popitem(last=False)
        # it is shown as a chart is: by its to_dict
        return cast(Picture, found)

    return drawn


def all_kept() -> list[Drawn]:
    """The pictures that are kept now, the one that nobody has asked for the longest first."""
    with _LOCK:
        return list(_KEPT.values())


def forget() -> None:
    with _LOCK:
        _KEPT.clear()


def _key(draw: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]) -> Any:
    """What the picture hangs on: the function, its arguments, and the units and dates it is written in."""
    given = [*args, *(kwargs[name] for name in sorted(kwargs))]
    return draw.__module__, draw.__qualname__, repr(shown.now()), tuple(_part(part) for part in given)


def _part(part: Any) -> Any:
    if isinstance(part, pl.DataFrame):
        rows = part.hash_rows().to_numpy().tobytes() if part.width else b""
        return tuple(part.columns), tuple(map(str, part.dtypes)), part.height, rows
    return repr(part)
