"""The bench page's forms as a maker with several clients meets them: what the next photo is asked, and what a

refused form leaves. By httpx against a real server, and in Debian's Chromium on a phone of 390 px; photos are
measured by the stand-in of page_bench.
"""

from __future__ import annotations

import html
import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))
from tests.page_bench import photo_bytes, start, until
from tests.test_page_browser import CHROMIUM, browser, no_sideways  # noqa: F401  (browser is a fixture)
from tests.test_page_server import measured, pair, saved, wait_for, words

PHONE = {"width": 390, "height": 844}
NEEDS_CHROMIUM = pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="needs Chromium: apt-get install chromium")


@pytest.fixture
def bench(tmp_path):
    running = start(tmp_path)
    yield running
    running.stop()


@pytest.fixture
def paired(bench):
    client, token = pair(bench)
    yield client, token
    client.close()


@pytest.fixture
def phone(bench, paired, browser):  # noqa: F811
    context = browser.new_context(viewport=PHONE, device_scale_factor=2, has_touch=True, is_mobile=True)
    context.add_cookies([{"name": c.name, "value": c.value, "url": bench.url} for c in paired[0].cookies.jar])
    yield context.new_page()
    context.close()


def order(paired, alias: str, **more: str) -> str:
    """The number of a new order."""
    client, token = paired
    kept = client.post("/orders", data={"token": token, "alias": alias, "circumference": "57cm", **more})
    assert kept.status_code == 303, words(kept.text)
    return kept.headers["location"].rsplit("/", 1)[1]


def asked(paired, **query: str) -> dict[str, str]:
    """What the photo screen is filled with."""
    page = paired[0].get("/", params=query).text
    chosen = {name: re.search(rf'name="{name}".*?</select>', page, re.S)[0] for name in ("order", "front", "stage")}
    found = {name: re.search(r'value="(\w*)"[^>]* selected', text) for name, text in chosen.items()}
    size = re.search(r'name="closure" value="(\w+)" checked', page)
    other = re.search(r'name="closure_other"[^>]* value="([^"]*)"', page)[1]
    return {
        **{name: match[1] if match else "" for name, match in found.items()},
        "closure": size[1] if size else other,
        "block": html.unescape(re.search(r'name="block"[^>]* value="([^"]*)"', page)[1]),
        "summary": words(re.search(r"<summary>.*?</summary>", page, re.S)[0]),
    }


def test_the_face_is_of_one_photo_and_the_stage_of_its_job(paired):
    willow = order(paired, "Willow", closure="5x5", block="57.8cm")
    to, _ = measured(paired, photo_bytes("faceless"), order=willow, front="bottom", stage="cap")
    again = asked(paired, again=to.rsplit("/", 1)[1])
    assert (again["front"], again["stage"]) == ("", "cap")  # a new photo of the same stage
    later = asked(paired, stage="pinned")
    assert (later["front"], later["stage"]) == ("", "pinned")
    assert later["summary"].startswith("Closure pinned : 5x5 , block 22.75in")
    assert asked(paired, order=willow, stage="stitches")["summary"].startswith("Stitches, close up")


def test_the_next_stage_follows_from_what_the_order_has_passed(paired):
    willow, hazel = (order(paired, alias, closure="5x5", block="57.8cm") for alias in ("Willow", "Hazel"))
    assert asked(paired)["stage"] == "pinned"  # a quick check
    assert asked(paired, order=willow)["stage"] == "cap"
    for kind, stage, then in (
        ("fix", "cap", "cap"),
        ("pass", "cap", "pinned"),
        ("fix", "pinned", "pinned"),
        ("pass", "pinned", "stitched"),
        ("fix", "stitched", "stitched"),  # there is thread in it now
        ("pass", "stitched", "stitches"),
        ("fix", "stitches", "stitches"),
    ):
        to, _ = measured(paired, photo_bytes(kind), order=willow, stage=stage)
        saved(paired, to)
        assert asked(paired, order=willow)["stage"] == then
        assert asked(paired)["stage"] == then  # of the order that is still chosen
        assert asked(paired, again=to.rsplit("/", 1)[1])["stage"] == then
        stages = re.findall(
            r'class="button( go)?" href="/\?order=\d+&amp;stage=(\w+)"', paired[0].get(f"/orders/{willow}").text
        )
        assert stages == [(" go" if s == then else "", s) for s in ("cap", "pinned", "stitched", "stitches")]
    assert asked(paired, order=hazel)["stage"] == "cap"
    assert asked(paired, order="")["stage"] == "pinned"


