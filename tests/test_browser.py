"""A real browser on the running pages, at desktop and phone size: photo in, numbers seen, saved, found again; a class of six."""

from __future__ import annotations

import csv
import os
import re
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, Playwright, expect, sync_playwright
from tests.records import grey_photo

from toeline.demo import coupon_of, sample_truths
from toeline.inspection import inspect_photo
from toeline.photo import read_photo
from toeline.report.close_up import close_up_box
from toeline.scale.rays import to_photo_px, to_plate_mm
from toeline.serve import CODE_VARIABLE, command

pytestmark = pytest.mark.browser

ROOT = Path(__file__).resolve().parents[1]
#: Names and places of a Chromium that is installed already.
CHROMIUMS = (
    *("chromium", "chromium-browser", "google-chrome"),
    *("/Applications/Chromium.app/Contents/MacOS/Chromium", "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome"),
)
SIZES: Mapping[str, dict[str, Any]] = {
    "desktop": {"viewport": {"width": 1280, "height": 900}},
    "phone": {"viewport": {"width": 390, "height": 844}, "device_scale_factor": 2, "has_touch": True, "is_mobile": True},
}
#: An inspection on two busy cores may take this long [ms].
PATIENCE_MS = 120_000


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        started = _start(playwright)
        yield started
        started.close()


def _start(playwright: Playwright) -> Browser:
    """An installed Chromium, else the one that Playwright fetched; skipped loudly only where there is neither."""
    own = playwright.chromium.executable_path
    path = next((found for name in CHROMIUMS if (found := shutil.which(name))), own if Path(own).exists() else None)
    if path is None:
        pytest.skip("NO CHROMIUM: the pages were not tried in a browser. Install Chromium and run the tests again.")
    return playwright.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-dev-shm-usage"])


class _Server:
    """The pages on a free port with a logbook of their own."""

    def __init__(self, folder: Path, **environment: str) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{port}"
        self.log = folder / "server.log"
        told = {"TOELINE_LOGBOOK": str(folder / "logbook.sqlite"), **environment}
        with self.log.open("w") as log:
            self._process = subprocess.Popen(command("127.0.0.1", port), env={**os.environ, **told}, stdout=log, stderr=log)
        for _ in range(300):
            try:
                with urllib.request.urlopen(f"{self.url}/_stcore/health", timeout=2):
                    return
            except (urllib.error.URLError, OSError):
                time.sleep(0.2)
        self.stop()
        pytest.fail(f"the pages did not start: {self.log.read_text()[-2000:]}")

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(timeout=20)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[_Server]:
    started = _Server(tmp_path_factory.mktemp("pages"))
    yield started
    started.stop()
    assert "Traceback" not in started.log.read_text()


@pytest.fixture(params=SIZES)
def page(request: pytest.FixtureRequest, browser: Browser) -> Iterator[Page]:
    yield from _opened(browser, SIZES[request.param])


@pytest.fixture
def desktop(browser: Browser) -> Iterator[Page]:
    yield from _opened(browser, SIZES["desktop"])


def _opened(browser: Browser, size: Mapping[str, Any]) -> Iterator[Page]:
    context = browser.new_context(**size)
    opened = context.new_page()
    opened.set_default_timeout(30_000)
    wrong: list[str] = []
    outside: list[str] = []
    opened.on("pageerror", lambda error: wrong.append(str(error)))
    opened.on(
        "request",
        lambda r: None if r.url.startswith(("http://127.0.0.1", "ws://127.0.0.1", "data:", "blob:")) else outside.append(r.url),
    )
    yield opened
    context.close()
    assert not wrong, wrong
    assert not outside, f"the pages asked the internet: {outside}"


