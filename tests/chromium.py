"""A headless Chromium for the tests of pages: Debian's, or the one that ROOMSIM_CHROMIUM names."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome")
MISSING = "no Chromium found: install Debian's package chromium, or name one in ROOMSIM_CHROMIUM, to test the page"


def chromium_path() -> str | None:
    return os.environ.get("ROOMSIM_CHROMIUM") or next((found for name in NAMES if (found := shutil.which(name))), None)


@contextmanager
def chromium() -> Iterator[Any]:
    """A browser of playwright's; skips the test where there is none (which fails under CI=true)."""
    path = chromium_path()
    if path is None:
        pytest.skip(MISSING)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=["--no-sandbox"])   # CI runs as root
        try:
            yield browser
        finally:
            browser.close()


TEXT_FAULTS = """
() => {
  const faults = [], boxes = [], wide = document.documentElement.clientWidth;
  const seen = (node) => node.checkVisibility({ opacityProperty: true, visibilityProperty: true,
                                                contentVisibilityAuto: true }) && !node.closest(".vh, .skip");
  const all = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const short = (text) => text.trim().replace(/\\s+/g, " ").slice(0, 50);
  while (all.nextNode()) {
    const text = all.currentNode, home = text.parentElement;
    if (!text.data.trim() || home.closest("script, style, title, #reading")) continue;
    const heading = home.closest("thead");                     // out of sight on small screens, not hidden
    if (heading && getComputedStyle(heading).position === "absolute") continue;
    if (!seen(home)) continue;
    const range = document.createRange();
    range.selectNodeContents(text);
    for (const r of range.getClientRects()) {
      if (r.width < 1) continue;
      const svg = home.ownerSVGElement;
      if (r.left < -0.5 || r.right > wide + 0.5) faults.push(`outside the page: ${short(text.data)}`);
      if (svg) {
        const s = svg.getBoundingClientRect();
        if (r.left < s.left - 1 || r.right > s.right + 1 || r.top < s.top - 1 || r.bottom > s.bottom + 1)
          faults.push(`cut by its figure: ${short(text.data)} in ${svg.getAttribute("aria-label")}`);
      }
      for (let box = home; box && box !== document.body; box = box.parentElement) {
        const style = getComputedStyle(box);
        if (style.overflowX !== "visible" && !box.ownerSVGElement && box.tagName !== "svg") {
          const b = box.getBoundingClientRect();
          if (r.right > b.right + 1 || r.left < b.left - 1) faults.push(`cut by a box: ${short(text.data)}`);
        }
      }
      boxes.push([r.left, r.top, r.right, r.bottom, short(text.data), text]);
    }
  }
  boxes.sort((a, b) => a[1] - b[1]);
  for (let i = 0; i < boxes.length; i++) {
    for (let k = i + 1; k < boxes.length && boxes[k][1] < boxes[i][3]; k++) {
      const a = boxes[i], b = boxes[k];
      const across = Math.min(a[2], b[2]) - Math.max(a[0], b[0]), up = Math.min(a[3], b[3]) - Math.max(a[1], b[1]);
      if (across > 1.5 && up > 2.5 && a[5] !== b[5])
        faults.push(`overlap: ${a[4]} | ${b[4]} (${across.toFixed(1)} x ${up.toFixed(1)})`);
    }
  }
  return { faults: faults.slice(0, 30), count: boxes.length };
}
"""
"""Texts that leave the page, their figure or their box, or that lie on each other: up to 1.5 px across and 2.5 px up
are the empty rims of boxes, which are wider than the ink."""
