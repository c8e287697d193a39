"""How well a contractor's heading fits each place of the contract, by its words and its unit alone.

A heading is brought to plain words ("PT start °F" -> "pressure test start", unit degF) and held against the words of
the trade in data/heading_words.csv. A place fits only if all the words of one of its phrases stand in the heading;
words that are left over make it fit less. What the cells hold is weighed elsewhere.
"""

from __future__ import annotations

import csv
import math
import re
import unicodedata
from collections import Counter
from dataclasses import dataclass
from difflib import SequenceMatcher
from functools import cache, lru_cache
from importlib import resources

from pipelines import units
from pipelines.contract import QUANTITY_UNIT, STEPS, TABLE_BY_NAME, TRACE_QUANTITY_UNIT, Kind

STRONG, NEAR, WEAK = 1.0, 0.86, 0.74  # a phrase of its own; one that counts beside its step; one said of many things

# Words that say nothing about what is meant
_LIGHT = frozenset(
    [
        "number",
        "id",
        "date",
        "of",
        "the",
        "a",
        "an",
        "in",
        "at",
        "on",
        "for",
        "by",
        "to",
        "per",
        "is",
        "was",
        "and",
        "or",
        "s",
        "value",
        "reading",
        "measured",
        "taken",
        "if",
        "any",
        "all",
        "yes",
        "no",
        "y",
        "n",
        "system",
        "unit",
        "name",
        "type",
        "code",
        "data",
        "field",
        "our",
        "us",
        "new",
        "job",
        "during",
        "while",
        "with",
        "test",
    ]
)
_TICK_WORDS = frozenset(
    [
        "done",
        "ok",
        "complete",
        "completed",
        "checked",
        "performed",
        "y",
        "n",
        "yes",
        "no",
        "tick",
        "ticked",
        "pass",
        "passed",
        "verified",
        "confirmed",
    ]
)
# Spellings of units that stand for something else when they end a heading without brackets
_NOT_BARE_UNITS = frozenset(
    ("#", "'", "mic", "gr", "tr", "mo", "deg", "$", "°", "day", "days", "year", "years", "month", "wc", "vac")
)
# What is measured, said by the unit alone: "Comp A" is a compressor's current
_NOUN_OF_UNIT = {
    "current": "current", "voltage": "voltage", "power": "power", "temperature": "temperature", "time": "time",
    "temperature or difference": "temperature", "mass": "weight", "length": "length", "flow": "flow",
    "vacuum": "micron", "pressure absolute": "pressure", "pressure gauge": "pressure", "pressure": "pressure",
    "pressure not absolute": "pressure",
}  # fmt: skip
_ONE_LETTER_UNITS = frozenset(["A", "V", "W", "K", "F", "C"])


@dataclass(frozen=True)
class Place:
    """A column, a reading or a tick of the contract that a heading can mean.

    name : `jobs.finished_on`, `evacuation.vacuum`, `evacuation.ticked`; `-.superheat` is known but has no place.
    kind : of the column; "tick" for what was ticked, "none" for what has no place.
    unit_kind : as in data/units.csv; empty where there is no unit.
    usual : range of figures usually met [in `unit`], None where unknown.
    """

    name: str
    kind: Kind | str
    unit: str
    unit_kind: str
    codes: tuple[str, ...]
    strong: tuple[tuple[str, ...], ...]
    weak: tuple[tuple[str, ...], ...]
    near: tuple[tuple[str, ...], ...]
    usual: tuple[float, float] | None
    possible: tuple[float | None, float | None]
    note: str

    @property
    def table(self) -> str:
        return self.name.partition(".")[0]

    @property
    def column(self) -> str:
        return self.name.partition(".")[2]

    @property
    def step(self) -> str | None:
        return self.table if self.table in STEPS else None


@dataclass(frozen=True)
class Heading:
    """A heading in plain words: with and without the words that name its unit, and with what that unit measures."""

    text: str
    words: tuple[str, ...]
    words_with_unit: tuple[str, ...]
    unit: str | None
    unit_as_written: str

    @property
    def spellings(self) -> set[tuple[str, ...]]:
        noun = _NOUN_OF_UNIT.get(units.all_units()[self.unit].kind) if self.unit in units.all_units() else None
        with_noun = (*self.words, noun) if noun and self.words and noun not in self.words else self.words
        return {self.words, self.words_with_unit, with_noun}


@dataclass(frozen=True)
class WordFit:
    """How well the words fit: 0 to 1, the phrase that did it, and whether it needs its step beside it."""

    score: float
    phrase: str = ""
    strength: float = 0.0