def test_whoever_skips_the_cap_is_not_sent_back_to_it(paired):
    """Also while nothing is saved, and where a photo of the closure showed that it is too late for the cap."""
    willow = order(paired, "Willow", closure="5x5", block="57.8cm")
    to, _ = measured(paired, photo_bytes("faceless"), order=willow)  # nothing was measured in it
    assert asked(paired, order=willow)["stage"] == "cap"
    to, _ = measured(paired, photo_bytes("fix"), order=willow)
    for query in ({"order": willow}, {}, {"again": to.rsplit("/", 1)[1]}):
        assert asked(paired, **query)["stage"] == "pinned"
    saved(paired, to)
    cap, _ = measured(paired, photo_bytes("fix"), order=willow, stage="cap")
    saved(paired, cap)
    assert asked(paired, order=willow)["stage"] == "pinned"


def test_a_quick_check_is_asked_what_the_last_one_was_and_nothing_of_an_order(bench, paired):
    (bench.home / "settings.toml").write_text('[check]\nclosure = "7x7"\nblock_circumference = "22in"\n')
    willow = order(paired, "Willow", closure="6x6", block="23in")
    measured(paired, photo_bytes("pass"), order=willow, closure="6x6", block="23in")
    quick = asked(paired, order="")
    assert (quick["order"], quick["closure"], quick["block"]) == ("", "7x7", "22in")
    measured(paired, photo_bytes("pass"), closure="4x4", block="24in")
    measured(paired, photo_bytes("pass"), order=willow, closure="6x6", block="23in")
    assert asked(paired)["order"] == willow
    quick = asked(paired, order="")
    assert (quick["order"], quick["closure"], quick["block"]) == ("", "4x4", "24in")


def test_a_photo_is_filed_under_its_orders_maker_unless_told_another(paired):
    """The maker of the photo before stands in a field that is folded away."""
    client, _ = paired
    willow, hazel = order(paired, "Willow", closure="5x5", maker="Rowan"), order(paired, "Hazel", closure="5x5")

    def maker(**query: str) -> str:
        return re.search(r'name="maker"[^>]* value="([^"]*)"', client.get("/", params=query).text)[1]

    measured(paired, photo_bytes("pass"), maker="Ada")
    assert [maker(), maker(order=willow), maker(order=hazel)] == ["Ada", "Rowan", "Ada"]
    measured(paired, photo_bytes("fix"), order=willow, maker="Bo")
    assert [maker(), maker(order=willow), maker(order="")] == ["Bo", "Bo", "Ada"]
    assert f"pinned, 5x5, order {willow}" in words(client.get("/recent").text)


def test_a_closure_and_block_of_hours_ago_are_not_asked_again(tmp_path):
    """Another block may stand there by now, and its size scales every length; an order names its own."""
    import json

    running = start(tmp_path)
    client, token = pair(running)
    order((client, token), "Willow")
    batch = {"token": token, "batch": "a" * 16, "closure": "4x4", "block": "24in", "class": "Tuesday"}
    files = [("photo", ("Bea.jpg", photo_bytes("pass") + b"Bea"))]
    to, _ = measured((client, token), photo_bytes("pass"), closure="6x6", block="23in")
    wait_for(client, client.post("/class", data=batch, files=files).headers["location"])

    def proposed() -> list[list[str]]:
        pages = [client.get(path).text for path in ("/", "/class")]
        return [re.findall(r'value="(\w+)" checked', p) + re.findall(r'name="block".* value="(\w*)"', p) for p in pages]

    assert proposed() == [["6x6", "23in"], ["4x4", "24in"]]  # each its own
    running.stop()
    for path in (tmp_path / "page" / "inbox").glob("*.json"):
        job = json.loads(path.read_text())
        path.write_text(json.dumps(job | {"created": job["created"] - 3 * 3600}))
    running = start(tmp_path, running.port)
    try:
        assert proposed() == [[""], [""]]
        assert asked((client, token), again=to.rsplit("/", 1)[1])["closure"] == "6x6"  # that very photo's
    finally:
        client.close()
        running.stop()


