"""A real browser without a screen, and the rules that a page is held against in it."""

import contextlib
import shutil
from importlib import resources

import pytest

selenium = pytest.importorskip("selenium")
axe = pytest.importorskip("axe_core_python")
from selenium.webdriver import Chrome, ChromeOptions, ChromeService  # noqa: E402

QUIET_FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
SIZES = {"phone": (360, 740), "tablet": (800, 1000), "desktop": (1440, 900)}


@contextlib.contextmanager
def quiet_browser():
    """Give the browser, or skip where there is none."""
    program, helper = shutil.which("chromium"), shutil.which("chromedriver")
    if program is None or helper is None:
        pytest.skip("no chromium with chromedriver here")
    options = ChromeOptions()
    options.binary_location = program
    for flag in QUIET_FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    with Chrome(options=options, service=ChromeService(helper)) as driver:
        # The rules look at every part of every drawing, which takes its time on a busy machine.
        driver.set_script_timeout(300)
        yield driver


BARRIERS = """
const done = arguments[arguments.length - 1];
const told = rule => [rule.id, rule.nodes.slice(0, 5).map(node => node.html.slice(0, 100))];
axe.run(arguments[0], {resultTypes: ["violations"], selectors: false}).then(
    found => done({against: found.violations.map(told), passed: found.passes.map(rule => rule.id)})
);
"""


def barriers(browser, where="html"):
    """What the rules of axe-core say against the part `where` of a page, and the rules that it passes.

    Only what a test asks comes over from the browser: all that axe tells of such a page takes longer than its rules.
    """
    browser.execute_script((resources.files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8"))
    return browser.execute_async_script(BARRIERS, where)


def resize(browser, size):
    """Make the window as large as a phone, a tablet or a desktop."""
    width, height = SIZES[size]
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": size == "phone"}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def prefer(browser, scheme, media=""):
    """Ask for dark or light, on a screen or on paper."""
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": features})
