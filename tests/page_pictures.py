"""The two screenshots of the README: `python tests/page_pictures.py PHOTO CLOSURE BLOCK FOLDER`.

Starts a bench page with the real checker on an empty home, pairs a phone of 360 px, sends the photo, and
writes page-360.png (the verdict on the phone) and page-1280.png (the same check on a desktop) to the folder.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
from tests.page_bench import start


def main() -> None:
    from playwright.sync_api import sync_playwright

    photo, closure, block, folder = sys.argv[1], sys.argv[2], sys.argv[3], Path(sys.argv[4])
    with tempfile.TemporaryDirectory() as home, sync_playwright() as playwright:
        server = start(Path(home), checker="placecheck.page.checking:Checker", check_s=60)
        try:
            browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 360, "height": 740}, device_scale_factor=2)
            page.goto(f"{server.url}/pair#{server.code.replace('-', '')}")
            page.wait_for_url(f"{server.url}/")
            page.click("details.others summary")
            page.fill("#closure_other", closure)
            page.fill("#block", block)
            page.set_input_files("input[capture]", photo)
            page.wait_for_selector(".verdict", timeout=60_000)
            page.wait_for_load_state("networkidle")
            folder.mkdir(parents=True, exist_ok=True)
            page.screenshot(path=folder / "page-360.png")
            desktop = browser.new_page(viewport={"width": 1280, "height": 860})
            desktop.context.add_cookies(page.context.cookies())
            desktop.goto(page.url)
            desktop.wait_for_load_state("networkidle")
            desktop.screenshot(path=folder / "page-1280.png")
            browser.close()
        finally:
            server.stop()


if __name__ == "__main__":
    main()
