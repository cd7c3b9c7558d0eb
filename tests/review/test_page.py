"""The page in a real browser: headless Chromium, driven as a person would. Skipped without one."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from platebench.review.hand_over import private_page
from platebench.session.settings_file import load_session
from platebench.synthetic import simulate_plate

from ..processes import PATIENCE_S, wait_until
from ..session_files import BOX, CAMERA, EXPOSURE_S, PLATES
from .browsing import IN_A_BROWSER, open_plate
from .served import Served

pytestmark = IN_A_BROWSER
AXE = Path(__file__).parent / "axe" / "axe.min.js"


def test_all_plates_lie_there_in_order_and_the_keyboard_goes_through_them(page: Any) -> None:
    assert page.locator("#prints .id").all_text_contents() == ["dense", "wide"]
    page.wait_for_function(
        "() => [...document.querySelectorAll('#prints img')].every(i => i.naturalWidth)"
    )
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    page.wait_for_selector(".curve")
    assert page.inner_text("#plate-id") == "dense"
    page.keyboard.press("ArrowRight")
    page.wait_for_function("() => document.querySelector('#plate-id').innerText === 'wide'")
    page.keyboard.press("Escape")
    page.wait_for_selector("#prints:visible")
    assert page.evaluate("document.activeElement.innerText").startswith("wide")


def test_the_density_under_the_pointer_is_the_simulators(page: Any) -> None:
    simulation = simulate_plate(PLATES["wide"], BOX, CAMERA, exposure_s=EXPOSURE_S, seed=12)
    open_plate(page, "wide")
    page.keyboard.press("2")  # as captured: the truth is in the capture's own pixels
    page.wait_for_function("() => document.querySelector('input[value=captured]').checked")
    time.sleep(0.7)
    board = page.locator(".board").bounding_box()
    page.mouse.move(board["x"] + board["width"] / 2, board["y"] + board["height"] / 2)
    page.wait_for_selector(".cursor-reading strong")
    # the capture is shown whole and centred: the middle of the board is its middle
    rows, columns = simulation.transmittance.shape
    middle = simulation.transmittance[
        rows // 2 - 5 : rows // 2 + 5, columns // 2 - 5 : columns // 2 + 5
    ]
    truth = -np.log10(middle.mean())

    def told() -> float:
        return float(page.inner_text(".cursor-reading strong").removeprefix("D "))

    wait_until(lambda: abs(told() - truth) < 0.08)
    page.keyboard.press("o")
    wait_until(lambda: abs(told() - truth) < 0.08)


def test_a_rectangle_is_measured_by_dragging(page: Any) -> None:
    open_plate(page, "wide")
    time.sleep(0.7)
    page.keyboard.press("x")
    board = page.locator(".board").bounding_box()
    x, y = board["x"] + board["width"] / 2, board["y"] + board["height"] / 2
    page.mouse.move(x - 60, y - 40)
    page.mouse.down()
    page.mouse.move(x + 60, y + 40, steps=5)
    page.mouse.up()
    page.wait_for_function(
        "() => document.querySelector('.cursor-reading').innerText.includes('rectangle')"
    )
    said = page.inner_text(".cursor-reading")
    assert "mean of the rectangle" in said and "mm" in said and "its tones go from" in said


def test_a_rectangle_is_measured_by_keyboard_and_stays_on_its_place(page: Any) -> None:
    open_plate(page, "wide")
    time.sleep(0.7)
    page.keyboard.press("x")
    page.keyboard.press("o")
    page.wait_for_selector(".cursor-reading:has-text('rectangle')")
    before = page.locator(".drawn").bounding_box()
    page.keyboard.press("+")
    time.sleep(0.8)
    after = page.locator(".drawn").bounding_box()
    assert after["width"] / before["width"] == pytest.approx(1.5, rel=0.02)
    page.keyboard.press("Escape")
    assert page.locator(".drawn").count() == 0
    assert page.is_hidden(".cursor-reading")


def test_nothing_of_another_plate_stays_where_one_cannot_be_shown(
    browser: Any, table: Served, session: Path
) -> None:
    page = browser.new_page()
    page.goto(table.review.address + "#/plate/wide")
    page.wait_for_selector("#plate[data-version]")
    (session / "dense.dng").unlink()
    page.keyboard.press("ArrowLeft")
    page.wait_for_selector("#plate .flag:has-text('dense.dng')")
    assert page.inner_text("#plate-id") == "dense"
    assert page.evaluate("document.querySelector('fieldset.settings').disabled")
    assert page.locator(".curve").count() == 0
    page.keyboard.press("r")  # no key does anything to it
    page.keyboard.press("ArrowRight")
    page.wait_for_selector("#plate[data-version]")
    assert [plate.rotate for plate in load_session(session).plates] == [0, 0]
    page.close()


def test_a_note_is_about_the_plate_it_was_written_for(page: Any, session: Path) -> None:
    open_plate(page, "wide")
    page.locator("textarea").fill("a crack")
    page.evaluate("location.hash = '#/plate/dense'")
    page.wait_for_function("() => document.querySelector('#plate-id').innerText === 'dense'")
    wait_until(lambda: load_session(session).plates[1].note == "a crack")
    page.wait_for_selector("#plate[data-version]")
    assert page.locator("textarea").input_value() == ""
    assert load_session(session).plates[0].note == ""


def test_a_corner_dragged_is_in_the_file_and_can_be_undone(page: Any, session: Path) -> None:
    open_plate(page, "wide")
    page.keyboard.press("c")
    handle = page.wait_for_selector("[data-corner='2']")
    time.sleep(0.6)
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 30, y - 20, steps=5)
    page.wait_for_selector(".loupe img")
    page.mouse.up()
    wait_until(lambda: load_session(session).plates[1].corners is not None)
    corners = load_session(session).plates[1].corners
    page.keyboard.press("Control+z")
    wait_until(lambda: load_session(session).plates[1].corners is None)
    page.keyboard.press("Control+Shift+z")
    wait_until(lambda: load_session(session).plates[1].corners == corners)
    found = simulate_plate(PLATES["wide"], BOX, CAMERA, exposure_s=EXPOSURE_S, seed=12).corners
    moved = np.array(corners) - found
    assert np.abs(np.delete(moved, 2, axis=0)).max() < 1  # the others stayed
    assert moved[2][0] < -3 and moved[2][1] < -5  # this one went up and to the left


def test_corners_move_by_keyboard(page: Any, session: Path) -> None:
    open_plate(page, "wide")
    page.keyboard.press("c")
    page.wait_for_selector("[data-corner='0']:focus")
    time.sleep(0.4)
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Shift+ArrowRight")
    wait_until(lambda: load_session(session).plates[1].corners is not None)
    found = simulate_plate(PLATES["wide"], BOX, CAMERA, exposure_s=EXPOSURE_S, seed=12).corners
    first = np.array(load_session(session).plates[1].corners[0]) - found[0]
    assert first == pytest.approx([1, 10], abs=1)


def test_pictures_on_a_plate_are_drawn_moved_named_and_removed(page: Any, session: Path) -> None:
    def pictures() -> Any:
        return load_session(session).plates[1].pictures

    open_plate(page, "wide")
    page.click(".pictures button:has-text('Draw a picture')")
    page.wait_for_selector("[data-corner='0']:focus")
    assert [(one.id, one.box) for one in pictures()] == [("1", (0.3, 0.3, 0.4, 0.4))]
    time.sleep(0.6)
    handle = page.wait_for_selector("[data-corner='2']").bounding_box()
    x, y = handle["x"] + handle["width"] / 2, handle["y"] + handle["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 40, y + 20, steps=5)
    page.mouse.up()
    wait_until(lambda: pictures()[0].box != (0.3, 0.3, 0.4, 0.4))
    left, top, width, height = pictures()[0].box  # still a rectangle, its other corner in place
    assert (left, top) == pytest.approx((0.3, 0.3), abs=0.002) and width > 0.42 and height > 0.41
    page.wait_for_selector("[data-picture='1'] input")
    page.fill("[data-picture='1'] input", "The mill")
    page.keyboard.press("Tab")
    wait_until(lambda: pictures()[0].caption == "The mill")
    page.click("[data-picture='1'] button:has-text('Remove')")
    wait_until(lambda: pictures() == ())
    page.wait_for_selector("[data-picture]", state="detached")


def test_tone_turn_check_and_note_are_in_the_file(page: Any, session: Path) -> None:
    open_plate(page, "wide")
    before = page.get_attribute("#plate", "data-version")
    page.select_option("label:has-text('Tone') select", "softer")
    wait_until(lambda: load_session(session).plates[1].tone == "softer")
    page.wait_for_function(
        "v => document.querySelector('#plate').dataset.version !== v", arg=before
    )
    page.click("button[aria-label='Turn right by a quarter']")
    wait_until(lambda: load_session(session).plates[1].rotate == 90)
    page.locator("textarea").fill("chip, lower left")
    page.locator("textarea").press("Escape")
    wait_until(lambda: load_session(session).plates[1].note == "chip, lower left")
    page.keyboard.press(" ")
    wait_until(lambda: load_session(session).plates[1].checked)
    page.keyboard.press("d")
    wait_until(lambda: load_session(session).plates[1].print_stops == 0.1)
    page.keyboard.press("Escape")
    page.wait_for_selector("#prints .facts:has-text('looked at')")


def test_converting_from_the_page_makes_the_plates_new(page: Any, session: Path) -> None:
    positive = session / "converted" / "positives" / "wide.tif"
    before = positive.stat().st_mtime_ns
    open_plate(page, "wide")
    page.keyboard.press("m")
    wait_until(lambda: load_session(session).plates[1].emulsion == "light")
    page.click("#convert")
    page.wait_for_selector("#said:has-text('1 converted, 1 unchanged')", timeout=1000 * PATIENCE_S)
    assert positive.stat().st_mtime_ns != before


def test_a_change_on_disk_shows_in_the_page(page: Any, session: Path) -> None:
    file = session / "session.toml"
    file.write_text(
        file.read_text(encoding="utf-8").replace('title = "Test"', 'title = "By another hand"'),
        encoding="utf-8",
    )
    page.wait_for_selector("h1:has-text('By another hand')", timeout=1000 * PATIENCE_S)


@pytest.mark.parametrize("width", [1300, 820])
def test_nothing_stands_in_the_way_of_assistive_technology(page: Any, width: int) -> None:
    """axe-core's rules for WCAG 2.1 A and AA, on the prints, a plate and the dialog."""
    page.set_viewport_size({"width": width, "height": 1000})
    source = AXE.read_text(encoding="utf-8")

    def faults() -> list[str]:
        page.evaluate(source)  # not as a script element, which the page's own policy refuses
        found = page.evaluate(
            "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa',"
            " 'best-practice']})"
        )
        return [
            f"{fault['id']}: {fault['nodes'][0]['html'][:120]}" for fault in found["violations"]
        ]

    assert faults() == []
    open_plate(page, "wide")
    assert faults() == []
    page.keyboard.press("3")
    page.keyboard.press("c")
    page.wait_for_selector("[data-corner='0']")
    assert faults() == []
    page.keyboard.press("Escape")
    page.keyboard.press("?")
    page.wait_for_selector("#help[open]")
    assert faults() == []


