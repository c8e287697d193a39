"""What the text of a cell means: a figure, its unit and its bound, a date, a truth, or that nothing was recorded.

Every form that people write has one meaning here: "450 um" is a figure with its unit, "<500" a bound, "1,200" depends
on the decimal mark of its file, "N/A" and "-" and a blank mean that nothing was recorded (never zero), "OL" that the
instrument was over its range. What has no meaning is refused with a reason; nothing is guessed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import Any

EARLIEST, LATEST = date(1950, 1, 1), date(2100, 1, 1)

BLANK_WORDS = frozenset(
    ("", "-", "--", "---", "\u2013", "\u2014", "n/a", "na", "n.a.", "n.a", "#n/a", "null", "nil", "nan", "n/r",
     "not recorded", "not measured", "not taken", "unknown", "?", "tbd", "(blank)", "blank")
)  # fmt: skip
OVER_RANGE_WORDS = frozenset(
    ("ol", "o.l.", "o.l", "0l", "0.l", "ovl", "ofl", "over", "overload", "over range", "hi", "err")
)
TRUE_WORDS = frozenset(("true", "yes", "y", "1", "t", "x", "\u2713", "\u2714", "on"))
FALSE_WORDS = frozenset(("false", "no", "n", "0", "f", "off"))

_FIGURE = re.compile(
    r"^(?P<bound>[<>\u2264\u2265]=?)?\s*(?P<open>\()?\s*(?P<sign>[-+\u2212])?\s*(?P<money>[$\u20ac\u00a3])?\s*(?P<sign2>[-\u2212])?"
    r"(?P<body>\d[\d.,'\u2019\u00a0\u202f ]*\d|\d|[.,]\d+)(?P<power>[eE][-+]?\d{1,3})?(?P<close>\))?\s*(?P<unit>[^\d\s].*)?$"
)
_GROUPED = re.compile(r"^\d{1,3}(?:([.,'\u2019 ])\d{3})(?:\1\d{3})*$")
_ISO = re.compile(r"^(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ]+(.+))?$")
_YMD = re.compile(r"^(\d{4})[./](\d{1,2})[./](\d{1,2})(?:[T ,]+(.+))?$")
_COMPACT = re.compile(r"^(\d{4})(\d{2})(\d{2})$")
_SLASHED = re.compile(r"^(\d{1,2})([./-])(\d{1,2})\2(\d{4}|\d{2})\.?(?:[T ,]+(.+))?$")
_DAY_NAMED = re.compile(r"^(\d{1,2})[ .-]*([A-Za-z]{3,9})[ .,-]*(\d{4})(?:[T ,]+(.+))?$")
_MONTH_NAMED = re.compile(r"^([A-Za-z]{3,9})[ .-]*(\d{1,2})(?:st|nd|rd|th)?[ ,.-]+(\d{4})(?:[T ,]+(.+))?$")
_CLOCK = re.compile(
    r"^(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?\s*([AaPp])?\.?([Mm])?\.?\s*(Z|[+-]\d{2}:?\d{2})?$"
)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


NOT_A_NUMBER = "is not a number; expected a figure such as 480 or 12.5"


class Unreadable(ValueError):
    """The text has no meaning as what was asked for; the message is the reason, in plain words."""


class Ambiguous(Unreadable):
    """The text has two meanings, and its file shows nothing that decides between them."""


@dataclass(frozen=True)
class Figure:
    """A number as written: bound is "<" or ">" where the text is a bound, unit is the text after the figure."""

    value: float
    unit: str = ""
    bound: str = ""


def is_blank(cell: Any, more: frozenset[str] = frozenset()) -> bool:
    """Whether the cell says that nothing was recorded. more: further words, in lower case."""
    if cell is None:
        return True
    if not isinstance(cell, str):
        return isinstance(cell, float) and cell != cell
    word = cell.strip().lower()
    return word in BLANK_WORDS or word in more


# --- figures


@lru_cache(maxsize=65536)
def _parts(text: str) -> re.Match[str] | None:
    return _FIGURE.match(text.strip())


def mark_shown(text: str) -> str | None:
    """The decimal mark that this text by itself proves, "." or ","; None where it proves nothing."""
    parts = _parts(text)
    if parts is None:
        return None
    return _mark_of_body(parts["body"])


def _mark_of_body(body: str) -> str | None:
    dots, commas = body.count("."), body.count(",")
    if dots and commas:
        if body.rfind(".") > body.rfind(","):
            return "." if dots == 1 else None
        return "," if commas == 1 else None
    if not dots and not commas:
        return None
    mark, other = (".", ",") if dots else (",", ".")
    if body.count(mark) > 1:
        return other if _GROUPED.match(body) else None
    whole, fraction = body.split(mark)
    if len(fraction) == 3 and 1 <= len(whole) <= 3 and not whole.startswith("0") and whole.isdigit():
        return None  # 1,200 or 1.200: either
    return mark


def read_figure(cell: Any, decimal_mark: str | None = None) -> Figure:
    """The figure in a cell that is not blank.

    Parameters
    ----------
    cell : text, or a number as JSON, Parquet or a workbook hold it
    decimal_mark : "." or "," of the file; None where the file decides nothing

    Raises
    ------
    Unreadable : no figure. Ambiguous : "1,200" where the mark is not known.
    """
    if isinstance(cell, bool):
        raise Unreadable("is a truth value, not a number")
    if isinstance(cell, int | float | Decimal):
        if not math.isfinite(cell):
            raise Unreadable("is no finite number")
        return Figure(float(cell))
    text = str(cell).strip()
    if text.lower() in OVER_RANGE_WORDS:
        raise Unreadable("means that the instrument was over its range: no figure was read")
    if text.startswith("#") and text.rstrip("!?").isupper():
        raise Unreadable("is a formula's error, not a number")
    parts = _parts(text)
    if parts is None or bool(parts["open"]) != bool(parts["close"]) or (parts["sign"] and parts["sign2"]):
        raise Unreadable(NOT_A_NUMBER)
    value = float(_plain(parts["body"], decimal_mark) + (parts["power"] or ""))
    if not math.isfinite(value):
        raise Unreadable("is no finite number")
    if parts["sign"] in ("-", "\u2212") or parts["sign2"] or parts["open"]:
        value = -value
    unit = (parts["unit"] or "").strip()
    if unit[:1] in ("-", "/", "+", "*", ":", "%") or unit.lower().startswith(("to ", "or ")):
        raise Unreadable("is not one number")
    bound = (parts["bound"] or "")[:1].replace("\u2264", "<").replace("\u2265", ">")
    return Figure(value, unit, bound)


def _plain(body: str, decimal_mark: str | None) -> str:
    """The digits of a figure as Python reads them: no grouping, a point as the decimal mark."""
    if body.isdigit():
        return body
    if re.search(r"[\u00a0\u202f '\u2019]", body):
        grouped = re.fullmatch(r"(\d{1,3}(?:[\u00a0\u202f '\u2019]\d{3})+)([.,]\d+)?", body)
        if grouped is None:
            raise Unreadable("is not one number")
        body = re.sub(r"[\u00a0\u202f '\u2019]", "", grouped[1]) + (grouped[2] or "")
        if body.isdigit():
            return body
    shown = _mark_of_body(body)
    dots, commas = body.count("."), body.count(",")
    if shown is None and dots + commas > 1:
        raise Unreadable(NOT_A_NUMBER)
    mark = decimal_mark or shown
    if mark is None:
        raise Ambiguous(f"can be {body.replace(',', '').replace('.', '')} or {body.replace(',', '.')}")
    if shown is not None and shown != mark:
        raise Unreadable(f'is not a number with "{mark}" as its decimal mark')
    grouping = "," if mark == "." else "."
    whole, _, fraction = body.partition(mark)
    if grouping in fraction or (grouping in whole and not re.fullmatch(rf"\d{{1,3}}(?:\{grouping}\d{{3}})+", whole)):
        raise Unreadable("is not a number: its digits are not grouped by three")
    return whole.replace(grouping, "") + "." + (fraction or "0")


# --- dates and times


def order_shown(text: str) -> str | None:
    """The date order that this text by itself proves, "mdy" or "dmy"; None where it proves nothing."""
    match = _SLASHED.match(text.strip())
    if match is None:
        return None
    first, second = int(match[1]), int(match[3])
    if first > 12 >= second:
        return "dmy"
    if second > 12 >= first:
        return "mdy"
    return None


def order_of_file(texts: Iterable[str]) -> str | None:
    """The date order that the texts of a file prove together; None where they prove none, or both."""
    shown = {order for text in texts if (order := order_shown(text))}
    return shown.pop() if len(shown) == 1 else None


def read_date(cell: Any, order: str | None = None) -> date:
    """The date in a cell that is not blank; a time beside it is left aside.

    order : "ymd", "mdy" or "dmy" of the file; None where the file decides nothing.

    Raises
    ------
    Unreadable : no date, or one outside 1950 to 2100. Ambiguous : 3/4/2025 where the order is not known.
    """
    if isinstance(cell, datetime):
        return _in_range(cell.date())
    if isinstance(cell, date):
        return _in_range(cell)
    found, clock = _date_and_clock(str(cell).strip(), order)
    if clock is not None:
        _read_clock(clock)
    return found


def read_time(cell: Any, order: str | None = None) -> datetime:
    """The local date and time in a cell that is not blank; a date alone is its midnight. Errors as `read_date`."""
    if isinstance(cell, datetime):
        _in_range(cell.date())
        return cell.replace(tzinfo=None)
    if isinstance(cell, date):
        return datetime(cell.year, cell.month, cell.day)
    found, clock = _date_and_clock(str(cell).strip(), order)
    return datetime(found.year, found.month, found.day) + (_read_clock(clock) if clock else timedelta())


def _date_and_clock(text: str, order: str | None) -> tuple[date, str | None]:
    if (match := _ISO.match(text)) or (match := _YMD.match(text)):
        return _day(int(match[1]), int(match[2]), int(match[3])), match[4]
    if match := _COMPACT.match(text):
        return _day(int(match[1]), int(match[2]), int(match[3])), None
    if match := _DAY_NAMED.match(text):
        return _day(int(match[3]), _month(match[2]), int(match[1])), match[4]
    if match := _MONTH_NAMED.match(text):
        return _day(int(match[3]), _month(match[1]), int(match[2])), match[4]
    if match := _SLASHED.match(text):
        first, second, last = int(match[1]), int(match[3]), int(match[4])
        if order == "ymd":
            if len(match[4]) == 4:
                raise Unreadable("is not a date written year, month, day")
            return _day(2000 + first, second, last), match[5]
        year = last if len(match[4]) == 4 else _century(last)
        shown = order_shown(text)
        if order is None and shown is None and first != second:
            raise Ambiguous("can be read day first or month first")
        if order is not None and shown is not None and shown != order:
            raise Unreadable(f"is not a date written {'month' if order == 'mdy' else 'day'} first")
        month, day = (second, first) if (order or shown) == "dmy" else (first, second)
        return _day(year, month, day), match[5]
    raise Unreadable("is not a date")


def _century(year: int) -> int:
    # two figures: the century that puts it at most a few years ahead of now
    return 2000 + year if 2000 + year <= date.today().year + 20 else 1900 + year


def _month(name: str) -> int:
    try:
        return _MONTHS.index(name[:3].lower()) + 1
    except ValueError:
        raise Unreadable("is not a date") from None


def _day(year: int, month: int, day: int) -> date:
    try:
        return _in_range(date(year, month, day))
    except ValueError as error:
        raise (error if isinstance(error, Unreadable) else Unreadable("is not a day of the calendar")) from None


def _in_range(found: date) -> date:
    if not EARLIEST <= found <= LATEST:
        raise Unreadable(f"lies outside {EARLIEST.year} to {LATEST.year}")
    return found


def _read_clock(text: str) -> timedelta:
    match = _CLOCK.match(text.strip())
    if match is None:
        raise Unreadable("holds no time of the day")
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    if match[5]:
        if not 1 <= hour <= 12:
            raise Unreadable("holds no time of the day")
        hour = hour % 12 + (12 if match[5].lower() == "p" else 0)
    if hour > 23 or minute > 59 or second > 59:
        raise Unreadable("holds no time of the day")
    fraction = int((match[4] or "0")[:6].ljust(6, "0"))
    # a zone is left aside: the contract's times are local
    return timedelta(hours=hour, minutes=minute, seconds=second, microseconds=fraction)


# --- truths, codes and plain text


def read_flag(cell: Any) -> bool:
    """True or false. Raises Unreadable."""
    if isinstance(cell, bool):
        return cell
    word = str(cell).strip().lower()
    if word in ("1.0", "0.0"):
        word = word[0]
    if word in TRUE_WORDS:
        return True
    if word in FALSE_WORDS:
        return False
    raise Unreadable("is neither true nor false")


def _bare(word: str) -> str:
    return re.sub(r"[^a-z0-9]", "", word.lower())


@lru_cache(maxsize=512)
def _bare_codes(codes: tuple[str, ...]) -> dict[str, str]:
    return {_bare(code): code for code in codes}


def read_code(cell: Any, codes: tuple[str, ...]) -> str:
    """The code that a text writes, whatever its case, spaces and hyphens. Raises Unreadable."""
    text = str(cell).strip()
    if text in codes:
        return text
    code = _bare_codes(codes).get(_bare(text))
    if code is None:
        raise Unreadable(f"is not a code. Expected one of {', '.join(codes)}")
    return code


def as_text(cell: Any) -> str:
    """A cell as text: a number without a needless ".0", a truth as true or false, a list joined by ";"."""
    if isinstance(cell, str):
        return cell.strip()
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    if isinstance(cell, list | tuple):
        return ";".join(as_text(part) for part in cell if part is not None)
    if isinstance(cell, datetime):
        return cell.isoformat(sep="T")
    return str(cell)
