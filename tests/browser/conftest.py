"""A browser for the pages: Debian's Chromium without a head, offline, a fresh profile each time."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from html import unescape
from typing import TYPE_CHECKING, Any

import pytest
from sample_pages import index_page, lot_pages, meter_pages

import reports

if TYPE_CHECKING:
    from pathlib import Path

_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--hide-scrollbars", "--host-resolver-rules=MAP * ~NOTFOUND",
)  # fmt: skip

_HARNESS = """<!doctype html><meta charset="utf-8"><body><script>
const results = {};
const frames = %s;
Promise.all(frames.map(([name, address, width]) => new Promise((done) => {
  const frame = document.createElement("iframe");
  frame.width = width; frame.height = 900;
  frame.onload = () => {
    const page = frame.contentDocument, box = (e) => e.getBoundingClientRect();
    const style = (selector) => frame.contentWindow.getComputedStyle(page.querySelector(selector));
    results[name + "@" + width] = {
      title: page.title,
      scripts: page.scripts.length,
      images: page.images.length,
      styles: page.styleSheets.length,
      handlers: [...page.querySelectorAll("*")].filter((e) => [...e.attributes].some((a) => /^on|^style$/.test(a.name))).length,
      foreign: [...page.querySelectorAll("iframe,object,embed,form,input,base,video,audio,foreignObject")].length,
      charts: [...page.querySelectorAll(".chart svg")].map((e) => [box(e).width, box(e).height]),
      marks: page.querySelectorAll(".chart path").length,
      word: page.querySelector(".word").textContent,
      overflow: page.documentElement.scrollWidth - page.documentElement.clientWidth,
      verdict_top: box(page.querySelector(".verdict")).top,
      paper: style(".sheet").backgroundColor,
      ink: style("h1").color,
      skip: page.querySelector(".skip").getAttribute("href"),
    };
    done();
  };
  frame.src = address;
  document.body.append(frame);
}))).then(() => { const out = document.createElement("pre"); out.id = "results"; out.textContent = JSON.stringify(results); document.body.append(out); });
</script>"""


class Chromium:
    """Runs the browser on files of one folder."""

    def __init__(self, binary: str, folder: Path) -> None:
        self.binary = binary
        self.folder = folder
        self._runs = 0

    def run(self, target: Path, *flags: str) -> str:
        """Open a file and return what the browser writes."""
        self._runs += 1
        profile = self.folder / f"profile-{self._runs}"
        finished = subprocess.run(
            [self.binary, *_FLAGS, f"--user-data-dir={profile}", *flags, target.as_uri()],
            capture_output=True,
            timeout=120,
            check=True,
        )
        shutil.rmtree(profile, ignore_errors=True)
        return finished.stdout.decode("utf-8", "replace")

    def measure(self, targets: list[tuple[str, Path, int]], *flags: str) -> dict[str, Any]:
        """Open pages in frames of given widths and measure what came of them."""
        self._runs += 1
        frames = [(name, path.as_uri(), width) for name, path, width in targets]
        harness = self.folder / f"harness-{self._runs}.html"
        harness.write_text(_HARNESS % json.dumps(frames), encoding="utf-8")
        dom = self.run(harness, "--allow-file-access-from-files", "--virtual-time-budget=20000", "--dump-dom", *flags)
        found = re.search(r'<pre id="results">(.*?)</pre>', dom, re.DOTALL)
        assert found is not None, dom[-2000:]
        measured: dict[str, Any] = json.loads(unescape(found[1]))
        return measured


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Chromium:
    """The browser; missing, it is a reason to skip at a desk and a failure in CI."""
    binary = shutil.which("chromium") or shutil.which("chromium-browser")
    if binary is None:
        message = "no chromium on this machine; install Debian's package chromium to run the browser tests"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    return Chromium(binary, tmp_path_factory.mktemp("chromium"))


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every sample page as a file, by its case."""
    folder = tmp_path_factory.mktemp("pages")
    paths: dict[str, Path] = {}
    for name, lot in lot_pages().items():
        paths[f"lot {name}"] = folder / reports.address("lot", lot.result.lot)
        _write(paths[f"lot {name}"], lot)
    for name, meter in meter_pages().items():
        paths[f"meter {name}"] = folder / reports.address("meter", meter.result.meter)
        _write(paths[f"meter {name}"], meter)
    paths["index"] = folder / reports.address("index", "")
    _write(paths["index"], index_page(hostile=True))
    return paths


def _write(path: Path, page: Any) -> None:
    path.parent.mkdir(exist_ok=True)
    path.write_text(reports.render(page), encoding="utf-8")
