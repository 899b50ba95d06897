"""The intake page in a real Chromium: small screens, lost connections, no script, and axe-core."""

import re
from contextlib import contextmanager

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.db import connections
from playwright.sync_api import expect

from clients.rule_files import shipped_rule_set
from services.models import Intake
from spa_ops.unit.work import reading
from tests.world import BUSINESS

pytestmark = [pytest.mark.acceptance, pytest.mark.xdist_group("pages")]

BROW = shipped_rule_set().questions_for("hard_wax", "brow")
SENT = re.compile("/sent$")
#: WCAG 2.2, 1.4.10 Reflow: no scrolling in two directions at 320 CSS px; 360 x 740 is a common phone.
WIDTHS = [360, 320]


def answer_no(page, but=()):
    for question in BROW:
        if question.id not in but:
            page.locator(f"#q-{question.id}-no").check()
    page.locator("#consent").check()


def press_send(page):
    page.get_by_role("button", name="Send my answers").click()


def kept(visit):
    with reading(BUSINESS):
        return Intake.objects.filter(visit_id=visit["id"]).count()


def typed(page):
    return page.evaluate("[...new FormData(document.querySelector('form'))]")


def check_seen(page):
    """Nothing is wider than the screen, and axe-core finds nothing serious or critical."""
    width = page.viewport_size["width"]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate("window.visualViewport.scale") == 1
    found = Axe().run(page).response["violations"]
    assert [
        (v["id"], n["html"])
        for v in found
        if v["impact"] in {"serious", "critical"}
        for n in v["nodes"]
    ] == []


def check_targets(page):
    """What is tapped is 44 CSS px high (WCAG 2.2, 2.5.5 Target Size (Enhanced); 2.5.8 asks for 24)."""
    small = page.evaluate(
        "[...document.querySelectorAll('label.pick, select, textarea, button, input:not([type=radio]):not([type=checkbox])')]"
        ".filter((e) => e.checkVisibility() && e.getBoundingClientRect().height < 44).map((e) => e.outerHTML)"
    )
    assert small == []


@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (320, "dark")])
def test_every_state_fits_a_small_screen_and_can_be_read(visit, opened, width, scheme):
    page = opened(visit["url"], width=width, color_scheme=scheme, is_mobile=True, has_touch=True)
    check_seen(page)
    press_send(page)
    expect(page.locator("#summary")).to_be_focused()
    expect(page.locator("#summary h2")).to_be_in_viewport()
    check_seen(page)
    # Everything that can be opened is open.
    for gate in page.locator("input.opens[type=radio]").all():
        gate.check()
    for kind in page.locator("input.opens[type=checkbox]").all():
        kind.check()
    for n, when in enumerate(page.locator("select[name$=-when]").all()):
        when.select_option(["day", "month", "year", "weeks_ago"][n % 4])
    check_seen(page)
    check_targets(page)
    press_send(page)
    expect(page.locator("#summary")).to_be_focused()
    check_seen(page)
    answer_no(page)
    press_send(page)
    expect(page).to_have_url(SENT)
    check_seen(page)
    assert kept(visit) == 1


def test_the_summary_leads_to_what_is_wrong(visit, opened):
    page = opened(visit["url"])
    answer_no(page, but={"sun"})
    press_send(page)
    page.locator("#summary a").click()
    expect(page.locator("#q-sun-yes")).to_be_focused()
    expect(page.locator("#q-sun-yes")).to_be_in_viewport()
    assert kept(visit) == 0


def test_a_reload_loses_nothing_that_was_typed(visit, opened):
    page = opened(visit["url"])
    page.locator("#q-new_medicine-yes").check()
    page.locator("#k-new_medicine-medicine-details-blood_thinner").check()
    page.locator("#k-new_medicine-medicine-still").select_option("yes")
    page.locator("#k-new_medicine-medicine-when").select_option("weeks_ago")
    page.locator("#k-new_medicine-medicine-ago").fill("3")
    page.locator("#q-sun-ask").check()
    page.locator("#note").press_sequentially("Half a sent")
    before = typed(page)
    assert len([value for _, value in before if value]) == 7
    expect(page.locator("#state")).to_contain_text("kept in this browser")
    page.reload()
    assert typed(page) == before
    expect(page.locator("#k-new_medicine-medicine-ago")).to_be_visible()
    expect(page.locator("#state")).to_contain_text("Not sent yet")
    assert kept(visit) == 0


