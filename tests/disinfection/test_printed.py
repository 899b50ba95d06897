"""Labels, tags and marks to print: what stands on them, and that the code reads back."""

import re
from datetime import timedelta

import pytest
import zxingcpp
from PIL import Image, ImageDraw

from compliance.disinfection.rules.labels import initials
from spa_ops.kernel import clock
from tests.callers import Caller
from tests.disinfection.test_baths_api import mix, product
from tests.world import LAKE, uid

KIT = f"kits/{uid('brow kit 2')}"


def page(call, path, by="petra"):
    answer = call(by).get(path)
    assert answer.status_code == 200
    assert answer.headers["Content-Type"] == "text/html; charset=utf-8"
    return answer.content.decode()


def shown(html, term):
    found = re.search(rf"<dt>{term}</dt><dd>(.*?)</dd>", html, re.DOTALL)
    return found and found[1].strip()


def read_back(html):
    """What a reader makes of the drawn code: the runs of its path painted, then decoded by another library."""
    path = re.search(r'<path[^>]* d="([^"]+)"', html)[1]
    image = Image.new("L", (800, 800), 255)
    paint, x, y = ImageDraw.Draw(image), 0.0, 0.0
    for command, numbers in re.findall(r"([Mmh])([^Mmh]*)", path):
        values = [float(n) for n in re.findall(r"-?[0-9.]+", numbers)]
        if command == "h":
            paint.rectangle(
                [x * 8, (y - 0.5) * 8, (x + values[0]) * 8 - 1, (y + 0.5) * 8 - 1], fill=0
            )
            x += values[0]
        else:
            x, y = (values[0], values[1]) if command == "M" else (x + values[0], y + values[1])
    return [code.text for code in zxingcpp.read_barcodes(image)]


def test_the_label_says_what_is_in_the_container_until_when_and_who_mixed_it(call):
    bath = mix(call).body
    html = page(call, f"solutions/{bath['id']}/label")
    # 1.14, 1.15: the wording of 16 CCR 978(a)(4)-(5), and the name of the chemical on what holds it
    assert "<h1>Disinfectant Solution</h1>" in html
    assert shown(html, "Product") == "quaternary concentrate (quaternary ammonium compounds)"
    assert shown(html, "Registration number") == "INVENTED-1-1"
    assert shown(html, "Ratio") == "1 part of concentrate added to 16 of water"
    assert shown(html, "Mixed") == "2026-05-06 12:00"  # noon in Chicago
    assert shown(html, "Discard at").startswith("2026-05-06 19:00 at the latest")
    assert shown(html, "Contact time").startswith("10 min")
    assert shown(html, "Initials") == "P"
    assert "Do not use" not in html
    assert "never goes into the solution" in html


def test_the_label_of_a_bath_that_is_over_says_not_to_use_it(call):
    weak = mix(call, concentrate="1").body
    assert "Do not use: not as label" in page(call, f"solutions/{weak['id']}/label")


def test_a_label_printed_after_the_window_says_so_before_any_sweep_does(call, now):
    # Lake closes at 19:00, seven hours after this noon.
    label = f"solutions/{mix(call).body['id']}/label"
    with clock.stopped_at(now + timedelta(hours=7, seconds=-1)):
        assert "Do not use" not in page(call, label)
    with clock.stopped_at(now + timedelta(hours=7)):
        assert "Do not use: its time is over" in page(call, label)


def test_what_the_label_does_not_know_it_says(call):
    odd = product(call, name="<b>odd</b>", family="quat", strength_percent=None, contact_seconds=None,
                  parts_concentrate="2", parts_water="33.5", cautions="Keep & cool")["id"]  # fmt: skip
    bath = mix(call, product=odd, container="<i>jar</i>").body
    html = page(call, f"solutions/{bath['id']}/label")
    assert "<b>odd" not in html
    assert "<i>jar" not in html
    assert "Keep &amp; cool" in html
    assert shown(html, "Contact time") == "none on file: this clears nothing"
    assert shown(html, "Registration number") == "none on file"
    assert shown(html, "Ratio") == "2 parts of concentrate added to 33.5 of water"
    assert shown(html, "Strength") is None


