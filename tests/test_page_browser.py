"""The bench page in real Chromium: the whole job on a phone of 360 px and on a desktop, by touch and by keys.

Chromium is Debian's (apt-get install chromium), driven by playwright; accessibility is looked at by axe-core 4
(the copy inside the package axe-playwright-python) with its rules for WCAG 2.0, 2.1 and 2.2, A and AA. Photos are
measured by the stand-in of page_bench.
"""

from __future__ import annotations

import contextlib
import re
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pypdfium2
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))
from placecheck.page.bench import PHOTO_BYTES
from placecheck.page.inbox import too_large
from placecheck.records.overview import overview
from placecheck.records.report_files import quality_html
from placecheck.records.saving import save_check
from placecheck.records.store import open_store
from tests.page_bench import keep_block, photo_bytes, start, until
from tests.records_shop import REQUEST, answer, jpeg

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
pytestmark = pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="needs Chromium: apt-get install chromium")

PHONE, SIDEWAYS, DESKTOP = ({"width": w, "height": h} for w, h in ((360, 740), (740, 360), (1280, 900)))
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
OPTIONS = {"runOnly": {"type": "tag", "values": RULES}, "rules": {"target-size": {"enabled": True}}}


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    running = start(tmp_path_factory.mktemp("bench"))
    keep_block(running.home, "Willow")
    yield running
    running.stop()


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def paired(server, browser):
    """The cookies of a paired phone, got by the QR code's address."""
    context = browser.new_context(viewport=PHONE)
    page = context.new_page()
    page.goto(f"{server.url}/pair#{server.code.replace('-', '')}")
    page.wait_for_url(f"{server.url}/")
    assert "#" not in page.url
    state = context.storage_state()
    assert [c["httpOnly"] for c in state["cookies"]] == [True]
    assert page.evaluate("document.cookie") == ""
    context.close()
    return state


class Watched:
    """A page that remembers what went wrong and who was asked for what."""

    def __init__(self, context, server) -> None:
        self.page = context.new_page()
        self.errors: list[str] = []
        self.foreign: list[str] = []
        self.page.on("pageerror", lambda e: self.errors.append(str(e)))
        self.page.on("console", lambda m: self.errors.append(m.text) if m.type == "error" else None)
        self.page.on(
            "request",
            lambda r: None if r.url.startswith((server.url, "blob:", "data:")) else self.foreign.append(r.url),
        )


@pytest.fixture
def phone(server, browser, paired):
    context = browser.new_context(
        viewport=PHONE, device_scale_factor=2, has_touch=True, is_mobile=True, storage_state=paired
    )
    watched = Watched(context, server)
    yield watched.page
    context.close()
    assert [e for e in watched.errors if "400 (Bad Request)" not in e] == []  # a refused form is no fault
    assert watched.foreign == []


@pytest.fixture
def photos(tmp_path):
    def photo(kind: str = "fix", name: str = "") -> Path:
        path = tmp_path / (name or f"{kind}.jpg")
        path.write_bytes(photo_bytes(kind))
        return path

    return photo


def fill(page) -> None:
    if page.locator("details.asked:not([open])").count():
        page.click("details.asked summary")
    page.locator(".chip", has_text="5x5").click()
    page.fill("#block", "22.75in")
    page.click("details.others summary")
    page.fill("#maker", "Ada")


def send(page, server, path: Path) -> None:
    page.goto(server.url)
    fill(page)
    page.set_input_files("input[capture]", path)
    page.wait_for_selector(".verdict")


def reads(page, measure: str) -> str:
    return page.locator(f"[data-measure={measure}] .read strong").inner_text()


def reads_at_last(page, measure: str, text: str) -> None:
    """Asserts what a measure reads when the numbers, which follow by and by, have come to rest."""
    from playwright.sync_api import expect

    expect(page.locator(f"[data-measure={measure}] .read strong")).to_have_text(text, timeout=30_000)


@contextlib.contextmanager
def following(page) -> Iterator[None]:
    """Returns when the numbers have followed what was done inside."""
    listen = "window.heard = new Promise((is) => stage.addEventListener('followed', () => is(), { once: true })); null"
    page.evaluate(listen)
    yield
    page.evaluate("window.heard")


def no_sideways(page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]


def test_the_next_step_is_read_aloud_and_stopped(phone, server, photos):
    """The browser's own voice is replaced by a list: a machine without a loudspeaker has none."""
    phone.add_init_script(
        """window.heard = [];
        window.SpeechSynthesisUtterance = function (text) { this.text = text; };
        Object.defineProperty(window, "speechSynthesis", { value: {
            getVoices: () => [{ lang: "en-US" }, { lang: "en-GB", localService: true, name: "own" }],
            speak: (said) => { window.heard.push(said.text); window.reading = said; },
            cancel: () => { window.heard.push("hush"); } } });"""
    )
    send(phone, server, photos("fix"))
    button = phone.get_by_role("button", name="Read aloud")
    button.click()
    hush, said = phone.evaluate("window.heard")
    assert hush == "hush"
    assert said.startswith("Fix. Slide the whole closure 8.0 millimetres to the wearer's left")
    assert phone.evaluate("window.reading.voice.name") == "own"
    stop = phone.get_by_role("button", name="Stop reading")
    assert stop.get_attribute("aria-pressed") == "true"
    stop.click()
    assert phone.evaluate("window.heard")[-1] == "hush"
    button.click()
    phone.evaluate("window.reading.onend()")
    assert button.get_attribute("aria-pressed") == "false"


