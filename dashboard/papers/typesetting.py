"""From a paper's words and figures to a tagged PDF, in the type of the pages.

The pages' type comes with Streamlit, packed for browsers; it is unpacked once for each of its versions into the user's
cache folder. Nothing is fetched. The file is checked against PDF/UA-1 (ISO 14289-1) while it is written: headings, table
heads and reading order are tagged, every picture has its words.
"""

from __future__ import annotations

import json
import os
import re
import tempfile
from functools import cache
from importlib import metadata, resources, util
from pathlib import Path
from typing import Any

# the pages' type for text and for headings, as Streamlit's folder names it
PAGES_TYPE = ("SourceSans*Upright*.woff2", "SourceSerif*Roman*.woff2")
SERIF_AT_HAND = "Libertinus Serif"  # comes with typst, should Streamlit bring its type in another form some day
PAGE_SIZES = {"letter": "us-letter", "a4": "a4"}


def to_pdf(template: str, content: dict[str, Any], *, title: str, page_size: str = "letter") -> bytes:
    """The paper as PDF.

    Parameters
    ----------
    template : name of the template beside this module, without its ending.
    content : what the template prints; text is printed as it is, never read as markup.
    title : of the document, in its properties.
    page_size : "letter" or "a4".
    """
    import typst

    with resources.as_file(resources.files("dashboard.papers")) as folder:
        fonts = unpacked_type()
        inputs = {
            "content": _kept_together(json.dumps({**content, "title": title}, ensure_ascii=False)),
            "type": json.dumps(_families(fonts, "Sans")),
            "heading_type": json.dumps(_families(fonts, "Serif")),
            "size": PAGE_SIZES[page_size],
        }
        made = typst.compile(
            str(folder / f"{template}.typ"),
            root=str(folder),
            font_paths=[str(fonts)],
            ignore_system_fonts=True,
            sys_inputs=inputs,
            pdf_standards="ua-1",
        )
    if not isinstance(made, bytes):
        raise TypeError("a paper is one file")
    return made


def _kept_together(text: str) -> str:
    """No line ends between a figure and its percent sign, degree or currency."""
    return re.sub(r"(?<=\d) (?=%|°|[A-Z]{3}\b)", "\u00a0", text)


@cache
def unpacked_type() -> Path:
    """The folder with the pages' type in a form that can be set; made where it is not there yet."""
    version = metadata.version("streamlit")
    for place in (_cache_folder(), Path(tempfile.mkdtemp(prefix="type-"))):
        folder = place / f"type-{version}"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            if len(list(folder.glob("*.ttf"))) < len(PAGES_TYPE):
                _unpack_into(folder)
            return folder
        except OSError:
            continue  # a home that cannot be written to
    raise OSError("no folder can be written to, not even the one for temporary files")


def _cache_folder() -> Path:
    place = os.environ.get("LOCALAPPDATA") or os.environ.get("XDG_CACHE_HOME")
    return (Path(place) if place else Path.home() / ".cache") / "slowfuse"


def _unpack_into(folder: Path) -> None:
    from fontTools.ttLib import TTFont

    found = util.find_spec("streamlit")
    places = list(found.submodule_search_locations or []) if found else []
    for packed in (file for place in places for name in PAGES_TYPE for file in Path(place, "static").rglob(name)):
        font = TTFont(packed)
        font.flavor = None
        unfinished = folder / f"{os.getpid()}.part"
        font.save(unfinished)
        # renamed when whole: another paper may be made at the same time
        unfinished.replace(folder / f"{packed.name.split('.')[0]}.ttf")


@cache
def _families(folder: Path, kind: str) -> list[str]:
    """The names of the type of one kind ("Sans", "Serif"), the one that is always there last."""
    import typst

    fonts = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(folder)])
    return [*(name for name in fonts.families() if kind in name), SERIF_AT_HAND]
