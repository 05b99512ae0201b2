"""Make ``knobs.png``, the picture of the page whose knobs turn, by a browser without a screen (chromium with chromedriver).

Run it as ``python sample_data/make_page_picture.py [FILE]``; without FILE beside itself, in place of the one there.
"""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

from PIL import Image
from selenium.webdriver import Chrome, ChromeOptions, ChromeService
from selenium.webdriver.support.ui import WebDriverWait

from tsfit.driver.record import rated
from tsfit.formats.driver import read_driver_or_fit
from tsfit.formats.sheet import read_sheet
from tsfit.live.server import Served, Trial
from tsfit.live.state import PageState, Tried

HERE = Path(__file__).parent
DRIVERS = ("saltwit-12", "saltwit-12b")
BOX = {"volume_l": 95.0, "tuning_hz": 22.0, "port.diameter_cm": 10.0, "leak_q": 10.0, "drive.power_w": 100.0}
TURNED = {"volume_l": 60.0, "tuning_hz": 28.0}
SIZE, COLOURS = (1280, 800), 48


def tried(name: str, folder: Path) -> Tried:
    """Fit a sample driver, and give it the ratings of its sheet."""
    words = ("fit", HERE / f"{name}-bench.toml", "-o", folder / f"{name}.json", "-q")
    subprocess.run([sys.executable, "-m", "tsfit", *map(str, words)], check=True, stdout=subprocess.DEVNULL)
    driver, fit = read_driver_or_fit(folder / f"{name}.json")
    return Tried(name, rated(driver, read_sheet(HERE / f"{name}-sheet.toml").values()), fit)


def make(target: Path) -> None:
    """Hold one vented box, turn to another, and take the picture."""
    state = PageState(kind="vented", values=BOX)
    with tempfile.TemporaryDirectory() as folder:
        drivers = [tried(name, Path(folder)) for name in DRIVERS]
    served = Served(Trial(drivers, state), keep=True)
    threading.Thread(target=served.run, daemon=True).start()
    options = ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for flag in ("--headless=new", "--no-sandbox", "--hide-scrollbars", f"--window-size={SIZE[0]},{SIZE[1] + 150}"):
        options.add_argument(flag)
    with Chrome(options=options, service=ChromeService(shutil.which("chromedriver"))) as browser:
        screen = {"width": SIZE[0], "height": SIZE[1], "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
        browser.get(served.address)
        wait = WebDriverWait(browser, 60.0, 0.1)
        wait.until(lambda page: page.execute_script("return document.body.dataset.drawn"))
        browser.execute_script("document.getElementById('hold').click()")
        turned = state.model_copy(update={"values": {**BOX, **TURNED}})
        browser.execute_script("location.hash = encodeURIComponent(arguments[0])", turned.model_dump_json())
        wait.until(lambda page: page.execute_script("return Number(document.body.dataset.drawn) > 1"))
        picture = Image.open(io.BytesIO(browser.get_screenshot_as_png())).convert("RGB")
    served.stop()
    picture.quantize(COLOURS, dither=Image.Dither.NONE).save(target, optimize=True)


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "knobs.png")
