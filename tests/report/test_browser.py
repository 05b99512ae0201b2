"""The page in a real browser without a screen: it renders, reads out, hides, fits, and can be used by everybody."""

import pytest
from helpers.browser import SIZES, barriers, quiet_browser, resize
from selenium.webdriver import ActionChains, Keys
from selenium.webdriver.common.by import By


@pytest.fixture(scope="module")
def browser():
    with quiet_browser() as driver:
        yield driver


@pytest.fixture(scope="module")
def address(whole_page):
    return whole_page.as_uri()


@pytest.fixture
def opened(browser, address):
    resize(browser, "desktop")
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    browser.get(address)
    browser.execute_script("document.querySelectorAll('details').forEach(section => { section.open = true; })")
    return browser


@pytest.mark.parametrize(("size", "screens"), [("desktop", 1.0), ("phone", 2.0)])
def test_the_answer_and_its_picture_come_first_and_the_rest_is_folded(browser, address, size, screens):
    resize(browser, size)
    browser.get(address)
    picture = browser.find_element(By.CSS_SELECTOR, "#answer figure")
    assert picture.rect["y"] < screens * SIZES[size][1]
    assert browser.find_element(By.CSS_SELECTOR, "#answer p").rect["y"] < 0.5 * SIZES[size][1]
    assert browser.execute_script("return document.documentElement.scrollHeight") <= 6000
    browser.get(f"{address}#sure")
    assert browser.execute_script("return document.getElementById('sure').open")


def test_no_word_of_complaint(opened):
    assert opened.get_log("browser") == []


@pytest.mark.parametrize("size", SIZES)
def test_nothing_sticks_out(opened, size):
    resize(opened, size)
    assert opened.execute_script("return document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    widths = opened.execute_script(
        "return [...document.querySelectorAll('.drawing')].map(d => Math.max(...[...d.children].map(s => s.clientWidth)))"
    )
    assert all(0.5 * min(SIZES[size][0], 768) < width <= SIZES[size][0] for width in widths)


@pytest.mark.parametrize(("size", "scheme"), [("phone", "dark"), ("desktop", "light")])
def test_no_barrier(opened, scheme, size):
    """The rules of axe-core, contrast and accessible names among them."""
    resize(opened, size)
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": features})
    found = barriers(opened)
    assert found["against"] == []
    assert "color-contrast" in found["passed"]


def test_the_test_for_barriers_can_fail(opened):
    assert barriers(opened, "h1")["against"] == []
    opened.execute_script("document.querySelector('h1').style.color = '#eee'; document.body.style.background = '#fff'")
    assert "color-contrast" in [rule for rule, _ in barriers(opened, "h1")["against"]]


def test_values_are_read_out_by_the_arrow_keys(opened):
    drawing = opened.find_element(By.CSS_SELECTOR, "#sure figure .drawing")
    said = opened.find_element(By.CSS_SELECTOR, "#sure figure output")
    assert said.text == ""
    drawing.send_keys(Keys.HOME)
    first = said.text
    assert first.startswith("frequency 5.00 Hz")
    assert "free air: " in first
    drawing.send_keys(Keys.ARROW_RIGHT)
    assert said.text != first
    drawing.send_keys(Keys.PAGE_UP, Keys.PAGE_UP)
    assert "Ω" in said.text
    assert "°" in said.text
    drawing.send_keys(Keys.END)
    assert said.text.startswith("frequency 20000 Hz")


def test_values_are_those_of_the_curve(opened):
    """At the right end the coil rules: |Z| of the circuit made in made_page.py at 20 kHz."""
    drawing = opened.find_element(By.CSS_SELECTOR, "#sure figure .drawing")
    drawing.send_keys(Keys.END)
    line = next(
        line for line in opened.find_element(By.CSS_SELECTOR, "#sure figure output").text.splitlines() if "free air" in line
    )
    w = 2.0 * 3.141592653589793 * 20e3
    branch = 1.0 / (1.0 / (1j * w * 6e-4) + 1.0 / 3.0)
    assert float(line.split(": ")[1].split()[0]) == pytest.approx(abs(5.62 + 1j * w * 4e-4 + branch), rel=0.01)