def test_a_mouse_finds_the_way_back_and_onward(page: Any) -> None:
    assert page.is_hidden("#way")
    open_plate(page, "wide")
    for name in ("All plates", "Previous"):
        box = page.locator(f"#way >> text={name}").bounding_box()
        assert box["x"] >= 0 and box["y"] >= 0 and box["x"] + box["width"] <= 1300
    assert page.inner_text("#place") == "2 of 2" and page.is_disabled("#next")
    page.click("#previous")
    page.wait_for_function("() => document.querySelector('#plate-id').innerText === 'dense'")
    assert page.inner_text("#place") == "1 of 2" and page.is_disabled("#previous")
    page.click("#next")
    page.wait_for_function("() => document.querySelector('#plate-id').innerText === 'wide'")
    page.click("text=All plates")
    page.wait_for_selector("#prints:visible")
    assert page.is_hidden("#way")


def test_past_the_header_leaves_the_plate_open(page: Any) -> None:
    open_plate(page, "wide")
    page.focus("#past")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "plates"
    assert page.is_visible("#plate") and page.is_hidden("#prints")


@pytest.mark.parametrize("key", ["r", "l", "m", "d", "f"])
def test_a_change_that_the_capture_does_not_show_is_shown_in_the_positive(
    page: Any, key: str
) -> None:
    open_plate(page, "wide")
    page.keyboard.press("2")
    assert "As captured" in page.inner_text(".sign")
    before = page.get_attribute("#plate", "data-version")
    page.keyboard.press(key)
    page.wait_for_function(
        "v => document.querySelector('#plate').dataset.version !== v", arg=before
    )
    page.wait_for_selector("input[value=positive]:checked")
    assert page.is_hidden(".sign")
    page.keyboard.press("2")
    page.keyboard.press("Control+z")  # and so is taking it back
    page.wait_for_function(
        "v => document.querySelector('#plate').dataset.version === v", arg=before
    )
    page.wait_for_selector("input[value=positive]:checked")


