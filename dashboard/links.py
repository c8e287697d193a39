"""Choices that live in the address: a link that is shared, or the browser's back button, opens the same view.

Streamlit can bind a widget to the address by itself, but writes the words shown on it there: a link would break with
each rewording and each new count. Here the address holds codes. It is the truth: what it says when it changes is what
the widgets show; what a reader chooses is written into it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import streamlit as st

T = TypeVar("T")
_SEEN = "_address_seen"


def _seed(key: str, read: Callable[[str], Any], default: Any) -> None:
    """Before the widget: take over what the address says, where it says something new."""
    raw = st.query_params.get(key)
    seen = st.session_state.setdefault(_SEEN, {})
    if raw != seen.get(key) or key not in st.session_state:
        value = read(raw) if raw is not None else None
        st.session_state[key] = default if value is None else value
        seen[key] = raw


def _keep(key: str, value: Any, left_out: Any) -> None:
    """After the widget: write the choice into the address; a value that goes without saying is left out."""
    text = None if value is None or value == "" or value == left_out else str(value)
    if text != st.query_params.get(key):
        if text is None:
            if key in st.query_params:
                del st.query_params[key]
        else:
            st.query_params[key] = text
    st.session_state.setdefault(_SEEN, {})[key] = text


def _one_of(options: Sequence[Any]) -> Callable[[str], Any]:
    by_text = {str(option): option for option in options}
    return by_text.get


def _still_there(key: str, options: Sequence[Any], default: Any) -> None:
    """A choice that the new options no longer hold goes back to the default."""
    if st.session_state.get(key) is not None and st.session_state[key] not in options:
        st.session_state[key] = default


def select(
    label: str, options: Sequence[T], key: str, *, default: T | None = None, always: bool = False, **how: Any
) -> T | None:
    """A list to choose one from; without a default it may stay empty. `always` writes the default too."""
    _seed(key, _one_of(options), default)
    _still_there(key, options, default)
    # the first option stands for "has a default": the choice itself comes from the session
    value = st.selectbox(label, options, index=None if default is None else 0, key=key, **how)
    _keep(key, value, None if always else default)
    return value  # type: ignore[return-value]  # no new options are accepted, so it is one of them


def segmented(label: str, options: Sequence[T], key: str, *, default: T | None = None, **how: Any) -> T | None:
    _seed(key, _one_of(options), default)
    _still_there(key, options, default)
    # beside other choices too: on a telephone what lies beyond the edge would not be seen
    value = st.segmented_control(label, options, key=key, required=default is not None, wrap=True, **how)
    _keep(key, value, default)
    return value


def pills(label: str, options: Sequence[T], key: str, **how: Any) -> T | None:
    _seed(key, _one_of(options), None)
    _still_there(key, options, None)
    value = st.pills(label, options, key=key, wrap=True, **how)
    _keep(key, value, None)
    return value


def several(
    label: str, options: Sequence[str], key: str, default: Sequence[str] | None = None, **how: Any
) -> list[str]:
    """Pills of which several may be on; at first the default ones, else all of them."""
    first = list(options if default is None else default)

    def read(raw: str) -> list[str] | None:
        return [option for option in options if option in raw.split(",")] or None

    _seed(key, read, first)
    value = st.pills(label, options, key=key, selection_mode="multi", wrap=True, **how)
    _keep(key, ",".join(value), ",".join(first))
    return value


def number(label: str, key: str, *, default: int, least: int, most: int, **how: Any) -> int:
    def read(raw: str) -> int | None:
        return min(max(int(raw), least), most) if raw.isdecimal() else None

    _seed(key, read, default)
    value = st.number_input(label, min_value=least, max_value=most, key=key, **how)
    _keep(key, value, default)
    return int(value)


def toggle(label: str, key: str, **how: Any) -> bool:
    """Something that is shown on request alone."""
    _seed(key, lambda raw: raw == "1", default=False)
    value = st.toggle(label, key=key, **how)
    _keep(key, "1" if value else None, None)
    return value


def text(label: str, key: str, **how: Any) -> str:
    _seed(key, str, "")
    value = (st.text_input(label, key=key, max_chars=200, **how) or "").strip()
    _keep(key, value, "")
    return value


def page_number(pages: int, key: str, of: object) -> int:
    """Which page of a long list; another list (`of`) begins at its first page."""
    raw = st.query_params.get(key)
    is_new = raw != st.session_state.setdefault(_SEEN, {}).get(key)
    asked = int(raw) if is_new and raw and raw.isdecimal() else 1
    value = 1
    if pages > 1:
        place = f"{key}_{abs(hash(of)) % 10**8}"
        value = st.pagination(pages, default=min(max(asked, 1), pages), key=place)
    _keep(key, value, 1)
    return value
