"""Debian's Chromium, driven by Playwright; tests that need it are skipped where it is absent."""

import shutil
from contextlib import contextmanager

import pytest

CHROMIUM = shutil.which("chromium")
FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run "
    "--disable-background-networking --disable-component-update --disable-sync"
)
needs_chromium = pytest.mark.skipif(
    CHROMIUM is None, reason="chromium is not installed (Debian: apt-get install chromium)"
)


@contextmanager
def chromium():
    """Run a browser; its pages may load files and data, and nothing from a network."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS.split())
        yield browser
        browser.close()