def test_done_with_the_corners_the_view_of_before_is_back(page: Any) -> None:
    open_plate(page, "wide")
    page.keyboard.press("c")
    page.wait_for_selector("[data-corner='0']")
    assert "corners" in page.inner_text(".sign")
    page.keyboard.press("Escape")
    assert page.is_checked("input[value=positive]") and page.is_hidden(".sign")
    page.keyboard.press("3")
    page.keyboard.press("c")
    page.wait_for_selector("[data-corner='0']")
    page.keyboard.press("ArrowLeft")  # a key of the corner itself, not to the plate before
    page.keyboard.press("Escape")
    assert page.is_checked("input[value=density]")
    page.click("#previous")  # a view is kept, and told
    page.wait_for_function("() => document.querySelector('#plate').dataset.version")
    assert "Density" in page.inner_text(".sign")


def test_the_reading_follows_another_view_under_a_pointer_at_rest(page: Any) -> None:
    open_plate(page, "wide")
    time.sleep(0.7)
    board = page.locator(".board").bounding_box()
    with page.expect_request(lambda asked: "reading?layer=positive" in asked.url):
        page.mouse.move(board["x"] + board["width"] / 2, board["y"] + board["height"] / 2)
    with page.expect_request(lambda asked: "reading?layer=captured" in asked.url):
        page.keyboard.press("2")