def test_what_was_typed_is_kept_for_its_own_link_and_until_it_is_sent(visit, opened, call):
    page = opened(visit["url"])
    answer_no(page)
    page.locator("#note").fill("marzipan")
    made = call("freya").post(f"visits/{visit['id']}/intake-link").body["url"]
    page.goto(visit["url"].partition("/intake/")[0] + made.removeprefix("http://testserver"))
    assert [value for _, value in typed(page) if value] == []
    answer_no(page)
    press_send(page)
    expect(page).to_have_url(SENT)
    # The older link is over: opening it clears what was typed there.
    page.goto(visit["url"])
    assert page.evaluate("localStorage.length") == 0


def test_a_connection_that_drops_while_sending_sends_it_once_when_it_is_back(visit, opened):
    page = opened(visit["url"])
    answer_no(page)
    page.context.set_offline(True)
    press_send(page)
    state = page.locator("#state")
    expect(state).to_contain_text("Not sent yet: there is no connection")
    expect(state).to_be_in_viewport()
    assert kept(visit) == 0
    page.context.set_offline(False)
    expect(page).to_have_url(SENT)
    assert kept(visit) == 1
    assert page.evaluate("localStorage.length") == 0


def test_a_reply_that_was_lost_is_asked_for_again_and_counts_once(visit, opened):
    page, keys = opened(visit["url"]), []

    def lose(route):
        keys.append(route.request.headers["idempotency-key"])
        if len(keys) == 1:
            route.fetch(max_redirects=0)
            route.abort()
        else:
            route.continue_()

    page.route(lambda url: url.endswith(visit["url"].rpartition("/")[2]), lose)
    answer_no(page)
    press_send(page)
    expect(page.locator("#state")).to_contain_text("Not sent yet")
    assert kept(visit) == 1
    press_send(page)
    expect(page).to_have_url(SENT)
    assert len(keys) == 2
    assert len(set(keys)) == 1
    assert kept(visit) == 1


def test_pressing_twice_sends_once(visit, opened):
    page = opened(visit["url"])
    answer_no(page)
    page.get_by_role("button", name="Send my answers").dblclick()
    expect(page).to_have_url(SENT)
    assert kept(visit) == 1


def test_clearing_asks_first(visit, opened):
    page = opened(visit["url"])
    page.locator("#note").fill("marzipan")
    for take in ("dismiss", "accept"):
        page.once("dialog", lambda dialog, take=take: getattr(dialog, take)())
        page.locator("#forget").click()
        expect(page.locator("#note")).to_have_value("" if take == "accept" else "marzipan")
    page.reload()
    expect(page.locator("#note")).to_have_value("")


@pytest.mark.parametrize("width", WIDTHS)
def test_without_script_it_can_be_filled_in_mended_and_sent(visit, opened, width):
    page = opened(visit["url"], width=width, java_script_enabled=False)
    press_send(page)
    expect(page.locator("#summary")).to_be_visible()
    expect(page.locator("#forget")).to_be_hidden()
    answer_no(page, but={"new_medicine"})
    page.locator("#q-new_medicine-yes").check()
    page.locator("#k-new_medicine-medicine-details").check()
    page.locator("#k-new_medicine-medicine-when").select_option("day")
    press_send(page)
    expect(page.locator("#k-new_medicine-medicine-day-error")).to_be_visible()
    assert kept(visit) == 0
    page.locator("#k-new_medicine-medicine-day").fill("2026-05-01")
    press_send(page)
    expect(page).to_have_url(SENT)
    expect(page.get_by_role("main")).to_contain_text("Your answers have arrived")
    assert kept(visit) == 1


@contextmanager
def broken():
    """The links' table is away, as in the middle of a failed upgrade."""
    with connections["owner"].cursor() as cursor:
        cursor.execute("ALTER TABLE services_intake_link RENAME TO services_intake_link_away")
    try:
        yield
    finally:
        with connections["owner"].cursor() as cursor:
            cursor.execute("ALTER TABLE services_intake_link_away RENAME TO services_intake_link")


@pytest.mark.parametrize("width", WIDTHS)
def test_what_breaks_on_our_side_can_be_read_and_loses_nothing(visit, opened, width):
    page = opened(visit["url"], width=width)
    page.locator("#note").press_sequentially("Half a sent")
    expect(page.locator("#state")).to_contain_text("kept in this browser")
    with broken():
        page.reload()
        expect(page.get_by_role("main")).to_contain_text("What you typed is still in this browser")
        check_seen(page)
    page.get_by_role("link", name="Try again").click()
    expect(page.locator("#note")).to_have_value("Half a sent")