def _settled(page: Page) -> None:
    """Wait until the page has been drawn and nothing is being worked on."""
    page.wait_for_timeout(200)
    page.wait_for_function(
        """() => {
            const app = document.querySelector('[data-testid=stApp]');
            return app && app.dataset.testScriptState === 'notRunning' && document.querySelector('h1')
                && !document.querySelector('[data-testid=stSkeleton]');
        }""",
        timeout=PATIENCE_MS,
    )
    page.wait_for_timeout(150)


def _go(page: Page, place: str) -> None:
    page.locator(".st-key-places").get_by_text(place, exact=True).click()
    expect(page.locator("h1")).to_have_text("Inspect a bead" if place == "Inspect" else place)
    _settled(page)


def _tap(page: Page, label: str | re.Pattern[str]) -> None:
    """Choose one of a few; what is chosen already is left alone, for a tap would take it back."""
    radio = page.get_by_role("radio", name=label, exact=isinstance(label, str)).first
    if radio.get_attribute("aria-checked") != "true":
        radio.click()
        _settled(page)


def _say(page: Page, truth: Mapping[str, Any]) -> None:
    """Answer the questions as the welder of a sample would."""
    change = page.get_by_role("button", name="Change")
    if change.count():
        change.click()
        _settled(page)
    joint = {"tee": "tee (fillet)", "plate": "bead on plate"}.get(truth["joint"], truth["joint"])
    _tap(page, joint)
    _tap(page, re.compile(re.escape(truth["process"].upper().replace("GMAW-SPRAY", "(GMAW)"))))
    strips = {strip["name"]: float(strip["thickness_mm"]) for strip in truth["strips"]}
    pair = next(pair for pair in ("AB", "CD", "EF") if set(pair) & set(strips))
    _tap(page, re.compile(f"^{pair[0]} \\+ {pair[1]}"))
    _tap(page, "another thickness")
    for letter, height in strips.items():
        page.get_by_label(f"Strip {letter} [mm]").fill(f"{height:g}")
        page.keyboard.press("Tab")
        _settled(page)
    if truth["joint"] == "tee":
        _tap(page, "6 mm")
    page.get_by_role("button", name="Done").click()
    _settled(page)


def _tees() -> list[tuple[Path, Mapping[str, Any]]]:
    return [(photo, truth) for photo, truth in sample_truths(ROOT / "sample_images") if truth["joint"] == "tee"]


def test_a_photo_goes_in_and_is_found_in_the_logbook(server: _Server, page: Page) -> None:
    photo, truth = _tees()[0]
    page.goto(server.url)
    _settled(page)
    _say(page, truth)
    uploader = page.locator("input[type=file]")
    assert "image/*" in (uploader.get_attribute("accept") or ""), "so that a phone offers its camera"
    uploader.set_input_files(photo)
    expect(page.get_by_text("Save to the logbook")).to_be_visible(timeout=PATIENCE_MS)
    _settled(page)
    expect(page.get_by_text(re.compile("The photo will do"))).to_be_visible()
    first = page.locator(".ledger .first").first.inner_text()
    assert re.search(r"Shortest leg \((base|standing)\)\s+\d+(\.\d+)? ± \d+(\.\d+)? mm", first), first
    assert page.locator(".caution").count() >= 1
    widths = page.locator("[data-testid=stImage] img").evaluate_all("images => images.map(i => i.naturalWidth)")
    assert sum(width > 300 for width in widths) >= 2, "overlay and chart are drawn, beside small close-ups"
    _fits(page)
    page.get_by_label("Learner").fill("Demo learner")
    page.get_by_label("Coupon", exact=True).fill("B-01")
    page.keyboard.press("Tab")
    _settled(page)
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_text(re.compile(r"Saved as number \d+"))).to_be_visible()
    _go(page, "Logbook")
    page.get_by_role("button", name=re.compile("B-01")).first.click()
    _settled(page)
    assert page.locator(".ledger .first").first.inner_text() == first
    _fits(page)