def test_values_are_read_out_under_the_pointer(opened):
    svg = opened.find_element(By.CSS_SELECTOR, "#sure figure svg")
    opened.execute_script("arguments[0].scrollIntoView()", svg)
    ActionChains(opened).move_to_element_with_offset(svg, 40, -20).perform()
    assert opened.find_element(By.CSS_SELECTOR, "#sure figure output").text.startswith("frequency ")


def test_a_curve_is_hidden_and_shown_by_the_keyboard(opened):
    button = opened.find_element(By.CSS_SELECTOR, "#sure .curves button")
    assert (button.text, button.get_attribute("aria-pressed")) == ("free air", "true")
    drawn = "[...document.querySelectorAll('#sure figure svg [id*=\"-c0-\"]')]"
    count = f"return {drawn}.filter(e => e.style.display == 'none').length"
    button.send_keys(Keys.SPACE)
    assert button.get_attribute("aria-pressed") == "false"
    assert opened.execute_script(count) >= 2
    opened.find_element(By.CSS_SELECTOR, "#sure figure .drawing").send_keys(Keys.HOME)
    assert "free air" not in opened.find_element(By.CSS_SELECTOR, "#sure figure output").text
    button.send_keys(Keys.ENTER)
    assert button.get_attribute("aria-pressed") == "true"
    assert opened.execute_script(count) == 0


WORDS = """
return [...document.querySelectorAll(".drawing svg.narrow text")].map(text => {
  const svg = text.closest("svg");
  const [own, all] = [text.getBoundingClientRect(), svg.getBoundingClientRect()];
  const scale = all.width / svg.viewBox.baseVal.width;
  const size = parseFloat(getComputedStyle(text).fontSize);
  return [text.textContent, size * scale, own.left - all.left, all.right - own.right];
})"""
"""Of every text in a narrow drawing: itself, its height on the screen, and its room to the left and the right, px."""


def test_on_a_phone_drawings_are_narrow_and_their_words_large(opened):
    assert opened.execute_script(WORDS) == []
    wide = opened.execute_script("return document.querySelector('#sure svg').outerHTML")
    drawing = opened.find_element(By.CSS_SELECTOR, "#sure figure .drawing")
    drawing.send_keys(Keys.END)
    said = opened.find_element(By.CSS_SELECTOR, "#sure figure output").text
    resize(opened, "phone")
    words = opened.execute_script(WORDS)
    assert len(words) > 100
    assert sum(size >= 8.0 for _, size, _, _ in words) > 0.95 * len(words)
    for text, size, *room in words:
        assert size > 6.0, text
        assert min(room) > -2.0, text
    drawing.send_keys(Keys.END)
    assert opened.find_element(By.CSS_SELECTOR, "#sure figure output").text == said
    cursor, box = (
        opened.find_element(By.CSS_SELECTOR, "#sure svg .cursor[visibility=visible]"),
        opened.find_element(By.CSS_SELECTOR, "#sure svg"),
    )
    assert 0.9 * box.rect["width"] < cursor.rect["x"] - box.rect["x"] < box.rect["width"]
    resize(opened, "desktop")
    assert opened.execute_script("return document.querySelector('#sure svg').viewBox.baseVal.width") > 500
    opened.refresh()
    opened.execute_script("document.querySelectorAll('details').forEach(section => { section.open = true; })")
    assert opened.execute_script("return document.querySelector('#sure svg').outerHTML") == wide


def test_without_scripts_it_is_all_there(browser, address):
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    browser.get(address)
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    assert browser.find_elements(By.CSS_SELECTOR, "button") == []
    assert len(browser.find_elements(By.CSS_SELECTOR, "figure svg path")) > 20
    assert "What was found" in browser.find_element(By.TAG_NAME, "main").text


def test_it_prints(opened):
    """On paper: several pages, no buttons."""
    features = [{"name": "prefers-color-scheme", "value": "dark"}]
    opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": features})
    assert opened.execute_script("return getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert not opened.find_element(By.CSS_SELECTOR, ".curves").is_displayed()
    assert len(opened.print_page()) > 20_000


def test_a_table_that_goes_on_to_the_right_says_so(opened):
    wide = (
        "return [...document.querySelectorAll('.wide')].map(w => [w.scrollWidth > w.clientWidth + 1, w.matches('.more')])"
    )
    resize(opened, "phone")
    told = opened.execute_script(wide)
    assert {True, False} == {goes_on for goes_on, _ in told}
    assert all(goes_on == said for goes_on, said in told)