def test_what_an_order_leaves_open_is_no_other_clients(paired):
    willow, hazel = order(paired, "Willow", closure="5x5", block="57.8cm"), order(paired, "Hazel")
    measured(paired, photo_bytes("pass"), order=willow, closure="6x6")
    open_fields = asked(paired, order=hazel, stage="pinned")
    assert (open_fields["order"], open_fields["closure"], open_fields["block"]) == (hazel, "", "")
    assert "?" in open_fields["summary"]
    measured(paired, photo_bytes("pass"), order=hazel, closure="4x4", block="23in")
    kept = asked(paired, order=hazel)
    assert (kept["closure"], kept["block"]) == ("4x4", "23in")  # typed for this order


def test_a_cap_photo_that_shows_the_closure_is_checked_as_pinned(bench, paired):
    client, token = paired
    willow = order(paired, "Willow", block="57.8cm")
    to, page = measured(paired, photo_bytes("laced"), order=willow, stage="cap", closure="")
    assert "Check it as pinned" in page
    refused = client.post(f"{to}/once-more", data={"token": token, "stage": "pinned", "closure": "five"})
    assert refused.status_code == 400
    assert 'value="five"' in refused.text
    assert "The closure size “five” is not two numbers" in words(refused.text)
    client.post(f"{to}/once-more", data={"token": token, "stage": "pinned", "closure": "5x5"})
    wait_for(client, to)
    page = words(client.get(to).text)
    assert "Check it as pinned" not in page
    assert "5x5 closure, block 22.75in" in page
    number = saved(paired, to)
    assert f"order {willow}, Willow, 5x5, pinned" in words(client.get(f"/records/{number}").text)


def test_an_unsaved_photo_of_the_cap_is_offered_saved_and_used(bench, paired):
    from placecheck.records.store import open_store

    client, token = paired
    willow, hazel = (order(paired, alias, closure="5x5", block="57.8cm") for alias in ("Willow", "Hazel"))
    cap, _ = measured(paired, photo_bytes("pass"), order=willow, stage="cap")
    _, other = measured(paired, photo_bytes("hidden"), order=hazel)
    assert "Next time take a photo of the cap alone" in other  # there is none of this order
    assert "is not saved, so it was not used here" not in other
    to, page = measured(paired, photo_bytes("hidden"), order=willow)
    assert "Next time take a photo of the cap alone" not in page
    assert "The photo of the cap alone under this order is not saved, so it was not used here." in page
    assert page.index("Save it and measure again") < page.index("Lay a soft tape")  # a tap, before hands are needed
    assert "Retake. Save the photo of the cap alone and measure again." in client.get(to).text  # as it is read aloud
    client.post(f"{to}/cap", data={"token": token})
    wait_for(client, to)
    page = words(client.get(to).text)
    assert "is not saved" not in page
    number = saved(paired, to)
    with open_store(bench.home) as store:
        kept = store.get(number).request
        assert store.get(kept["cap"]).summary.stage == "cap"
    assert f'href="/records/{kept["cap"]}">Saved' in client.get(cap).text


def test_an_unsaved_photo_of_the_cap_does_not_hide_that_an_older_one_was_used(paired):
    client, token = paired
    willow = order(paired, "Willow", closure="5x5", block="57.8cm")
    older, _ = measured(paired, photo_bytes("pass"), order=willow, stage="cap")
    number = saved(paired, older)
    newer, _ = measured(paired, photo_bytes("pass") + b"newer", order=willow, stage="cap")
    to, page = measured(paired, photo_bytes("fix"), order=willow)
    assert (
        "The last photo of the cap alone under this order is not saved, so it was not used here, "
        f"but the one of record {number} ." in page
    )
    assert page.index("Slide the whole closure") < page.index("Save it and measure again")  # what is proven comes first
    client.post(f"{to}/cap", data={"token": token})
    wait_for(client, to)
    page = client.get(to).text
    assert "is not saved" not in words(page)
    assert "the cap's edge is where the photo of the cap alone shows it" in html.unescape(words(page))
    assert 'id="saved"' in client.get(newer).text