def _rows(name: str) -> list[dict[str, str]]:
    text = resources.files("pipelines").joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def _abbreviations() -> dict[str, tuple[str, ...]]:
    return {row["short"]: tuple(row["long"].split()) for row in _rows("abbreviations.csv")}


# --- a heading in plain words


def _tokens(text: str) -> list[str]:
    text = unicodedata.normalize("NFKC", text).replace("₂", "2").replace("²", "2")
    text = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", text)
    text = re.sub(r"(?i)\b(s|p|c|w)/(n|o)\b", r"\1\2", text)  # s/n, w/o
    text = text.replace("#", " number ").replace("&", " ").replace("°", " ")
    text = "".join(char for char in unicodedata.normalize("NFD", text) if unicodedata.category(char) != "Mn")
    return re.findall(r"[a-z]+\d*[a-z]*|\d+[a-z]+|\d+", text.lower())


def _expanded(tokens: list[str]) -> tuple[str, ...]:
    known = _abbreviations()
    result: list[str] = []
    for token in tokens:
        word = token
        if word not in known and word.endswith("s") and word[:-1] in known:
            word = word[:-1]
        result += known.get(word, (word,))
    joined = " ".join(result)
    for parts, whole in (("sub cooling", "subcooling"), ("super heat", "superheat"), ("work orders", "work order"),
                         ("air flow", "airflow"), ("line sets", "line set"), ("post code", "postcode"),
                         ("heat pump", "heat pump"), ("duct work", "ducts"), ("micro ns", "micron")):  # fmt: skip
        joined = joined.replace(parts, whole)
    return tuple(_singular(word) for word in joined.split())


def _singular(word: str) -> str:
    if (
        len(word) > 4
        and word.endswith("s")
        and not word.endswith(("ss", "us", "is"))
        and word
        not in (
            "volts",
            "watts",
            "tons",
            "hours",
            "minutes",
            "findings",
            "expires",
            "joints",
            "seconds",
            "degrees",
            "pounds",
            "units",
        )
    ):
        return word[:-1]
    return word


@lru_cache(maxsize=8192)
def heading_of(text: str) -> Heading:
    """A heading taken apart: plain words and unit."""
    rest, unit, written = _split_unit(text)
    plain = _without_brackets(text)
    if unit == "min":
        plain = re.sub(r"(?i)\bmins?\b|(?<=_)mins?$|(?<=[a-z])Mins?$", " minutes", plain)  # not "minimum"
    with_unit = _expanded(_tokens(plain))
    words = _expanded(_tokens(rest)) if unit else with_unit
    return Heading(text, words, with_unit, unit, written)


def _without_brackets(text: str) -> str:
    return re.sub(r"[\[\](){}]", " ", text)


def _split_unit(text: str) -> tuple[str, str | None, str]:
    """(heading without its unit, unit, unit as written)."""
    plain = unicodedata.normalize("NFKC", text).strip().rstrip(":").strip()
    for match in re.finditer(r"[(\[{]([^()\[\]{}]*(?:\([ga]\))?[^()\[\]{}]*)[)\]}]", plain):
        inside = match[1].strip().strip(".")
        # "kPa(g)": the bracket belongs to the unit
        before = plain[: match.start()].split()
        if before and match.start() > 0 and not plain[match.start() - 1].isspace():
            whole = units.unit_named(before[-1] + plain[match.start() : match.end()])
            if whole is not None:
                return " ".join(before[:-1]) + plain[match.end() :], whole.name, before[-1] + match[0]
        inside = re.sub(r"^in (?!(wc|w\.c|hg|wg|h2o|w\.g))", "", inside, flags=re.I)
        named = units.unit_named(inside)
        if named is not None and inside:
            return plain[: match.start()] + " " + plain[match.end() :], named.name, inside
    parts = re.split(r"[\s,_/]+|(?<=[a-z])-(?=[a-z])", plain)
    parts = [part for part in parts if part]
    snake = "_" in plain or "." in plain.strip(".")
    if parts and "." in parts[-1] and units.unit_named(parts[-1]) is None:
        parts = [*parts[:-1], *parts[-1].split(".")]
    camel = [*parts[:-1], *re.sub(r"(?<=[a-z])(?=[A-Z])", " ", parts[-1]).split()] if parts else []
    for pieces in (parts, camel if len(camel) > len(parts) else []):
        for count in (3, 2, 1):
            if len(pieces) < count:
                continue
            tail = " ".join(pieces[-count:]).strip("-: ")
            named = units.unit_named(tail)
            if named is None or tail.lower() in _NOT_BARE_UNITS:
                continue
            if len(tail) == 1 and not (tail in _ONE_LETTER_UNITS or tail in ("m", "h", "s", "g") or snake):
                continue
            if len(tail) == 1 and len(pieces) == 1:
                continue
            return " ".join(pieces[:-count]), named.name, tail
    return plain, None, ""


