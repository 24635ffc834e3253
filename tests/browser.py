"""A page as a browser shows it: headless Chromium, without a network."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

# Whatever the page may not do itself, such as running this, its policy forbids; so the copy that is measured has none.
_POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy"[^>]*>')
_MEASURE = r"""
const number = (channel) => channel <= 0.04045 ? channel / 12.92 : ((channel + 0.055) / 1.055) ** 2.4;
const rgba = (text) => text.match(/[\d.]+/g).map(Number);
const luminance = ([r, g, b]) => 0.2126 * number(r / 255) + 0.7152 * number(g / 255) + 0.0722 * number(b / 255);
function background(element) {
  for (let at = element; at; at = at.parentElement) {
    const colour = rgba(getComputedStyle(at).backgroundColor);
    if (colour.length === 3 || colour[3] === 1) return colour;
  }
  return [255, 255, 255];
}
function contrast(element) {
  const both = [luminance(rgba(getComputedStyle(element).color)), luminance(background(element))];
  return (Math.max(...both) + 0.05) / (Math.min(...both) + 0.05);
}
document.querySelectorAll("details").forEach((details) => { details.open = true; });
const root = document.documentElement, texts = [], outside = [];
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const element = walker.currentNode.parentElement, text = walker.currentNode.data.trim();
  if (!text || ["SCRIPT", "TITLE", "STYLE"].includes(element.tagName.toUpperCase())) continue;
  texts.push([text, contrast(element), parseFloat(getComputedStyle(element).fontSize)]);
}
for (const element of document.body.querySelectorAll("*")) {
  const box = element.getBoundingClientRect();
  if (box.right > root.clientWidth + 1 && !element.closest(".scroll")) outside.push(element.outerHTML.slice(0, 80));
}
const boxes = [...document.querySelectorAll("svg path:not(.grid)")].map((path) => path.getBBox());
const result = {
  width: root.scrollWidth, seen: root.clientWidth, texts, outside,
  charts: boxes.map((box) => [box.x, box.y, box.width, box.height]), paper: background(document.body),
  dark: matchMedia("(prefers-color-scheme: dark)").matches,
  requests: performance.getEntriesByType("resource").map((entry) => entry.name),
  data: [...document.querySelectorAll("data")].map((item) => [item.value, item.textContent]),
};
const out = document.createElement("pre"); out.id = "measured"; out.textContent = JSON.stringify(result);
document.body.append(out);
"""
_QUIET = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND",
)  # fmt: skip


@dataclass(frozen=True)
class Seen:
    """Sizes in pixels. `texts`: each with its contrast (as WCAG 2.2 defines it) and size; `data`: value and words.

    `outside`: what reaches beyond the window and cannot be scrolled to; `paper`: the background's red, green, blue.
    """

    width: int
    seen: int
    dark: bool
    texts: list[tuple[str, float, float]]
    outside: list[str]
    paper: list[float]
    charts: list[tuple[float, float, float, float]]
    requests: list[str]
    data: list[tuple[str, str]]


def look(page: Path, folder: Path, width: int, dark: bool) -> Seen:
    """Shows a page in a window of that width."""
    text, count = _POLICY.subn("", page.read_text())
    assert count == 1
    copy = folder / "measured.html"
    copy.write_text(text.replace("</body>", f"<script>{_MEASURE}</script></body>"))
    dom = _chromium(folder, width, dark, copy)
    found = re.search(r'<pre id="measured">(.*?)</pre>', dom, re.DOTALL)
    assert found is not None, dom[-2000:]
    said: dict[str, Any] = json.loads(html.unescape(found[1]))
    return Seen(
        said["width"], said["seen"], said["dark"], [tuple(text) for text in said["texts"]], said["outside"],
        said["paper"], [tuple(box) for box in said["charts"]], said["requests"], [tuple(item) for item in said["data"]],
    )  # fmt: skip


def _chromium(folder: Path, width: int, dark: bool, page: Path) -> str:
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("needs chromium")
    profile = folder / f"profile-{width}-{dark}"
    done = subprocess.run(
        [program, *_QUIET, f"--user-data-dir={profile}", f"--window-size={width},2400",
         f"--blink-settings=preferredColorScheme={0 if dark else 1}", "--dump-dom", page.as_uri()],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    shutil.rmtree(profile)
    return done.stdout


def printed_pages(page: Path, folder: Path) -> int:
    """How many sheets of paper a page takes."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("needs chromium")
    target, profile = folder / "printed.pdf", folder / "profile-print"
    subprocess.run(
        [program, *_QUIET, f"--user-data-dir={profile}", "--no-pdf-header-footer", f"--print-to-pdf={target}",
         page.as_uri()],
        capture_output=True, timeout=120, check=True,
    )  # fmt: skip
    shutil.rmtree(profile)
    # ISO 32000-1, 7.7.3.3: each sheet is an object of that type.
    return len(re.findall(rb"/Type\s*/Page\b", target.read_bytes()))