def test_the_tapes_form_is_at_hand_where_it_is_asked_for_and_out_of_the_way_elsewhere(paired):
    client, _ = paired
    to, page = measured(paired, photo_bytes("hidden"))
    asked_for, link = client.get(to).text, 'href="#taped">Give what it reads'
    assert "Lay a soft tape" in page
    assert link in asked_for
    assert '<details class="taped" id="taped" open>' in asked_for
    to, _ = measured(paired, photo_bytes("pass"))
    passed = client.get(to).text
    assert link not in passed
    assert '<details class="taped" id="taped">' in passed


def test_a_close_ups_left_is_the_photos_own(paired):
    """Its stitches are counted from there: nothing on its page says that left is the wearer's."""
    client, _ = paired
    for stage, told in (("pinned", True), ("stitches", False)):
        to, page = measured(paired, photo_bytes("pass"), stage=stage)
        assert "± holds for 95 %" in page
        assert ("Left and right are the wearer's" in page) == told
        page = words(client.get(f"/records/{saved(paired, to)}").text)
        assert "± holds for 95 %" in page
        assert ("Left and right are the wearer's" in page) == told


def test_what_moved_since_it_was_pinned_is_told_with_its_sides(paired):
    client, _ = paired
    willow = order(paired, "Willow", closure="5x5", block="57.8cm")
    saved(paired, measured(paired, photo_bytes("pass"), order=willow)[0])
    number = saved(paired, measured(paired, photo_bytes("fix"), order=willow, stage="stitched")[0])
    page = words(client.get(f"/records/{number}").text)
    assert "Since pinned Off centre 0.40 ± 0.60 mm right → 8.00 ± 0.60 mm right" in page


def test_an_orders_fields_take_no_more_than_is_kept(paired):
    client, token = paired
    form = client.get("/orders/new").text
    longest = {name: int(re.search(rf'name="{name}"[^>]* maxlength="(\d+)"', form)[1]) for name in ("alias", "maker")}
    name = "M" * longest["maker"]
    number = order(paired, "W" * longest["alias"], maker=name)
    assert f'value="{name}"' in client.get(f"/orders/{number}/change").text
    more = {"token": token, "circumference": "57cm", "alias": "W" * (longest["alias"] + 1)}
    assert client.post("/orders", data=more).status_code == 400


def test_an_order_names_the_other_orders_of_its_client_however_they_are_spelled(paired):
    client, _ = paired
    first = order(paired, "Rowan Birch", due="2027-03-01")
    assert "Also for this client" not in client.get(f"/orders/{first}").text
    second, _ = order(paired, "ROWAN  birch"), order(paired, "Rowan")
    page = client.get(f"/orders/{second}").text
    assert f"Also for this client: order {first} (due 2027-03-01)." in words(page)
    assert f'href="/orders/{first}"' in page
    assert f"Also for this client: order {second} ." in words(client.get(f"/orders/{first}").text)


def test_a_photo_of_the_cap_that_is_being_measured_again_is_offered_when_it_is_done(tmp_path):
    """Until then saving it would be refused, in words that the maker reads about the photo of the closure."""
    running = start(tmp_path, workers=1)
    client, token = pair(running)
    try:
        willow = order((client, token), "Willow", closure="5x5", block="57.8cm")
        cap, _ = measured((client, token), photo_bytes("slow"), order=willow, stage="cap")
        to, page = measured((client, token), photo_bytes("hidden"), order=willow)
        offer = "is not saved, so it was not used here"
        assert offer in page
        client.post(f"{cap}/once-more", data={"token": token})
        assert offer not in words(client.get(to).text)
        answer = client.post(f"{to}/cap", data={"token": token})
        assert client.get(f"{cap}/state").json()["state"] != "done"  # so that all this was in time
        assert (answer.status_code, answer.headers.get("location")) == (303, to)
        wait_for(client, cap)
        assert offer in words(client.get(to).text)
    finally:
        client.close()
        running.stop()


