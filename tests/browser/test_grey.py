"""Printed in grey: verdicts are told apart by how much of their shape is filled, not by the shape alone."""

from __future__ import annotations

import itertools
import re
from typing import Any

import pytest

from reports.kit.markup import Html
from reports.kit.states import TONES, shape_of, shapes
from reports.kit.style import LIGHT

GREY = """async (sources) => {
  const found = [];
  for (const source of sources) {
    const image = new Image();
    image.src = "data:image/svg+xml," + encodeURIComponent(source);
    await image.decode();
    const canvas = document.createElement("canvas");
    canvas.width = canvas.height = 96;
    const context = canvas.getContext("2d");
    context.drawImage(image, 0, 0, 96, 96);
    const data = context.getImageData(0, 0, 96, 96).data;
    let sum = 0;
    for (let i = 0; i < data.length; i += 4) sum += 0.2126 * data[i] + 0.7152 * data[i + 1] + 0.0722 * data[i + 2];
    found.push(sum / (96 * 96 * 255));
  }
  return found;
}"""


INK = {"paper": "#ffffff", "accept": "#000000", "hold": "#000000", "reject": "#000000", "none": "#000000"}
"""All verdicts in one ink: what is left then is the pattern."""


@pytest.mark.parametrize("palette", [LIGHT, INK], ids=["light", "ink"])
def test_any_two_verdicts_differ_in_grey(visit: Any, tmp_path: Any, palette: dict[str, str]) -> None:
    (tmp_path / "empty.html").write_text("<!doctype html><title>grey</title>", encoding="utf-8")
    page = visit(tmp_path / "empty.html").page
    states = ("accept", "hold", "reject", "not_assessed")
    drawn = dict(re.findall(r'<symbol id="shape-(\w+)"[^>]*>(.*?)</symbol>', shapes(Html(""))))
    sources = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 24 24" width="96" height="96" color="{palette[TONES.get(state, "none")]}">'
        f'<rect width="24" height="24" fill="{palette["paper"]}"/>'
        + drawn[shape_of(state)].replace("var(--ground,#fff)", palette["paper"])
        + "</svg>"
        for state in states
    ]
    grey = dict(zip(states, page.evaluate(GREY, sources), strict=True))
    # a twentieth of the way from black to white, where a hundredth can be seen side by side (our own rule)
    for one, other in itertools.combinations(states, 2):
        assert abs(grey[one] - grey[other]) >= 0.05, grey