def test_a_kits_tag_lists_its_pieces_and_its_code_reads_back(call):
    html = page(call, f"{KIT}/tag")
    assert shown(html, "Pieces") == "2"
    assert "brow kit 2 tweezers" in html
    assert "No label goes into solution" in html
    # Read by another library than the one that drew it; the text is a URN by RFC 9562.
    assert read_back(html) == [f"urn:uuid:{uid('brow kit 2')}"]


@pytest.mark.parametrize(
    ("name", "expected"), [("Ada Ba Ce De", "ABC"), ("ångström", "Å"), (" ", ""), ("Ada  Ba", "AB")]
)
def test_initials(name, expected):
    assert initials(name) == expected


def test_an_empty_kit_has_a_tag_too(call):
    made = call("lena").post(f"locations/{LAKE}/kits", {"name": "tray", "kind": "brow"}).body
    html = page(call, f"kits/{made['id']}/tag")
    assert "No implements in it yet" in html


def test_marks_for_soiled_clean_new_and_the_bath(call):
    # 1.14, 1.17, 3.01
    html = page(call, f"locations/{LAKE}/container-marks")
    marks = re.findall(r"<h1>(.*?)</h1>", html)
    assert marks == ["Disinfectant Solution", "Soiled", "Clean - Disinfected", "New"]


@pytest.mark.parametrize("path", [f"{KIT}/tag", f"locations/{LAKE}/container-marks"])
def test_nothing_is_printed_for_strangers(call, path):
    assert call("stranger").get(path).status_code == 404
    assert Caller().get(path).status_code == 401


# Several kits in one command --------------------------------------------------------------------


def batch(call, kind, kits=("brow kit 1", "brow kit 2"), **said):
    asked = {"kind": kind, "kit_ids": [str(uid(kit)) for kit in kits], **said}
    return call("petra").post(f"locations/{LAKE}/reprocessing", asked)


def test_several_kits_go_their_way_back_together(call, now):
    bath = mix(call).body
    done = None
    steps = [("washed", 0), ("rinsed", 10), ("dried", 20), ("immersed", 30), ("lifted", 630),
             ("rinsed", 640), ("dried", 700), ("stored", 710)]  # fmt: skip
    for kind, seconds in steps:
        said = {
            "immersed": {"agent_id": bath["id"], "fully_open": True},
            "stored": {"covered": True},
        }
        with clock.stopped_at(now + timedelta(seconds=seconds)):
            done = batch(call, kind, **said.get(kind, {}))
            assert done.status_code == 200, done.body
    assert [(k["name"], k["ready"]) for k in done.body["items"]] == [
        ("brow kit 1", True),
        ("brow kit 2", True),
    ]
    # Four pieces went in at one instant: one batch, one use.
    assert call("petra").get(f"solutions/{bath['id']}").body["uses"] == 1


def test_several_kits_or_none(call):
    lena, petra = call("lena"), call("petra")
    empty = lena.post(f"locations/{LAKE}/kits", {"name": "tray", "kind": "brow"}).body
    before = [petra.get(f"kits/{uid(k)}")["ETag"] for k in ("brow kit 1", "brow kit 2")]
    asked = {"kind": "washed", "kit_ids": [str(uid("brow kit 2")), empty["id"]]}
    refused = petra.post(f"locations/{LAKE}/reprocessing", asked)
    assert refused.body["type"] == "/problems/kit-empty"
    asked["kit_ids"][1] = str(uid("nothing"))
    assert petra.post(f"locations/{LAKE}/reprocessing", asked).status_code == 404
    assert petra.post(f"locations/{LAKE}/reprocessing", asked | {"kit_ids": []}).status_code == 422
    assert batch(call, "immersed").status_code == 422
    assert [petra.get(f"kits/{uid(k)}")["ETag"] for k in ("brow kit 1", "brow kit 2")] == before


def test_a_repeated_batch_is_recorded_once(call):
    asked = {"kind": "washed", "kit_ids": [str(uid("brow kit 2"))]}
    path = f"locations/{LAKE}/reprocessing"
    first, again = (call("petra").post(path, asked, Idempotency_Key="one batch") for _ in range(2))
    assert (first.body, again["Idempotency-Replayed"]) == (again.body, "true")
    events = call("petra").get(f"{KIT}/events").body["items"]
    assert len([e for e in events if e["kind"] == "washed"]) == 2