@pytest.mark.parametrize(
    ("path", "form", "says", "keeps"),
    [
        ("/card/bars", {"card": "small", "across": "80", "down": "49.8"}, "too far from 50", "80"),
        (
            "/tolerances",
            {"offset_mm_low": "47", "offset_mm_high": "-5"},
            "Off centre: 47 to -5 mm is the wrong way",
            "47",
        ),
        ("/tolerances", {"risk": "70"}, "Risk of a wrong pass: 70 % is not possible. Write 0.01 to 50 %.", "70"),
        ("/tolerances", {"aim": "20"}, "lies outside the hairline's own limits, 6 to 13 mm", "20"),
        (
            "/tolerances",
            {"clearance_left_mm_high": "6.5", "clearance_right_mm_low": "7.25"},
            "one begins at 7.25 mm, another ends at 6.5.",
            "7.25",
        ),
        ("/tolerances", {"skew_deg_low": "none"}, "“none” is not a number", "none"),
    ],
)
def test_a_refused_form_says_why_and_keeps_what_was_typed(bench, paired, path, form, says, keeps):
    from placecheck.page import limits

    client, token = paired
    if path == "/tolerances":
        shown = limits.shown(bench.home)
        pairs = {f"{n}_{end}": v for n, p in shown["limits"].items() for end, v in zip(("low", "high"), p, strict=True)}
        form = pairs | {"aim": "10", "risk": "5"} | form
    refused = client.post(path, data={"token": token, **form})
    assert refused.status_code == 400
    assert says in html.unescape(words(refused.text))
    assert f'value="{keeps}"' in refused.text
    assert "[" not in words(refused.text)


def test_a_refused_soft_tape_keeps_what_was_typed_and_a_fraction_is_inches(paired):
    client, token = paired
    to, _ = measured(paired, photo_bytes("hidden"))
    refused = client.post(f"{to}/taped", data={"token": token, "taped_left": "9", "taped_middle": "3/8 feet"})
    assert refused.status_code == 400
    assert 'value="3/8 feet"' in refused.text
    assert 'name="taped_left" value="9"' in refused.text
    assert "such as 3/8 in, 1cm or 10mm" in words(refused.text)
    client.post(f"{to}/taped", data={"token": token, "taped_left": "9", "taped_middle": "3/8"})
    wait_for(client, to)
    number = saved(paired, to)
    assert "Soft tape: left 9.0 mm, middle 9.5 mm." in words(client.get(f"/records/{number}").text)


def test_guidelines_name_all_that_is_missing_and_lead_back(paired):
    client, _ = paired
    number = order(paired, "Willow", block="22 1/2")  # a fraction alone is inches, here too
    page = words(client.get(f"/orders/{number}").text)
    assert "Guidelines also need front to nape, nape width, ear to ear and the closure: add them" in page
    assert "Guidelines, Letter" not in page
    refused = client.get(f"/orders/{number}/guidelines.pdf")
    assert f'href="/orders/{number}">Back' in refused.text
    assert "front to nape, nape width, ear to ear and the closure" in words(refused.text)
    assert client.get(f"/orders/{number}/sheet-letter.pdf").content[:5] == b"%PDF-"


def test_the_orders_page_gives_the_marks_of_the_bench_sheet(bench, paired):
    from placecheck.fitting.block_marks import marks_for, ways_of
    from placecheck.orders.files import OrderFiles

    client, _ = paired
    number = order(paired, "Willow", block="57.8cm", front_to_nape="36cm", nape_width="12cm", ear_to_ear="33cm")
    page = words(client.get(f"/orders/{number}").text)
    found = marks_for(next(o for o in OrderFiles(bench.home / "orders").all()[0] if o.label == number)).marks
    for mark in found.values():
        if mark.name != "crown":
            assert all(text in page for text in ways_of(mark).values()), mark.label


def test_a_filter_with_no_match_says_so(paired):
    client, _ = paired
    assert "Nothing is saved here yet" in client.get("/records", params={"order": "zzz"}).text
    to, _ = measured(paired, photo_bytes("pass"))
    saved(paired, to)
    page = client.get("/records", params={"order": "zzz"}).text
    assert "No record matches this filter" in page
    assert "Nothing is saved here yet" not in page