def test_a_print_negative_is_shown_with_its_files_and_cautions(page: Any, session: Path) -> None:
    open_plate(page, "wide")
    page.click("#more summary")
    page.click("text=Print negative…")
    page.select_option("#ask label:has-text('process') select", "salted-paper")
    page.click("#ask button.main")
    page.wait_for_selector("#made:visible", timeout=1000 * PATIENCE_S)
    page.wait_for_function("() => document.querySelector('#made img').naturalWidth > 0")
    said = page.inner_text("#made")
    assert "ot calibrated" in said and "Silver nitrate: " in said and "Cautions" in said
    names = page.locator("#made .files a").all_inner_texts()
    assert sorted(Path(name).suffix for name in names) == [".jpg", ".json", ".pdf", ".tif"]
    for link, name in zip(page.locator("#made .files a").all(), names, strict=True):
        got = page.request.get(link.evaluate("one => one.href"))
        assert got.body() == (session / "print-negatives" / name).read_bytes()
    page.set_viewport_size({"width": 800, "height": 900})  # long addresses break there too
    assert page.evaluate("made.scrollWidth <= made.clientWidth")
    about, close = (page.locator(f"#made > {part}").bounding_box() for part in (".about", "button"))
    assert about["x"] + about["width"] <= close["x"]
    assert page.evaluate("(one => one.scrollWidth <= one.clientWidth)(made.children[1])")
    page.click("#made > button")
    assert page.is_hidden("#made")


def test_a_size_that_the_shape_gainsays_is_put_right_in_the_page(page: Any, session: Path) -> None:
    open_plate(page, "wide")
    page.select_option("label:has-text('Plate size') select", "13x18 cm")
    page.wait_for_selector("#plate .facts:has-text('13x18 cm')")  # not what it was converted as
    page.click("button:has-text('It is 9x12 cm')")
    wait_until(lambda: load_session(session).plates[1].format == "9x12 cm")
    page.wait_for_selector("#plate .flag:has-text('in shape')", state="detached")


@pytest.mark.parametrize(("thinnest", "densest"), [(0.05, 0.4), (0.2, 1.4), (0.7, 3.4), (2.9, 3.5)])
def test_the_names_in_the_chart_are_whole_and_apart(
    page: Any, thinnest: float, densest: float
) -> None:
    open_plate(page, "wide")
    boxes = page.evaluate(
        """async ([base_fog, d_max]) => {
          const address = [...document.scripts].find((one) => one.type === "module").src;
          const { Curve } = await import(new URL("curve.js", address));
          const told = { base_fog, d_max, density_range: 1, counts: [1], bins_from: 0, bin: 0.1 };
          const chart = new Curve({});
          document.querySelector(".curve").replaceWith(chart.element);
          const more = { fog_seen: false, black_at: base_fog, white_at: d_max, curve: [] };
          chart.show({ ...told, ...more }, { stops: 0, contrast: 1 });
          const texts = [...chart.element.querySelectorAll("text")];
          const named = texts.filter((one) => /^(thinnest|Dmax)$/.test(one.textContent));
          return named.map((one) => one.getBBox()).map((box) => [box.x, box.x + box.width]);
        }""",
        [thinnest, densest],
    )
    first, second = sorted(boxes)
    assert first[0] >= 0 and second[1] <= 360 and first[1] <= second[0]