def test_the_whole_job_on_a_phone(phone, server, photos):
    send(phone, server, photos("fix"))
    assert phone.locator(".verdict h1").inner_text() == "Fix"
    assert phone.locator(".next .lead").inner_text().startswith("Slide the whole closure 8.0 mm")
    assert reads(phone, "offset_mm") == "8.00 ± 0.60 mm right"
    until(phone, "document.querySelector('.viewer img').naturalWidth > 500")
    no_sideways(phone)

    phone.click("text=New photo")
    assert phone.locator("[data-shows=block]").inner_text() == "22.75in"
    phone.set_input_files("input[capture]", photos("pass"))
    phone.wait_for_selector(".verdict.pass")
    assert "7.6 mm (5/16 in) better" in phone.locator(".changed li").first.inner_text()

    phone.click("button:text-is('Save')")
    phone.click(".saved a")
    phone.wait_for_selector("text=Record 1")
    assert phone.locator(".numbers li").count() == 7
    phone.goto(f"{server.url}/records?verdict=pass")
    assert phone.locator(".list li").count() == 1
    phone.goto(f"{server.url}/charts")
    assert "names both an order and a maker" in phone.locator(".lead").inner_text()
    save_check(server.home, photo_bytes("pass"), answer(), REQUEST, order="17", maker="Ada")
    phone.goto(f"{server.url}/charts")
    assert phone.locator(".chart svg").count() >= 1
    no_sideways(phone)


def test_a_second_photo_is_added_where_one_cannot_decide(phone, server, photos):
    send(phone, server, photos("unsure"))
    assert phone.locator(".verdict h1").inner_text() == "Retake"
    assert reads(phone, "offset_mm") == "2.80 ± 0.60 mm right"
    phone.set_input_files("#sending input[capture]", photos("unsure"))
    phone.wait_for_selector(".verdict.pass")
    assert reads(phone, "offset_mm") == "2.80 ± 0.10 mm right"
    no_sideways(phone)
    phone.click("text=the photo before")
    phone.wait_for_selector(".verdict.retake")


def test_a_block_measured_before_takes_the_tapes_place(phone, server, photos):
    from placecheck.bare_block.saved import BLOCKS, blocks_folder
    from placecheck.records.store import open_store

    def choose(name: str) -> None:
        if phone.locator("details.asked:not([open])").count():
            phone.click("details.asked summary")
        phone.select_option("#saved_block", label=name)

    willow = BLOCKS.load(blocks_folder(server.home), "Willow")
    phone.goto(server.url)
    fill(phone)
    assert phone.locator("#saved_block").input_value() == ""
    choose("Willow · 22 3/4 in")
    assert phone.locator("#block").is_hidden()
    phone.set_input_files("input[capture]", photos("pass"))
    phone.wait_for_selector(".verdict.pass")
    phone.click("text=About this photo")
    assert "5x5 closure, block Willow," in phone.locator("details.quiet p").inner_text()
    phone.click("button:text-is('Save')")
    phone.click(".saved a")
    phone.wait_for_url("**/records/*")
    number = int(phone.url.rsplit("/", 1)[1])
    with open_store(server.home) as store:
        kept = store.get(number).request
    assert kept["block"]["label"] == "Willow"
    assert kept["block"]["mean"] == list(willow.for_check().mean)
    assert kept["block_circumference_mm"] == willow.circumference()[0]

    phone.goto(server.url)
    assert phone.locator("[data-shows=block]").inner_text() == "Willow"
    no_sideways(phone)
    BLOCKS.set_aside(blocks_folder(server.home), "Willow")  # while the page still offers it
    phone.set_input_files("input[capture]", photos("pass"))
    phone.wait_for_selector(".notice:not([hidden])")
    assert phone.locator(".notice").inner_text().startswith("There is no saved block “Willow”")
    phone.goto(server.url)
    assert "The saved block “Willow” is no longer there" in phone.locator("ul.problems").inner_text()
    assert phone.locator("#saved_block").count() == 0
    assert phone.locator("#block").is_visible()

    keep_block(server.home, "Willow")
    phone.goto(server.url)
    assert phone.locator("#block").is_hidden()
    choose("None: taped now")
    phone.fill("#block", "22.5in")
    phone.press("#block", "Tab")
    assert phone.locator("[data-shows=block]").inner_text() == "22.5in"
    phone.set_input_files("input[capture]", photos("pass"))
    phone.wait_for_selector(".verdict.pass")
    phone.click("text=About this photo")
    assert "block 22.5in," in phone.locator("details.quiet p").inner_text()


def test_dragging_a_corner_the_numbers_follow(phone, server, photos):
    send(phone, server, photos("pass"))
    phone.click("text=Correct by hand")
    phone.wait_for_selector(".marks .core")
    assert phone.locator("[data-measure=front_corner_asymmetry_mm] .state").inner_text() == "✓ in"
    ring = phone.locator(".marks g").nth(3).locator(".core")  # front right
    box = ring.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    phone.mouse.move(x, y)
    phone.mouse.down()
    with following(phone):  # the photo is opened for corrections once
        phone.mouse.move(x + 3, y)
    loupe = phone.locator(".loupe")
    assert loupe.is_visible()
    shown = loupe.bounding_box()
    assert not (shown["x"] < x < shown["x"] + shown["width"] and shown["y"] < y < shown["y"] + shown["height"])
    phone.evaluate(
        """() => {
            window.late = [];
            let at = 0;
            const stage = document.getElementById('stage'), now = () => performance.now();
            stage.addEventListener('pointermove', () => { at = at || now(); });
            stage.addEventListener('followed', () => { if (at) window.late.push(now() - at); at = 0; });
        }"""
    )
    for i in range(1, 9):
        phone.mouse.move(x + 3 + 5 * i, y)
        phone.wait_for_timeout(120)
    phone.mouse.up()
    assert loupe.is_hidden()
    phone.wait_for_selector("[data-measure=front_corner_asymmetry_mm].out")
    late = phone.evaluate("window.late")
    assert len(late) >= 6
    assert max(late) < 300, late
    assert phone.locator("[data-tile=front_corner_asymmetry_mm]").get_attribute("class") == "tile out"
    tile = phone.locator("[data-tile=front_corner_asymmetry_mm] dd")
    assert tile.first.inner_text().endswith((" L", " R"))
    assert tile.last.inner_text() == "± 0.6 mm"
    assert phone.locator("[data-tile=skew_deg] dd").last.inner_text() == "± 0.6°"
    assert phone.locator("#chosen").inner_text() == "Front right corner"
    assert phone.locator("#told").text_content() == "The verdict is now: Fix"
    assert phone.locator("[data-point=front_right] .how").inner_text() == "set by hand"

    dragged = reads(phone, "front_corner_asymmetry_mm")
    phone.click("#back")
    phone.wait_for_selector("[data-measure=front_corner_asymmetry_mm].in")
    assert reads(phone, "front_corner_asymmetry_mm") == "0.00 ± 0.60 mm"

    phone.click("[data-point=front_right]")
    phone.focus("#stage")
    for _ in range(4):
        phone.keyboard.press("Shift+ArrowRight")
    reads_at_last(phone, "front_corner_asymmetry_mm", "10.00 ± 0.60 mm right")  # 40 px of 1600, 400 mm wide
    assert phone.locator("[data-measure=front_corner_asymmetry_mm].out").count() == 1
    assert dragged != reads(phone, "front_corner_asymmetry_mm")
    phone.click("text=Use these")
    phone.wait_for_selector(".byhand")
    assert phone.locator(".byhand").inner_text() == "Set by hand: front right corner."
    assert phone.locator(".verdict h1").inner_text() == "Fix"


