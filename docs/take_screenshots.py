"""Take the README's screenshots from a running demo, light and dark, desktop and phone."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

SHOTS = Path(__file__).parent / "shots"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
DESKTOP = {"viewport": {"width": 1440, "height": 900}}
PHONE = {"viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True}


def main() -> int:
    SHOTS.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "demo.log"
        environ = os.environ | {"TERRACE_DATA_DIR": folder, "TERRACE_PORT": "8765"}
        with log.open("w") as out:
            server = subprocess.Popen([sys.executable, "-m", "app.cli", "demo"], env=environ, stderr=out)
        try:
            said = _wait_for(log)
            base = re.search(r"http://\S+:\d+", said)
            sign_in = re.search(r"http://\S+/sign-in/\S+", said)
            link = re.search(r"http://\S+/open/\S+", said)
            assert base is not None
            assert sign_in is not None
            assert link is not None
            _shoot(base.group(), sign_in.group(), link.group())
        finally:
            server.terminate()
            server.wait(20)
    return 0


def _wait_for(log: Path) -> str:
    deadline = time.monotonic() + 180
    while time.monotonic() < deadline:
        said = log.read_text()
        if "/open/" in said and "Stop with" in said:
            return said
        time.sleep(0.5)
    raise SystemExit("The demo did not start; its output: " + log.read_text()[-2000:])


def _shoot(base: str, sign_in: str, link: str) -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium") or "/usr/bin/chromium", args=FLAGS
        )
        coach = browser.new_context(**DESKTOP)
        page = coach.new_page()
        page.goto(sign_in)
        page.locator("button.primary").click()
        page.wait_for_load_state()
        state = coach.storage_state()
        lifter = page.get_by_role("link", name="Ana Petrescu", exact=True).get_attribute("href") or "/"
        phone = browser.new_context(**PHONE)
        page = phone.new_page()
        page.goto(link)
        page.get_by_role("button").first.click()
        page.wait_for_load_state()
        phone_state = phone.storage_state()
        for scheme in ("light", "dark"):
            with_coach = browser.new_context(**DESKTOP, storage_state=state, color_scheme=scheme)
            page = with_coach.new_page()
            for name, path, height in (
                ("roster", "/", 900),
                ("lifter", lifter, 1150),
                ("blocks", f"{lifter}/blocks/new", 700),
            ):
                page.set_viewport_size({"width": 1440, "height": height})
                page.goto(base + path)
                page.wait_for_timeout(2500)
                if name == "blocks":
                    page.get_by_label("Start from").select_option("library:strength-five-weeks")
                    page.get_by_role("button", name="Open it in the grid").click()
                    page.wait_for_timeout(1500)
                    name = "builder"
                page.screenshot(path=str(SHOTS / f"{name}-{scheme}.png"))
            with_phone = browser.new_context(**PHONE, storage_state=phone_state, color_scheme=scheme)
            page = with_phone.new_page()
            page.goto(base + "/today")
            page.wait_for_timeout(1500)
            page.screenshot(path=str(SHOTS / f"phone-{scheme}.png"))
        browser.close()


if __name__ == "__main__":
    sys.exit(main())