@NEEDS_CHROMIUM
def test_another_order_on_the_phone_brings_its_own_fields_or_none(phone, bench, paired, tmp_path):
    willow = order(paired, "Willow", closure="2x6", block="57.8cm", maker="Rowan")
    hazel = order(paired, "Hazel")
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(photo_bytes("pass"))
    phone.goto(f"{bench.url}/?order={willow}")
    phone.click("details.asked > summary")
    phone.click("details.others summary")
    phone.select_option("#front", "bottom")
    assert "face at the bottom" in phone.locator("details.asked > summary").inner_text()
    phone.select_option("#stage", "cap")
    assert "Chalk it longer" in phone.locator(".hints:visible").inner_text()
    assert "middle of the closure" not in phone.locator(".hints:visible").inner_text()
    assert phone.locator("legend").is_hidden()
    phone.select_option("#stage", "stitches")
    assert "straight above" in phone.locator(".hints:visible").inner_text()
    assert phone.locator("#block").is_hidden()
    phone.select_option("#order", hazel)
    assert phone.locator("#stage").input_value() == "cap"
    assert phone.locator("#front").input_value() == ""  # it was told of another photo
    assert "face" not in phone.locator("details.asked > summary").inner_text()
    phone.select_option("#front", "left")
    phone.select_option("#order", "")
    assert phone.locator("#front").input_value() == ""
    phone.select_option("#order", willow)
    assert phone.locator("#maker").input_value() == "Rowan"
    phone.select_option("#order", hazel)
    assert phone.locator("#maker").input_value() == ""
    phone.fill("#maker", "Cy")
    phone.select_option("#order", willow)
    assert phone.locator("#maker").input_value() == "Cy"  # typed here
    phone.select_option("#order", hazel)
    phone.click("text=The closure is on already")
    assert phone.locator("#stage").input_value() == "pinned"
    assert phone.locator("text=The closure is on already").is_hidden()
    assert phone.evaluate("document.activeElement.localName") == "summary"
    assert phone.locator("[name=closure]:checked").count() == 0
    assert phone.locator("#block").input_value() == ""
    phone.click("details.asked > summary")
    phone.set_input_files("input[capture]", photo)
    assert phone.locator("#block").is_visible()  # what is lacking is shown, and nothing was sent
    assert phone.locator(".progress").is_hidden()
    phone.locator(".chip", has_text="4x4").click()
    phone.fill("#block", "23 1/2")
    phone.set_input_files("input[capture]", photo)
    phone.wait_for_selector(".verdict.pass")
    phone.go_back()
    assert phone.locator("#front").input_value() == ""


@NEEDS_CHROMIUM
def test_nothing_is_wider_than_the_phone(phone, bench, paired):
    link = "https://example.org/" + 160 * "x"
    number = order(paired, "Willow", closure="5x5", block="57.8cm", note=link)
    to, _ = measured(paired, photo_bytes("laced"), order=number, stage="cap")
    long = order(paired, 40 * "w", closure="5x5", block="57.8cm", maker=40 * "m")
    saved(paired, measured(paired, photo_bytes("pass"), order=long)[0])
    for path in (f"/orders/{number}", "/records?since=2026-01-01", to, f"{to}/correct", "/orders", f"/orders/{long}"):
        phone.goto(bench.url + path)
        no_sideways(phone)


@NEEDS_CHROMIUM
def test_a_name_from_right_to_left_turns_nothing_beside_it(phone, bench, paired):
    """“5x5” after it was read as “5 name x5”."""
    name = "\u05e2\u05e8\u05d1\u05d4"
    number = order(paired, name, closure="5x5", block="57.8cm", maker=name)
    saved(paired, measured(paired, photo_bytes("pass"), order=number)[0])
    phone.goto(f"{bench.url}/records")
    pieces = """(about) => {
        const range = document.createRange(), text = about.firstChild, at = text.data.indexOf("5x5");
        range.setStart(text, at);
        range.setEnd(text, at + 3);
        return range.getClientRects().length;
    }"""
    assert phone.locator(".list a > span").first.evaluate(pieces) == 1
    phone.goto(bench.url)
    assert phone.locator(f"#order option[value='{number}']").inner_text() == f"{number} \u2068{name}\u2069 · 5x5"


@NEEDS_CHROMIUM
def test_a_photo_is_sent_once_the_computer_is_back(tmp_path, browser):  # noqa: F811
    """One that was switched off: the phone's own network never went away, so the browser tells the page nothing."""
    running = start(tmp_path)
    context = browser.new_context(viewport=PHONE)
    page = context.new_page()
    try:
        page.goto(f"{running.url}/pair#{running.code.replace('-', '')}")
        page.wait_for_url(f"{running.url}/")
        page.locator(".chip", has_text="5x5").click()
        page.fill("#block", "22.75in")
        running.kill()
        (photo := tmp_path / "photo.jpg").write_bytes(photo_bytes("pass"))
        page.set_input_files("input[capture]", photo)
        page.wait_for_selector(".notice:not([hidden]) >> text=it is sent when the connection is back")
        running = start(tmp_path, running.port)
        page.wait_for_selector(".verdict.pass")
    finally:
        context.close()
        running.stop()