def test_once_it_rests_a_landmark_is_looked_at_as_it_will_be_used(phone, server, photos):
    """Asked for once the finger is off, and not again until something is moved; a drag does not ask for it."""
    send(phone, server, photos("pass"))
    phone.click("text=Correct by hand")
    phone.wait_for_selector(".marks .core")
    asked: list[bool] = []
    phone.on("request", lambda sent: asked.append(sent.post_data_json["rests"]) if "/hands" in sent.url else None)
    ring = phone.locator(".marks g").nth(3).locator(".core")
    box = ring.bounding_box()
    phone.mouse.move(box["x"] + 2, box["y"] + 2)
    phone.mouse.down()
    with following(phone):
        phone.mouse.move(box["x"] + 12, box["y"] + 2)
    phone.wait_for_timeout(1_500)  # longer than a rest, but still held
    assert asked
    assert not any(asked)
    with following(phone):
        phone.mouse.up()
    assert asked[-1] is True
    phone.wait_for_timeout(1_500)
    assert asked.count(True) == 1
    before = len(asked)
    with following(phone):
        phone.click("#back")
    assert asked[before] is False  # a rest may have come since


def test_what_was_moved_outlives_a_lost_connection(phone, server, photos):
    """Whoever leaves the page without one, and goes back to it, finds the landmarks as they were left."""
    from playwright.sync_api import expect

    send(phone, server, photos("pass"))
    found = reads(phone, "offset_mm")
    phone.click("text=Correct by hand")
    phone.wait_for_selector(".marks .core")
    phone.focus("#stage")
    with phone.expect_response(lambda reply: "/hands" in reply.url and reply.request.post_data_json["rests"]):
        phone.keyboard.press("Shift+ArrowRight")
    phone.context.set_offline(True)
    phone.click("text=Cancel", no_wait_after=True)
    expect(phone).to_have_url(re.compile("^chrome-error:"))
    phone.context.set_offline(False)
    phone.go_back()
    fold = phone.locator("[data-point=fold_front] .how")
    assert fold.inner_text() == "set by hand"
    until(phone, "document.getElementById('told').textContent")  # the numbers have followed, too
    moved = reads(phone, "offset_mm")
    assert moved != found
    phone.click("text=Use these")
    phone.wait_for_selector(".verdict")
    assert reads(phone, "offset_mm") == moved
    phone.go_back()
    with following(phone):
        phone.click("#back")
    phone.wait_for_timeout(1_500)  # longer than a rest
    phone.reload()
    assert fold.inner_text() == "as found"


def test_what_is_pressed_while_the_computer_is_off_is_said_in_the_page_and_pressed_again(browser, photos, tmp_path):
    """Saving, correcting, telling the face's side and an order: a computer that is really off, and on again."""
    computer = start(tmp_path)
    context = browser.new_context(viewport=PHONE)
    page = context.new_page()

    def off_and_on(button: str) -> None:
        nonlocal computer
        left = page.url
        computer.kill()
        page.click(button)
        said = page.locator("#unsent")
        said.wait_for()
        label = page.locator(button).first.inner_text()
        assert said.inner_text().startswith("The computer does not answer, and nothing is lost: ")
        assert f"press “{label}” again" in said.inner_text()
        assert page.url == left
        computer = start(tmp_path, computer.port)
        page.click(button)

    try:
        page.goto(f"{computer.url}/pair#{computer.code.replace('-', '')}")
        page.wait_for_url(f"{computer.url}/")
        send(page, computer, photos("pass"))
        check = page.url
        page.route("**/sign.svg", lambda route: None)  # a network that is gone: no refusal, no answer
        page.click("button:text-is('Save')")
        page.locator("#unsent").wait_for(timeout=10_000)
        page.unroute("**/sign.svg")
        off_and_on("button:text-is('Save')")
        page.wait_for_selector(".saved")
        assert page.locator("#unsent").is_hidden()
        page.click("text=Correct by hand")
        page.wait_for_selector(".marks .core")
        page.focus("#stage")
        page.keyboard.press("Shift+ArrowRight")
        off_and_on("text=Use these")
        page.wait_for_selector(".byhand")
        assert page.url == check
        send(page, computer, photos("faceless"))
        off_and_on("button:text-is('Left')")
        page.wait_for_selector("[data-measure]")  # the side came along with the button
        page.goto(f"{computer.url}/orders/new")
        page.fill("#alias", "Willow")
        page.fill("#circumference", "57cm")
        off_and_on("text=Keep the order")
        page.wait_for_selector("h1:text-is('Willow')")
    finally:
        context.close()
        computer.stop()


