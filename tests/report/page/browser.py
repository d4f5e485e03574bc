"""A browser without a window, which looks at a page as its readers do.

It is the distribution's Chromium, unpacked beside the independent servers (`tests/peers/fetch.sh`)
and driven over a pipe. It may ask for nothing but the file it is given.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from tests.peers.servers import UNPACKED, program

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)

DESK = {"width": 1280, "height": 800}
PHONE = {"width": 390, "height": 844}
SMALL = {"width": 360, "height": 740}

_FONTS = """<?xml version="1.0"?>
<!DOCTYPE fontconfig SYSTEM "fonts.dtd">
<fontconfig><dir>/usr/share/fonts</dir><dir>{unpacked}/usr/share/fonts</dir>
<cachedir>{cache}</cachedir></fontconfig>
"""

_IN_VIEW = """() => {
  // The words that stand wholly inside the window, a line for each block.
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const block = (element) => {
    while (getComputedStyle(element).display.startsWith("inline")) element = element.parentElement;
    return element;
  };
  let said = "", last = null;
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    if (node.parentElement.matches("script, style, .ref") || !node.data.trim()) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const boxes = [...range.getClientRects()];
    const fits = boxes.length && boxes.every((box) =>
      box.width && box.left >= 0 && box.right <= innerWidth && box.top >= 0
      && box.bottom <= innerHeight);
    if (!fits || !node.parentElement.checkVisibility({checkOpacity: true})) continue;
    const now = block(node.parentElement);
    said += (now === last ? "" : "\\n") + node.data.replace(/\\s+/g, " ");
    last = now;
  }
  return said;
}"""


def executable() -> Path | None:
    """Return where the browser is; None: nowhere."""
    unpacked = UNPACKED / "usr" / "lib" / "chromium" / "chromium"
    return unpacked if unpacked.exists() else program("chromium")


def _libraries() -> str:
    """Return the folders of what was unpacked beside the browser because this machine lacks it."""
    folders = {
        library.parent
        for base in ("lib", "usr/lib")
        for library in UNPACKED.glob(f"{base}/*-linux-gnu/**/*.so*")
    }
    return ":".join(str(folder) for folder in sorted(folders))


@contextmanager
def _lent_libraries() -> Iterator[None]:
    """The driver is a program of its own too, and takes its surroundings from this process."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LD_LIBRARY_PATH", _libraries())
        yield


@contextmanager
def browsing(path: Path, directory: Path) -> Iterator[Browser]:
    """Run the browser in `path`, with its fonts and caches in `directory`."""
    fonts = directory / "fonts.conf"
    fonts.write_text(_FONTS.format(unpacked=UNPACKED, cache=directory / "fonts"), "utf-8")
    environment = {
        "PATH": os.defpath,
        "HOME": str(directory),
        "LD_LIBRARY_PATH": _libraries(),
        "FONTCONFIG_FILE": str(fonts),
    }
    with _lent_libraries(), sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=path, env=environment, args=list(FLAGS), headless=True
        )
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Look:
    """An open page, and what the browser had to say about it."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    """Messages of the console, and errors of the script."""
    requests: list[str] = field(default_factory=list)

    def in_view(self) -> str:
        """Return the words that are wholly in the window, a line for each block."""
        said: str = self.page.evaluate(_IN_VIEW)
        return said

    def overflow(self) -> int:
        """Return by how many pixels the page is wider than the window."""
        wider: int = self.page.evaluate("document.documentElement.scrollWidth - innerWidth")
        return wider


@contextmanager
def looking(browser: Browser, file: Path, **context: Any) -> Iterator[Look]:
    """Open a page in a context of its own; fails if it asked for anything else or complained."""
    context.setdefault("viewport", DESK)
    made = browser.new_context(**context)
    try:
        look = Look(made.new_page())
        look.page.on("console", lambda message: look.complaints.append(message.text))
        look.page.on("pageerror", lambda error: look.complaints.append(str(error)))
        made.on("request", lambda request: look.requests.append(request.url))
        look.page.goto(file.as_uri())
        yield look
        assert look.complaints == []
        assert {url.partition("#")[0] for url in look.requests} == {file.as_uri()}
    finally:
        made.close()