# --- the places


def _phrases(text: str) -> tuple[tuple[str, ...], ...]:
    return tuple(_expanded(_tokens(phrase)) for phrase in text.split("|") if phrase)


@cache
def all_places() -> dict[str, Place]:
    """Every place by its name, in the contract's order."""
    rows = {row["place"]: row for row in _rows("heading_words.csv")}
    places: dict[str, Place] = {}

    def add(name: str, kind: str, unit: str = "", unit_kind: str = "", codes: tuple[str, ...] = (),
            possible: tuple[float | None, float | None] = (None, None)) -> None:  # fmt: skip
        row = rows.get(name, {})
        own = name.partition(".")[2].replace("_", " ")
        strong = _phrases(f"{own}|{row.get('words', '')}")
        usual = (float(row["usual_low"]), float(row["usual_high"])) if row.get("usual_low") else None
        places[name] = Place(
            name, kind, unit, unit_kind, codes, strong, _phrases(row.get("weak", "")), _phrases(row.get("near", "")),
            usual, possible, row.get("note", ""),
        )  # fmt: skip

    for table in TABLE_BY_NAME.values():
        for column in table.columns:
            unit = "" if table.name in ("readings", "inspections") else column.unit
            unit_kind = units.all_units()[unit].kind if unit in units.all_units() else ""
            add(
                f"{table.name}.{column.name}",
                column.kind,
                unit,
                unit_kind,
                column.codes,
                (column.at_least, column.at_most),
            )
    for quantity, unit in TRACE_QUANTITY_UNIT.items():
        about = units.all_quantities()["", quantity]
        add(f"traces.{quantity}", "number", unit, about.kind, (), (about.at_least, about.at_most))
    for step in STEPS:
        add(f"{step}.ticked", "tick", codes=("done", "not_done"))
        for quantity, unit in QUANTITY_UNIT[step].items():
            about = units.all_quantities()[step, quantity]
            kind = "number" if unit else ("code" if about.texts else "text")
            add(
                f"{step}.{quantity}",
                kind,
                unit,
                about.kind if unit else "",
                about.texts,
                (about.at_least, about.at_most),
            )
        for column in ("started_at", "ended_at", "technician_id", "taken_at", "instrument_id"):
            kind = "time" if column.endswith("_at") else "text"
            word = step.replace("_", " ")
            own = {
                "started_at": f"{word} start time|{word} started|{word} start at|{word} started at|{word} begin",
                "ended_at": f"{word} end time|{word} ended|{word} finished|{word} ended at|{word} end at|{word} complete time",
                "technician_id": f"{word} technician|{word} done by|{word} by",
                "taken_at": f"{word} reading time|{word} measured at",
                "instrument_id": f"{word} instrument|{word} gauge|{word} gauge id",
            }[column]
            near = {
                "started_at": "start|start time|started|began|time started|from",
                "ended_at": "end|end time|ended|finished|time ended|to",
                "technician_id": "technician|by|done by|fitter",
                "taken_at": "time|measured at|timestamp",
                "instrument_id": "instrument|gauge|gauge id|instrument id|gauge number",
            }[column]
            places[f"{step}.{column}"] = Place(
                f"{step}.{column}", kind, "", "", (), _phrases(own), (), _phrases(near), None, (None, None), ""
            )
    for name, row in rows.items():
        if name.startswith("-."):
            places[name] = Place(
                name,
                "none",
                "",
                "",
                (),
                _phrases(row["words"]),
                _phrases(row["weak"]),
                (),
                None,
                (None, None),
                row["note"],
            )
    return places


@cache
def _weights() -> dict[str, float]:
    """How much a word tells: rare words of the trade much, words met everywhere little."""
    met: Counter[str] = Counter()
    for place in all_places().values():
        met.update({word for phrase in place.strong for word in phrase})
    most = math.log(1 + max(met.values()))
    weights = {word: max(0.25, 1 - math.log(times) / most * 0.6) for word, times in met.items()}
    return {word: 0.25 if word in _LIGHT else weight for word, weight in weights.items()}


def _weight(word: str) -> float:
    if word in _LIGHT or word.isdigit():
        return 0.25
    return _weights().get(word, 0.7)


@cache
def _vocabulary() -> frozenset[str]:
    places = all_places().values()
    return frozenset(w for p in places for phrases in (p.strong, p.weak, p.near) for phrase in phrases for w in phrase)