def test_what_was_moved_is_kept_before_the_computer_has_answered(phone, server, photos):
    """The first answer takes seconds; whoever goes back meanwhile finds the landmarks as they were left."""
    send(phone, server, photos("pass"))
    phone.click("text=Correct by hand")
    phone.wait_for_selector(".marks .core")
    phone.route("**/hands", lambda route: None)  # never answered
    phone.focus("#stage")
    phone.keyboard.press("Shift+ArrowRight")
    phone.wait_for_timeout(700)
    phone.go_back()
    phone.go_forward()
    assert phone.locator("[data-point=fold_front] .how").inner_text() == "set by hand"


def test_sideways_the_buttons_lie_over_nothing(phone, server, photos):
    send(phone, server, photos("fix"))
    phone.set_viewport_size({"width": 740, "height": 360})
    seen = "(parts) => parts.map((part) => { const { x, y, width, height } = part.getBoundingClientRect(); "
    seen += "return part.contains(document.elementFromPoint(x + width / 2, y + height - 2)); })"
    phone.evaluate("window.scrollTo(0, document.querySelector('.next .lead').offsetTop - 20)")
    assert phone.locator(".next .lead").evaluate_all(seen) == [True]
    phone.click("text=Correct by hand")
    phone.wait_for_selector(".marks .core")
    phone.evaluate("window.scrollTo(0, document.getElementById('stage').offsetTop - 20)")
    assert phone.locator("#stage").evaluate_all(seen) == [True]  # down to its lower edge
    phone.click("text=Use these")
    phone.wait_for_selector(".verdict")


def whole_in_view(page, *parts: str) -> bool:
    """Whether each of them lies in the window, with nothing over its middle or its four corners."""
    seen = """(part) => {
        const { left, top, right, bottom } = part.getBoundingClientRect(), in_by = 6;
        const free = ([x, y]) => part.contains(document.elementFromPoint(x, y));
        const xs = [left + in_by, right - in_by], ys = [top + in_by, bottom - in_by];
        const corners = xs.flatMap((x) => ys.map((y) => [x, y]));
        return left > -1 && top > -1 && right < innerWidth + 1 && bottom < innerHeight + 1
            && [[(left + right) / 2, (top + bottom) / 2], ...corners].every(free);
    }"""
    return all(all(page.locator(part).evaluate_all(f"(parts) => parts.map({seen})")) for part in parts)


@pytest.mark.parametrize(("width", "height"), [(667, 375), (740, 360), (932, 430)])
def test_sideways_nothing_has_to_be_scrolled_for(browser, server, paired, photos, width, height):
    """The photo's button, and all of the correcting view at once: numbers, the photo as high as the phone, keys."""
    context = browser.new_context(viewport={"width": width, "height": height}, storage_state=paired, has_touch=True)
    page = context.new_page()
    send(page, server, photos("fix"))
    assert page.locator("nav.bar").bounding_box()["height"] == height  # at the side
    assert page.locator("nav.bar").bounding_box()["width"] < page.locator(".verdict").bounding_box()["x"]
    page.goto(server.url)
    assert whole_in_view(page, ".take label", "nav a")
    no_sideways(page)
    page.go_back()
    page.click("text=Correct by hand")
    page.wait_for_selector(".marks .core")
    assert whole_in_view(page, ".tile", "#stage", ".keys button", ".which button", ".actions .button")
    box = page.locator("#stage").bounding_box()
    assert box["height"] == height
    assert box["width"] > 0.4 * width
    no_sideways(page)
    context.close()


def test_sideways_with_text_twice_as_large_the_bar_covers_nothing(browser, server, paired, photos):
    context = browser.new_context(viewport={"width": 370, "height": 180}, storage_state=paired)
    page = context.new_page()
    send(page, server, photos("fix"))
    check = page.url
    for address in (check, server.url):
        page.goto(address)
        assert whole_in_view(page, "h1")
        page.evaluate("scrollTo(0, document.body.scrollHeight)")
        assert whole_in_view(page, "nav a")
        no_sideways(page)
    page.goto(f"{check}/correct")
    page.wait_for_selector(".marks .core")
    assert page.locator("#stage").bounding_box()["height"] < 0.8 * 180  # room beside it to scroll by touch
    context.close()


@pytest.mark.parametrize("width", [304, 320, 360, 740])
def test_a_tile_has_its_unit_and_uncertainty_uncut(browser, server, paired, photos, width):
    size = {"width": width, "height": 640 if width < 600 else 360}
    context = browser.new_context(viewport=size, storage_state=paired)
    page = context.new_page()
    send(page, server, photos("fix"))
    page.click("text=Correct by hand")
    page.wait_for_selector(".marks .core")
    assert page.locator(".tile .give").all_inner_texts()[:2] == ["± 0.6 mm", "± 0.6°"]
    page.evaluate("document.querySelectorAll('.give').forEach((u) => { u.textContent = '± 8.8 mm'; })")
    page.evaluate("document.querySelectorAll('.tile .sign').forEach((s) => { s.textContent = '✗'; })")
    cut = "(parts) => parts.filter((part) => part.scrollWidth > part.clientWidth).map((part) => part.textContent)"
    assert page.locator(".tile, .tile dt, .tile dd").evaluate_all(cut) == []
    if width == 360:
        assert whole_in_view(page, ".tile", "#stage", ".keys button", ".actions .button")
    context.close()


def test_the_picture_stays_zoomed_while_the_browsers_own_bars_come_and_go(phone, server, photos):
    send(phone, server, photos("pass"))
    phone.click("text=Correct by hand")
    phone.wait_for_selector(".marks .core")
    apart = "(cores) => cores[1].getBoundingClientRect().y - cores[0].getBoundingClientRect().y"
    cores = phone.locator(".marks .core")
    whole = cores.evaluate_all(apart)
    phone.click("[aria-label='Zoom in']")
    zoomed = cores.evaluate_all(apart)
    assert abs(zoomed) > 1.4 * abs(whole)
    height = phone.viewport_size["height"]
    phone.set_viewport_size({"width": 360, "height": 600})
    phone.wait_for_timeout(200)
    phone.set_viewport_size({"width": 360, "height": 620})
    phone.wait_for_timeout(200)
    phone.click("[aria-label='Zoom in']")
    zoomed = cores.evaluate_all(apart)
    phone.set_viewport_size({"width": 360, "height": 600})
    phone.wait_for_timeout(200)
    assert cores.evaluate_all(apart) == pytest.approx(zoomed, abs=1)
    phone.set_viewport_size({"width": 740, "height": height - 380})  # turned, it is fitted anew
    phone.wait_for_timeout(200)
    assert cores.evaluate_all(apart) != pytest.approx(zoomed, abs=1)


