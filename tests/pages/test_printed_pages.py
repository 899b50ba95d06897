"""The lists, labels and tags to print, in a real Chromium: readable for everybody, on paper and on a phone."""

import re
from decimal import Decimal

import pytest
from axe_playwright_python.sync_playwright import Axe

from compliance.disinfection import actions as disinfection
from spa_ops.kernel.actor import system_actor
from tests.services.day import book, line
from tests.world import BUSINESS, LAKE, uid
from tests.world_rooms import ML

#: In CSS pixels: some five letters of the pages' size.
NARROWEST = 40


@pytest.fixture
def bath(address, now) -> str:
    """A soak solution in a jar."""
    made = disinfection.mix_solution(
        actor=system_actor(BUSINESS), now=now, location_id=LAKE, product_id=uid("quat"), container="jar 1",
        concentrate=(Decimal(60), ML), water=(Decimal(960), ML),
    )  # fmt: skip
    return str(made.id)


def _pages(call, now, bath: str) -> dict[str, str]:
    assert book(call, now, line(now)).status_code == 201
    place = f"locations/{LAKE}"
    paths = (
        f"solutions/{bath}/label", f"kits/{uid('brow kit 1')}/tag", f"{place}/container-marks",
        f"{place}/opening-list-page", f"{place}/closing-list-page", f"{place}/set-up-lists-page",
        f"{place}/hand-over-page",
    )  # fmt: skip
    found = {}
    for path in paths:
        answer = call("lena").get(path)
        assert answer.status_code == 200, (path, answer.content)
        found[path.rsplit("/", 1)[1]] = answer.content.decode()
    return found


def test_each_page_can_be_read_by_everybody_and_fits_paper_and_phone(browser, call, now, bath):
    page = browser.new_page()
    try:
        for name, html in _pages(call, now, bath).items():
            # A4 at 96 dots an inch less margins, and a small phone.
            for width in (680, 360):
                page.set_viewport_size({"width": width, "height": 900})
                page.set_content(html)
                wide = page.evaluate("document.documentElement.scrollWidth")
                assert wide <= width, (name, width, wide)
                # A column of single letters fits as well, and nobody can read it.
                cells = page.locator("th:visible, td:visible").evaluate_all(
                    "cells => cells.map(cell => [cell.textContent, cell.clientWidth])"
                )
                assert [cell for cell in cells if cell[1] < NARROWEST] == [], (name, width)
            assert re.findall("[a-z]_[a-z]+", page.inner_text("main")) == [], name
            bad = [
                v
                for v in Axe().run(page).response["violations"]
                if v["impact"] in {"serious", "critical"}
            ]
            assert bad == [], name
    finally:
        page.close()