@lru_cache(maxsize=8192)
def _means(written: str) -> frozenset[str]:
    """Words of the phrases that a written word can stand for: most phrases are ruled out by them at once."""
    return frozenset(word for word in _vocabulary() if same_word(written, word) > 0)


@lru_cache(maxsize=65536)
def same_word(written: str, word: str) -> float:
    """0 to 1: the same word, a shortened one, or one with a slip of the pen."""
    if written == word:
        return 1.0
    if len(written) >= 4 and len(word) > len(written) and word.startswith(written):
        return 0.9
    if len(word) >= 4 and written.startswith(word) and len(written) - len(word) <= 3:
        return 0.9  # purge, purging
    if written in _vocabulary():
        return 0.0  # a word of the trade is no slip of the pen for another ("contract", "contact")
    if min(len(written), len(word)) >= 5 and written[0] == word[0] and not (written.isdigit() or word.isdigit()):
        ratio = SequenceMatcher(None, written, word, autojunk=False).ratio()
        if ratio >= 0.83:
            return 0.9 * ratio
    return 0.0


def _phrase_score(
    words: tuple[str, ...], phrase: tuple[str, ...], free: frozenset[str], own: frozenset[str] = frozenset()
) -> float:
    """1 if the heading is the phrase, less for each word left over, 0 if a word of the phrase is missing.

    free : words that may be left over; own : words met in other phrases of the same place, which count less.
    """
    if not phrase or len(words) > 24:
        return 0.0
    left = list(words)
    matched = total = 0.0
    for word in phrase:
        best = max(range(len(left)), key=lambda n: same_word(left[n], word), default=None)
        fit = same_word(left[best], word) if best is not None else 0.0
        if best is None or fit == 0:
            return 0.0
        left.pop(best)
        matched += fit * _weight(word)
        total += _weight(word)
    extra = sum(_weight(word) * (0.45 if word in own else 1.0) for word in left if word not in free)
    light = sum(0.04 for word in left if word in free)
    return max(0.0, matched / (total + extra) - light)


@cache
def _own_words(name: str) -> frozenset[str]:
    place = all_places()[name]
    return frozenset(word for phrase in (*place.strong, *place.weak) for word in phrase)


@cache
def _step_words(step: str) -> frozenset[str]:
    return frozenset(word for phrase in all_places()[f"{step}.ticked"].strong for word in phrase) - _LIGHT


def word_fit(heading: Heading, place: Place, section: frozenset[str] = frozenset(), parents: int = 0) -> WordFit:
    """How well a heading's words fit a place.

    section : the steps that the heading stands beside, whose short words ("from", "minutes") count then.
    parents : how many of the leading words name the thing that holds the field (`asset` in `asset.serial`); they may
        be left over at no cost, and are looked at for the step.
    """
    step = place.step
    free = set(heading.words[:parents])
    if step:
        free |= _step_words(step) if place.kind != "tick" else set()
    if place.kind == "tick":
        free |= _TICK_WORDS | _step_words(place.table)
    best = WordFit(0.0)
    spellings = heading.spellings
    if parents:
        spellings |= {words[parents:] for words in heading.spellings}
    frozen = frozenset(free)
    reach = frozenset().union(*(_means(word) for words in spellings for word in words))
    for words in spellings:
        for phrases, strength in ((place.strong, STRONG), (place.weak, WEAK)):
            for phrase in phrases:
                if not reach.issuperset(phrase):
                    continue
                score = _phrase_score(words, phrase, frozen, _own_words(place.name)) * strength
                if score > best.score:
                    best = WordFit(score, " ".join(phrase), strength)
    if step and place.near:
        for words in spellings:
            inside, rest = _beside_step(words, step)
            if not inside and step not in section:
                continue
            for phrase in place.near:
                if not reach.issuperset(phrase):
                    continue
                for part in (rest, words) if inside else (words,):
                    score = _phrase_score(part, phrase, frozen) * (0.95 if inside else NEAR)
                    if score > best.score:
                        best = WordFit(score, " ".join(phrase), NEAR)
    return best


def _beside_step(words: tuple[str, ...], step: str) -> tuple[bool, tuple[str, ...]]:
    """Whether the words name the step themselves, and what is left without its name."""
    for phrase in sorted(all_places()[f"{step}.ticked"].strong, key=len, reverse=True):
        if len(words) > len(phrase) and all(any(same_word(w, p) >= 0.9 for w in words) for p in phrase):
            rest = tuple(w for w in words if not any(same_word(w, p) >= 0.9 for p in phrase))
            if rest:
                return True, rest
    return False, words
