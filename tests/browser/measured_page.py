"""What a browser can tell of a page without an eye: text too faint to read, parts beside the window, small targets."""

from __future__ import annotations

from dataclasses import dataclass, field
from io import BytesIO
from typing import Any

from PIL import Image
from playwright.sync_api import Locator, Page

# WCAG 2.2, 1.4.3: 4.5 to 1 for text, 3 to 1 for large text (24 px, or 18.66 px bold)
_CONTRAST = r"""
() => {
  const pen = document.createElement('canvas').getContext('2d', {willReadFrequently: true});
  const known = new Map();
  const rgba = colour => {
    if (!known.has(colour)) {
      pen.clearRect(0, 0, 1, 1); pen.fillStyle = colour; pen.fillRect(0, 0, 1, 1);
      const [r, g, b, a] = pen.getImageData(0, 0, 1, 1).data;
      known.set(colour, [r, g, b, a / 255]);
    }
    return known.get(colour);
  };
  const over = (top, under) => [0, 1, 2].map(i => top[i] * top[3] + under[i] * (1 - top[3])).concat(1);
  const light = ([r, g, b]) => [r, g, b]
    .map(v => v / 255).map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ratio = (one, other) => {
    const [high, low] = [light(one), light(other)].sort((a, b) => b - a);
    return (high + 0.05) / (low + 0.05);
  };
  const behind = part => {
    const layers = [];
    for (let at = part; at; at = at.parentElement) {
      const colour = rgba(getComputedStyle(at).backgroundColor);
      if (colour[3] > 0) layers.push(colour);
      if (colour[3] === 1) break;
    }
    return layers.reverse().reduce((under, top) => over(top, under), [255, 255, 255, 1]);
  };
  const faint = [];
  const look = (part, words, colour) => {
    if (part.closest('[disabled], [aria-disabled="true"], [data-disabled="true"]')) return;
    const style = getComputedStyle(part);
    const paper = behind(part);
    let ink = rgba(colour);
    let opacity = 1;
    for (let at = part; at; at = at.parentElement) opacity *= Number(getComputedStyle(at).opacity);
    ink = over([ink[0], ink[1], ink[2], ink[3] * opacity], paper);
    const size = parseFloat(style.fontSize), bold = Number(style.fontWeight) >= 600;
    const needed = part.closest('[data-testid="stIconMaterial"]') || size >= 24 || (bold && size >= 18.66) ? 3 : 4.5;
    const found = ratio(ink, paper);
    if (found < needed - 0.005) faint.push(`${found.toFixed(2)} of ${needed}: ${words.slice(0, 60)}`);
  };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let texts = 0;
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const words = node.textContent.trim(), part = node.parentElement;
    if (!/[\p{L}\p{N}]/u.test(words) || !part || ['SCRIPT', 'STYLE', 'NOSCRIPT', 'TEMPLATE'].includes(part.tagName)) continue;
    if (part.closest('canvas') || !part.checkVisibility({visibilityProperty: true})) continue;
    const box = document.createRange(); box.selectNodeContents(node);
    const {width, height} = box.getBoundingClientRect();
    if (width < 2 || height < 2) continue;
    texts += 1;
    if (!part.closest('svg')) look(part, words, getComputedStyle(part).color);
    // what is written on a mark of a chart has the mark behind it, not the page
    else if (!part.closest('.mark-text.role-mark') && part.getAttribute('opacity') !== '0')
      look(part, words, getComputedStyle(part).fill);
  }
  for (const field of document.querySelectorAll('input, textarea')) {
    if (!field.checkVisibility({visibilityProperty: true}) || field.type === 'file') continue;
    if (field.value) look(field, field.value, getComputedStyle(field).color);
    else if (field.placeholder) look(field, field.placeholder, getComputedStyle(field, '::placeholder').color);
  }
  return {texts, faint};
}
"""

