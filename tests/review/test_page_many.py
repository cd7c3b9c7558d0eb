"""Work on many plates, and the hands and eyes of whoever does it, in a real browser."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from platebench.review.kept import KeptChoices
from platebench.session.settings_file import load_session

from ..processes import wait_until
from .browsing import IN_A_BROWSER, open_plate
from .served import Served

pytestmark = IN_A_BROWSER


def of_plates(session: Path, key: str) -> list[Any]:
    return [getattr(plate, key) for plate in load_session(session).plates]


def test_one_change_for_several_plates_is_one_step(page: Any, session: Path) -> None:
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowRight")  # a row, by keyboard
    assert page.locator("#prints .chosen").count() == 2
    page.select_option("#many label:has-text('Tone') select", "softer")
    wait_until(lambda: of_plates(session, "tone") == ["softer", "softer"])
    page.click("#many button:has-text('right')")
    wait_until(lambda: of_plates(session, "rotate") == [90, 90])
    page.fill("#many label:has-text('Contrast') input", "1.2")
    page.keyboard.press("Tab")
    wait_until(lambda: of_plates(session, "print_contrast") == [1.2, 1.2])
    for expected in ([90, 90], [0, 0]):
        page.keyboard.press("Control+z")
        wait_until(lambda now=expected: of_plates(session, "rotate") == now)
    assert of_plates(session, "print_contrast") == [1, 1]
    page.keyboard.press("Control+Shift+z")
    wait_until(lambda: of_plates(session, "rotate") == [90, 90])
    page.keyboard.press("Escape")  # leaves the field
    page.keyboard.press("Escape")
    assert page.is_hidden("#many") and page.locator("#prints .chosen").count() == 0


def test_plates_are_chosen_by_pointer_and_key_alike(page: Any) -> None:
    def chosen() -> list[str]:
        return page.locator("#prints .chosen .id").all_text_contents()

    page.click("#prints a:has-text('wide')", modifiers=["Control"])
    assert chosen() == ["wide"]
    page.click("#prints a:has-text('dense')", modifiers=["Shift"])
    assert chosen() == ["dense", "wide"]
    page.click("#prints li:has-text('wide') input")
    assert chosen() == ["dense"]
    page.keyboard.press(" ")
    assert chosen() == ["dense", "wide"]
    page.keyboard.press("Escape")
    page.keyboard.press("Control+a")
    assert chosen() == ["dense", "wide"] and page.is_visible("#prints")


def test_plates_are_found_by_words_filter_and_order(
    page: Any, session: Path, table: Served
) -> None:
    def shown() -> list[str]:
        return page.locator("#prints .id").all_text_contents()

    table.post("api/edit", {"wide": {"note": "A Lighthouse", "checked": True}})
    page.wait_for_selector("#prints .facts:has-text('looked at')")
    page.fill("#finding input[type=search]", "lighthouse")
    assert shown() == ["wide"]
    page.fill("#finding input[type=search]", "nothing such")
    assert shown() == [] and page.is_visible("#nothing")
    page.click("#nothing button")
    page.select_option("#finding label:has-text('Show') select", "unseen")
    assert shown() == ["dense"]
    page.select_option("#finding label:has-text('Show') select", "all")
    page.select_option("#finding label:has-text('Order') select", "range")
    ranges = {one["id"]: one["density_range"] for one in table.json("api/session")["plates"]}
    assert shown() == sorted(ranges, key=lambda one: -ranges[one])


def test_keys_are_the_pages_again_after_a_field_was_used(page: Any, session: Path) -> None:
    open_plate(page, "wide")
    page.locator("#plate label:has-text('Tone') select").click()
    page.locator("#plate label:has-text('Tone') select").select_option("softer")
    wait_until(lambda: of_plates(session, "tone")[1] == "softer")
    page.keyboard.press("Control+z")
    wait_until(lambda: of_plates(session, "tone")[1] == "neutral")
    slider = page.locator("#plate label:has-text('Contrast') input").bounding_box()
    page.mouse.click(slider["x"] + slider["width"] * 0.7, slider["y"] + slider["height"] / 2)
    wait_until(lambda: of_plates(session, "print_contrast")[1] > 1.5)
    page.keyboard.press("ArrowLeft")  # to the plate before, not a step of the slider
    page.wait_for_function("() => document.querySelector('#plate-id').innerText === 'dense'")
    page.keyboard.press("End")
    page.wait_for_function("() => document.querySelector('#plate-id').innerText === 'wide'")
    page.keyboard.press("Control+z")
    wait_until(lambda: of_plates(session, "print_contrast")[1] == 1)


def test_the_whole_plate_is_fitted_again_and_stays_in_view(page: Any) -> None:
    open_plate(page, "wide")
    for width, height in ((2560, 1440), (1440, 900), (768, 1024), (390, 844)):
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(500)
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width
        page.locator("#plate label:has-text('Contrast') input").scroll_into_view_if_needed()
        board = page.locator(".board").bounding_box()
        assert board["y"] >= 0 and board["y"] + board["height"] <= height
        assert board["width"] * board["height"] > 0.25 * width * height
        drawn = page.evaluate(
            """() => {
              const canvas = document.querySelector(".deep canvas");
              const pen = canvas.getContext("2d"), { width, height } = canvas;
              const seen = (x, y) => pen.getImageData(x, y, 1, 1).data[3] > 0;
              return { middle: seen(width >> 1, height >> 1),
                edges: [seen(1, 1), seen(width - 2, height - 2)].every(Boolean) };
            }"""
        )
        assert drawn["middle"] and not drawn["edges"]  # the plate is seen, and ground beside it


def test_points_of_the_curve_set_exposure_and_contrast(page: Any, session: Path) -> None:
    """Contrast is the range printed at first over that between the points; the middle is free."""
    open_plate(page, "wide")
    told = page.evaluate("fetch('api/plates/wide').then((one) => one.json())")["tone_curve"]
    black, white = told["black_at"], told["white_at"]
    box = page.locator("[data-point='1']").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 25, y, steps=4)
    page.wait_for_selector(".board[data-tried]")
    page.mouse.up()
    wait_until(lambda: of_plates(session, "print_contrast")[1] > 1.05)
    contrast, stops = of_plates(session, "print_contrast")[1], of_plates(session, "print_stops")[1]
    page.wait_for_timeout(300)
    points = [
        float(page.get_attribute(f"[data-point='{n}']", "aria-valuenow") or "nan") for n in (0, 1)
    ]
    assert (white - black) / (points[1] - points[0]) == pytest.approx(contrast, abs=0.02)
    assert points[0] == pytest.approx(black, abs=0.03)  # the other end stayed
    # a stop is log10(2) of exposure: the middle of what is printed moves by as much
    assert (sum(points) - black - white) / 2 == pytest.approx(0.30103 * stops, abs=0.011)


def test_light_or_dark_is_kept(page: Any, table: Served) -> None:
    def ground() -> str:
        return page.evaluate("getComputedStyle(document.querySelector('header')).backgroundColor")

    light = ground()
    page.click("#more summary")
    page.select_option("#more select", "dark")
    page.wait_for_function(
        "before => getComputedStyle(document.querySelector('header')).backgroundColor !== before",
        arg=light,
    )
    dark = ground()
    page.reload()
    page.wait_for_selector("#prints img")
    assert ground() == dark
    for said in (light, dark):  # neutral: red, green and blue alike
        assert len(set(said.removeprefix("rgb(").rstrip(")").split(", "))) == 1


def test_a_stopped_server_is_said_once_and_no_change_is_lost(
    page: Any, table: Served, session: Path
) -> None:
    open_plate(page, "wide")
    page.context.set_offline(True)
    page.keyboard.press("r")
    page.wait_for_selector("#gone:not(:empty)")
    page.keyboard.press("n")
    page.keyboard.type("seen offline")
    page.keyboard.press("Escape")
    assert page.locator(".alert:not(:empty)").count() == 1
    assert page.locator("#said > div").count() == 0 and page.locator(".curve").count() == 1
    assert of_plates(session, "rotate") == [0, 0]
    page.context.set_offline(False)
    wait_until(lambda: of_plates(session, "note")[1] == "seen offline")
    assert of_plates(session, "rotate") == [0, 90]
    page.wait_for_selector("#gone", state="hidden")


def test_a_mended_file_takes_its_message_away(page: Any, session: Path) -> None:
    file = session / "session.toml"
    good = file.read_text(encoding="utf-8")
    file.write_text(good + "\n[[plate", encoding="utf-8")
    page.wait_for_selector("#fault:has-text('session.toml')")
    file.write_text(good, encoding="utf-8")
    page.wait_for_selector("#fault", state="hidden")


def test_an_unknown_plate_in_the_address_is_named(page: Any) -> None:
    page.evaluate("location.hash = '#/plate/none-such'")
    page.wait_for_selector("#nothing:has-text('none-such')")
    assert page.is_visible("#prints") and page.is_hidden("#plate")


def test_what_was_chosen_outlasts_the_server(tmp_path: Path) -> None:
    kept = KeptChoices(tmp_path)
    kept.keep({"ground": "dark", "print_size": 22, "other": 1})
    assert KeptChoices(tmp_path).said == kept.said | {"ground": "dark", "print_size": 22}
    kept.keep({"ground": "pink", "print_size": True})
    assert KeptChoices(tmp_path).said["ground"] == "dark"
    (tmp_path / "review-page.json").write_bytes(b"{")
    assert KeptChoices(tmp_path).said["ground"] == "system"


def test_positive_and_negative_are_parted_by_a_line(page: Any) -> None:
    """Left of the line what was thin is dark, right of it light: a negative turned round."""
    open_plate(page, "wide")
    page.wait_for_timeout(700)
    means = """() => {
      const canvas = document.querySelector(".deep canvas"), pen = canvas.getContext("2d");
      const mean = (from, to) => {
        const y = canvas.height >> 1, x = Math.round(from * canvas.width);
        const seen = pen.getImageData(x, y - 40, Math.round((to - from) * canvas.width), 80).data;
        let sum = 0;
        for (let n = 0; n < seen.length; n += 4) sum += seen[n];
        return sum / (seen.length / 4);
      };
      return [mean(0.3, 0.48), mean(0.52, 0.7)];
    }"""
    left, right = page.evaluate(means)
    page.keyboard.press("4")
    page.wait_for_timeout(900)
    negative = page.evaluate(means)
    page.keyboard.press("v")
    page.wait_for_selector(".divided")
    page.wait_for_timeout(900)
    parted = page.evaluate(means)
    assert parted == pytest.approx([left, negative[1]], abs=6)
    assert abs(negative[1] - right) > 15
    page.keyboard.press("Escape")
    assert page.locator(".divided").count() == 0 and page.is_visible("#plate")


def test_a_plate_is_seen_as_it_was_for_as_long_as_a_key_is_held(page: Any, session: Path) -> None:
    open_plate(page, "wide")
    page.keyboard.press("d")
    wait_until(lambda: of_plates(session, "print_stops")[1] == 0.1)
    page.wait_for_timeout(700)
    page.keyboard.down("h")
    page.wait_for_selector(".board[data-tried*='print_stops=0&']")
    page.keyboard.up("h")
    page.wait_for_selector(".board[data-tried]", state="detached")


def test_two_plates_beside_each_other_move_together(page: Any) -> None:
    open_plate(page, "wide")
    page.select_option("label:has-text('Another plate') select", "dense")
    page.wait_for_function("() => document.querySelectorAll('.deep canvas').length === 2")
    page.wait_for_timeout(900)
    whole = """() => [...document.querySelectorAll(".deep canvas")].map((canvas) => {
      const pen = canvas.getContext("2d");
      return [[1, 1], [canvas.width - 2, canvas.height - 2]].every(
        ([x, y]) => pen.getImageData(x, y, 1, 1).data[3] === 0);
    })"""
    assert page.evaluate(whole) == [True, True]  # ground is seen at the corners of both
    for _ in range(4):
        page.keyboard.press("+")
        page.wait_for_timeout(350)
    assert page.evaluate(whole) == [False, False]
    page.keyboard.press("Escape")
    assert page.locator(".board").count() == 1 and page.is_visible("#plate")