def test_nothing_moves_under_the_finger_that_corrects(phone, server, photos):
    """What is told of a correction, or of one that cannot be, takes no room from keys and photo."""
    send(phone, server, photos("pass"))
    phone.click("text=Correct by hand")
    phone.wait_for_selector(".marks .core")
    places = [phone.locator(part) for part in ("#stage", "[data-move='0,-1']", "#back")]

    def tops() -> list[float]:
        return [place.bounding_box()["y"] for place in places]

    def touch(place: int) -> None:  # where it is: locator.tap() would scroll
        box = places[place].bounding_box()
        phone.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)

    stood = tops()
    for place in (1, 2):
        with following(phone):
            touch(place)
        assert tops() == pytest.approx(stood, abs=1.5)  # a pressed button sinks by 1 px
    phone.route("**/hands", lambda route: route.fulfill(status=400, json={"error": "These marks cannot be so. " * 3}))
    touch(1)
    phone.wait_for_selector("#trouble:visible")
    assert tops() == pytest.approx(stood, abs=1.5)


def test_a_stage_is_read_whole_on_a_phone(phone, server):
    phone.goto(server.url)
    if phone.locator("details.asked:not([open])").count():
        phone.click("details.asked summary")
    needs = """(select) => {
        const free = select.parentElement.appendChild(select.cloneNode(true));
        free.style.width = "auto";
        const width = free.offsetWidth;
        free.remove();
        return width;
    }"""
    stage = phone.locator("#stage")
    assert stage.evaluate(needs) <= stage.evaluate("(select) => select.offsetWidth")


def test_all_that_can_be_corrected_is_named_on_a_phone(phone, server, photos):
    from placecheck.page.hands import LINE_SHORT

    send(phone, server, photos("pass"))
    phone.click("text=Correct by hand")
    phone.wait_for_selector(".which")
    add = """(which, names) => names.slice(which.children.length - 1).forEach((name) => {
        const button = which.lastElementChild.cloneNode();
        button.textContent = name;
        which.append(button);
    })"""
    phone.locator(".which").evaluate(add, list(LINE_SHORT.values()))  # lines that the stand-in does not find
    assert phone.locator(".which button").all_inner_texts() == ["Points", "Cap edge", "Hairline", "Centre"]
    assert phone.locator(".which").evaluate("(which) => which.scrollWidth <= which.clientWidth")


def test_with_text_twice_as_large_all_is_in_view(browser, server, paired, photos):
    """As a phone of 360 px at 200 %: half as many of its pixels, and all text as large as ever."""
    context = browser.new_context(viewport={"width": 180, "height": 370}, storage_state=paired)
    page = context.new_page()
    send(page, server, photos("unsure"))
    check = page.url
    for address in (check, f"{check}/correct", *(f"{server.url}{path}" for path in ("/", "/orders/new", "/camera"))):
        page.goto(address)
        no_sideways(page)
        edge = "[...document.querySelectorAll('nav a, .actions .button')].map((e) => e.getBoundingClientRect().right)"
        assert max(page.evaluate(edge)) <= 180
        page.get_by_role("heading", level=1).evaluate("(h) => { h.style.overflowWrap = 'normal'; }")
        no_sideways(page)  # so no word of it was broken
    context.close()


@pytest.mark.parametrize("width", [320, 360])
def test_the_verdict_stays_in_its_frame(browser, server, paired, photos, width):
    context = browser.new_context(viewport={"width": width, "height": 640}, storage_state=paired)
    page = context.new_page()
    (no_photo := photos("fix")).write_bytes(b"\xff\xd8\xff no photo")
    for photo, short in ((photos("unsure"), "Retake"), (no_photo, "Not checked")):
        send(page, server, photo)
        word, frame = (page.locator(part) for part in (".verdict h1", ".verdict"))
        assert word.inner_text() == short
        assert word.evaluate("(word) => word.scrollWidth <= word.clientWidth")
        assert frame.evaluate("(frame) => frame.scrollWidth <= frame.clientWidth")
    context.close()


def test_on_a_desktop_the_buttons_of_a_check_are_in_view(browser, server, paired, photos):
    """However long the advice beside the photo is, and at the end of the numbers, too."""
    context = browser.new_context(viewport=DESKTOP, storage_state=paired)
    page = context.new_page()

    def in_view(*parts: str) -> bool:
        boxes = [page.locator(part).bounding_box() for part in parts]
        return all(box["y"] >= 0 and box["y"] + box["height"] <= DESKTOP["height"] for box in boxes)

    send(page, server, photos("unsure"))
    page.evaluate("document.querySelector('.next').style.minHeight = '60rem'")  # as with many steps
    assert in_view(".actions .button >> nth=0", "button:text-is('Save')")
    page.locator(".numbers li").last.scroll_into_view_if_needed()
    assert in_view(".actions .button >> nth=0", "button:text-is('Save')")
    page.locator("text=Add a photo").scroll_into_view_if_needed()
    assert in_view("text=Add a photo", "button:text-is('Save')")
    page.click("text=Correct by hand")
    page.wait_for_selector(".marks .core")
    assert in_view("#stage", "[data-move='0,-1']", "text=Use these")
    cut = "(tiles) => tiles.filter((tile) => tile.scrollWidth > tile.clientWidth).map((tile) => tile.textContent)"
    assert page.locator(".tile dt").evaluate_all(cut) == []
    context.close()