def _fits(page: Page) -> None:
    """Nothing runs off the side, and what is tapped is at least 44 px high (WCAG 2.2, 2.5.5)."""
    wide = page.evaluate("() => [document.documentElement.scrollWidth, window.innerWidth]")
    assert wide[0] <= wide[1], f"the page is {wide[0]} px wide in a window of {wide[1]} px"
    low = page.locator("[data-testid=stMain] .stButton button, [data-testid=stButtonGroup] button").evaluate_all(
        "all => all.filter(b => b.offsetParent && b.getBoundingClientRect().height < 44).map(b => b.innerText)"
    )
    assert not low, low


def test_what_was_chosen_is_offered_again(server: _Server, desktop: Page) -> None:
    desktop.goto(server.url)
    _settled(desktop)
    _say(desktop, _tees()[0][1])
    desktop.reload()
    _settled(desktop)
    expect(desktop.get_by_text(re.compile("target leg 6 mm"))).to_be_visible()
    expect(desktop.get_by_role("button", name="Change")).to_be_visible()


def test_a_class_of_six(server: _Server, desktop: Page, tmp_path: Path) -> None:
    tees = _tees()
    photos = []
    for n in range(6):
        source = tees[n % len(tees)][0]
        photos.append(tmp_path / f"demo-learner-{n + 1}{source.suffix}")
        photos[-1].write_bytes(source.read_bytes())
    spoilt = tmp_path / "order-form.jpg"
    spoilt.write_bytes(b"%PDF-1.7 not a photo")
    desktop.goto(server.url)
    _settled(desktop)
    _say(desktop, tees[0][1])
    _go(desktop, "Class")
    desktop.locator("input[type=file]").set_input_files([*photos, spoilt])
    expect(desktop.get_by_role("button", name="Table as CSV")).to_be_visible(timeout=6 * PATIENCE_MS)
    _settled(desktop)
    with desktop.expect_download() as download:
        desktop.get_by_role("button", name="Table as CSV").click()
    with open(download.value.path(), encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["coupon"] for row in rows] == [photo.name for photo in (*photos, spoilt)]
    n_measured = sum(bool(row["base leg [mm]"]) for row in rows)
    assert n_measured >= 5 and "PDF" in rows[-1]["remark"]
    assert all(0 <= float(row["mark"]) <= 100 for row in rows if row["base leg [mm]"])
    expect(desktop.get_by_text(re.compile("not a picture"))).to_be_visible()
    desktop.get_by_role("button", name="Save all that were measured").click()
    expect(desktop.get_by_text(f"{n_measured} coupons saved.")).to_be_visible()
    _go(desktop, "Logbook")
    expect(desktop.get_by_role("button", name=re.compile(r"demo-learner-\d"))).to_have_count(n_measured)
    _fits(desktop)


def test_a_bad_file_gets_its_sentence(server: _Server, page: Page, tmp_path: Path) -> None:
    (tmp_path / "nothing.jpg").write_bytes(b"")
    (tmp_path / "wall.jpg").write_bytes(grey_photo(900, 700))
    page.goto(server.url)
    _settled(page)
    for name, words in (("nothing.jpg", "0 bytes"), ("wall.jpg", "strip")):
        page.locator("input[type=file]").first.set_input_files(tmp_path / name)
        expect(page.locator(".word.bad")).to_contain_text(words, timeout=PATIENCE_MS)
        _settled(page)
    assert page.get_by_text("Traceback").count() == 0
    _fits(page)


@pytest.mark.parametrize("place", ["Tuning", "Class", "Logbook", "Strips"])
def test_every_other_page_fits_a_phone(server: _Server, browser: Browser, place: str) -> None:
    for opened in _opened(browser, SIZES["phone"]):
        opened.goto(server.url)
        _settled(opened)
        _go(opened, place)
        expect(opened.locator("h1")).to_have_text(place)
        _fits(opened)