_BESIDE_THE_WINDOW = """
() => {
  const beside = [];
  for (const frame of [document.scrollingElement, document.querySelector('[data-testid="stMain"]')]) {
    if (frame.scrollWidth > frame.clientWidth + 1) {
      beside.push(`${frame.tagName} scrolls sideways: ${frame.scrollWidth} px in ${frame.clientWidth}`);
    }
  }
  const cuts = part => ['auto', 'scroll', 'hidden', 'clip'].includes(getComputedStyle(part).overflowX);
  for (const part of document.querySelectorAll('[data-testid="stMainBlockContainer"] *')) {
    const box = part.getBoundingClientRect();
    if (box.width < 2 || box.height < 2 || box.right <= innerWidth + 1) continue;
    if (!part.checkVisibility({visibilityProperty: true})) continue;
    let held = false;  // a table scrolls within its own frame
    for (let at = part.parentElement; at && at.dataset.testid !== 'stMainBlockContainer'; at = at.parentElement) {
      if (cuts(at) && at.getBoundingClientRect().right <= innerWidth + 1) { held = true; break; }
    }
    if (!held) beside.push(`${part.tagName} ${part.dataset.testid || ''} ends at ${Math.round(box.right)} of ${innerWidth}`);
  }
  return beside;
}
"""

# what a screen reader goes by: the levels of the headings, the names of columns and of pictures
_TOLD = """
() => {
  const main = document.querySelector('[data-testid="stMainBlockContainer"]');
  const shown = part => part.checkVisibility({visibilityProperty: true});
  const named = part => (part.getAttribute('aria-label') || part.getAttribute('alt') || part.textContent || '').trim();
  const charts = [...main.querySelectorAll('[data-testid="stVegaLiteChart"]')].filter(shown);
  return {
    headings: [...main.querySelectorAll('h1, h2, h3, h4, h5, h6')].filter(shown).map(part => Number(part.tagName[1])),
    nameless: [
      ...[...main.querySelectorAll('canvas th')].filter(head => !named(head)).map(() => 'a column'),
      ...charts.filter(chart => !chart.querySelector('[aria-label]:not([aria-label=""])')).map(() => 'a chart'),
      ...[...main.querySelectorAll('button, input, a, [role="img"]')]
        .filter(part => shown(part) && !part.closest('[aria-hidden="true"]') && !named(part) && !part.labels?.length)
        .map(part => part.outerHTML.slice(0, 120)),
    ],
  };
}
"""


@dataclass
class Measured:
    """One page in one window."""

    sentence: str = ""
    texts: int = 0
    faint: list[str] = field(default_factory=list)
    faint_in_tables: list[str] = field(default_factory=list)
    beside_the_window: list[str] = field(default_factory=list)
    headings: list[int] = field(default_factory=list)
    nameless: list[str] = field(default_factory=list)


def measure(page: Page) -> Measured:
    told: dict[str, Any] = page.evaluate(_CONTRAST) | page.evaluate(_TOLD)
    tables = [
        f"{ratio:.2f} of 4.5: {words}"
        for grid in page.get_by_test_id("stDataFrame").filter(visible=True).all()
        for ratio, words in [_first_cell(grid)]
        if ratio < 4.5 - 0.005
    ]
    return Measured(
        sentence=page.locator("h1").first.inner_text(),
        texts=told["texts"],
        faint=sorted(set(told["faint"])),
        faint_in_tables=tables,
        beside_the_window=page.evaluate(_BESIDE_THE_WINDOW),
        headings=told["headings"],
        nameless=told["nameless"],
    )


def _light(colour: tuple[int, ...]) -> float:
    parts = [value / 255 for value in colour]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _first_cell(grid: Locator) -> tuple[float, str]:
    """The contrast of the first column's words in a table drawn on a canvas: its strongest pixel against its paper."""
    grid.scroll_into_view_if_needed()
    words = grid.locator("canvas td").first.text_content() or ""
    if not words.strip():
        return 21.0, words
    picture = Image.open(BytesIO(grid.screenshot())).convert("RGB")
    # the middle of the first row, within its lines
    cell = picture.crop((6, 40, min(110, picture.width), 66))
    colours = cell.getcolors(maxcolors=cell.width * cell.height) or []
    paper = _light(max(colours)[1])
    ratios = [
        (max(light, paper) + 0.05) / (min(light, paper) + 0.05) for light in (_light(colour) for _, colour in colours)
    ]
    return max(ratios), words