def test_dragging_the_caps_edge(phone, server, photos):
    send(phone, server, photos("pass"))
    phone.click("text=Correct by hand")
    phone.wait_for_selector(".marks .core")
    phone.click("[data-group=cap_rim]")
    assert phone.locator(".marks .core").count() == 5
    assert phone.locator("#chosen").inner_text() == "Cap's edge, 3 of 5"
    phone.focus("#stage")
    for _ in range(5):
        phone.keyboard.press("Shift+ArrowUp")
        phone.wait_for_timeout(30)
    phone.wait_for_selector("[data-measure=clearance_centre_mm].out")
    phone.click("text=Use these")
    phone.wait_for_selector(".byhand")
    assert phone.locator(".byhand").inner_text() == "Set by hand: cap's edge."
    phone.click("text=Correct by hand")
    phone.wait_for_selector(".marks .path")  # what was bent is shown as it was left
    phone.click("#back")
    phone.wait_for_selector("[data-measure=clearance_centre_mm].in")
    phone.click("text=Use these")
    phone.wait_for_selector(".verdict.pass")


def test_touch_drags_and_pinches(phone, server, photos):
    """Touch points sent to the browser itself (Chrome DevTools Protocol, Input.dispatchTouchEvent)."""
    send(phone, server, photos("pass"))
    cdp = phone.context.new_cdp_session(phone)

    def touch(kind: str, *points: tuple[float, float]) -> None:
        cdp.send(
            "Input.dispatchTouchEvent",
            {"type": kind, "touchPoints": [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(points)]},
        )

    phone.locator(".pane").scroll_into_view_if_needed()
    pane = phone.locator(".pane").bounding_box()
    x, y = pane["x"] + pane["width"] / 2, pane["y"] + 60
    touch("touchStart", (x - 20, y), (x + 20, y))
    for i in range(1, 8):
        touch("touchMove", (x - 20 - 10 * i, y), (x + 20 + 10 * i, y))
    touch("touchEnd")
    scale = phone.locator(".pane img").evaluate("i => new DOMMatrix(getComputedStyle(i).transform).a")
    assert scale > 2
    phone.focus(".pane")
    phone.keyboard.press("0")
    middle = phone.locator(".pane img").evaluate(
        "i => { const b = i.getBoundingClientRect(); return [b.left + b.width / 2, b.top + b.height / 2]; }"
    )
    phone.keyboard.press("+")  # about the middle, which stays where it is
    after = phone.locator(".pane img").evaluate(
        "i => { const b = i.getBoundingClientRect(); return [b.left + b.width / 2, b.top + b.height / 2]; }"
    )
    assert after == pytest.approx(middle, abs=1)
    late: list = []
    phone.route("**/view.jpg*", lambda route: late.append(route))  # handles do not move when their picture comes
    with phone.expect_request("**/view.jpg*"):
        phone.click("text=Correct by hand")
    phone.wait_for_selector(".marks .core")
    core = phone.locator(".marks g").nth(2).locator(".core")
    first = core.bounding_box()
    until(phone, "document.readyState === 'interactive'")
    while late:
        late.pop().continue_()
    until(phone, "document.querySelector('.stage img').naturalWidth > 0")
    box = core.bounding_box()
    assert box == pytest.approx(first)
    x, y = box["x"] + 2, box["y"] + 2
    touch("touchStart", (x, y))
    for i in range(1, 6):
        touch("touchMove", (x - 8 * i, y))
    touch("touchEnd")
    phone.wait_for_selector("[data-measure=front_corner_asymmetry_mm].out")
    assert phone.locator("[data-point=front_left] .how").inner_text() == "set by hand"


def test_a_hostile_file_is_one_sentence(phone, server, tmp_path):
    path = tmp_path / "evil.jpg"
    path.write_bytes(b"\xff\xd8\xff<script>alert(1)</script>")
    send(phone, server, path)
    assert phone.locator(".verdict h1").inner_text() == "Not checked"
    assert "Copy it from the phone again" in phone.locator(".next .lead").inner_text()
    phone.goto(server.url)
    fill(phone)
    phone.fill("#block", "57")
    phone.set_input_files("input[capture]", path)
    phone.wait_for_selector(".notice:not([hidden])")
    assert "has no unit" in phone.locator(".notice").inner_text()


def test_a_file_that_is_too_large_is_no_lost_connection(phone, server, tmp_path):
    path = tmp_path / "fat.jpg"
    with path.open("wb") as file:
        file.truncate(PHOTO_BYTES + 5_000_000)
    phone.goto(server.url)
    fill(phone)
    phone.set_input_files("input[capture]", path)
    notice = phone.locator("#sending > .notice[role=alert]")
    notice.wait_for()
    assert notice.inner_text() == too_large(PHOTO_BYTES)


def test_without_a_connection_the_photo_waits_and_is_sent(browser, server, paired, photos):
    context = browser.new_context(viewport=PHONE, storage_state=paired)
    page = context.new_page()
    page.goto(server.url)
    fill(page)
    context.set_offline(True)
    page.set_input_files("input[capture]", photos("pass"))
    page.wait_for_selector(".notice:not([hidden])")
    assert "The photo is kept here" in page.locator(".notice").inner_text()
    assert page.locator("text=Try again").is_visible()
    context.set_offline(False)  # the browser tells the page, which sends it by itself
    page.wait_for_selector(".verdict.pass")
    context.close()


def test_whoever_leaves_while_a_photo_waits_is_asked_first(browser, server, paired, photos):
    """What the page's own camera took may be nowhere else."""
    context = browser.new_context(viewport=PHONE, storage_state=paired)
    phone = context.new_page()
    asked: list[str] = []
    phone.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.dismiss()))
    phone.goto(server.url)
    phone.click("nav a[href='/orders']")
    phone.go_back()
    assert asked == []
    fill(phone)
    context.set_offline(True)
    phone.set_input_files("input[capture]", photos("pass"))
    phone.wait_for_selector("#sending > .notice:not([hidden])")
    phone.click("nav a[href='/orders']", no_wait_after=True)
    until(phone, "!document.querySelector('.retry').hidden")
    assert asked == ["beforeunload"]
    phone.context.set_offline(False)
    phone.wait_for_selector(".verdict")
    assert len(asked) == 1
    context.close()