def test_a_number_that_rounds_to_nothing_has_no_sign(page: Any) -> None:
    """ECMA-262, Number.prototype.toFixed, keeps it: (-0.001).toFixed(2) is "-0.00"."""
    told = page.evaluate(
        """async () => {
          const address = [...document.scripts].find((one) => one.type === "module").src;
          const { fixed, density } = await import(new URL("make.js", address));
          return [fixed(-0.001, 2), fixed(-0.04, 0), fixed(-10, 1), density(-0.004)];
        }"""
    )
    assert told == ["0.00", "0", "-10.0", "0.00"]


def test_the_page_that_only_its_owner_can_read_leads_to_the_table(
    browser: Any, table: Served
) -> None:
    address = table.review.address
    with private_page(address) as leading:
        page = browser.new_page()
        page.goto(leading.as_uri())
        page.wait_for_selector("#prints img")
        assert page.url.startswith(address)
        assert page.evaluate("document.referrer") == ""
        page.close()
    assert table.review.entered.is_set()


def test_the_report_looks_the_same_from_the_page_and_from_disk(
    browser: Any, table: Served, session: Path
) -> None:
    report = session / "converted" / "report.html"
    assert report.is_file()
    looks = []
    for address in (f"{table.review.address}output/report.html", report.as_uri()):
        page = browser.new_page()
        complaints: list[str] = []
        page.on("console", lambda said, to=complaints: to.append(said.text))
        page.on("pageerror", lambda error, to=complaints: to.append(str(error)))
        page.goto(address)
        page.wait_for_function("() => [...document.images].every(i => i.naturalWidth)")
        looks.append(
            page.evaluate(
                "[getComputedStyle(document.body).backgroundColor, document.images.length,"
                " getComputedStyle(document.querySelector('article')).display]"
            )
        )
        assert page.evaluate(
            "() => { const one = document.createElement('script'); one.text = 'window.ran = 1';"
            " document.body.append(one); return window.ran === undefined; }"
        )
        assert [said for said in complaints if "script" not in said] == []
        page.close()
    assert looks[0] == looks[1] == ["rgb(243, 243, 243)", 2, "grid"]  # #f3f3f3, two plates


def test_the_picture_is_drawn_on_the_positive_and_the_rest_dimmed(page: Any, session: Path) -> None:
    open_plate(page, "wide")
    page.wait_for_function("() => document.querySelector('.deep canvas')")
    page.click("button:has-text('Draw the rectangle')")
    board = page.query_selector(".board").bounding_box()
    middle = board["x"] + board["width"] / 2, board["y"] + board["height"] / 2
    page.mouse.move(middle[0] - 100, middle[1] - 60)
    page.mouse.down()
    page.mouse.move(middle[0] + 100, middle[1] + 60, steps=4)
    page.mouse.up()
    page.wait_for_selector(".picture")
    shown = page.query_selector(".picture").bounding_box()
    assert shown["width"] == pytest.approx(200, abs=6)
    assert shown["x"] == pytest.approx(middle[0] - 100, abs=6)
    wait_until(lambda: plate_of(session, "wide").picture == "box")
    page.fill("input[aria-label^='left of']", "20")
    page.keyboard.press("Tab")
    wait_until(lambda: plate_of(session, "wide").picture_box_mm[0] == 20.0)
    page.fill("label:has-text('by caliper') input", "119.5")
    page.keyboard.press("Tab")
    wait_until(lambda: plate_of(session, "wide").long_mm == 119.5)
    page.wait_for_selector(".facts:has-text('119.5 mm by caliper')")
    page.select_option("label:has-text('Printed and shared') select", "rebate")
    wait_until(lambda: plate_of(session, "wide").picture == "rebate")


def plate_of(session: Path, name: str) -> Any:
    return next(plate for plate in load_session(session).plates if plate.id == name)