@NEEDS_CHROMIUM
def test_back_shows_one_order_and_what_is_its_own(phone, bench, paired):
    """A browser restores some fields of a page that it goes back to and leaves others as the server sent them."""
    willow = order(paired, "Willow", closure="6x6", block="22 3/4in")
    alder = order(paired, "Alder", closure="5x5", block="23in")
    measured(paired, photo_bytes("pass"), order=willow, closure="6x6", block="22 3/4in")  # the last one used
    phone.goto(bench.url)
    phone.select_option("#order", alder)
    summary = phone.locator("details.asked > summary")
    assert summary.inner_text() == "Cap alone, block 23in"
    phone.click("nav >> text=Orders")
    phone.wait_for_selector("h1:has-text('Orders')")
    phone.go_back()
    phone.wait_for_selector("#order")
    assert phone.locator("#order").input_value() == alder
    assert phone.locator("[name=closure]:checked").input_value() == "5x5"
    assert phone.locator("#block").input_value() == "23in"
    assert summary.inner_text() == "Cap alone, block 23in"
    phone.select_option("#order", "")
    assert phone.locator("#block").input_value() == ""  # no client's
    phone.click("nav >> text=Orders")
    phone.wait_for_selector("h1:has-text('Orders')")
    phone.go_back()
    phone.wait_for_selector("#order")
    assert phone.locator("#order").input_value() == ""


@NEEDS_CHROMIUM
def test_a_page_that_is_gone_back_to_as_it_was_left_is_asked_anew(phone, bench, paired, tmp_path):
    """Some browsers keep the page itself, with what was chosen for the photo before and the bar of its sending."""
    willow = order(paired, "Willow", closure="5x5", block="57.8cm")
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(photo_bytes("pass"))
    gone_back = "dispatchEvent(new PageTransitionEvent('pageshow', { persisted: true }))"
    phone.goto(f"{bench.url}/?order={willow}&stage=pinned")
    phone.click("details.asked > summary")
    phone.click("details.others summary")
    phone.select_option("#front", "bottom")
    phone.route("**/photos", lambda route: route.abort())
    phone.set_input_files("input[capture]", photo)
    phone.wait_for_selector(".retry:visible")
    phone.evaluate(gone_back)
    phone.wait_for_timeout(300)
    assert phone.locator(".retry").is_visible()  # the photo still waits, and is asked as it was
    assert phone.locator("#front").input_value() == "bottom"
    phone.unroute("**/photos")
    phone.route("**/photos", lambda route: route.fulfill(json={"to": "#sent"}))  # so that the page stays
    phone.click(".retry")
    until(phone, "location.hash === '#sent'")
    with phone.expect_navigation():
        phone.evaluate(gone_back)
    assert phone.locator(".take .button.go").is_visible()
    assert phone.locator(".progress").is_hidden()
    assert phone.locator("#front").input_value() == ""


@NEEDS_CHROMIUM
def test_back_to_the_class_form_mixes_nothing(phone, bench, paired):
    phone.goto(f"{bench.url}/class")
    phone.locator(".chip", has_text="4x4").click()
    phone.fill("#block", "23in")
    phone.click("nav >> text=Orders")
    phone.wait_for_selector("h1:has-text('Orders')")
    phone.go_back()
    phone.wait_for_selector("#block")
    assert phone.locator("#block").input_value() == ""
    assert phone.locator("[name=closure]:checked").count() == 0


@NEEDS_CHROMIUM
@pytest.mark.parametrize("path", ["/", "/class"])
def test_enter_sends_nothing_while_no_photo_is_chosen(phone, bench, path):
    sent = []
    phone.on("request", lambda request: sent.append(request.url) if request.method == "POST" else None)
    phone.goto(bench.url + path)
    phone.locator(".chip", has_text="5x5").click()
    phone.fill("#block", "22 3/4")
    phone.press("#block", "Enter")
    phone.wait_for_timeout(300)
    assert sent == []
    assert phone.url == bench.url + path
    assert phone.locator("#block").input_value() == "22 3/4"
    assert phone.locator("[name=closure]:checked").input_value() == "5x5"