def test_the_gate_stands_before_everything(browser: Browser, tmp_path: Path) -> None:
    shut = _Server(tmp_path, **{CODE_VARIABLE: "1234 5678"})
    try:
        for opened in _opened(browser, SIZES["phone"]):
            opened.goto(f"{shut.url}/logbook")
            _settled(opened)
            expect(opened.locator("h1")).to_have_text("toeline")
            assert opened.locator("input[type=file]").count() == 0 and opened.locator(".st-key-places").count() == 0
            opened.get_by_label("Code").fill("0000 0000")
            opened.get_by_role("button", name="Let me in").click()
            expect(opened.get_by_text(re.compile("That is not the code"))).to_be_visible()
            opened.wait_for_timeout(1500)
            opened.get_by_label("Code").fill("1234 5678")
            opened.get_by_role("button", name="Let me in").click()
            expect(opened.locator(".st-key-places")).to_be_visible()
            opened.reload()
            expect(opened.locator(".st-key-places")).to_be_visible()
            opened.locator(".st-key-places").get_by_text("Strips", exact=True).click()
            expect(opened.locator("h1")).to_have_text("Strips")
    finally:
        shut.stop()


def _beside_toe(photo: Path, truth: Mapping[str, Any], toe: str, *, by_mm: float) -> tuple[float, float]:
    """A place on the plate beside the middle of a true toe, as shares of the close-up's sides."""
    found = inspect_photo(read_photo(photo), coupon_of(truth)[0], scaling=coupon_of(truth)[1])
    assert found.scale is not None
    left, top, right, bottom = close_up_box(found)
    line = to_plate_mm(found.scale, toe, np.array(truth["bead"]["toes"][toe]["px"], dtype=np.float64))
    x, y = to_photo_px(found.scale, toe, line[len(line) // 2] + [0.0, by_mm])
    return float((x - left) / (right - left)), float((y - top) / (bottom - top))


def test_a_toe_is_put_right_by_hand(server: _Server, browser: Browser) -> None:
    """On a phone: one tap comes closer, the next sets a point, the trace is solved again through it, and it is told what that moved."""
    photo, truth = _tees()[0]
    across, down = _beside_toe(photo, truth, "base", by_mm=1.5)
    for page in _opened(browser, SIZES["phone"]):
        page.goto(server.url)
        _settled(page)
        _say(page, truth)
        page.locator("input[type=file]").first.set_input_files(photo)
        expect(page.get_by_text("Save to the logbook")).to_be_visible(timeout=PATIENCE_MS)
        _settled(page)
        page.get_by_text("Put it right by hand").click()
        _tap(page, "point on the base toe")
        picture = page.get_by_alt_text("the photo with what was found")
        picture.scroll_into_view_if_needed()
        box = picture.bounding_box()
        assert box is not None
        at = {"x": across * box["width"], "y": down * box["height"]}
        picture.tap(position=at)
        closer = picture.bounding_box()
        assert closer is not None and closer["width"] == pytest.approx(4 * box["width"], rel=0.01), "the first tap comes closer"
        assert page.get_by_role("button", name="Trace again").is_disabled(), "and sets nothing"
        page.touchscreen.tap(box["x"] + at["x"], box["y"] + at["y"])
        _settled(page)
        dot = page.locator(".sheet .dot")
        expect(dot).to_have_count(1)
        place = dot.evaluate("dot => [parseFloat(dot.style.left), parseFloat(dot.style.top)]")
        assert place == pytest.approx([100 * across, 100 * down], abs=1.0), "the point lies where both taps were"
        page.get_by_role("button", name="Trace again").click()
        told = page.get_by_text(re.compile("Corrected by hand"))
        expect(told).to_be_visible(timeout=PATIENCE_MS)
        _settled(page)
        moved = re.search(r"the base toe by (\d+\.\d+) mm, the mean width by [+-]\d+\.\d+ mm", told.locator("..").inner_text())
        assert moved and float(moved.group(1)) > 0.02, told.locator("..").inner_text()
        _fits(page)