def test_the_internet_is_not_needed(browser, server, paired, photos):
    """Everything but this server is cut off; names other than its address cannot be looked up."""
    context = browser.new_context(viewport=DESKTOP, storage_state=paired)
    context.route(re.compile(r"^https?://(?!127\.0\.0\.1)"), lambda route: route.abort())
    watched = Watched(context, server)
    send(watched.page, server, photos("fix"))
    for path in ("/orders/new", "/class", "/records", "/charts", "/card", "/tolerances", "/camera", "/devices"):
        watched.page.goto(server.url + path)
        watched.page.wait_for_load_state()
    assert watched.foreign == []
    assert watched.errors == []
    context.close()


def test_without_scripts_the_form_still_works(browser, server, paired, photos):
    context = browser.new_context(viewport=PHONE, storage_state=paired, java_script_enabled=False)
    page = context.new_page()
    page.goto(server.url)
    fill(page)
    page.set_input_files("input[type=file] >> nth=1", photos("pass"))
    page.click("text=Send the photo")
    page.wait_for_selector(".verdict.pass", timeout=15000)  # by refreshing itself
    context.close()


def test_without_scripts_what_was_set_by_hand_stays(phone, browser, server, paired, photos):
    """Nothing can be moved there, which is told; “Use these” then changes nothing."""
    send(phone, server, photos("pass"))
    check = phone.url
    phone.click("text=Correct by hand")
    phone.wait_for_selector(".marks .core")
    phone.focus("#stage")
    with following(phone):
        phone.keyboard.press("Shift+ArrowRight")
    phone.click("[data-group=cap_rim]")
    phone.focus("#stage")
    with following(phone):
        phone.keyboard.press("Shift+ArrowUp")
    phone.click("text=Use these")
    phone.wait_for_selector(".byhand")
    moved = reads(phone, "offset_mm"), phone.locator(".byhand").inner_text()
    context = browser.new_context(viewport=PHONE, storage_state=paired, java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{check}/correct")
    assert "Nothing can be moved here without scripts" in page.locator("main").inner_text()
    page.click("text=Use these")
    page.wait_for_selector(".byhand", timeout=15_000)
    assert (reads(page, "offset_mm"), page.locator(".byhand").inner_text()) == moved
    context.close()


def test_a_photo_thrown_away_elsewhere_is_not_waited_for(browser, server, paired, photos):
    context = browser.new_context(viewport=PHONE, storage_state=paired)
    phone = context.new_page()
    phone.goto(server.url)
    fill(phone)
    phone.set_input_files("input[capture]", photos("slow"))
    phone.wait_for_selector("[data-wait]")
    token = phone.locator("body").get_attribute("data-token")
    phone.request.post(f"{phone.url}/remove", form={"token": token}, headers={"origin": server.url})
    phone.wait_for_selector("text=There is nothing here")
    context.close()


def test_a_class_dropped_at_once(browser, server, paired, photos):
    context = browser.new_context(viewport=DESKTOP, storage_state=paired)
    page = context.new_page()
    page.goto(f"{server.url}/class")
    page.locator(".chip", has_text="5x5").click()
    page.fill("#block", "22.75in")
    page.fill("#class", "Tuesday evening")
    files = [photos("pass", "Bea.jpg"), photos("fix", "Amara.jpg"), photos("pass", "Dina.jpg")]
    page.set_input_files("input[type=file]", files)
    page.wait_for_url("**/class/*")
    page.wait_for_selector("[data-wait]", state="detached")
    assert page.locator(".student h2").all_inner_texts()[0] == "Amara"
    assert page.locator(".student").count() == 3
    assert page.locator("p.lead").inner_text() == "1 to fix, 0 to retake, 2 passed."
    page.goto(page.url + "/pages")
    names = ["Amara", "Bea", "Dina"]
    assert page.locator("article.sheet h1").all_inner_texts() == names
    for paper in ("A4", "Letter"):
        printed = pypdfium2.PdfDocument(page.pdf(format=paper, margin=dict.fromkeys(("top", "bottom"), "0.4in")))
        assert [sheet.get_textpage().get_text_range().split("\n")[0].strip() for sheet in printed] == names
    context.close()


def test_a_students_name_is_not_broken_beside_the_verdict(phone, server):
    phone.goto(f"{server.url}/class")
    phone.locator(".chip", has_text="5x5").click()
    phone.fill("#block", "22.75in")
    phone.set_input_files("input[type=file]", {"name": "Nobody.jpg", "mimeType": "image/jpeg", "buffer": b"none"})
    phone.wait_for_selector(".student.unchecked")
    lines = "(name) => new Set([...Array(name.textContent.length).keys()].map((i) => { const letter = new Range(); "
    lines += "letter.setStart(name.firstChild, i); letter.setEnd(name.firstChild, i + 1); "
    lines += "return letter.getBoundingClientRect().top; })).size"
    assert phone.locator(".student h2").evaluate(lines) == 1


def test_what_is_dropped_is_sent_as_heic_too_or_named(phone, server):
    """Browsers that do not know HEIC give such a file no type."""
    phone.goto(f"{server.url}/class")
    phone.locator(".chip", has_text="5x5").click()
    phone.fill("#block", "22.75in")
    drop = """(name) => {
        const data = new DataTransfer();
        data.items.add(new File(["no photo at all"], name));
        dispatchEvent(new DragEvent("drop", { dataTransfer: data }));
    }"""
    phone.evaluate(drop, "notes.txt")
    assert "no photo in what was dropped" in phone.locator(".notice[role=alert]").inner_text()
    phone.evaluate(drop, "Bea.HEIC")
    phone.wait_for_url(re.compile("/class/[0-9a-f]+$"))


def test_a_class_on_a_block_measured_before(phone, server, photos):
    from placecheck.bare_block.saved import BLOCKS, blocks_folder

    phone.goto(f"{server.url}/class")
    phone.locator(".chip", has_text="5x5").click()
    phone.fill("#block", "")
    phone.set_input_files("input[type=file]", [photos("pass", "Bea.jpg")])
    assert phone.evaluate("document.activeElement.id") == "block"  # neither taped nor chosen: nothing is sent
    phone.select_option("#saved_block", label="Willow · 22 3/4 in")
    assert phone.locator("#block").is_hidden()
    phone.fill("#class", "Thursday")
    phone.set_input_files("input[type=file]", [photos("pass", "Bea.jpg"), photos("fix", "Amara.jpg")])
    phone.wait_for_url(re.compile("/class/[0-9a-f]+$"))
    phone.wait_for_selector("[data-wait]", state="detached")
    no_sideways(phone)
    phone.goto(phone.url + "/pages")
    assert phone.locator("article.sheet header p").count() == 2
    for words in phone.locator("article.sheet header p").all_inner_texts():
        assert words.startswith("Thursday, ")
        assert words.endswith("5x5 closure, block Willow.")

    phone.goto(f"{server.url}/class")
    assert phone.locator("#saved_block").input_value() == "Willow"
    assert phone.locator("#block").is_hidden()
    no_sideways(phone)
    BLOCKS.set_aside(blocks_folder(server.home), "Willow")
    phone.goto(f"{server.url}/class")
    assert "The saved block “Willow” is no longer there" in phone.locator("ul.problems").inner_text()
    assert phone.locator("#block").get_attribute("required") is not None
    keep_block(server.home, "Willow")


def test_keys_alone_reach_everything(phone, server):
    phone.goto(server.url)
    phone.keyboard.press("Tab")
    assert phone.evaluate("document.activeElement.className") == "skip"
    seen = set()
    for _ in range(40):
        phone.keyboard.press("Tab")
        seen.add(phone.evaluate("(e => e.name || e.getAttribute('href') || e.tagName)(document.activeElement)"))
        outline = phone.evaluate(
            """() => {
                const e = document.activeElement, lined = (x) => x && getComputedStyle(x).outlineStyle !== 'none';
                return e === document.body || [e, e.parentElement, e.nextElementSibling].some(lined);
            }"""
        )
        assert outline, phone.evaluate("document.activeElement.outerHTML.slice(0, 200)")
    assert {"photo", "/orders", "/records", "/more", "SUMMARY"} <= seen


PAGES = (
    "/",
    "/recent",
    "/class",
    "/orders",
    "/orders/new",
    "/records",
    "/records/1",
    "/charts",
    "/more",
    "/devices",
    "/card",
)
PAGES += ("/tolerances", "/camera", "/nothing")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, SIDEWAYS, DESKTOP], ids=["360", "740", "1280"])
def test_wcag_22_aa_by_axe(browser, server, paired, photos, scheme, size):
    from axe_playwright_python.sync_playwright import Axe

    context = browser.new_context(viewport=size, storage_state=paired, color_scheme=scheme, reduced_motion="reduce")
    page = context.new_page()
    axe, found = Axe(), []

    def look(where: str) -> None:
        page.wait_for_load_state()
        result = axe.run(page, options=OPTIONS)
        for violation in result.response["violations"]:
            found.append((where, violation["id"], [n["html"][:120] for n in violation["nodes"]][:2]))
        if page.evaluate("document.documentElement.scrollWidth") > size["width"]:
            found.append((where, "scrolls sideways", []))

    for path in PAGES:
        page.goto(server.url + path)
        look(path)
    send(page, server, photos("fix"))
    page.click("text=Then, in this order")
    look("fix")
    page.click("text=Correct by hand")
    page.wait_for_selector(".marks .core")
    look("correct")
    send(page, server, photos("pass"))
    look("pass")
    send(page, server, photos("unsure"))
    look("unsure")
    page.set_input_files("#sending input[capture]", photos("unsure"))
    page.wait_for_selector(".verdict.pass")
    look("together")
    send(page, server, server.home / "page" / "sessions.json")
    look("retake")
    page.goto(f"{server.url}/devices")
    page.click("text=Pair one more device")
    page.wait_for_selector(".code")
    look("code")
    context.clear_cookies()
    page.goto(f"{server.url}/pair")
    look("pair")
    context.close()
    assert found == []