def test_a_photo_is_compared_with_none_of_another_order(paired):
    willow, alder = (order(paired, alias, closure="5x5", block="57.8cm") for alias in ("Willow", "Alder"))
    to, _ = measured(paired, photo_bytes("fix"), order=willow)
    before = to.rsplit("/", 1)[1]  # what "New photo" puts into the form
    assert "Since the last photo" not in measured(paired, photo_bytes("pass"), order=alder, previous=before)[1]
    assert "Since the last photo" in measured(paired, photo_bytes("pass"), order=willow, previous=before)[1]


def test_a_quick_check_is_compared_with_its_own_block_and_closure_and_says_with_which_photo(paired):
    def since(**form: str) -> list[str]:
        page = measured(paired, photo_bytes("pass"), **{"closure": "5x5", "block": "57.8cm"} | form)[1]
        return re.findall(r"Since the last photo , today \d+:\d\d", page)

    to, _ = measured(paired, photo_bytes("fix"), closure="5x5", block="57.8cm")
    before = to.rsplit("/", 1)[1]
    assert since(previous=before, block="56cm") == []
    assert since(previous=before, closure="4x4") == []
    assert since(previous="", block="55cm") == []
    assert len(since(previous=before)) == 1
    assert len(since(previous=before, block="578mm", closure="5 x 5 in")) == 1  # the same, said otherwise
    assert len(since(previous="", block="578 mm")) == 1


IN_VIEW = """(message) => {
    const { left, top, right, bottom } = message.getBoundingClientRect();
    const seen = (y) => message.contains(document.elementFromPoint((left + right) / 2, y));
    return top >= 0 && bottom <= innerHeight && seen(top + 3) && seen(bottom - 3);
}"""


@NEEDS_CHROMIUM
def test_a_refusal_is_in_view_and_its_address_leads_back(phone, bench, paired):
    to, _ = measured(paired, photo_bytes("hidden"))
    phone.goto(bench.url + to)
    phone.fill("[name=taped_left]", "9 feet")
    phone.click("text=Judge with the tape")
    message = phone.locator("p.notice", has_text="9 feet")
    message.wait_for()
    phone.wait_for_timeout(300)
    assert phone.evaluate("scrollY") > 500
    assert message.evaluate(IN_VIEW)
    assert message.evaluate("(m) => m === document.activeElement")
    phone.goto(phone.url)  # opened anew, as by a touch into the address
    assert phone.url == bench.url + to
    phone.goto(f"{bench.url}/card")
    phone.fill("#smallacross", "80")
    phone.fill("#smalldown", "49.8")
    phone.press("#smalldown", "Enter")
    message = phone.locator("p.notice", has_text="too far from 50")
    message.wait_for()
    phone.wait_for_timeout(300)
    assert message.evaluate(IN_VIEW)
    phone.goto(phone.url)
    assert phone.url == f"{bench.url}/card"
    phone.goto(f"{bench.url}/orders/new")
    phone.fill("#alias", "Willow")
    phone.fill("#circumference", "57")
    phone.press("#circumference", "Enter")
    message = phone.locator("p.notice", has_text="did you mean 57cm?")
    message.wait_for()
    assert message.evaluate("(m) => m === document.activeElement")


@NEEDS_CHROMIUM
def test_the_shops_own_limits_are_not_gone_by_one_touch(phone, bench):
    """“Back to common practice” stood below “Keep these limits” whoever had changed one or not."""
    back = phone.locator("button", has_text="Back to common practice")
    phone.goto(f"{bench.url}/tolerances")
    assert back.count() == 0
    phone.fill("[name=aim]", "9")
    phone.click("text=Keep these limits")
    phone.wait_for_selector("text=These are your own")
    assert back.is_hidden()
    phone.click("text=Forget them")
    back.click()
    phone.wait_for_selector("text=common practice of the trade")
    assert phone.locator("[name=aim]").input_value() == "10"


def test_the_address_of_a_form_leads_to_what_it_is_of(paired):
    client, _ = paired
    to, _ = measured(paired, photo_bytes("pass"))
    for path, leads in ((f"{to}/taped", to), (f"{to}/save", to), ("/card/bars", "/card"), ("/photos", "/")):
        answer = client.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, leads)