def test_axe_would_find_something(browser):
    """The guard itself guarded: a page with known faults is not passed."""
    from axe_playwright_python.sync_playwright import Axe

    page = browser.new_page()
    links = "<a href='/1' style='font-size:6px'>a</a> <a href='/2' style='font-size:6px'>b</a>"
    page.set_content(
        f"<html><body><img src='x'><p style='color:#ccc;background:#fff'>faint</p><input>{links}</body></html>"
    )
    result = Axe().run(page, options=OPTIONS)
    ids = {violation["id"] for violation in result.response["violations"]}
    assert {"image-alt", "color-contrast", "label", "html-has-lang", "target-size"} <= ids
    page.close()


def test_the_quality_page_keeps_its_measure_with_one_maker(browser, tmp_path):
    """One chart in a row grew as wide as the screen, its letters with it; a name without a blank ran off the page."""
    save_check(tmp_path, jpeg(1), answer(), REQUEST, order="O1", maker="Wilhelmina" * 12)
    with open_store(tmp_path) as store:
        html = quality_html(overview(store))
    page = browser.new_page(viewport={"width": 1000, "height": 800})
    page.set_content(html)
    widths = page.evaluate("[...document.querySelectorAll('svg')].map(s => s.getBoundingClientRect().width)")
    assert len(widths) == 3
    assert max(widths) < 500
    ends = "[...document.querySelectorAll('svg text')].map((t) => t.getBBox().x + t.getBBox().width)"
    assert max(page.evaluate(ends)) <= 360  # a drawing's width: no title is cut at its edge
    for width in (1000, 360):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()
